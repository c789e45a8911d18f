"""HEIF photographs (``.heic``, ``.heif``), as telephones write them: read by the package pillow-heif, extra ``photos``.

Source: ISO/IEC 23008-12 (image file format): turns, mirrorings and crops belong to the picture and are done by its
decoder, so that what Exif says of them no longer holds; colours are named by an ICC profile or by the code points of
ITU-T H.273. The coding loses something, as a movie's does.
"""

from __future__ import annotations

import importlib
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813

from huewright.errors import InputError, library_words

SUFFIXES = (".heic", ".heif")
_MOST_PIXELS = 1 << 29      # some five times the largest telephone's: more is a damaged size
_EXIF = {271: "Make", 272: "Model"}


def described(path: Path) -> oiio.ImageSpec:
    """As OpenImageIO would describe the file at ``path``; raises as :func:`read`, but for damaged pixels."""
    return _described(path, _opened(path))


def read(path: Path) -> tuple[oiio.ImageSpec, np.ndarray, int]:
    """(description, code values (h, w, 3) uint8 or uint16 from 0 to 2^bits - 1, bits) of the photograph at ``path``,
    upright; of several in one file the one that is shown. Alpha is left out.

    Raises :class:`InputError` for a damaged file, and without the package."""
    photo = _opened(path)
    spec = _described(path, photo)
    bits = _bits(photo)
    try:
        stored = np.asarray(photo)
    except MemoryError:
        raise
    except Exception as error:      # of whatever kind the binding makes of it
        raise InputError(f"{path}: damaged or cut short ({library_words(error)}); copy it again") from None
    if stored.ndim != 3 or stored.shape[:2] != (spec.height, spec.width) or stored.shape[2] < 3:
        raise InputError(f"{path}: holds no picture of red, green and blue; save it anew as JPEG or PNG")
    codes = stored[..., :3]
    return spec, np.ascontiguousarray(codes if bits == 8 else codes >> (16 - bits)), bits


def _opened(path: Path) -> Any:
    try:
        library = importlib.import_module("pillow_heif")
    except ImportError:
        raise InputError(f"{path}: HEIF photographs are read by the package pillow-heif; install it with pip install "
                         "'huewright[photos]', or save the photograph as JPEG or PNG") from None
    try:
        photos = library.open_heif(str(path), convert_hdr_to_8bit=False)
    except MemoryError:
        raise
    except Exception as error:      # of whatever kind the binding makes of it
        raise InputError(f"{path}: not a photograph that can be read ({library_words(error)}); copy it again or leave "
                         "it out") from None
    if photos.primary_index >= len(photos):
        raise InputError(f"{path}: holds no photograph that can be shown; copy it again or leave it out")
    return photos


def _bits(photo: Any) -> int:
    """Deeper ones come as 16 bits, their own in front."""
    return min(max(int(photo.info.get("bit_depth", 8)), 8), 16)


def _described(path: Path, photo: Any) -> oiio.ImageSpec:
    width, height = photo.size
    if not (width > 0 and height > 0 and width * height <= _MOST_PIXELS):
        raise InputError(f"{path}: its size of {width} x {height} pixels is no photograph's; copy it again")
    bits = _bits(photo)
    spec = oiio.ImageSpec(width, height, 3, oiio.UINT8 if bits == 8 else oiio.UINT16)
    spec.attribute("oiio:BitsPerSample", bits)
    profile = photo.info.get("icc_profile")
    if profile:
        spec.attribute("ICCProfile", oiio.TypeDesc(f"uint8[{len(profile)}]"), np.frombuffer(profile, np.uint8))
    points = photo.info.get("nclx_profile") or {}
    if points:
        named = [int(points.get(name, 2)) for name in ("color_primaries", "transfer_characteristics",
                                                       "matrix_coefficients", "full_range_flag")]
        spec.attribute("CICP", oiio.TypeDesc("int[4]"), tuple(named))
    with suppress(Exception):      # whatever is wrong with it: it only names the camera
        from PIL import Image

        exif = Image.Exif()
        exif.load(photo.info.get("exif") or b"")
        for tag, name in _EXIF.items():
            if isinstance(exif.get(tag), str):
                spec.attribute(name, exif[tag].strip("\x00 "))
    return spec


__all__ = ["SUFFIXES", "described", "read"]
