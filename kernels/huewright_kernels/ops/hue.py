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
from typing import ClassVar

import numpy as np

from huewright_kernels.cache import packer
from huewright_kernels.cubic import hermite, periodic_slope
from huewright_kernels.elementary import ONE, SMALLEST, ZERO, clamp, magnitude
from huewright_kernels.lanes import (
    as_i32,
    block,
    f32,
    formula,
    left,
    offset,
    pointer_f32,
    pointer_f64,
    rows_to_planes,
    to_float,
    truncated,
)
from huewright_kernels.ops.base import Operation, Packed
from huewright_kernels.planes import BLOCK, BLUE, GREEN, HEADER, RED, SPARE


@dataclass(frozen=True)
class HueSectors(Operation):
    """Control hues in degrees, strictly increasing within [0, 360), 3 to 24 of them.

    ``rotations_deg`` must keep the order of hues (no fold); ``gains`` must be positive.
    ``kr`` and ``kb`` are the luma coefficients of R' and B'.
    """

    name: ClassVar[str] = "hue-sectors"
    hues_deg: tuple[float, ...] = (0.0, 60.0, 120.0, 180.0, 240.0, 300.0)
    rotations_deg: tuple[float, ...] = (0.0,) * 6
    gains: tuple[float, ...] = (1.0,) * 6
    kr: float = 0.2126
    kb: float = 0.0722

    def __post_init__(self) -> None:
        self.require_numbers("hues_deg", "rotations_deg", "gains", "kr", "kb")
        n = len(self.hues_deg)
        if not 3 <= n <= 24 or len(self.rotations_deg) != n or len(self.gains) != n:
            raise ValueError("hue sectors take 3 to 24 control hues with a rotation and a gain each")
        if any(b <= a for a, b in zip(self.hues_deg, self.hues_deg[1:], strict=False)):
            raise ValueError("control hues must increase strictly")
        if self.hues_deg[0] < 0 or self.hues_deg[-1] >= 360:
            raise ValueError("control hues lie in [0, 360) degrees")
        if any(g <= 0 for g in self.gains):
            raise ValueError("hue gains must be positive")
        turned = [h + d for h, d in zip(self.hues_deg, self.rotations_deg, strict=True)]
        turned.append(turned[0] + 360.0)
        if any(b <= a for a, b in zip(turned, turned[1:], strict=False)):
            raise ValueError("these rotations would fold the order of hues")

    def pack(self) -> Packed:
        log_gains = [math.log(gain) for gain in self.gains]
        sectors = np.array([*self.hues_deg, *self.rotations_deg, *log_gains, self.kr, self.kb], np.float64)
        work = np.empty(3 * len(self.hues_deg), np.float64)
        size = SMALLEST_TABLE
        while True:
            parameters = np.zeros(HEADER + 2 * (size + 1), np.float32)
            worst = np.zeros(2)
            pack_hue(sectors.ctypes.data, len(self.hues_deg), size, work.ctypes.data, parameters.ctypes.data,
                     worst.ctypes.data)
            if size >= LARGEST_TABLE or (worst[0] <= HUE_BOUND_DEG and worst[1] <= GAIN_BOUND):
                return Packed(hue_block, parameters, size)
            size *= 2


SMALLEST_TABLE, LARGEST_TABLE = 1024, 65536
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
    hue = math.degrees(math.atan2(cr, cb))
    return hue if hue >= 0.0 else hue + 360.0


