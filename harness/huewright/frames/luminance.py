"""EXR files of luminance and chroma: a channel Y of every pixel, RY and BY of every second one in every second line.

OpenImageIO doesn't read channels of part of the size. The package OpenEXR (the extra ``exr``) reads the samples; what
they mean is worked out here, and the header is described by OpenImageIO all the same: it is given the file's own header
over a picture of one pixel.

Source: OpenEXR's ImfRgbaYca.h (what Y, RY and BY are, their places, filters of 27 samples, and that pixels far more
saturated than those around them are artefacts of the filters) with the filter's samples in ImfRgbaYca.cpp, and
ImfRgbaFile.cpp (what its reader takes beyond the edges); "OpenEXR File Layout" (header, channel list, scan lines).
"""

from __future__ import annotations

import importlib
import struct
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813

from huewright.errors import InputError, library_words
from huewright.frames.structure import Change
from huewright.frames.wholeness import is_whole, text_to_zero

# What is between two samples of chroma, from those at 1, 3, ... 13 pixels on both sides.
TAPS = (0.627123, -0.186077, 0.087929, -0.043159, 0.019597, -0.007540, 0.002128)
BT709 = (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290)     # of a file that doesn't say
_MAGIC, _LONG_NAMES, _VERSION = 20000630, 0x400, 2
_KINDS, _BYTES = {0: "uint", 1: "half", 2: "float"}, {0: 4, 1: 2, 2: 4}
_MOST_BYTES = 32 << 30      # OpenImageIO's own limit for a picture


@dataclass(frozen=True)
class Described:
    """``spec`` as OpenImageIO would give it were the colours R, G, B[, A] of full size, with what other channels
    have full size; and the names of further ``smaller`` channels."""

    spec: oiio.ImageSpec
    smaller: tuple[str, ...]


def described(path: Path) -> Described:
    """Of the EXR file at ``path``; :class:`InputError` for one of another structure, and without the package."""
    _library()
    try:
        version, attributes = _header(path)
        channels = _channels(attributes["channels"][1])
        x0, y0, x1, y1 = struct.unpack("<4i", attributes["dataWindow"][1])
        left, top, right, below = struct.unpack("<4i", attributes["displayWindow"][1])
    except (struct.error, KeyError, ValueError, UnicodeDecodeError):
        raise InputError(f"{path}: its header is damaged; copy it again or leave it out") from None
    parts = {name: channels.get(name, (0, 0, 0)) for name in ("Y", "RY", "BY")}
    full = {name: kind for name, (kind, across, down) in channels.items() if (across, down) == (1, 1)}
    if (version & ~_LONG_NAMES != _VERSION or "Y" not in full or not all(parts[name][0] for name in parts)
            or any(parts[name][1:] != (2, 2) for name in ("RY", "BY")) or {"R", "G", "B"} & set(channels)):
        raise InputError(f"{path}: holds channels of part of the size other than one picture's chroma (RY and BY of "
                         "2 x 2 pixels), which are not read here; write it anew with R, G and B of the full size")
    width, height = x1 - x0 + 1, y1 - y0 + 1
    if min(width, height) < 1 or x0 % 2 or y0 % 2 or width % 2 or height % 2 or (
            width * height * sum(_BYTES[kind] for kind in full.values()) > _MOST_BYTES):
        raise InputError(f"{path}: its data window is none that chroma of half the size can have; copy it again or "
                         "leave it out")
    colours = max(kind for kind, _, _ in parts.values())
    listed = {**{name: kind for name, kind in full.items() if name != "Y"}, **dict.fromkeys("RGB", colours)}
    attributes["channels"] = ("chlist", b"".join(
        name.encode() + struct.pack("<xiB3xii", kind, 0, 1, 1) for name, kind in sorted(listed.items())) + b"\0")
    attributes["dataWindow"] = attributes["displayWindow"] = ("box2i", bytes(16))
    spec = _described(path, version, attributes, sum(_BYTES[kind] for kind in listed.values()))
    spec.x, spec.y, spec.width, spec.height = x0, y0, width, height
    spec.full_x, spec.full_y, spec.full_width, spec.full_height = left, top, right - left + 1, below - top + 1
    return Described(spec, tuple(sorted(set(channels) - set(full) - {"RY", "BY"})))


