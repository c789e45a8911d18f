"""Look-up tables: one 1D table a channel, and a 3D lattice with an optional 1D shaper before it.

Source: SMPTE ST 2136-1 (CLF) LUT1D and LUT3D nodes: input scaled from the domain to the table's index
range, clamped at the domain, linear (1D), trilinear or tetrahedral (3D) interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from huewright_kernels.elementary import ONE, ZERO, clamp, limit
from huewright_kernels.lanes import (
    add,
    as_i32,
    bits_of,
    blend_of_cell,
    blend_of_path,
    block,
    both,
    float_of,
    formula,
    lane,
    left,
    mul,
    offset,
    pairs_to_planes,
    sub,
    to_float,
    truncated,
)
from huewright_kernels.ops.base import Operation, Packed
from huewright_kernels.planes import BLOCK, BLUE, GREEN, RED, SPARE

INTERPOLATIONS = ("tetrahedral", "trilinear")
LUT_HEADER = 32
"""Floats before a LUT's table in ``q``: see :func:`_scaling`."""
Triple = tuple[float, float, float]


def _table(value: Any, dimensions: int) -> np.ndarray:
    table = np.array(value, dtype=np.float32)
    if table.ndim != dimensions or table.shape[-1] != 3:
        raise ValueError(f"a LUT's table has {dimensions} dimensions, the last of length 3")
    if not np.isfinite(table).all():
        raise ValueError("a LUT's table must be finite")
    table.setflags(write=False)
    return table


@dataclass(frozen=True, eq=False)
class Lut1D(Operation):
    """``table`` is float32 (n, 3), 2 <= n <= 65536; sampled at equal steps over the domain."""

    name: ClassVar[str] = "lut-1d"
    table: np.ndarray = field(default_factory=lambda: np.repeat([[0.0], [1.0]], 3, axis=1))
    domain_min: Triple = (0.0, 0.0, 0.0)
    domain_max: Triple = (1.0, 1.0, 1.0)

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", _table(self.table, 2))
        if not 2 <= self.table.shape[0] <= 65536:
            raise ValueError("a 1D LUT has 2 to 65536 entries")
        self.require_numbers("domain_min", "domain_max")
        _check_domain(self.domain_min, self.domain_max)

    def pack(self) -> Packed:
        n = self.table.shape[0]
        parameters = np.empty(LUT_HEADER + 3 * n, np.float32)
        parameters[:LUT_HEADER] = _scaling(self.domain_min, self.domain_max, n)
        parameters[LUT_HEADER:].reshape(3, n)[:] = self.table.T
        return Packed(lut_1d_block, parameters, n)


@dataclass(frozen=True, eq=False)
class Lut3D(Operation):
    """``table`` is float32 (n, n, n, 3) indexed [r, g, b, channel], 2 <= n <= 129."""

    name: ClassVar[str] = "lut-3d"
    table: np.ndarray = field(default_factory=lambda: np.stack(np.meshgrid(*[[0.0, 1.0]] * 3, indexing="ij"), -1))
    domain_min: Triple = (0.0, 0.0, 0.0)
    domain_max: Triple = (1.0, 1.0, 1.0)
    interpolation: str = "tetrahedral"

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", _table(self.table, 4))
        n = self.table.shape[0]
        if self.table.shape[:3] != (n, n, n) or not 2 <= n <= 129:
            raise ValueError("a 3D LUT has the same 2 to 129 entries along each axis")
        if self.interpolation not in INTERPOLATIONS:
            raise ValueError(f"interpolation is one of {', '.join(INTERPOLATIONS)}, not {self.interpolation!r}")
        self.require_numbers("domain_min", "domain_max")
        _check_domain(self.domain_min, self.domain_max)

    def pack(self) -> Packed:
        n = self.table.shape[0]
        parameters = np.zeros(LUT_HEADER + 4 * n**3, np.float32)
        parameters[:LUT_HEADER] = _scaling(self.domain_min, self.domain_max, n)
        parameters[LUT_HEADER:].reshape(-1, 4)[:, :3] = self.table.reshape(-1, 3)
        return Packed(tetrahedral_block if self.interpolation == "tetrahedral" else trilinear_block, parameters, n)


def _check_domain(low: Triple, high: Triple) -> None:
    if len(low) != 3 or len(high) != 3 or any(b <= a for a, b in zip(low, high, strict=True)):
        raise ValueError("a LUT's domain_max must exceed its domain_min in each channel")


