"""A monotone cubic curve through anchors, the same one for R', G' and B'.

Source: Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980), with the interior slopes of Fritsch and
Butland, SIAM J. Sci. Stat. Comput. 5 (1984): the weighted harmonic mean of the neighbouring secants,
and the one-sided three-point end slopes, limited to keep the shape. Outside the anchors the curve goes
on as a straight line with its end slope. (scipy's ``PchipInterpolator`` is the same inside.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from huewright_kernels.cache import packer
from huewright_kernels.cubic import open_slope
from huewright_kernels.elementary import ZERO, limit
from huewright_kernels.lanes import block, chosen, formula, offset, pointer_f32, pointer_f64
from huewright_kernels.ops.base import Operation, Packed
from huewright_kernels.planes import BLOCK, HEADER


@dataclass(frozen=True)
class ToneCurve(Operation):
    """Anchors ``x -> y``, both strictly increasing, 2 to 16 of them."""

    name: ClassVar[str] = "tone-curve"
    x: tuple[float, ...] = (0.0, 1.0)
    y: tuple[float, ...] = (0.0, 1.0)

    def __post_init__(self) -> None:
        self.require_numbers("x", "y")
        if not 2 <= len(self.x) <= 16 or len(self.x) != len(self.y):
            raise ValueError("a tone curve takes 2 to 16 anchors, as many x as y")
        for side in (self.x, self.y):
            if any(b <= a for a, b in zip(side, side[1:], strict=False)):
                raise ValueError("a tone curve's anchors must increase strictly")

    def pack(self) -> Packed:
        segments = next(count for count in SEGMENTS if count >= len(self.x) - 1)
        parameters = np.zeros(HEADER + 5 * SEGMENTS[-1], np.float32)
        anchors = np.array([*self.x, *self.y], np.float64)
        pack_tone(anchors.ctypes.data, len(self.x), segments, parameters.ctypes.data)
        return Packed(_BLOCKS[segments], parameters, segments)


SEGMENTS = (2, 4, 8, 16)
"""The block form exists for so many cubic pieces; curves with fewer pieces are padded."""
_PIECE = 5  # floats a piece: where it starts, then its coefficients of 1, t, t^2, t^3


def _tone(anchors, n, segments, parameters):
    """Packs ``n`` anchors (addresses; float64 x then y) as 0: x first, 1: x last, 2: slope below, 3: slope above,
    then from 16 on ``segments`` pieces, those past the last starting at infinity."""
    x = pointer_f64(anchors)
    y = offset(x, n)
    q = pointer_f32(parameters)
    q[0], q[1] = x[0], x[n - 1]
    q[2], q[3] = open_slope(x, y, n, 0), open_slope(x, y, n, n - 1)
    for k in range(segments):
        piece = offset(q, HEADER + _PIECE * k)
        if k >= n - 1:
            piece[0] = np.inf
            continue
        h = x[k + 1] - x[k]
        rise = (y[k + 1] - y[k]) / h
        m0, m1 = open_slope(x, y, n, k), open_slope(x, y, n, k + 1)
        piece[0], piece[1], piece[2] = x[k], y[k], m0
        piece[3] = (3.0 * rise - 2.0 * m0 - m1) / h
        piece[4] = (m0 + m1 - 2.0 * rise) / (h * h)


pack_tone = packer("void(int64, int64, int64, int64)")(_tone)


@formula
def tone_piece(x, q, segments):
    """The cubic piece that holds ``x`` (the first one for NaN), by comparison with every start, at ``x``."""
    start, c0, c1, c2, c3 = q[HEADER], q[HEADER + 1], q[HEADER + 2], q[HEADER + 3], q[HEADER + 4]
    for k in range(1, segments):
        # Loaded whether needed or not: loads under a condition would become a gather of addresses.
        at = HEADER + _PIECE * k
        later, d0, d1, d2, d3 = q[at], q[at + 1], q[at + 2], q[at + 3], q[at + 4]
        past = x >= later
        start = chosen(past, later, start)
        c0, c1, c2, c3 = chosen(past, d0, c0), chosen(past, d1, c1), chosen(past, d2, c2), chosen(past, d3, c3)
    t = x - start
    return c0 + t * (c1 + t * (c2 + t * c3))


@formula
def tone(x, q, first, last, slope_below, slope_above, segments):
    """The curve at ``x``. NaN stays NaN; an infinity stays one where the end slope is not 0, else becomes NaN."""
    below, above = x - first, x - last
    inside = tone_piece(limit(x, first, last), q, segments)
    return inside + (slope_below * (below if below < ZERO else ZERO) + slope_above * (above if above > ZERO else ZERO))


def _tone_block(segments: int) -> Callable[..., None]:
    @block
    def tone_block(planes, q, size, n):
        first, last, slope_below, slope_above = q[0], q[1], q[2], q[3]
        for channel in range(3):
            plane = offset(planes, channel * BLOCK)
            for i in range(n):
                plane[i] = tone(plane[i], q, first, last, slope_below, slope_above, segments)
    return tone_block


_BLOCKS = {segments: _tone_block(segments) for segments in SEGMENTS}
ToneCurve.block_forms = tuple(_BLOCKS.values())