def read(path: Path) -> tuple[oiio.ImageSpec, np.ndarray, tuple[str, ...], dict[str, np.ndarray], list[Change]]:
    """(description, pixels (h, w, 3 or 4) float16 or float32, their channels' names, channels of other formats, what
    was changed) of the file at ``path``; :class:`InputError` as :func:`described`, and where it is damaged."""
    found = described(path)
    spec = found.spec
    library = _library()
    damaged = InputError(f"{path}: damaged or cut short; copy it again or leave that frame out")
    if not is_whole(path):      # the library would say so too, in lines of its own
        raise damaged
    try:
        samples = {name: channel.pixels
                   for name, channel in library.File(str(path), separate_channels=True).channels().items()}
    except MemoryError:
        raise
    except UnicodeDecodeError:
        raise InputError(f"{path}: a text in its header is no UTF-8, with which luminance and chroma are not read; "
                         "write it anew with R, G and B") from None
    except Exception as error:      # of whatever kind the binding makes of it
        raise InputError(f"{path}: not a picture that can be read ({library_words(error)}); copy it again or leave "
                         "it out") from None
    shape = (spec.height, spec.width)
    names = [str(name) for name in spec.channelnames]
    kept = [name for name in names if name not in ("R", "G", "B")]
    half = (spec.height // 2, spec.width // 2)
    if any(samples[name].shape != size if name in samples else True
           for name, size in [("Y", shape), ("RY", half), ("BY", half), *((name, shape) for name in kept)]):
        raise damaged
    chroma = np.stack([samples["RY"], samples["BY"]]).astype(np.float32)
    colours = light(samples["Y"].astype(np.float32), chroma, _weights(path, spec))
    halves = samples["Y"].dtype == samples["RY"].dtype == samples["BY"].dtype == np.float16
    with np.errstate(over="ignore"):
        pixels = np.ascontiguousarray(colours.astype(np.float16 if halves else np.float32))
    together = ["R", "G", "B"]
    if "A" in samples and samples["A"].dtype.kind == "f":
        common = np.result_type(pixels, samples["A"])
        pixels = np.concatenate([pixels.astype(common), samples["A"][..., None].astype(common)], axis=2)
        together.append("A")
    others = {name: samples[name] for name in kept if name not in together}
    changes: list[Change] = [("chroma", ())]
    if found.smaller:
        changes.append(("left out", found.smaller))
    return spec, pixels, tuple(together), others, changes


def luminance_weights(chromaticities: tuple[float, ...]) -> tuple[float, float, float]:
    """Luminance of R, G and B, one in sum, from x and y of red, green, blue and white (SMPTE RP 177-1993, section 3.3):
    so much of each primary makes white, and the second row of the matrix to XYZ is that, each times its Y."""
    x, y = np.array(chromaticities, dtype=np.float64).reshape(4, 2).T
    of_white = np.linalg.solve(np.stack([x[:3] / y[:3], np.ones(3), (1 - x[:3] - y[:3]) / y[:3]]),
                               [x[3] / y[3], 1.0, (1 - x[3] - y[3]) / y[3]])
    red, green, blue = of_white
    return float(red), float(green), float(blue)


def filled(chroma: np.ndarray) -> np.ndarray:
    """(..., 2 h, 2 w) float32 from samples (..., h, w), which stay at even places of even lines; lines are filled
    first, columns then. Beyond the edges the first and the last sample go on."""
    for axis in (-1, -2):
        between = _between(chroma, axis)
        shape = list(chroma.shape)
        shape[axis] *= 2
        chroma = np.stack([chroma, between], axis=chroma.ndim if axis == -1 else -2).reshape(shape)
    return chroma


def _between(samples: np.ndarray, axis: int) -> np.ndarray:
    """What is after each sample along ``axis``, half-way to the next."""
    reach, count = len(TAPS), samples.shape[axis]
    ends = [(0, 0)] * samples.ndim
    ends[axis] = (reach - 1, reach)
    padded = np.pad(samples, ends, mode="edge")

    def at(begin: int) -> np.ndarray:
        part = slice(begin, begin + count)
        view: np.ndarray = padded[..., part] if axis == -1 else padded[..., part, :]
        return view

    result = np.zeros_like(samples)
    for far, tap in enumerate(TAPS):
        pair = at(reach - 1 - far) + at(reach + far)
        pair *= np.float32(tap)
        result += pair
    return result


def light(luminance: np.ndarray, chroma: np.ndarray, weights: tuple[float, float, float]) -> np.ndarray:
    """R, G, B (h, w, 3) float32 from luminance (h, w) and the samples of RY and BY (2, h / 2, w / 2), all float32:
    RY = (R - Y) / Y, BY = (B - Y) / Y, Y = weights . (R, G, B)."""
    red, green, blue = (np.float32(weight) for weight in weights)
    # One line more above, which the artefacts of the first are told by.
    ry, by = filled(np.concatenate([chroma[:, :1], chroma], axis=1))[:, 1:]
    above = np.concatenate([luminance[:1], luminance])
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        planes = np.stack([(ry + 1) * above, (1 - (red * ry + blue * by) / green) * above, (by + 1) * above])
        return np.moveaxis(_without_artefacts(planes, np.array([red, green, blue])), 0, -1)


def _without_artefacts(planes: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """``planes`` (3, 1 + h, w) without the line above, where a pixel's saturation (1 less the least over the greatest
    channel) is at most three quarters of the way from 1 back to the mean of its four diagonal neighbours': what is more
    is brought there, at the same luminance."""
    most, least = planes.max(axis=0), planes.min(axis=0)
    saturation = np.where(most > 0, 1 - least / most, np.float32(0))
    around = np.pad(np.concatenate([saturation, saturation[-2:-1]]), ((0, 0), (1, 1)), mode="edge")
    mean = (around[:-2, :-2] + around[:-2, 2:] + around[2:, :-2] + around[2:, 2:]) / 4
    bound = 1 - (1 - np.minimum(mean, 1)) / 4
    result: np.ndarray = planes[:, 1:]
    rows, columns = np.nonzero(saturation[1:] > bound)
    if len(rows):
        found, top = result[:, rows, columns], most[1:][rows, columns]
        paler = np.maximum(top - (top - found) * (bound[rows, columns] / saturation[1:][rows, columns]), 0)
        level = weights @ paler
        result[:, rows, columns] = paler * np.where(level > 0, (weights @ found) / level, 1)
    return result


def _weights(path: Path, spec: oiio.ImageSpec) -> tuple[float, float, float]:
    said = spec.getattribute("chromaticities")
    try:
        with np.errstate(all="ignore"):
            weights = luminance_weights(tuple(said) if isinstance(said, tuple) and len(said) == 8 else BT709)
    except np.linalg.LinAlgError:
        weights = (0.0, 0.0, 0.0)
    if not np.isfinite(weights).all() or weights[1] == 0.0:
        raise InputError(f"{path}: its chromaticities are none of three colours and a white, and green follows from "
                         "them; copy it again or leave it out")
    return weights


def _library() -> Any:
    try:
        return importlib.import_module("OpenEXR")
    except ImportError:
        raise InputError("EXR files of luminance and chroma are read by the package OpenEXR; install it with pip "
                         "install 'huewright[exr]', or write them anew with R, G and B") from None


def _header(path: Path) -> tuple[int, dict[str, tuple[str, bytes]]]:
    """(version and flags, name -> (type, value)) of the first part."""
    attributes: dict[str, tuple[str, bytes]] = {}
    size = path.stat().st_size
    with open(path, "rb") as file:
        magic, version = struct.unpack("<II", file.read(8))
        if magic != _MAGIC:
            raise ValueError
        while name := text_to_zero(file):
            kind = text_to_zero(file)
            length, = struct.unpack("<I", file.read(4))
            if file.tell() + length > size:
                raise ValueError
            attributes[name.decode()] = (kind.decode(), file.read(length))
    return version, attributes


def _channels(listed: bytes) -> dict[str, tuple[int, int, int]]:
    """Name -> (kind, pixels across and down a sample)."""
    found: dict[str, tuple[int, int, int]] = {}
    while listed[:1] not in (b"\0", b""):
        name, _, rest = listed.partition(b"\0")
        kind, _, across, down = struct.unpack("<iB3xii", rest[:16])
        if kind not in _KINDS:
            raise ValueError
        found[name.decode()] = (kind, across, down)
        listed = rest[16:]
    return found


def _described(path: Path, version: int, attributes: dict[str, tuple[str, bytes]], pixel_bytes: int) -> oiio.ImageSpec:
    """OpenImageIO's description of a file of one pixel with this header."""
    head = struct.pack("<II", _MAGIC, version) + b"".join(
        name.encode() + b"\0" + kind.encode() + b"\0" + struct.pack("<I", len(value)) + value
        for name, (kind, value) in attributes.items()) + b"\0"
    # A chunk of as many bytes as its pixels take holds them uncompressed, whatever the header says.
    chunk = struct.pack("<QiI", len(head) + 8, 0, pixel_bytes) + bytes(pixel_bytes)
    try:
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "a.exr").write_bytes(head + chunk)
            source = oiio.ImageInput.open(str(Path(folder) / "a.exr"))
            if source is None:
                why = library_words(oiio.geterror)
                raise InputError(f"{path}: not a picture that can be read ({why.replace(folder, '')}); copy it again "
                                 "or leave it out")
            spec = oiio.ImageSpec(source.spec())
            source.close()
    except OSError as error:
        raise InputError(f"{path}: cannot be read for want of a place for temporary files "
                         f"({error.strerror or error}); see whether the disk is full") from None
    return spec


__all__ = ["Described", "described", "filled", "light", "luminance_weights", "read"]
