"""A monotone cubic curve through anchors, the same one for R', G' and B'.

Source: Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980), with the interior slopes of Fritsch and
Butland, SIAM J. Sci. Stat. Comput. 5 (1984): the weighted harmonic mean of the neighbouring secants,
and the one-sided three-point end slopes, limited to keep the shape. Outside the anchors the curve goes
on as a straight line with its end slope. (scipy's ``PchipInterpolator`` is the same inside.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from huewright_kernels.cubic import open_slope
from huewright_kernels.elementary import ZERO, limit
from huewright_kernels.forms import Form
from huewright_kernels.lanes import chosen, formula, offset, pointer_f32, pointer_f64, pointer_i64
from huewright_kernels.ops.base import SMOOTH, Example, Operation, complete
from huewright_kernels.ops.fields import numbers, places
from huewright_kernels.planes import HEADER

MOST = 16


@dataclass(frozen=True)
class ToneCurve(Operation):
    """Anchors ``x -> y``, both strictly increasing, 2 to 16 of them."""

    name: ClassVar[str] = "tone-curve"
    x: tuple[float, ...] = numbers((0.0, 1.0), "levels that come in, increasing", 2, MOST, unit="signal")
    y: tuple[float, ...] = numbers((0.0, 1.0), "levels that go out, increasing", 2, MOST, unit="signal")

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "curve", {}


X, Y = places(ToneCurve)
SENTENCES = ("a tone curve takes as many x as y", "a tone curve's anchors must increase strictly")


def _check(p, counts):
    n = counts[0]
    if counts[1] != n:
        return 1
    for k in range(1, n):
        if p[X + k] <= p[X + k - 1] or p[Y + k] <= p[Y + k - 1]:
            return 2
    return 0


SEGMENTS = (2, 4, 8, 16)
"""The formula exists for so many cubic pieces; curves with fewer pieces are padded."""
_PIECE = 5  # floats a piece: where it starts, then its coefficients of 1, t, t^2, t^3


def pack_tone_curve(p_at, counts_at, table_at, q_at, out_at):
    """0: x first, 1: x last, 2: slope below, 3: slope above, then from 16 on the pieces, those past the last starting
    at infinity."""
    p, counts, q, out = pointer_f64(p_at), pointer_i64(counts_at), pointer_f32(q_at), pointer_i64(out_at)
    n = counts[0]
    x, y = offset(p, X), offset(p, Y)
    form, segments = 0, 2
    while segments < n - 1:
        form, segments = form + 1, 2 * segments
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
    out[0], out[1], out[2] = form, segments, HEADER + _PIECE * segments


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
def tone(x, q, segments):
    """The curve at ``x``. NaN stays NaN; an infinity stays one where the end slope is not 0, else becomes NaN."""
    first, last = q[0], q[1]
    below, above = x - first, x - last
    inside = tone_piece(limit(x, first, last), q, segments)
    return inside + (q[2] * (below if below < ZERO else ZERO) + q[3] * (above if above > ZERO else ZERO))


def _form(segments: int) -> Form:
    @formula
    def channel(x, q, size):
        return tone(x, q, segments)
    return Form(f"tone_{segments}", channel=channel)


def _examples() -> tuple[Example, ...]:
    ramp = np.linspace(0, 1.5, 16)
    return (
        Example("five anchors", ToneCurve((0.0, 0.1, 0.4, 0.9, 1.0), (0.0, 0.12, 0.41, 0.93, 1.0)), timed="tone curve",
                golden=False),
        Example("three anchors", ToneCurve((0.0, 0.4, 1.0), (0.02, 0.41, 0.95)), high=2.0),
        Example("six anchors", ToneCurve((-0.2, 0.0, 0.1, 0.35, 0.7, 1.1), (-0.1, 0.01, 0.08, 0.4, 0.72, 1.0)),
                high=2.0),
        Example("two anchors", ToneCurve((0.0, 1.0), (-0.1, 1.2)), high=2.0),
        Example("flat ends", ToneCurve((0.0, 0.5, 0.6, 1.0), (0.0, 0.02, 0.6, 0.65)), high=2.0),
        Example("three bars", ToneCurve((0.04, 0.38, 0.91), (0.02, 0.41, 0.95)), golden=False),
        Example("sixteen anchors", ToneCurve(tuple(ramp.tolist()), tuple((ramp**1.4 + 0.01).tolist())), golden=False),
        Example("knee", ToneCurve((0.0, 0.2, 0.5, 0.8, 1.0), (-0.02, 0.15, 0.55, 0.9, 0.97)), golden=False))


complete(ToneCurve, pack=pack_tone_curve, room=lambda counts: HEADER + _PIECE * SEGMENTS[-1], check=_check,
         sentences=SENTENCES, forms=tuple(map(_form, SEGMENTS)), bound=SMOOTH, examples=_examples,
         source="Fritsch and Carlson 1980, Fritsch and Butland 1984", reference="tone", peer="scipy")
