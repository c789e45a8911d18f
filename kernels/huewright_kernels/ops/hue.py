"""Hue sectors: rotation and gain of chroma as smooth periodic functions of hue.

In Y'CbCr of the declared luma coefficients (ITU-R BT.709-6 item 3 or BT.2020-2 table 4), with
Cb = (B' - Y') / (2 (1 - Kb)), Cr = (R' - Y') / (2 (1 - Kr)), hue = atan2(Cr, Cb), chroma = |(Cb, Cr)|:

    hue map     theta -> theta + delta(theta): periodic monotone cubic (Fritsch and Butland 1984 slopes,
                periodic) through (hues_deg[k], hues_deg[k] + rotations_deg[k])
    gain        exp of the periodic monotone cubic through (hues_deg[k], log gains[k])

(Cb, Cr) is turned by delta and scaled by the gain. Y' is kept; neutrals are fixed points; the map is
homogeneous of degree one in chroma.

The kernel looks the turn up in a table over a pseudo-angle, Cr / (|Cb| + |Cr|) unfolded over the four quadrants
(one division, no arc tangent), linearly interpolated. Packing doubles the table until, at the middle of every
bin, the turn is within :data:`HUE_BOUND_DEG` and the gain within :data:`GAIN_BOUND` of the exact ones.
It adds the difference to R', G' and B', so that neutrals come out untouched to the last bit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

from huewright_kernels.cubic import hermite, periodic_slope
from huewright_kernels.elementary import ONE, SMALLEST, ZERO, clamp, magnitude
from huewright_kernels.forms import Form
from huewright_kernels.lanes import (
    f32,
    formula,
    left,
    offset,
    pointer_f32,
    pointer_f64,
    pointer_i64,
    to_float,
    truncated,
)
from huewright_kernels.ops.base import Bound, Example, Operation, complete
from huewright_kernels.ops.fields import number, numbers, places
from huewright_kernels.planes import HEADER
from huewright_kernels.precise import atan2, exp, log, sincos

MOST = 24


@dataclass(frozen=True)
class HueSectors(Operation):
    """Control hues in degrees, strictly increasing within [0, 360), 3 to 24 of them.

    ``rotations_deg`` must keep the order of hues (no fold); ``gains`` must be positive.
    ``kr`` and ``kb`` are the luma coefficients of R' and B'.
    """

    name: ClassVar[str] = "hue-sectors"
    hues_deg: tuple[float, ...] = numbers((0.0, 60.0, 120.0, 180.0, 240.0, 300.0), "control hues, increasing", 3, MOST,
                                          unit="deg", low=0.0, high=360.0)
    rotations_deg: tuple[float, ...] = numbers((0.0,) * 6, "how far each control hue is turned, counter-clockwise", 3,
                                               MOST, unit="deg")
    gains: tuple[float, ...] = numbers((1.0,) * 6, "factor on the chroma of each control hue", 3, MOST)
    kr: float = number(0.2126, "luma coefficient of R'", low=0.0, high=1.0)
    kb: float = number(0.0722, "luma coefficient of B'", low=0.0, high=1.0)


HUES, ROTATIONS, GAINS, KR, KB = places(HueSectors)
SENTENCES = ("hue sectors take a rotation and a gain for each control hue", "control hues must increase strictly",
             "control hues lie in [0, 360) degrees", "hue gains must be positive",
             "these rotations would fold the order of hues", "kr and kb must leave something for green")


def _check(p, counts):
    n = counts[0]
    if counts[1] != n or counts[2] != n:
        return 1
    for k in range(n):
        if k > 0 and p[HUES + k] <= p[HUES + k - 1]:
            return 2
        if p[HUES + k] >= 360.0:
            return 3
        if p[GAINS + k] <= 0.0:
            return 4
    for k in range(n):
        after = k + 1 if k < n - 1 else 0
        turn = 0.0 if k < n - 1 else 360.0
        if p[HUES + after] + p[ROTATIONS + after] + turn <= p[HUES + k] + p[ROTATIONS + k]:
            return 5
    return 6 if p[KR] + p[KB] >= 1.0 else 0


SMALLEST_TABLE, DOUBLINGS = 1024, 6
LARGEST_TABLE = SMALLEST_TABLE << DOUBLINGS
HUE_BOUND_DEG, GAIN_BOUND = 0.001, 1e-5


@formula
def exact_turn(sectors, slopes, n, hue_deg):
    """Rotation in radians and log gain at ``hue_deg`` in [0, 360). ``sectors``: hues, rotations, log gains."""
    x = hue_deg if hue_deg >= sectors[0] else hue_deg + 360.0
    k = n - 1
    for j in range(n - 1):
        if x < sectors[j + 1]:
            k = j
            break
    after = k + 1 if k < n - 1 else 0
    h = sectors[after] - sectors[k] + (360.0 if k == n - 1 else 0.0)
    t = (x - sectors[k]) / h
    turn = hermite(t, h, sectors[n + k], sectors[n + after], slopes[k] - 1.0, slopes[after] - 1.0)
    log_gain = hermite(t, h, sectors[2 * n + k], sectors[2 * n + after], slopes[n + k], slopes[n + after])
    return math.radians(turn), log_gain


@formula
def hue_of_position(position, size):
    """Hue in degrees, [0, 360), of a place in a table of ``size`` bins: see :func:`pseudo_angle`."""
    p = 4.0 * position / size - 1.0
    if p <= 1.0:
        cr, cb = p, 1.0 - abs(p)
    else:
        cr, cb = 2.0 - p, abs(2.0 - p) - 1.0
    hue = math.degrees(atan2(cr, cb))
    return hue if hue >= 0.0 else hue + 360.0


@formula
def hue_table(sectors, slopes, n, size, q):
    """Fills the table of ``size`` bins behind the header; returns its worst errors: degrees, relative gain."""
    worst_deg, worst_gain = 0.0, 0.0
    turn, log_gain = exact_turn(sectors, slopes, n, hue_of_position(0.0, size))
    gain = exp(log_gain)
    turn_sine, turn_cosine = sincos(turn)
    cosine, sine = gain * turn_cosine - 1.0, gain * turn_sine
    for k in range(size):
        turn, log_gain = exact_turn(sectors, slopes, n, hue_of_position(k + 1.0, size))
        gain = exp(log_gain)
        turn_sine, turn_cosine = sincos(turn)
        next_cosine, next_sine = gain * turn_cosine - 1.0, gain * turn_sine
        row = offset(q, HEADER + 2 * k)
        row[0], row[1], row[2], row[3] = cosine, sine, next_cosine, next_sine
        turn, log_gain = exact_turn(sectors, slopes, n, hue_of_position(k + 0.5, size))
        c, s = 1.0 + 0.5 * (cosine + next_cosine), 0.5 * (sine + next_sine)
        turn_sine, turn_cosine = sincos(turn)
        error = abs(math.degrees(atan2(s * turn_cosine - c * turn_sine, c * turn_cosine + s * turn_sine)))
        worst_deg = max(worst_deg, error)
        worst_gain = max(worst_gain, abs(math.sqrt(c * c + s * s) / exp(log_gain) - 1.0))
        cosine, sine = next_cosine, next_sine
    return worst_deg, worst_gain


def pack_hue_sectors(p_at, counts_at, table_at, q_at, out_at):
    """kr, kg, kb; Cb and Cr per unit of B'-Y' and R'-Y', and back; -kr/kg, -kb/kg; bins per unit of pseudo-angle, last
    bin; then rows of turn (gain cos - 1, gain sin), one more than there are bins.

    Work space (hues, rotations, log gains, slopes, mapped hues; float64) lies behind the room of the largest table.
    """
    p, counts, q, out = pointer_f64(p_at), pointer_i64(counts_at), pointer_f32(q_at), pointer_i64(out_at)
    n = counts[0]
    work = pointer_f64(q_at + 4 * (HEADER + 2 * (LARGEST_TABLE + 1)))
    sectors, slopes, mapped = work, offset(work, 3 * n), offset(work, 5 * n)
    for k in range(n):
        sectors[k], sectors[n + k] = p[HUES + k], p[ROTATIONS + k]
        sectors[2 * n + k] = log(p[GAINS + k])
        mapped[k] = p[HUES + k] + p[ROTATIONS + k]
    for k in range(n):
        slopes[k] = periodic_slope(sectors, mapped, n, k, 360.0, 360.0)
        slopes[n + k] = periodic_slope(sectors, offset(sectors, 2 * n), n, k, 360.0, 0.0)
    size = SMALLEST_TABLE
    for doubled in range(DOUBLINGS + 1):      # one call, for each would be compiled
        size = SMALLEST_TABLE << doubled
        worst_deg, worst_gain = hue_table(sectors, slopes, n, size, q)
        if worst_deg <= HUE_BOUND_DEG and worst_gain <= GAIN_BOUND:
            break
    kr, kb = p[KR], p[KB]
    kg = 1.0 - kr - kb
    q[0], q[1], q[2] = kr, kg, kb
    q[3], q[4] = 0.5 / (1.0 - kb), 0.5 / (1.0 - kr)
    q[5], q[6] = 2.0 * (1.0 - kb), 2.0 * (1.0 - kr)
    q[7], q[8] = -kr / kg, -kb / kg
    q[9], q[10] = 0.25 * size, size - 1.0
    out[0], out[1], out[2] = 0, size, HEADER + 2 * (size + 1)


@formula
def pseudo_angle(cb, cr):
    """Grows with the hue, from 0 at -90 degrees to 4 a turn later; 1 where there is no chroma. NaN for NaN."""
    size = magnitude(cb) + magnitude(cr)
    d = cr / (size if size > SMALLEST else SMALLEST)
    return ONE + d if cb >= ZERO else f32(3.0) - d


@formula
def hue_place(r, g, b, q, size):
    """The turn's row in the table; carried on: Cb, Cr and how far into the bin."""
    cb = (q[0] * (b - r) + q[1] * (b - g)) * q[3]
    cr = (q[1] * (r - g) + q[2] * (r - b)) * q[4]
    position = pseudo_angle(cb, cr) * q[9]
    k = truncated(clamp(position, ZERO, q[10]))
    return left(k, 1), cb, cr, position - to_float(k)


