"""How much of a picture leaves the display's range: one count, for renders and proofs alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

EXCURSION = 1e-3         # a 10-bit code: signal beyond a range by more than this counts as outside it
PREFERRED = 0.05         # EBU R 103 v3.0 (2020): R', G', B' preferred within -5 % to 105 % (10-bit codes 20 to 984)


@dataclass
class RangeTally:
    """Over some frames' display signals: pixels seen, and of these those with a channel above white or below black,
    beyond the preferred range, limited by the output's number format, at an end of a file of integers, and without a
    finite number."""

    pixels: int = 0
    over: int = 0
    under: int = 0
    beyond: int = 0
    clipped: int = 0
    stopped: int = 0
    integers: bool = False
    not_finite: int = 0

    def add(self, signal: np.ndarray, codes: np.ndarray | None = None) -> None:
        """``signal`` (h, w, 3); ``codes`` (h, w, 3), 0..1, where the file holds integers."""
        self.pixels += signal.shape[0] * signal.shape[1]
        self.over += outside(signal, high=1.0)
        self.under += outside(signal, low=0.0)
        self.beyond += outside(signal, -PREFERRED, 1 + PREFERRED, by=0.0)
        if codes is not None:
            self.integers = True
            self.stopped += _pixels((codes <= 0) | (codes >= 1))

    def merge(self, other: RangeTally) -> None:
        self.pixels += other.pixels
        self.over += other.over
        self.under += other.under
        self.beyond += other.beyond
        self.clipped += other.clipped
        self.stopped += other.stopped
        self.integers |= other.integers
        self.not_finite += other.not_finite

    @property
    def share_over(self) -> float:
        return self.over / max(self.pixels, 1)

    @property
    def share_under(self) -> float:
        return self.under / max(self.pixels, 1)

    @property
    def share_clipped(self) -> float:
        return self.clipped / max(self.pixels, 1)

    def percent(self, count: int) -> float:
        """``count`` of the pixels seen, in percent to 5 digits."""
        return float(f"{100 * count / max(self.pixels, 1):.5g}")


def outside(signal: np.ndarray, low: float = -np.inf, high: float = np.inf, *, by: float = EXCURSION) -> int:
    """How many pixels of ``signal`` (h, w, 3) have a channel under ``low`` or over ``high`` by more than ``by``; one
    that is no number is neither."""
    least, greatest = low - by, high + by
    # Most pictures lie within; not-a-number in one pixel must not hide the others, hence "not within".
    if float(signal.min(initial=np.inf)) >= least and float(signal.max(initial=-np.inf)) <= greatest:
        return 0
    return _pixels((signal < least) | (signal > greatest))


def _pixels(channels: np.ndarray) -> int:
    """How many pixels of (h, w, 3) booleans have any channel true."""
    return int(np.count_nonzero(channels[..., 0] | channels[..., 1] | channels[..., 2]))
