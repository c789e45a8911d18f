"""Look-up tables: one 1D table a channel, and a 3D lattice with an optional 1D shaper before it.

Source: SMPTE ST 2136-1 (CLF) LUT1D and LUT3D nodes: input scaled from the domain to the table's index
range, clamped at the domain, linear (1D), trilinear or tetrahedral (3D) interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from huewright_kernels.elementary import ONE, ZERO, clamp, limit, next_down, next_up
from huewright_kernels.forms import Form
from huewright_kernels.lanes import (
    add,
    bits_of,
    both,
    float_of,
    formula,
    lane,
    mul,
    offset,
    pointer_f32,
    pointer_f64,
    pointer_i64,
    sub,
    to_float,
    truncated,
)
from huewright_kernels.ops.base import TABLE, Example, Operation, complete
from huewright_kernels.ops.fields import places, row, table, word
from huewright_kernels.planes import HEADER

INTERPOLATIONS = ("tetrahedral", "trilinear")
Triple = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Lut1D(Operation):
    """``table`` is float32 (n, 3), 2 <= n <= 65536; sampled at equal steps over the domain."""

    name: ClassVar[str] = "lut-1d"
    table: np.ndarray = table(lambda: np.repeat([[0.0], [1.0]], 3, axis=1), "a row of R, G, B an entry", 2, 2, 65536)
    domain_min: Triple = row((0.0, 0.0, 0.0), "what the first entry stands for", unit="signal")
    domain_max: Triple = row((1.0, 1.0, 1.0), "what the last entry stands for", unit="signal")

    def separable(self) -> bool:
        return True

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "LUT1D", {"table": self.table, "domain_min": self.domain_min, "domain_max": self.domain_max}


@dataclass(frozen=True, eq=False)
class Lut3D(Operation):
    """``table`` is float32 (n, n, n, 3) indexed [r, g, b, channel], 2 <= n <= 129."""

    name: ClassVar[str] = "lut-3d"
    table: np.ndarray = table(lambda: np.stack(np.meshgrid(*[[0.0, 1.0]] * 3, indexing="ij"), -1),
                              "indexed [r, g, b], each R, G, B", 4, 2, 129)
    domain_min: Triple = row((0.0, 0.0, 0.0), "what the first entries stand for", unit="signal")
    domain_max: Triple = row((1.0, 1.0, 1.0), "what the last entries stand for", unit="signal")
    interpolation: str = word("tetrahedral", "how the lattice is read between its points", INTERPOLATIONS)

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "LUT3D", {"table": self.table, "domain_min": self.domain_min, "domain_max": self.domain_max,
                         "interpolation": self.interpolation}


_, LOW, HIGH = places(Lut1D)
*_, INTERPOLATION = places(Lut3D)
SENTENCES = ("a LUT's domain_max must exceed its domain_min in each channel",)


def _check(p, counts):
    for channel in range(3):
        if p[HIGH + channel] <= p[LOW + channel]:
            return 1
    return 0


@formula
def scaling(p, channel, n, q):
    """Eight numbers for one channel. Position in the table is scale x + shift:

    0  the scale                          1  the shift
    2  the scale's upper half, 12 bits    3  what is left of it
    4  the shift's nearest whole number   5  what is left of it
    6  the domain's lower end             7  its upper end (both rounded outwards)

    Returns whether the shift is 0 and the scale a power of two, and whether the shift is 0 and the scale one of at most
    12 bits.
    """
    low, high = p[LOW + channel], p[HIGH + channel]
    scale = (n - 1) / (high - low)
    shift = -low * scale
    whole = (shift + _ROUND) - _ROUND if abs(shift) < 2.0**51 else shift
    q[0], q[1] = scale, shift
    q[2] = float_of(both(bits_of(q[0]), UPPER_HALF))
    q[3] = scale - q[2]
    q[4], q[5] = whole, shift - whole
    q[6], q[7] = low, high
    if q[6] > low:
        q[6] = next_down(q[6])
    if q[7] < high:
        q[7] = next_up(q[7])
    return shift == 0.0 and q[0] == scale and both(bits_of(q[0]), 0x7FFFFF) == 0, shift == 0.0 and q[2] == scale


_ROUND = 1.5 * 2.0**52
"""Adding it to a float64 and taking it off again rounds to the nearest whole number, ties to even."""


def pack_lut_1d(p_at, counts_at, table_at, q_at, out_at):
    """For each channel its scaling, 8 the last entry, 9 the last cell, and from 16 on all entries."""
    p, counts, entries = pointer_f64(p_at), pointer_i64(counts_at), pointer_f32(table_at)
    q, out = pointer_f32(q_at), pointer_i64(out_at)
    n, all_short = counts[0], True
    for c in range(3):
        line = offset(q, c * (HEADER + n))
        _, short = scaling(p, c, n, line)
        all_short = all_short and short
        line[_LAST], line[_LAST + 1] = n - 1, n - 2
        for i in range(n):
            line[HEADER + i] = entries[3 * i + c]
    out[0], out[1], out[2] = (0 if all_short else 1), n, 3 * (HEADER + n)


def pack_lut_3d(p_at, counts_at, table_at, q_at, out_at):
    """The scaling of each channel, 24 the last entry, 25 the last cell, and from 32 on size^3 rows of R, G, B and a
    pad, blue fastest."""
    p, counts, entries = pointer_f64(p_at), pointer_i64(counts_at), pointer_f32(table_at)
    q, out = pointer_f32(q_at), pointer_i64(out_at)
    n, plain = counts[0], True
    for c in range(3):
        power_of_two, _ = scaling(p, c, n, offset(q, 8 * c))
        plain = plain and power_of_two
    q[_LATTICE_LAST], q[_LATTICE_LAST + 1] = n - 1, n - 2
    for i in range(n * n * n):
        start = offset(q, LATTICE_HEADER + 4 * i)
        start[0], start[1], start[2] = entries[3 * i], entries[3 * i + 1], entries[3 * i + 2]
    out[0] = 2 * int(p[INTERPOLATION]) + (0 if plain else 1)
    out[1], out[2] = n, LATTICE_HEADER + 4 * n * n * n


_LAST, _LATTICE_LAST, LATTICE_HEADER = 8, 24, 32
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
def _any_cell(x, q, at, last):
    return cell_and_exact_fraction(x, q[at], q[at + 1], q[at + 2], q[at + 3], q[at + 4], q[at + 5], q[at + 6],
                                   q[at + 7], q[last + 1])


@formula
def _short_cell(x, q, at, last):
    return cell_and_fraction_of_short_scale(x, q[at], q[at + 6], q[at + 7], q[last + 1])


@formula
def _plain_cell(x, q, at, last):
    return cell_and_fraction(x, q[at], q[last], q[last + 1])


@formula
def line_finish(x, rows, carried, q, size):
    """Linear between two entries. NaN stays NaN."""
    entry, following = rows[0]
    return entry + carried[0] * (following - entry)


def _line_form(name: str, cell: Any) -> Form:
    @formula
    def place(x, q, size):
        """Infinities are clamped at the domain."""
        return cell(x, q, 0, _LAST)
    return Form(name, place=place, finish=line_finish, gather="pair", carried=1, table=HEADER, apart=HEADER)


@formula
def path(low, fr, fg, fb, step_r, step_g, step_b):
    """Places of the four vertices from the cell's ``low`` corner on, and their weights.

    The cell is walked from its low corner to its high one, first along the axis with the greatest fraction,
    last along the least: four vertices, weighted by the steps between the ordered fractions. No comparison
    becomes a branch, and they are ordered so that a fraction that is not a number ends up in one of the weights.
    """
    whole = add(add(step_r, step_g), step_b)
    red_less = fr < fg
    more, less = (fg if red_less else fr), (fr if red_less else fg)
    step_more, step_less = (step_g if red_less else step_r), (step_r if red_less else step_g)
    blue_top, blue_low = more < fb, fb <= less
    greatest, step_greatest = (fb if blue_top else more), (step_b if blue_top else step_more)
    least, step_least = (fb if blue_low else less), (step_b if blue_low else step_less)
    middle = less if blue_low else (more if blue_top else fb)
    high = add(low, whole)
    return (low, add(low, step_greatest), sub(high, step_least), high,
            ONE - greatest, greatest - middle, middle - least, least)


@formula
def cell_edges(low, fr, fg, fb, step_r, step_g, step_b):
    """Places of the cell's four edges along blue, and the weights of its corners: four of R and G, two of B."""
    er, eg = ONE - fr, ONE - fg
    return (low, add(low, step_g), add(low, step_r), add(add(low, step_r), step_g),
            er * eg, er * fg, fr * eg, fr * fg, ONE - fb, fb)


