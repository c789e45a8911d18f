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
    blend_of_4_rows,
    blend_of_8_rows,
    block,
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
from huewright_kernels.planes import BLOCK, BLUE, GREEN, HEADER, RED, SPARE

INTERPOLATIONS = ("tetrahedral", "trilinear")
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
    looks_up: ClassVar[bool] = True
    table: np.ndarray = field(default_factory=lambda: np.repeat([[0.0], [1.0]], 3, axis=1))
    domain_min: Triple = (0.0, 0.0, 0.0)
    domain_max: Triple = (1.0, 1.0, 1.0)

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", _table(self.table, 2))
        if not 2 <= self.table.shape[0] <= 65536:
            raise ValueError("a 1D LUT has 2 to 65536 entries")
        _check_domain(self.domain_min, self.domain_max)

    def pack(self) -> Packed:
        n = self.table.shape[0]
        parameters = np.zeros(HEADER + 3 * 2 * n, np.float32)
        parameters[:HEADER] = _scaling(self.domain_min, self.domain_max, n)
        pairs = parameters[HEADER:].reshape(3, n, 2)
        pairs[:, :, 0] = self.table.T
        pairs[:, :-1, 1] = np.diff(self.table.astype(np.float64), axis=0).T
        return Packed(lut_1d_block, parameters, n)


@dataclass(frozen=True, eq=False)
class Lut3D(Operation):
    """``table`` is float32 (n, n, n, 3) indexed [r, g, b, channel], 2 <= n <= 129."""

    name: ClassVar[str] = "lut-3d"
    looks_up: ClassVar[bool] = True
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
        _check_domain(self.domain_min, self.domain_max)

    def pack(self) -> Packed:
        n = self.table.shape[0]
        parameters = np.zeros(HEADER + 4 * n**3, np.float32)
        parameters[:HEADER] = _scaling(self.domain_min, self.domain_max, n)
        parameters[HEADER:].reshape(-1, 4)[:, :3] = self.table.reshape(-1, 3)
        return Packed(tetrahedral_block if self.interpolation == "tetrahedral" else trilinear_block, parameters, n)


def _check_domain(low: Triple, high: Triple) -> None:
    if len(low) != 3 or len(high) != 3 or any(b <= a for a, b in zip(low, high, strict=True)):
        raise ValueError("a LUT's domain_max must exceed its domain_min in each channel")


def _scaling(low: Triple, high: Triple, n: int) -> np.ndarray:
    """The header: per channel scale then offset to the index range, the last index, the last cell."""
    header = np.zeros(HEADER, np.float32)
    scale = (n - 1) / (np.array(high, np.float64) - np.array(low, np.float64))
    header[0:3], header[3:6] = scale, -np.array(low, np.float64) * scale
    header[6:8] = n - 1, n - 2
    return header


@formula
def cell_and_fraction(x, scale, shift, last, last_cell):
    """The cell of ``x`` and how far it is into it, 0..1. NaN is in cell 0 with a fraction that is NaN."""
    position = x * scale + shift
    cell = truncated(clamp(position, ZERO, last_cell))
    return cell, limit(position, ZERO, last) - to_float(cell)


@block
def lut_1d_block(planes, q, size, n):
    """``q``: the scaling header, then for each channel ``size`` pairs of an entry and the step to the next.

    Infinities are clamped at the domain; NaN stays NaN.
    """
    fractions, index = offset(planes, SPARE), as_i32(offset(planes, SPARE + BLOCK))
    values, steps = offset(planes, SPARE + 2 * BLOCK), offset(planes, SPARE + 3 * BLOCK)
    last, last_cell = q[6], q[7]
    for channel in range(3):
        plane, table = offset(planes, channel * BLOCK), offset(q, HEADER + 2 * size * channel)
        scale, shift = q[channel], q[3 + channel]
        for i in range(n):
            cell, fraction = cell_and_fraction(plane[i], scale, shift, last, last_cell)
            fractions[i], index[i] = fraction, left(cell, 1)
        for i in range(0, n, 4):
            pairs_to_planes(table, index, i, values, steps)
        for i in range(n):
            plane[i] = values[i] + fractions[i] * steps[i]


