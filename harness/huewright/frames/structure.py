"""What a picture file holds beside one upright picture of R, G, B: further parts and elements, levels, views, grey, a
picture that is to be turned. What of it is brought into one picture, and what is left out, is said.

Source: OpenEXR's documentation (multi-part and multi-view files: channels of a view that is not the first are named
``VIEW.R``), CIPA DC-008 (orientation 1 to 8), SMPTE ST 268-1 (elements of a DPX file).
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import OpenImageIO as oiio  # noqa: N813

from huewright.errors import InputError

Change = tuple[Literal["turned", "levels", "joined", "left out", "grey", "chroma", "alpha joined"], tuple[str, ...]]
"""What is not as the file has it, and names: of parts, or the orientation."""
_KINDS = {"half": oiio.HALF, "float": oiio.FLOAT}


def upright(picture: np.ndarray, orientation: int) -> np.ndarray:
    """``picture`` (h, w) or (h, w, c) as its orientation (1 to 8, CIPA DC-008) shows it."""
    turned = {2: picture[:, ::-1], 3: picture[::-1, ::-1], 4: picture[::-1]}.get(orientation, picture)
    if orientation in (5, 6, 7, 8):
        swapped = picture.swapaxes(0, 1)
        turned = {5: swapped, 6: swapped[:, ::-1], 7: swapped[::-1, ::-1], 8: swapped[::-1]}[orientation]
    return np.ascontiguousarray(turned)


def orientation_of(spec: oiio.ImageSpec) -> int:
    value = spec.get_int_attribute("Orientation", 1)
    return value if 1 <= value <= 8 else 1


def seek_colours(path: Path, source: oiio.ImageInput) -> int:
    """Goes to the first part (of EXR) or element (of DPX) that holds R, G and B, or luminance, and returns its number.

    :class:`InputError` where files of another kind hold several pictures: which is meant can't be told."""
    count = source.spec().get_int_attribute("oiio:subimages", 1)
    if count <= 1:
        return 0
    if source.format_name() not in ("openexr", "dpx"):
        raise InputError(f"{path}: holds {count} pictures in one file; split it into files of one picture each")
    for wanted in ({"R", "G", "B"}, {"Y"}):
        for part in range(count):
            if source.seek_subimage(part, 0) and wanted <= set(source.spec().channelnames):
                return part
    source.seek_subimage(0, 0)
    return 0


def shown_channels(names: list[str]) -> list[tuple[int, str]] | None:
    """(place in the file, name in memory) of R, G, B[, A] and then the others; luminance alone is R, G and B alike.
    None where the colours are neither."""
    if all(name in names for name in "RGB"):
        first = [(names.index(name), name) for name in "RGBA" if name in names]
    elif "Y" in names and not {"RY", "BY"} & set(names):
        first = [(names.index("Y"), name) for name in "RGB"]
        first += [(names.index("A"), "A")] if "A" in names else []
    else:
        return None
    taken = {place for place, _ in first}
    return first + [(place, name) for place, name in enumerate(names) if place not in taken]


def other_parts(source: oiio.ImageInput, part: int, spec: oiio.ImageSpec, known: tuple[str, ...]
                ) -> tuple[dict[str, np.ndarray], oiio.ImageSpec, list[Change]]:
    """(channels of the other parts of an EXR file by the names they get in one part, its description as one part, what
    was changed). Parts of another window, deep ones and those of whole numbers are left out and named."""
    others: dict[str, np.ndarray] = {}
    joined, left, views = [], [], [_said(spec, "view") or "main"]
    for number in range(spec.get_int_attribute("oiio:subimages", 1)):
        if number == part or not source.seek_subimage(number, 0):
            continue
        other = oiio.ImageSpec(source.spec())
        view, name = _said(other, "view"), _said(other, "oiio:subimagename") or f"part {number + 1}"
        kinds = [str(kind) for kind in (other.channelformats or (other.format,) * other.nchannels)]
        same = (other.x, other.y, other.width, other.height) == (spec.x, spec.y, spec.width, spec.height)
        pixels = source.read_image(number, 0, 0, other.nchannels, oiio.FLOAT) if (
            same and not other.deep and other.depth <= 1 and set(kinds) <= set(_KINDS)) else None
        if pixels is None:
            left.append(name)
            continue
        before = view if view and view not in views and "R" in other.channelnames else name
        if before == view:
            views.append(view)
        for channel, (called, kind) in enumerate(zip(other.channelnames, kinds, strict=True)):
            full = f"{before}.{called}"
            while full in others or full in known:
                full = f"{name}.{number + 1}.{full}"
            others[full] = pixels[..., channel].astype(np.float16 if kind == "half" else np.float32)
        joined.append(name)
    one = oiio.ImageSpec(spec)
    if joined or left:
        for name in ("name", "view", "oiio:subimagename", "oiio:subimages", "type"):
            one.erase_attribute(name)
    if len(views) > 1:
        one.attribute("multiView", oiio.TypeDesc(f"string[{len(views)}]"), tuple(views))
    changes: list[Change] = [("joined", tuple(joined))] if joined else []
    return others, one, changes + ([("left out", tuple(left))] if left else [])


def further_pages(source: oiio.ImageInput) -> int:
    """How many pages of a TIFF file come after the first, which alone is taken: cameras put small pictures there."""
    count = 0
    while source.seek_subimage(count + 1, 0):
        count += 1
    return count


def other_elements(source: oiio.ImageInput, part: int, spec: oiio.ImageSpec, dtype: np.dtype
                   ) -> tuple[np.ndarray | None, list[Change]]:
    """(alpha (h, w, 1) that stands in an element of its own, on the scale of ``dtype``, or None; what was changed) of a
    DPX file; other elements are left out and named."""
    alpha, left = None, []
    for number in range(spec.get_int_attribute("oiio:subimages", 1)):
        if number == part or not source.seek_subimage(number, 0):
            continue
        other = source.spec()
        if alpha is None and other.channelnames == ("A",) and (other.width, other.height) == (spec.width, spec.height):
            alpha = source.read_image(number, 0, 0, 1, oiio.UINT8 if dtype == np.uint8 else oiio.UINT16)
        else:
            left.append(f"element {number + 1} ({', '.join(other.channelnames)})")
    changes: list[Change] = [("alpha joined", ())] if alpha is not None else []
    return alpha, changes + ([("left out", tuple(left))] if left else [])


def views_of(spec: oiio.ImageSpec | None, names: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Of each further view that the file declares the names of its R, G, B[, A] among ``names``."""
    declared = None if spec is None else spec.getattribute("multiView")
    found = []
    for view in declared[1:] if isinstance(declared, tuple) else ():
        channels = tuple(f"{view}.{name}" for name in "RGBA" if f"{view}.{name}" in names)
        if len(channels) >= 3 and channels[2].endswith(".B"):
            found.append(channels)
    return found


def _said(spec: oiio.ImageSpec, name: str) -> str:
    try:
        return str(spec.get_string_attribute(name))
    except UnicodeDecodeError:
        return ""


__all__ = ["Change", "further_pages", "orientation_of", "other_elements", "other_parts", "seek_colours",
           "shown_channels", "upright", "views_of"]
