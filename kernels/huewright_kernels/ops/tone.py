"""A monotone cubic curve through anchors, the same one for R', G' and B'.

Source: Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980), with the interior slopes of Fritsch and
Butland, SIAM J. Sci. Stat. Comput. 5 (1984): the weighted harmonic mean of the neighbouring secants,
and the one-sided three-point end slopes, limited to keep the shape. Outside the anchors the curve goes
on as a straight line with its end slope. (scipy's ``PchipInterpolator`` is the same inside.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from huewright_kernels.ops.base import Operation


@dataclass(frozen=True)
class ToneCurve(Operation):
    """Anchors ``x -> y``, both strictly increasing, 2 to 16 of them."""

    name: ClassVar[str] = "tone-curve"
    x: tuple[float, ...] = (0.0, 1.0)
    y: tuple[float, ...] = (0.0, 1.0)

    def __post_init__(self) -> None:
        if not 2 <= len(self.x) <= 16 or len(self.x) != len(self.y):
            raise ValueError("a tone curve takes 2 to 16 anchors, as many x as y")
        for side in (self.x, self.y):
            if any(b <= a for a, b in zip(side, side[1:], strict=False)):
                raise ValueError("a tone curve's anchors must increase strictly")