@block
def tetrahedral_block(planes, q, size, n):
    """``q``: the scaling header, then size^3 rows of R, G, B and a pad, blue fastest.

    The cell is walked from its low corner to its high one, first along the axis with the greatest fraction,
    last along the least: four vertices, weighted by the steps between the ordered fractions. No comparison
    becomes a branch. Infinities are clamped at the domain; NaN makes all three channels NaN.
    """
    index, weights = as_i32(offset(planes, SPARE)), offset(planes, SPARE + 4 * BLOCK)
    last, last_cell = q[6], q[7]
    scale_r, scale_g, scale_b, shift_r, shift_g, shift_b = q[0], q[1], q[2], q[3], q[4], q[5]
    step_b, step_g = lane(4), lane(4 * size)
    step_r = lane(4 * size * size)
    whole = add(add(step_r, step_g), step_b)
    for i in range(n):
        r, fr = cell_and_fraction(planes[RED + i], scale_r, shift_r, last, last_cell)
        g, fg = cell_and_fraction(planes[GREEN + i], scale_g, shift_g, last, last_cell)
        b, fb = cell_and_fraction(planes[BLUE + i], scale_b, shift_b, last, last_cell)
        low = add(add(mul(r, step_r), mul(g, step_g)), left(b, 2))
        # Ordered so that a fraction that is not a number ends up in one of the weights.
        red_less = fr < fg
        more, less = (fg if red_less else fr), (fr if red_less else fg)
        step_more, step_less = (step_g if red_less else step_r), (step_r if red_less else step_g)
        blue_top, blue_low = more < fb, fb <= less
        greatest, step_greatest = (fb if blue_top else more), (step_b if blue_top else step_more)
        least, step_least = (fb if blue_low else less), (step_b if blue_low else step_less)
        middle = less if blue_low else (more if blue_top else fb)
        index[i] = low
        index[BLOCK + i] = add(low, step_greatest)
        index[2 * BLOCK + i] = sub(add(low, whole), step_least)
        index[3 * BLOCK + i] = add(low, whole)
        weights[i] = ONE - greatest
        weights[BLOCK + i] = greatest - middle
        weights[2 * BLOCK + i] = middle - least
        weights[3 * BLOCK + i] = least
    table = offset(q, HEADER)
    for i in range(0, n, 8):
        blend_of_4_rows(table, index, weights, i, planes, BLOCK)


@block
def trilinear_block(planes, q, size, n):
    """``q`` as for :func:`tetrahedral_block`. Eight corners, each with the product of its three fractions.

    Infinities are clamped at the domain; NaN makes all three channels NaN.
    """
    index, weights = as_i32(offset(planes, SPARE)), offset(planes, SPARE + 8 * BLOCK)
    last, last_cell = q[6], q[7]
    scale_r, scale_g, scale_b, shift_r, shift_g, shift_b = q[0], q[1], q[2], q[3], q[4], q[5]
    step_b, step_g = lane(4), lane(4 * size)
    step_r = lane(4 * size * size)
    for i in range(n):
        r, fr = cell_and_fraction(planes[RED + i], scale_r, shift_r, last, last_cell)
        g, fg = cell_and_fraction(planes[GREEN + i], scale_g, shift_g, last, last_cell)
        b, fb = cell_and_fraction(planes[BLUE + i], scale_b, shift_b, last, last_cell)
        low = add(add(mul(r, step_r), mul(g, step_g)), left(b, 2))
        er, eg, eb = ONE - fr, ONE - fg, ONE - fb
        index[i], weights[i] = low, er * eg * eb
        index[BLOCK + i], weights[BLOCK + i] = add(low, step_b), er * eg * fb
        index[2 * BLOCK + i], weights[2 * BLOCK + i] = add(low, step_g), er * fg * eb
        index[3 * BLOCK + i], weights[3 * BLOCK + i] = add(add(low, step_g), step_b), er * fg * fb
        low = add(low, step_r)
        index[4 * BLOCK + i], weights[4 * BLOCK + i] = low, fr * eg * eb
        index[5 * BLOCK + i], weights[5 * BLOCK + i] = add(low, step_b), fr * eg * fb
        index[6 * BLOCK + i], weights[6 * BLOCK + i] = add(low, step_g), fr * fg * eb
        index[7 * BLOCK + i], weights[7 * BLOCK + i] = add(add(low, step_g), step_b), fr * fg * fb
    table = offset(q, HEADER)
    for i in range(0, n, 8):
        blend_of_8_rows(table, index, weights, i, planes, BLOCK)


Lut1D.block_forms = (lut_1d_block,)
Lut3D.block_forms = (tetrahedral_block, trilinear_block)