def path_blend(v0, v1, v2, v3, w0, w1, w2, w3):
    """The weighted sum of four vertices: the first two, then the other two, then both sums. NaN makes all three
    channels NaN."""
    return (v0 * w0 + v1 * w1) + (v2 * w2 + v3 * w3)


def cell_blend(n0, n1, n2, n3, f0, f1, f2, f3, w0, w1, w2, w3, near, far):
    """The near ends of the four edges summed, the far ones, then both by blue. NaN makes all three channels NaN."""
    return (((n0 * w0 + n1 * w1) + (n2 * w2 + n3 * w3)) * near
            + ((f0 * w0 + f1 * w1) + (f2 * w2 + f3 * w3)) * far)


def _lattice_form(name: str, cell: Any, corners: Any, blend: Any, gather: str, carried: int) -> Form:
    @formula
    def along(r, g, b, q, pitch_r, pitch_g, pitch_b, step_r, step_g, step_b):
        """Infinities are clamped at the domain. A cell lies ``pitch`` floats from the one before it, its corners
        ``step`` floats apart."""
        kr, fr = cell(r, q, 0, _LATTICE_LAST)
        kg, fg = cell(g, q, 8, _LATTICE_LAST)
        kb, fb = cell(b, q, 16, _LATTICE_LAST)
        low = add(add(mul(kr, lane(pitch_r)), mul(kg, lane(pitch_g))), mul(kb, lane(pitch_b)))
        return corners(low, fr, fg, fb, lane(step_r), lane(step_g), lane(step_b))

    @formula
    def place(r, g, b, q, size):
        return along(r, g, b, q, 4 * size * size, 4 * size, 4, 4 * size * size, 4 * size, 4)

    @formula
    def place_in_pairs(r, g, b, q, size):
        return along(r, g, b, q, 8 * size * size, 8 * size, 8, 8 * size * size, 8 * size, 4)
    return Form(name, place=place, place_in_pairs=place_in_pairs, blend=blend, gather=gather, carried=carried,
                table=LATTICE_HEADER)


