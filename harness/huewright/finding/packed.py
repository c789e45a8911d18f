"""A frame's reading as small as what comes after needs it, while a whole take is looked through.

What is compared between frames, or read on, keeps its precision; errors and what is made of noise keep that of
float32, far beyond what they are known to. What the pixels said of the ground and of the places around patches, and
the fitted light, are settled with the frame and left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from huewright.finding.light import Field
from huewright.finding.observe import Observation
from huewright.finding.read import RawReading
from huewright.finding.smear import Smear
from huewright.finding.veil import Veil

_OF_READING = {
    "code": ("f8", 3), "measured": ("f8", 3), "linear": ("f8", 3), "tint": ("f8", 1), "tail_error": ("f8", 1),
    "error": ("f4", 3), "alone": ("f4", 3), "shared": ("f4", (3, 3)), "always": ("f4", 3), "tinted": ("f4", 3),
    "alike": ("f4", (3, 2)), "grainy": ("f4", 3), "rounded": ("f4", 3), "answer": ("f4", (3, 3)), "veil": ("f4", 1),
    "veil_error": ("f4", 1),
    "slope": ("f4", 1), "slope_error": ("f4", 1), "added": ("f4", 3), "added_error": ("f4", 3), "hidden": ("?", 1),
    "mirrors": ("?", 1), "darker": ("?", 1)}
_OF_PIXELS = {
    "weight": ("f8", 1), "seen": ("f8", 1), "clipped": ("f8", 3), "noise": ("f4", (3, 3)), "sides": ("f4", 1),
    "tail": ("f4", 1), "spill": ("f4", 1), "clip_shift": ("f4", 3), "clipped_at": ("f4", 3)}
_PATCH = np.dtype([(name, kind) if shape == 1 else (name, kind, shape)
                   for name, (kind, shape) in (_OF_READING | _OF_PIXELS).items()])
_NOTHING = np.empty(0)


@dataclass(frozen=True, slots=True)
class Packed:
    """``patches`` (p,) holds by name what :class:`RawReading` and :class:`Observation` have of each patch."""

    patches: np.ndarray
    light_stops: float
    pixels_per_sample: float
    smear: Smear | None
    highest_code: int | None
    white: tuple[float, float, float]
    told: bool
    misfit: float

    def column(self, name: str) -> np.ndarray:
        """(p, ...) float64, or bool."""
        column = self.patches[name]
        return column if column.dtype == bool else column.astype(np.float64)

    def raw(self) -> RawReading:
        """Unpacked; arrays of what was left out are empty."""
        of_pixels = {name: self.column(name) for name in _OF_PIXELS}
        seen = Observation(code=self.column("measured"), error=_NOTHING, gradient=_NOTHING, unit=_NOTHING,
                           usable=_NOTHING, ground=_NOTHING, ground_error=_NOTHING, inside=_NOTHING, ring=_NOTHING,
                           told=_NOTHING, pixels_per_sample=self.pixels_per_sample, pixel_noise=_NOTHING,
                           smear=self.smear, highest_code=self.highest_code, **of_pixels)
        lifted = Veil(_NOTHING, _NOTHING, _NOTHING, _NOTHING, np.array(self.white), self.told, self.misfit, _NOTHING)
        return RawReading(observed=seen, field=Field(_NOTHING, _NOTHING, _NOTHING, _NOTHING),
                          light_stops=self.light_stops, lifted=lifted,
                          **{name: self.column(name) for name in _OF_READING})


def packed(raw: RawReading) -> Packed:
    patches = np.empty(len(raw.code), _PATCH)
    for names, source in ((_OF_READING, raw), (_OF_PIXELS, raw.observed)):
        for name in names:
            patches[name] = getattr(source, name)
    red, green, blue = (float(value) for value in raw.lifted.white)
    return Packed(patches, raw.light_stops, raw.observed.pixels_per_sample, raw.observed.smear,
                  raw.observed.highest_code, (red, green, blue), raw.lifted.told, raw.lifted.misfit)


class Kept(Protocol):
    @property
    def packed(self) -> Packed: ...


def columns(frames: Sequence[Kept], name: str) -> np.ndarray:
    """(f, p, ...) of all frames."""
    return np.array([frame.packed.column(name) for frame in frames])


__all__ = ["Packed", "columns", "packed"]