def _hue(sectors_at, n, size, work_at, parameters, worst_at):
    """Packs ``n`` sectors (addresses; float64 hues, rotations, log gains, then kr and kb) into a header of 16
    and ``size + 1`` table rows. ``work`` holds 3 n float64. ``worst`` receives the table's worst errors: degrees,
    relative gain."""
    sectors, slopes, q = pointer_f64(sectors_at), pointer_f64(work_at), pointer_f32(parameters)
    worst = pointer_f64(worst_at)
    mapped = offset(slopes, 2 * n)
    for k in range(n):
        mapped[k] = sectors[k] + sectors[n + k]
    for k in range(n):
        slopes[k] = periodic_slope(sectors, mapped, n, k, 360.0, 360.0)
        slopes[n + k] = periodic_slope(sectors, offset(sectors, 2 * n), n, k, 360.0, 0.0)
    kr, kb = sectors[3 * n], sectors[3 * n + 1]
    kg = 1.0 - kr - kb
    q[0], q[1], q[2] = kr, kg, kb
    q[3], q[4] = 0.5 / (1.0 - kb), 0.5 / (1.0 - kr)
    q[5], q[6] = 2.0 * (1.0 - kb), 2.0 * (1.0 - kr)
    q[7], q[8] = -kr / kg, -kb / kg
    q[9], q[10] = 0.25 * size, size - 1.0
    worst[0], worst[1] = 0.0, 0.0
    turn, log_gain = exact_turn(sectors, slopes, n, hue_of_position(0.0, size))
    cosine, sine = math.exp(log_gain) * math.cos(turn) - 1.0, math.exp(log_gain) * math.sin(turn)
    for k in range(size):
        turn, log_gain = exact_turn(sectors, slopes, n, hue_of_position(k + 1.0, size))
        gain = math.exp(log_gain)
        next_cosine, next_sine = gain * math.cos(turn) - 1.0, gain * math.sin(turn)
        row = offset(q, HEADER + 2 * k)
        row[0], row[1], row[2], row[3] = cosine, sine, next_cosine, next_sine
        turn, log_gain = exact_turn(sectors, slopes, n, hue_of_position(k + 0.5, size))
        c, s = 1.0 + 0.5 * (cosine + next_cosine), 0.5 * (sine + next_sine)
        error = abs(math.degrees(math.atan2(s * math.cos(turn) - c * math.sin(turn),
                                            c * math.cos(turn) + s * math.sin(turn))))
        worst[0] = max(worst[0], error)
        worst[1] = max(worst[1], abs(math.sqrt(c * c + s * s) / math.exp(log_gain) - 1.0))
        cosine, sine = next_cosine, next_sine


pack_hue = packer("void(int64, int64, int64, int64, int64, int64)")(_hue)


@formula
def pseudo_angle(cb, cr):
    """Grows with the hue, from 0 at -90 degrees to 4 a turn later; 1 where there is no chroma. NaN for NaN."""
    size = magnitude(cb) + magnitude(cr)
    d = cr / (size if size > SMALLEST else SMALLEST)
    return ONE + d if cb >= ZERO else f32(3.0) - d


@block
def hue_block(planes, q, size, n):
    """``q``: kr, kg, kb; Cb and Cr per unit of B'-Y' and R'-Y', and back; -kr/kg, -kb/kg; bins per unit of
    pseudo-angle, last bin; then rows of turn (gain cos - 1, gain sin), one more than there are bins."""
    kr, kg, kb, to_cb, to_cr, from_cb, from_cr, red_share, blue_share = (
        q[0], q[1], q[2], q[3], q[4], q[5], q[6], q[7], q[8])
    bins, last = q[9], q[10]
    cbs, crs, fractions = offset(planes, SPARE), offset(planes, SPARE + BLOCK), offset(planes, SPARE + 2 * BLOCK)
    index = as_i32(offset(planes, SPARE + 3 * BLOCK))
    turns = offset(planes, SPARE + 4 * BLOCK)
    table = offset(q, HEADER)
    for i in range(n):
        r, g, b = planes[RED + i], planes[GREEN + i], planes[BLUE + i]
        cb = (kr * (b - r) + kg * (b - g)) * to_cb
        cr = (kg * (r - g) + kb * (r - b)) * to_cr
        position = pseudo_angle(cb, cr) * bins
        k = truncated(clamp(position, ZERO, last))
        cbs[i], crs[i], fractions[i] = cb, cr, position - to_float(k)
        index[i] = left(k, 1)
    for i in range(0, n, 8):
        rows_to_planes(table, index, i, turns, BLOCK)
    for i in range(n):
        f, cb, cr = fractions[i], cbs[i], crs[i]
        cosine_1, sine = turns[i], turns[BLOCK + i]
        cosine_1 += f * (turns[2 * BLOCK + i] - cosine_1)
        sine += f * (turns[3 * BLOCK + i] - sine)
        blue = (cosine_1 * cb - sine * cr) * from_cb
        red = (sine * cb + cosine_1 * cr) * from_cr
        planes[RED + i] += red
        planes[GREEN + i] += red_share * red + blue_share * blue
        planes[BLUE + i] += blue


HueSectors.block_forms = (hue_block,)
