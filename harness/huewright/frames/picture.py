"""Picture files through OpenImageIO: EXR, DPX, TIFF and PNG are read into a frame and written whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813  (the name its documentation uses)

from huewright.errors import InputError, printable
from huewright.files import NotWrittenError, whole_file
from huewright.frames import luminance, photos
from huewright.frames.dpx import DpxPicture, new_dpx, read_dpx, reason, why_not, write_dpx
from huewright.frames.frame import Frame, Metadata, quantised, scaled
from huewright.frames.structure import (
    Change,
    further_pages,
    orientation_of,
    other_elements,
    other_parts,
    seek_colours,
    shown_channels,
    upright,
)
from huewright.frames.wholeness import is_whole

# Attributes that describe how the samples lie in one file, or claim a colour that a new picture no longer has.
_OF_THE_FILE = ("oiio:BitsPerSample", "oiio:subimages", "oiio:ColorSpace", "colorInteropID", "oiio:RowsPerChunk",
                "tiff:Compression", "tiff:RowsPerStrip", "oiio:SHA-1", "openexr:levelmode",
                "openexr:roundingmode", "openexr:chunkCount", "textureformat", "wrapmodes", "oiio:AverageColor",
                "oiio:ConstantColor", "tiff:PhotometricInterpretation")
_DEPTHS = {".dpx": (8, 10, 12, 16), ".png": (8, 16), ".exr": (16, 32),
           ".tif": (8, 10, 12, 16, 32), ".tiff": (8, 10, 12, 16, 32)}


def read_frame(path: Path | str) -> Frame:
    """The picture at ``path``; :class:`InputError` with one sentence if it is missing, damaged or not R, G, B."""
    path = Path(path)
    if path.suffix.lower() in photos.SUFFIXES:
        _check_readable(path)
        spec, codes, bits = photos.read(path)
        return _frame(spec, scaled(codes, bits), ("R", "G", "B"), bits, Metadata(spec, lossy=True))
    try:
        source, part = _open(path)
    except _SmallerChannelsError:
        spec, pixels, names, others, changes = luminance.read(path)
        frame = _upright_frame(spec, pixels, names, 8 * pixels.dtype.itemsize, others, changes)
        return replace(frame, metadata=replace(frame.metadata, lossy=True))
    spec = oiio.ImageSpec(source.spec())
    dpx = read_dpx(path) if path.suffix.lower() == ".dpx" else None
    if dpx is not None:
        source.close()
        return _dpx_frame(path, spec, dpx, decoded=True)
    changes = []
    try:
        if source.format_name() == "tiff" and source.seek_subimage(1, 0):
            changes.append(("left out", tuple(f"page {page}" for page in range(2, 2 + further_pages(source)))))
            source.seek_subimage(part, 0)
        if spec.tile_width and source.seek_subimage(part, 1):
            changes.append(("levels", ()))
            source.seek_subimage(part, 0)
        order = _channel_order(path, spec)
        changes += [] if "R" in spec.channelnames else [("grey", ())]
        pixels, others, bits, names = _read_channels(path, source, part, spec, order)
        if spec.get_int_attribute("oiio:subimages", 1) > 1:
            if source.format_name() == "dpx":
                alpha, more = other_elements(source, part, spec, pixels.dtype)
                if alpha is not None and "A" not in names:
                    pixels, names = np.concatenate([pixels, alpha], axis=2), (*names[:3], "A")
                    spec.attribute("oiio:UnassociatedAlpha", 1)     # the colours' element is a picture by itself
            else:
                further, spec, more = other_parts(source, part, spec, names)
                others |= further
            changes += more
    finally:
        source.close()
    return _upright_frame(spec, pixels, names, bits, others, changes)


def _upright_frame(spec: oiio.ImageSpec, pixels: np.ndarray, names: Sequence[str], bits: int,
                   others: dict[str, np.ndarray], changes: list[Change]) -> Frame:
    orientation = orientation_of(spec)
    if orientation != 1:
        pixels = upright(pixels, orientation)
        others = {name: upright(channel, orientation) for name, channel in others.items()}
        spec = _turned(spec, orientation)
        changes = [*changes, ("turned", (str(orientation),))]
    return _frame(spec, pixels, names, bits, Metadata(spec, None, others, changes=tuple(changes)))


def _turned(spec: oiio.ImageSpec, orientation: int) -> oiio.ImageSpec:
    """The description of the upright picture; a window within a larger one keeps its place in it."""
    turned = oiio.ImageSpec(spec)
    left, top = spec.x - spec.full_x, spec.y - spec.full_y
    right, below = spec.full_width - left - spec.width, spec.full_height - top - spec.height
    # How far the window is from the left and the top of the larger one, as the picture shows it.
    left, top = {1: (left, top), 2: (right, top), 3: (right, below), 4: (left, below), 5: (top, left), 6: (below, left),
                 7: (below, right), 8: (top, right)}[orientation]
    if orientation >= 5:
        turned.width, turned.height = spec.height, spec.width
        turned.full_width, turned.full_height = spec.full_height, spec.full_width
        turned.tile_width, turned.tile_height = spec.tile_height, spec.tile_width
        aspect = spec.get_float_attribute("PixelAspectRatio", 1.0)
        if aspect > 0:
            turned.attribute("PixelAspectRatio", 1 / aspect)
    turned.x, turned.y = turned.full_x + left, turned.full_y + top
    turned.attribute("Orientation", 1)
    return turned


def frame_around(path: Path | str, dpx: DpxPicture) -> Frame:
    """What :func:`read_frame` gives for the DPX file at ``path``, read already as ``dpx``, for whoever takes the
    colours from there: ``pixels`` have the right shape and dtype, but only channels beyond the third have values."""
    path = Path(path)
    source, _ = _open(path)
    spec = source.spec()
    source.close()
    return _dpx_frame(path, spec, dpx, decoded=dpx.components > 3)


def _dpx_frame(path: Path, spec: oiio.ImageSpec, dpx: DpxPicture, *, decoded: bool) -> Frame:
    _channel_order(path, spec)
    shape, dtype = (dpx.height, dpx.width, dpx.components), np.uint8 if dpx.bits == 8 else np.uint16
    pixels = scaled(dpx.codes(), dpx.bits) if decoded else np.broadcast_to(np.zeros((), dtype), shape)
    metadata = Metadata(oiio.ImageSpec(spec), dpx.with_payload(np.empty(0, np.uint8)))
    return _frame(spec, pixels, spec.channelnames, dpx.bits, metadata)


def _frame(spec: oiio.ImageSpec, pixels: np.ndarray, names: Sequence[str], bits: int, metadata: Metadata) -> Frame:
    data = (spec.x, spec.y, spec.x + spec.width, spec.y + spec.height)
    display = (spec.full_x, spec.full_y, spec.full_x + spec.full_width, spec.full_y + spec.full_height)
    aspect = float(spec.get_float_attribute("PixelAspectRatio", 1.0))
    return Frame(pixels, tuple(names), bits, metadata, data, display,
                 aspect if 0.01 < aspect < 100 else 1.0)


def read_attributes(path: Path | str) -> dict[str, Any]:
    """:meth:`Metadata.attributes` of the picture at ``path``, from its header alone; raises as :func:`read_header`."""
    return Metadata(_described(Path(path))).attributes()


def _described(path: Path) -> oiio.ImageSpec:
    """What the header says, before anything is turned."""
    if path.suffix.lower() in photos.SUFFIXES:
        _check_readable(path)
        return photos.described(path)
    try:
        source, _ = _open(path)
    except _SmallerChannelsError:
        return luminance.described(path).spec
    spec = oiio.ImageSpec(source.spec())
    source.close()
    return spec


@dataclass(frozen=True)
class Header:
    """What a file's header alone says of its pixels: those of its data window, in the numbers of its colours; and
    which ``correction`` rendered it, as :attr:`Metadata.correction`."""

    width: int
    height: int
    dtype: np.dtype
    bits: int
    correction: str = ""


def read_header(path: Path | str) -> Header:
    """The header of the picture at ``path``; raises as :func:`read_frame`, except for damage farther on."""
    path = Path(path)
    spec = _described(path)
    colours = [place for place, _ in _channel_order(path, spec)[:3]]
    kinds = {str(kind) for kind in (spec.channelformats or (spec.format,))}
    kind = str((spec.channelformats or (spec.format,) * spec.nchannels)[colours[0]]) if len(kinds) > 1 else kinds.pop()
    spec = _turned(spec, orientation_of(spec))
    dtype = np.dtype({"uint8": np.uint8, "uint16": np.uint16, "half": np.float16}.get(kind, np.float32))
    bits = spec.get_int_attribute("oiio:BitsPerSample", 16) or 16 if dtype == np.uint16 else 8 * dtype.itemsize
    return Header(spec.width, spec.height, dtype, bits, Metadata(spec).correction)


def write_frame(path: Path | str, frame: Frame, *, overwrite: bool = False, compression: str | None = None) -> None:
    """Writes ``frame`` in the format of ``path``'s suffix, whole or not at all, with its metadata.

    The file has ``frame.bits``, or the next depth that its format has (10 bits become 16 in PNG); floats are rounded
    and clipped to 0..1 for it. EXR is half or float as ``frame.pixels`` are (integers become half up to 12 bits,
    else float). Windows and channels other than R, G, B, A are kept where the format has them (EXR, TIFF).
    ``compression`` is OpenImageIO's name for one ("zip", "piz", "none"); None keeps the source's.
    Raises :class:`InputError` for an existing file, an unknown format, or a full disk.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    bits = _written_bits(path, frame)
    if suffix == ".dpx":
        write_dpx(path, _as_dpx(frame, bits), overwrite=overwrite)
        return
    pixels, spec = _as_written(suffix, frame, bits)
    if compression is not None:
        spec.attribute("compression", compression)
    with whole_file(path, overwrite=overwrite, doubted=True) as temporary:
        output = oiio.ImageOutput.create(str(temporary))
        if output is None:
            raise InputError(f"{path}: no writer for this format; use .exr, .dpx, .tif or .png")
        good = output.open(str(temporary), spec) and output.write_image(pixels)
        if not (good and output.close()):
            raise NotWrittenError(f"{path}: cannot be written ({reason(output).replace(str(temporary), path.name)})")
        if not is_whole(temporary):
            raise NotWrittenError(f"{path}: cannot be written whole; see whether its disk is full, or choose another "
                                  "place")


