"""How a decoder lays a picture out in memory, and R'G'B' of it.

Planes of Y'CbCr, R'G'B' or grey are taken as they lie; packed and half-packed layouts are first brought to planes of
the same depth and sampling by FFmpeg, which only moves their codes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np

from huewright.errors import InputError
from huewright.frames.tags import Tags

_PLANAR = re.compile(r"(?:yuva?|yuvj)(4[0-4][0-4])p(\d+)?(?:le)?$")
_SAMPLED = {"444": (1, 1), "422": (2, 1), "420": (2, 2), "440": (1, 2), "411": (4, 1), "410": (4, 4)}
# FFmpeg's names of layouts -> that of planes with the same codes.
_MOVED = {"nv12": "yuv420p", "nv21": "yuv420p", "nv16": "yuv422p", "nv24": "yuv444p", "p010le": "yuv420p10le",
          "p012le": "yuv420p12le", "p016le": "yuv420p16le", "p210le": "yuv422p10le", "p216le": "yuv422p16le",
          "p410le": "yuv444p10le", "p416le": "yuv444p16le", "nv20le": "yuv422p10le", "yuyv422": "yuv422p",
          "uyvy422": "yuv422p", "yvyu422": "yuv422p", "y210le": "yuv422p10le", "y212le": "yuv422p12le",
          "rgb24": "gbrp", "bgr24": "gbrp", "rgb0": "gbrp", "bgr0": "gbrp", "0rgb": "gbrp", "0bgr": "gbrp",
          "rgba": "gbrap", "bgra": "gbrap", "argb": "gbrap", "abgr": "gbrap", "rgb48le": "gbrp16le",
          "rgb48be": "gbrp16le", "rgba64le": "gbrap16le", "rgba64be": "gbrap16le"}


@dataclass(frozen=True)
class Layout:
    """``pixels`` "ycbcr", "rgb" or "grey" of ``bits``; chroma samples stand for ``across`` times ``down`` pixels.
    ``pixel_format`` is FFmpeg's name of what is decoded, ``planar`` of what is taken."""

    pixel_format: str
    planar: str
    pixels: str
    bits: int
    across: int = 1
    down: int = 1
    alpha: bool = False

    @property
    def sampled(self) -> bool:
        return self.across * self.down > 1

    @property
    def words(self) -> str:
        if self.pixels != "ycbcr":
            return f"{self.bits}-bit {'RGB' if self.pixels == 'rgb' else 'grey'}"
        sampling = next(name for name, factors in _SAMPLED.items() if factors == (self.across, self.down))
        return f"{self.bits}-bit {':'.join(sampling)}"

    def rgb(self, picture: av.VideoFrame, tags: Tags) -> np.ndarray:
        """R'G'B' (h, w, 3) float32 of the picture, in fractions of the full scale."""
        from huewright_kernels.ycbcr import to_rgb

        planes = planes_of(picture, self)
        if self.pixels == "ycbcr":
            luma, cb, cr = planes
            return to_rgb(luma, cb, cr, tags.coding(self.bits, self.across, self.down))
        order = (2, 0, 1) if self.pixels == "rgb" else (0, 0, 0)
        rgb = np.empty((*planes[0].shape, 3), np.float32)
        for channel, plane in enumerate(order):
            np.divide(planes[plane], np.float32(2**self.bits - 1), out=rgb[..., channel], dtype=np.float32)
        return rgb


def layout_of(pixel_format: str, path: Path) -> Layout:
    """:class:`InputError` for pixels that aren't taken here."""
    planar = _MOVED.get(pixel_format, pixel_format)
    match = _PLANAR.match(planar)
    if match is not None:
        across, down = _SAMPLED.get(match[1], (0, 0))
        bits = int(match[2] or 8)
        if across and bits <= 16:
            return Layout(pixel_format, planar, "ycbcr", bits, across, down, planar.startswith("yuva"))
    match = re.match(r"gbr(a?)p(\d+)?(?:le)?$", planar)
    if match is not None:
        return Layout(pixel_format, planar, "rgb", int(match[2] or 8), alpha=bool(match[1]))
    match = re.match(r"gray(\d+)?(?:le)?$", planar)
    if match is not None:
        return Layout(pixel_format, planar, "grey", int(match[1] or 8))
    raise InputError(f"{path}: its pixels are laid out as {pixel_format}, which isn't read here; convert it to planes "
                     "of Y'CbCr or R'G'B' of 8 to 16 bits")


def planes_of(picture: av.VideoFrame, layout: Layout) -> list[np.ndarray]:
    """Views of the planes' codes (h, w), uint8 or uint16, alpha left out."""
    if layout.planar != layout.pixel_format:
        picture = picture.reformat(format=layout.planar)
    kind = np.dtype(np.uint8 if layout.bits == 8 else "<u2")
    found = []
    for index in range(1 if layout.pixels == "grey" else 3):
        plane = picture.planes[index]
        lines = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)[:plane.height]
        found.append(lines[:, :plane.width * kind.itemsize].view(kind))
    return found


__all__ = ["Layout", "layout_of", "planes_of"]