@formula
def hue_finish(r, g, b, rows, carried, q, size):
    """The difference of the turned and scaled chroma added to R', G' and B'."""
    cb, cr, f = carried
    cosine_1, sine, next_cosine_1, next_sine = rows[0]
    cosine_1 += f * (next_cosine_1 - cosine_1)
    sine += f * (next_sine - sine)
    blue = (cosine_1 * cb - sine * cr) * q[5]
    red = (sine * cb + cosine_1 * cr) * q[6]
    return r + red, g + (q[7] * red + q[8] * blue), b + blue


def _examples() -> tuple[Example, ...]:
    seven: dict[str, Any] = {
        "hues_deg": (12.0, 66.5, 103.0, 175.0, 230.0, 283.0, 355.0),
        "rotations_deg": (2.0, -4.5, 8.0, -12.0, 0.0, 6.0, -3.0), "gains": (1.1, 0.8, 1.35, 1.0, 0.5, 1.75, 0.9)}
    return (
        Example("timed", HueSectors(rotations_deg=(5.0, -12.0, 3.0, 8.0, -15.0, 2.0),
                                    gains=(1.2, 0.8, 1.1, 0.7, 1.5, 1.0)), timed="hue sectors", golden=False),
        Example("BT.709", HueSectors(**seven), -0.2, 1.5),
        Example("BT.2020", HueSectors(**seven, kr=0.2627, kb=0.0593), -0.2, 1.5),
        Example("six hues, BT.709", HueSectors(rotations_deg=(8, -6, 3, 10, -12, 5),
                                               gains=(1.3, 0.8, 1.1, 0.7, 1.5, 0.95)), golden=False),
        Example("eight hues, BT.2020", HueSectors((3, 55, 92, 140, 190, 230, 285, 331), (-14, 9, 2, -7, 12, -3, 6, 16),
                                                  (0.6, 1.2, 1.6, 0.9, 1.05, 1.4, 0.75, 1.0), 0.2627, 0.0593),
                golden=False),
        Example("close hues, BT.709", HueSectors((10, 22, 120, 128, 240, 300), (5, 1, -9, -5, 4, 0),
                                                 (1.0, 1.6, 0.7, 1.1, 1.0, 0.9)), golden=False))


complete(HueSectors, pack=pack_hue_sectors, check=_check, sentences=SENTENCES,
         room=lambda counts: HEADER + 2 * (LARGEST_TABLE + 1) + 2 * 6 * MOST,
         forms=(Form("hue", place=hue_place, finish=hue_finish, gather="row of four", carried=3, table=HEADER),),
         bound=Bound(1e-5), examples=_examples, source="ITU-R BT.709-6 and BT.2020-2 luma; Fritsch and Butland 1984",
         reference="hue", peer="opencolorio")