def check_depth(path: Path | str, bits: int) -> None:
    """:class:`InputError` if files like ``path`` have no such depth, or aren't written at all."""
    depths = depths_of(Path(path))
    if bits not in depths:
        raise InputError(f"{path}: {Path(path).suffix} files have {', '.join(map(str, depths))} bits a channel, "
                         f"not {bits}; choose one of these")


class _SmallerChannelsError(InputError):
    """Of an EXR file that OpenImageIO doesn't read, for channels of part of the size: luminance and chroma."""


def _check_readable(path: Path) -> None:
    if not path.is_file():
        raise InputError(f"{path}: there is no such picture file; check the path")
    try:
        open(path, "rb").close()
    except OSError as error:      # said by the system: libraries have no one word for it
        raise InputError(f"{path}: cannot be read ({error.strerror or error}); see whose the file is") from None


def _open(path: Path) -> tuple[oiio.ImageInput, int]:
    """The file, and the part of it that holds the colours, at which it stands."""
    _check_readable(path)
    strange = why_not(path)
    if strange:
        raise InputError(f"{path}: this DPX file is of a kind that is not read here, for {strange}; write it anew "
                         "with unsigned numbers, line by line from the left")
    asked = oiio.ImageSpec()
    asked.attribute("oiio:UnassociatedAlpha", 1)  # colours as they are in the file, never multiplied on reading
    source = oiio.ImageInput.open(str(path), asked)
    if source is None:
        why = reason()
        if path.suffix.lower() == ".exr" and "subsampled channels" in why.lower():
            raise _SmallerChannelsError(f"{path}: holds channels of part of the size")
        raise InputError(f"{path}: not a picture that can be read ({why}); "
                         "copy it again or leave it out")
    part = seek_colours(path, source)
    spec = source.spec()
    if spec.deep or spec.depth > 1:
        raise InputError(f"{path}: a deep or volume picture; flatten it first")
    return source, part