def _scaling(low: Triple, high: Triple, n: int) -> np.ndarray:
    """The header. Position in the table is scale x + shift; three numbers (a channel each) from

    0   the scale                             3   the shift
    6   the scale's upper half, 12 bits       9   what is left of it
    12  the shift's nearest whole number      15  what is left of it
    18  the domain's lower end                21  its upper end (both rounded outwards)

    then 24 the last entry, 25 the last cell, 26 whether the shift is 0 and the scale a power of two, and 27 whether
    the shift is 0 and the scale one of at most 12 bits.
    """
    header = np.zeros(LUT_HEADER, np.float32)
    low_end, high_end = np.array(low, np.float64), np.array(high, np.float64)
    scale = (n - 1) / (high_end - low_end)
    shift = -low_end * scale
    header[0:3], header[3:6] = scale, shift
    header[6:9] = (header[0:3].view(np.uint32) & np.uint32(UPPER_HALF & 0xFFFFFFFF)).view(np.float32)
    header[9:12] = scale - header[6:9]
    header[12:15] = np.rint(shift)
    header[15:18] = shift - np.rint(shift)
    header[18:21], header[21:24] = low_end, high_end
    for ends, wanted, beyond in ((header[18:21], low_end, -np.inf), (header[21:24], high_end, np.inf)):
        inside = (ends - wanted) * np.sign(beyond) < 0
        ends[inside] = np.nextafter(ends[inside], np.float32(beyond))
    header[24:26] = n - 1, n - 2
    header[26] = bool(np.all(np.frexp(scale)[0] == 0.5) and np.all(shift == 0))
    header[27] = bool(np.all(header[6:9] == scale) and np.all(shift == 0))
    return header


UPPER_HALF = -0x1000
"""Keeps twelve significant bits of a float32, so that the product of two such numbers is exact."""


@formula
def cell_and_fraction(x, scale, last, last_cell):
    """The cell of ``x`` and how far it is into it, 0..1, where the scale is a power of two and the shift 0: exact.

    NaN is in cell 0 with a fraction that is NaN.
    """
    position = x * scale
    cell = truncated(clamp(position, ZERO, last_cell))
    return cell, limit(position, ZERO, last) - to_float(cell)


@formula
def cell_and_fraction_of_short_scale(x, scale, low, high, last_cell):
    """The same where the shift is 0 and the scale has at most 12 bits: see :func:`cell_and_exact_fraction`. Here the
    rounded position is never below the cell's start, only on the next one's."""
    x = limit(x, low, high)
    guess = truncated(clamp(x * scale, ZERO, last_cell))
    upper = float_of(both(bits_of(x), UPPER_HALF))
    fraction = upper * scale - to_float(guess) + (x - upper) * scale
    early = fraction < ZERO
    return (sub(guess, 1) if early else guess), (fraction + ONE if early else fraction)


@formula
def cell_and_exact_fraction(x, scale, shift, scale_upper, scale_rest, shift_whole, shift_rest, low, high, last_cell):
    """The same for any scale and shift: the fraction's error is below 2e-7, however long the table.

    The rounding of a position of some thousand entries would be all that the fraction has in its last digits, so
    the product is taken in parts, each exact or small, from a cell that may be one off, and the cell mended after.
    """
    x = limit(x, low, high)
    position = x * scale + shift
    guess = to_float(truncated(position if position > ZERO else ZERO))
    upper = float_of(both(bits_of(x), UPPER_HALF))
    lower = x - upper
    fraction = upper * scale_upper - (guess - shift_whole) + upper * scale_rest + lower * scale_upper
    fraction += lower * scale_rest + shift_rest
    step = -ONE if fraction < ZERO else ZERO
    step = ONE if fraction >= ONE else step
    cell = clamp(guess + step, ZERO, last_cell)
    return truncated(cell), limit(fraction - (cell - guess), ZERO, ONE)


@formula
def _of_channel(q, channel):
    """What :func:`cell_and_exact_fraction` takes after ``x``. (Fetched ahead of a loop: in it, each store could have
    changed them for all that the compiler knows.)"""
    return (q[channel], q[3 + channel], q[6 + channel], q[9 + channel], q[12 + channel], q[15 + channel],
            q[18 + channel], q[21 + channel], q[25])


@block
def lut_1d_block(planes, q, size, n):
    """``q``: the scaling header, then for each channel ``size`` entries.

    Infinities are clamped at the domain; NaN stays NaN.
    """
    fractions, index = offset(planes, SPARE), as_i32(offset(planes, SPARE + BLOCK))
    values, nexts = offset(planes, SPARE + 2 * BLOCK), offset(planes, SPARE + 3 * BLOCK)
    short = q[27] != ZERO
    for channel in range(3):
        plane, table = offset(planes, channel * BLOCK), offset(q, LUT_HEADER + size * channel)
        scale, low, high, last_cell = q[channel], q[18 + channel], q[21 + channel], q[25]
        scaling = _of_channel(q, channel)
        if short:
            for i in range(n):
                index[i], fractions[i] = cell_and_fraction_of_short_scale(plane[i], scale, low, high, last_cell)
        else:
            for i in range(n):
                index[i], fractions[i] = cell_and_exact_fraction(plane[i], *scaling)
        for i in range(0, n, 4):
            pairs_to_planes(table, index, i, values, nexts)
        for i in range(n):
            plane[i] = values[i] + fractions[i] * (nexts[i] - values[i])


