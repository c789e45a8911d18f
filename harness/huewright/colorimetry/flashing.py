"""Whether moving pictures flash as photosensitive viewers must not be shown them: a screen, no certified test.

Recommendation ITU-R BT.1702, annex 1 (known from public restatements; the same limits as in WCAG 2.2, success
criterion 2.3.1):

    flash        a pair of opposing changes of luminance of 20 cd/m2 or more, the darker below 160 cd/m2
    red flash    a pair of opposing changes to or from saturated red, whatever the luminance; as WCAG 2.2's working
                 definition has it: R / (R + G + B) of 0.8 or more, and 320 (R - G - B) changes by more than 20
    too many     more than three flashes within any second that take up a quarter of the screen at once

Pictures of standard range are taken to peak at 200 cd/m2 (BT.709, BT.2020) as such tests do; PQ and HLG are absolute.
Changes are followed cell by cell on a coarse grid; those that happen within three frames count as at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from huewright.colorimetry.display import REFERENCE_WHITE_NITS, display_named
from huewright.colorimetry.shown import HDR

SDR_PEAK_NITS = 200.0
LEAST_CHANGE_NITS, DARKER_BELOW_NITS = 20.0, 160.0
RED_SHARE, RED_CHANGE = 0.8, 20.0 / 320.0
AREA = 0.25
MOST_FLASHES = 3
AT_ONCE = 3              # frames
GRID = (36, 64)          # cells, at most


@dataclass(frozen=True)
class Flashing:
    """``most`` flashes within a second and ``most_red`` red ones; ``first``, ``last`` the frames of the worst second
    (0-based; -1 where nothing flashes)."""

    most: int
    most_red: int
    first: int = -1
    last: int = -1

    @property
    def too_many(self) -> bool:
        return max(self.most, self.most_red) > MOST_FLASHES


@dataclass
class _Swings:
    """One quantity followed on the grid: each cell's extremes since it last turned, and the screen's changes so far."""

    least: float
    darker_below: float
    low: np.ndarray | None = None
    high: np.ndarray | None = None
    direction: np.ndarray = field(default_factory=lambda: np.zeros(0))
    changed: list[np.ndarray] = field(default_factory=list)
    events: list[int] = field(default_factory=list)
    way: int = 0

    def add(self, frame: int, values: np.ndarray) -> None:
        if self.low is None or self.high is None:
            self.low, self.high, self.direction = values, values, np.zeros(values.shape, dtype=np.int8)
            return
        up = (self.direction <= 0) & (values - self.low >= self.least) & (self.low < self.darker_below)
        down = (self.direction >= 0) & (self.high - values >= self.least) & (values < self.darker_below)
        turned = np.where(up, 1, np.where(down, -1, 0)).astype(np.int8)
        self.direction = np.where(turned != 0, turned, self.direction).astype(np.int8)
        self.low = np.where(turned != 0, values, np.minimum(self.low, values))
        self.high = np.where(turned != 0, values, np.maximum(self.high, values))
        self.changed = [*self.changed[1 - AT_ONCE:], turned]
        recent = np.stack(self.changed)
        for side in (1, -1):
            if side != self.way and float((recent == side).any(axis=0).mean()) >= AREA:
                self.way = side
                self.events.append(frame)
                break


class FlashScreen:
    """Takes a sequence's frames in order: :meth:`add` each, then :meth:`result`."""

    def __init__(self, display: str, frames_per_second: float) -> None:
        self._display = display_named(display)
        self._rate = frames_per_second
        self._frames = 0
        self._light = _Swings(LEAST_CHANGE_NITS, DARKER_BELOW_NITS)
        self._red = _Swings(RED_CHANGE, np.inf)

    def add(self, signal: Any) -> None:
        """A frame's display R'G'B' (h, w, 3), nominal 0..1; all frames of one size."""
        cells = _cells(np.clip(np.nan_to_num(np.asarray(signal, dtype=np.float64)), 0.0, 1.0))
        light = self._display.light_from_signal(cells)
        peak = REFERENCE_WHITE_NITS if self._display.name in HDR else SDR_PEAK_NITS
        kr, kb = self._display.kr, self._display.kb
        self._light.add(self._frames, peak * (light @ np.array([kr, 1 - kr - kb, kb])))
        red, rest = light[..., 0], light[..., 1] + light[..., 2]
        saturated = red >= RED_SHARE * np.maximum(red + rest, 1e-9)
        self._red.add(self._frames, np.where(saturated, np.maximum(red - rest, 0.0), 0.0))
        self._frames += 1

    def result(self) -> Flashing:
        most, first, last = self._worst(self._light.events)
        most_red, first_red, last_red = self._worst(self._red.events)
        if most_red > most:
            first, last = first_red, last_red
        return Flashing(most, most_red, first, last)

    def _worst(self, events: list[int]) -> tuple[int, int, int]:
        """(flashes, first frame, last frame) of the second with the most changes; two changes are a flash."""
        best = (0, -1, -1)
        for index, begun in enumerate(events):
            within = [frame for frame in events[index:] if frame - begun < self._rate]
            if len(within) // 2 > best[0]:
                best = (len(within) // 2, begun, within[-1])
        return best


def _cells(signal: np.ndarray) -> np.ndarray:
    """The picture as means over at most GRID cells; pixels left over at the right and bottom are left out."""
    height, width = signal.shape[:2]
    down, across = max(1, height // GRID[0]), max(1, width // GRID[1])
    rows, columns = height // down, width // across
    whole = signal[:rows * down, :columns * across]
    result: np.ndarray = whole.reshape(rows, down, columns, across, 3).mean(axis=(1, 3))
    return result


__all__ = ["FlashScreen", "Flashing", "MOST_FLASHES"]