def _channel_order(path: Path, spec: oiio.ImageSpec) -> list[tuple[int, str]]:
    """Channels' places and names in the order R, G, B[, A], others."""
    try:
        names = list(spec.channelnames)
    except UnicodeDecodeError:
        raise InputError(f"{path}: the names of its channels are no text (UTF-8); copy it again or leave it out"
                         ) from None
    order = shown_channels(names)
    if order is None:
        raise InputError(f"{path}: its channels are {printable(', '.join(names[:8])[:200])}; R, G and B are needed")
    return order


def _read_channels(path: Path, source: oiio.ImageInput, part: int, spec: oiio.ImageSpec,
                   order: list[tuple[int, str]]) -> tuple[np.ndarray, dict[str, np.ndarray], int, tuple[str, ...]]:
    formats = spec.channelformats or (spec.format,) * spec.nchannels
    kinds = [str(kind) for kind in formats]
    native = {"uint8": oiio.UINT8, "uint16": oiio.UINT16, "half": oiio.HALF}
    if len(set(kinds)) == 1:
        wanted = native.get(kinds[0], oiio.FLOAT)
        pixels = _image(path, source, part, 0, spec.nchannels, wanted)
        places = [place for place, _ in order]
        if places != list(range(spec.nchannels)):
            pixels = np.ascontiguousarray(pixels[..., places])
        together, others = order, {}
    else:
        colours = {name: kinds[place] for place, name in order if name in ("R", "G", "B", "A")}
        first = colours["R"]
        wanted = native.get(first, oiio.FLOAT) if set(colours.values()) == {first} else oiio.FLOAT
        together = [(place, name) for place, name in order if name in colours or kinds[place] == first]
        pixels = np.concatenate([_image(path, source, part, place, place + 1, wanted) for place, _ in together], axis=2)
        kept = {"uint": oiio.UINT32, **native}
        others = {name: _image(path, source, part, place, place + 1, kept.get(kinds[place], oiio.FLOAT))[..., 0]
                  for place, name in order if (place, name) not in together}
    bits = 8 * pixels.dtype.itemsize
    if pixels.dtype == np.uint16:
        bits = int(spec.get_int_attribute("oiio:BitsPerSample", 16)) or 16
        if bits < 16:
            pixels = scaled(pixels >> np.uint16(16 - bits), bits)
    return pixels, others, bits, tuple(name for _, name in together)


