"""The colours of some frames, for what shall be right over them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from huewright.colorimetry.deviation import finite_codes
from huewright.errors import InputError
from huewright.frames.take import Take
from huewright.progress import Progress, silent

_SAMPLE = 200_000


@dataclass(frozen=True, eq=False)
class FrameColours:
    """``sample`` are code values (n, 3) float32 spread over all frames of ``take``; ``low`` and ``high`` the least and
    the greatest code value in any pixel, 0 and 1 where all lie within."""

    take: Take
    sample: np.ndarray
    low: float
    high: float

    def frames(self, progress: Progress = silent) -> Iterator[tuple[int, np.ndarray]]:
        """Every frame's number and code values (h, w, 3)."""
        for done, number in enumerate(self.take.numbers):
            progress(done, len(self.take), "measuring over the frames")
            yield number, self.take.frame(number).rgb_float()
        progress(len(self.take), len(self.take), "measuring over the frames")


def frame_colours(take: Take, progress: Progress = silent) -> FrameColours:
    """Reads all of ``take`` once; :class:`InputError` where no pixel in it holds numbers."""
    rng = np.random.default_rng(6)
    kept, low, high = [], 0.0, 1.0
    each = max(_SAMPLE // len(take), 1)
    for done, number in enumerate(take.numbers):
        progress(done, len(take), "reading the frames")
        codes = finite_codes(take.frame(number).rgb_float())
        if len(codes):
            low, high = min(low, float(codes.min())), max(high, float(codes.max()))
            kept.append(codes[rng.integers(0, len(codes), min(each, len(codes)))])
    progress(len(take), len(take), "reading the frames")
    if not kept:
        raise InputError(f"{take.text}: no pixel in these frames holds finite numbers; give other frames")
    return FrameColours(take, np.concatenate(kept), low, high)