def smooth_lattice(size: int) -> np.ndarray:
    """A lattice (n, n, n, 3) that mixes channels and bends them, as a display look does."""
    axis = np.linspace(0.0, 1.0, size)
    r, g, b = np.meshgrid(axis, axis, axis, indexing="ij")
    return np.stack([r**0.8 * (0.9 + 0.1 * g), 0.85 * g + 0.15 * r * b, np.sin(1.2 * b) * (1 - 0.1 * r)], axis=-1)


def _lines() -> tuple[Example, ...]:
    rng = np.random.default_rng(7)
    steps, codes = np.linspace(0, 1, 65536), (-0.1, 1.1)
    ramp = np.linspace(0, 1, 5)[:, None] ** np.array([0.6, 1.0, 1.7])
    return (
        Example("1024, a root", Lut1D(np.linspace(0.0, 1.0, 1024)[:, None].repeat(3, axis=1) ** 0.5), timed="LUT 1D",
                golden=False),
        Example("", Lut1D(ramp, (-0.1, 0.0, 0.0), (1.0, 1.0, 1.2)), -0.5, 1.5),
        Example("1024, random", Lut1D(rng.random((1024, 3))), claimed=codes, golden=False),
        Example("4096, random", Lut1D(rng.random((4096, 3))), claimed=codes, golden=False),
        Example("1024, random, its own domain", Lut1D(rng.random((1024, 3)), (-0.1,) * 3, (1.2, 1.0, 3.1)),
                golden=False),
        Example("65536, smooth", Lut1D(np.stack([steps**0.45, steps, np.sin(1.5 * steps)], axis=1)), claimed=codes,
                golden=False))


def _lattices() -> tuple[Example, ...]:
    rng = np.random.default_rng(7)
    grid = np.linspace(0.0, 1.0, 33)
    timed = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1) ** 1.1
    timed = timed @ np.array([[0.9, 0.05, 0.05], [0.02, 0.95, 0.03], [0.0, 0.1, 0.9]])
    axis = np.linspace(0, 1, 4)
    r, g, b = np.meshgrid(axis, axis, axis, indexing="ij")
    four = np.stack([r**0.8 + 0.1 * g * b, g**1.2 - 0.05 * r, 0.9 * b + 0.1 * r * g], -1)
    examples = [
        Example("33 tetrahedral, timed", Lut3D(timed), timed="LUT 3D tetrahedral", golden=False),
        Example("33 trilinear, timed", Lut3D(timed, interpolation="trilinear"), timed="LUT 3D trilinear", golden=False),
        Example("tetrahedral", Lut3D(four), -0.2, 1.2),
        Example("trilinear", Lut3D(four, (-0.1,) * 3, (1.1,) * 3, "trilinear"), -0.2, 1.2)]
    for size in (2, 17, 33, 36, 65):
        for kind, lattice in (("smooth", smooth_lattice(size)), ("random", rng.random((size, size, size, 3)))):
            examples += [Example(f"{size}, {kind}, {how}", Lut3D(lattice, interpolation=how), claimed=(-0.1, 1.1),
                                 golden=False) for how in INTERPOLATIONS]
    return (*examples, Example("33, its own domain", Lut3D(smooth_lattice(33), (-0.25, 0.0, -0.1), (1.5, 2.0, 1.25)),
                               golden=False))


complete(Lut1D, pack=pack_lut_1d, room=lambda counts: 3 * (HEADER + counts[0]), check=_check, sentences=SENTENCES,
         forms=(_line_form("lut_1d_short", _short_cell), _line_form("lut_1d", _any_cell)), bound=TABLE,
         examples=_lines, source="SMPTE ST 2136-1, LUT1D node", reference="lut", peer="clf")
complete(Lut3D, pack=pack_lut_3d, check=_check, sentences=SENTENCES,
         room=lambda counts: LATTICE_HEADER + 4 * counts[0] * counts[0] * counts[0],
         forms=(_lattice_form("tetrahedral_plain", _plain_cell, path, path_blend, "path", 4),
                _lattice_form("tetrahedral", _any_cell, path, path_blend, "path", 4),
                _lattice_form("trilinear_plain", _plain_cell, cell_edges, cell_blend, "cell", 6),
                _lattice_form("trilinear", _any_cell, cell_edges, cell_blend, "cell", 6)),
         bound=TABLE, examples=_lattices, source="SMPTE ST 2136-1, LUT3D node", reference="lut", peer="clf")