def _image(path: Path, source: oiio.ImageInput, part: int, begin: int, end: int, kind: Any) -> np.ndarray:
    pixels = source.read_image(part, 0, begin, end, kind)
    if pixels is None:
        raise InputError(f"{path}: damaged or cut short ({reason(source)}); "
                         "copy it again or leave that frame out")
    return pixels


def depths_of(path: Path) -> tuple[int, ...]:
    """The depths that files like ``path`` are written with; :class:`InputError` if it isn't a format we write."""
    depths = _DEPTHS.get(path.suffix.lower())
    if depths is None:
        raise InputError(f"{path}: {path.suffix or 'no suffix'} isn't a format written here; "
                         "use .exr, .dpx, .tif or .png")
    return depths


def _written_bits(path: Path, frame: Frame) -> int:
    """The least depth of the format that holds the frame's, else its greatest."""
    depths = depths_of(path)
    if path.suffix.lower() == ".exr" and frame.pixels.dtype != np.float16:
        return 32 if frame.pixels.dtype == np.float32 or frame.bits > 12 else 16
    return min((depth for depth in depths if depth >= frame.bits), default=max(depths))


def _as_dpx(frame: Frame, bits: int) -> DpxPicture:
    template = frame.metadata.dpx
    components = 4 if template is not None and template.components == 4 and frame.has_alpha else 3
    same = template is not None and (template.width, template.height, template.bits, template.components) == (
        frame.width, frame.height, bits, components)
    if not same:
        template = new_dpx(fresh_spec(frame), frame.width, frame.height, bits, components)
    assert template is not None
    return template.with_codes(quantised(frame.pixels[..., :components], bits))