GROUP = 64
"""So many pixels are looked up at a time: while their rows come from the second-level cache, whose pace bounds the
look-up, the processor computes the next ones' places. Their places and weights stay in few lines of the first."""


@formula
def path(i, r, fr, g, fg, b, fb, step_r, step_g, step_b, index, weights):
    """Places of the first three vertices, and weights of all four, of pixel ``i`` of a group.

    The cell is walked from its low corner to its high one, first along the axis with the greatest fraction,
    last along the least: four vertices, weighted by the steps between the ordered fractions. No comparison
    becomes a branch, and they are ordered so that a fraction that is not a number ends up in one of the weights.
    """
    low = add(add(mul(r, step_r), mul(g, step_g)), left(b, 2))
    whole = add(add(step_r, step_g), step_b)
    red_less = fr < fg
    more, less = (fg if red_less else fr), (fr if red_less else fg)
    step_more, step_less = (step_g if red_less else step_r), (step_r if red_less else step_g)
    blue_top, blue_low = more < fb, fb <= less
    greatest, step_greatest = (fb if blue_top else more), (step_b if blue_top else step_more)
    least, step_least = (fb if blue_low else less), (step_b if blue_low else step_less)
    middle = less if blue_low else (more if blue_top else fb)
    index[i] = low
    index[GROUP + i] = add(low, step_greatest)
    index[2 * GROUP + i] = sub(add(low, whole), step_least)
    weights[i] = ONE - greatest
    weights[GROUP + i] = greatest - middle
    weights[2 * GROUP + i] = middle - least
    weights[3 * GROUP + i] = least


@formula
def corner(i, r, fr, g, fg, b, fb, step_r, step_g, step_b, index, weights):
    """Place of the cell of pixel ``i`` of a group, and the weights of its corners: four of R and G, two of B."""
    er, eg = ONE - fr, ONE - fg
    index[i] = add(add(mul(r, step_r), mul(g, step_g)), left(b, 2))
    weights[i] = er * eg
    weights[GROUP + i] = er * fg
    weights[2 * GROUP + i] = fr * eg
    weights[3 * GROUP + i] = fr * fg
    weights[4 * GROUP + i] = ONE - fb
    weights[5 * GROUP + i] = fb


def _lattice_block(place: Any, blend: Any, documentation: str) -> Any:
    """The block form that finds ``place`` of a group's pixels, then lets ``blend`` sum their rows."""
    @block
    def lattice_block(planes, q, size, n):
        index, weights = as_i32(offset(planes, SPARE)), offset(planes, SPARE + 3 * GROUP)
        table = offset(q, LUT_HEADER)
        step_b, step_g = lane(4), lane(4 * size)
        step_r = lane(4 * size * size)
        scale_r, scale_g, scale_b, last, last_cell = q[0], q[1], q[2], q[24], q[25]
        red, green, blue = _of_channel(q, 0), _of_channel(q, 1), _of_channel(q, 2)
        exact = q[26] != ZERO
        for first in range(0, n, GROUP):
            group, count = offset(planes, first), min(n - first, GROUP)
            if exact:
                for i in range(count):
                    r, fr = cell_and_fraction(group[RED + i], scale_r, last, last_cell)
                    g, fg = cell_and_fraction(group[GREEN + i], scale_g, last, last_cell)
                    b, fb = cell_and_fraction(group[BLUE + i], scale_b, last, last_cell)
                    place(i, r, fr, g, fg, b, fb, step_r, step_g, step_b, index, weights)
            else:
                for i in range(count):
                    r, fr = cell_and_exact_fraction(group[RED + i], *red)
                    g, fg = cell_and_exact_fraction(group[GREEN + i], *green)
                    b, fb = cell_and_exact_fraction(group[BLUE + i], *blue)
                    place(i, r, fr, g, fg, b, fb, step_r, step_g, step_b, index, weights)
            for i in range(0, count, 8):
                blend(table, size, index, weights, i, group)
    lattice_block.__doc__ = documentation
    return lattice_block


@formula
def _blend_path(table, size, index, weights, i, planes):
    blend_of_path(table, 4 * (size * size + size + 1), index, weights, GROUP, i, planes, BLOCK)


@formula
def _blend_cell(table, size, index, weights, i, planes):
    blend_of_cell(table, 4 * size, 4 * size * size, index, weights, GROUP, i, planes, BLOCK)


_Q = "``q``: the scaling header, then size^3 rows of R, G, B and a pad, blue fastest."
_ENDS = "Infinities are clamped at the domain; NaN makes all three channels NaN."
tetrahedral_block = _lattice_block(path, _blend_path, f"{_Q} Tetrahedral: see :func:`path`. {_ENDS}")
trilinear_block = _lattice_block(corner, _blend_cell, f"{_Q} Trilinear: see :func:`corner`. {_ENDS}")


Lut1D.block_forms = (lut_1d_block,)
Lut3D.block_forms = (tetrahedral_block, trilinear_block)