def fresh_spec(frame: Frame) -> oiio.ImageSpec:
    """The source's metadata without what belonged to its file alone; sizes and windows of ``frame``."""
    assert frame.data_window is not None and frame.display_window is not None
    spec = oiio.ImageSpec(frame.metadata.spec) if frame.metadata.spec is not None else oiio.ImageSpec()
    for name in _OF_THE_FILE:
        spec.erase_attribute(name)
    x0, y0, x1, y1 = frame.display_window
    spec.x, spec.y, spec.z = frame.data_window[0], frame.data_window[1], 0
    spec.width, spec.height, spec.depth = frame.width, frame.height, 1
    spec.full_x, spec.full_y, spec.full_z = x0, y0, 0
    spec.full_width, spec.full_height, spec.full_depth = x1 - x0, y1 - y0, 1
    if frame.pixel_aspect != 1.0:
        spec.attribute("PixelAspectRatio", float(frame.pixel_aspect))
    return spec


def _as_written(suffix: str, frame: Frame, bits: int) -> tuple[np.ndarray, oiio.ImageSpec]:
    """(pixels, description) in the form that OpenImageIO's writer of this format takes."""
    spec = fresh_spec(frame)
    if spec.getattribute("DateTime") is None:
        spec.attribute("DateTime", "")      # else the writer says when it wrote, and no two files are alike
    pixels, names, others = frame.pixels, frame.channel_names, frame.metadata.others
    if suffix == ".png":
        keep = 4 if frame.has_alpha else 3
        pixels, names, others = pixels[..., :keep], names[:keep], {}
        spec.x = spec.y = spec.full_x = spec.full_y = 0
        spec.full_width, spec.full_height = frame.width, frame.height
    came_from = frame.metadata.spec
    if came_from is None or not _same_format(came_from, suffix):
        if suffix != ".exr":  # a depth or an identifier as an integer picture would mean nothing
            keep = 4 if frame.has_alpha else 3
            pixels, names, others = pixels[..., :keep], names[:keep], {}
        spec.erase_attribute("compression")
        spec.tile_width = spec.tile_height = spec.tile_depth = 0
    if suffix == ".exr":
        if pixels.dtype not in (np.float16, np.float32):
            pixels = quantised(pixels, frame.bits).astype(np.float32) / np.float32(2**frame.bits - 1)
            pixels = pixels.astype(np.float16) if bits == 16 else pixels
    elif bits < 32:
        codes = quantised(pixels, bits)
        pixels = scaled(codes, bits)
        spec.attribute("oiio:BitsPerSample", bits)
    kind = {np.dtype(np.float16): oiio.HALF, np.dtype(np.float32): oiio.FLOAT, np.dtype(np.uint8): oiio.UINT8,
            np.dtype(np.uint16): oiio.UINT16}[pixels.dtype]
    spec.nchannels = pixels.shape[2] + len(others)
    spec.channelnames = (*names, *others)
    spec.alpha_channel = names.index("A") if "A" in names else -1
    spec.z_channel = -1
    spec.channelformats = ()
    spec.set_format(kind)
    if others:
        pixels = _with_others(spec, pixels, kind, others)
    return np.ascontiguousarray(pixels), spec


def _with_others(spec: oiio.ImageSpec, pixels: np.ndarray, kind: Any, others: dict[str, np.ndarray]) -> np.ndarray:
    """All channels in one array of a type that holds each exactly; ``spec`` gets each channel's own format."""
    for name, values in others.items():
        if values.dtype.kind == "u":
            raise InputError(f"channel {name} holds whole numbers beside colours of another format, which cannot be "
                             "written unharmed; remove that channel from the frames first")
    kinds = {np.dtype(np.float16): oiio.HALF, np.dtype(np.float32): oiio.FLOAT}
    spec.channelformats = (kind,) * pixels.shape[2] + tuple(kinds[values.dtype] for values in others.values())
    return np.concatenate([pixels.astype(np.float32), *(values[..., None].astype(np.float32)
                                                        for values in others.values())], axis=2)


def _same_format(spec: oiio.ImageSpec, suffix: str) -> bool:
    marks = {".exr": "openexr:", ".dpx": "dpx:", ".tif": "tiff:", ".tiff": "tiff:"}
    mark = marks.get(suffix)
    return mark is not None and any(item.name.startswith(mark) for item in spec.extra_attribs)
