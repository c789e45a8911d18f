"""Operations sampled over a lattice, and where its planes lie so that what is bright, negative or bent isn't lost.

:func:`lattice_axis` gives most lattice points to [0, 1] and the rest, ever wider spaced, to what lies outside;
:func:`bend_axes` lays them close where the operations bend.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import Operation

from huewright.errors import InputError


def reach(operations: Sequence[Operation], low: float = 0.0, high: float = 1.0) -> tuple[float, float]:
    """The least and the greatest value that ``operations`` make of code values in [low, high], over a coarse
    lattice."""
    values = code_lattice(operations, 9, low, high)
    return float(values.min()), float(values.max())


def lattice_axis(low: float, high: float, size: int) -> np.ndarray:
    """Where along the display signal the ``size`` planes of a lattice lie: equal steps over [0, 1], on whose ends
    planes lie, and steps that grow by a constant factor outside, down to ``low`` and up to ``high``."""
    cells = size - 1
    # As many cells outside as keep the spacing of [0, 1], but no more than three eighths of all above and one below:
    # measured on an ACEScct chain that reaches 12 times white, this balances the error inside against that outside.
    below = min(max(1, round(-low * cells)), cells // 8) if low < 0 else 0
    above = min(max(1, round((high - 1) * cells)), 3 * cells // 8) if high > 1 else 0
    inside = cells - below - above
    if cells < 8:
        raise InputError(f"a lattice of {size} points is too small for hue sectors; use 9 or more, better 33 or 65")
    step = 1 / inside
    return np.concatenate([-_growing(step, below, -low)[::-1], np.linspace(0, 1, inside + 1),
                           1 + _growing(step, above, high - 1)])


def axis_lattice(operations: Sequence[Operation], axis: np.ndarray) -> np.ndarray:
    """``operations``, as the render has them, over a lattice with planes at ``axis`` (size,), or at those of each
    channel (3, size): float32 (size, size, size, 3) indexed [r, g, b]."""
    grid = np.stack(np.meshgrid(*np.broadcast_to(axis, (3, axis.shape[-1])), indexing="ij"), -1).astype(np.float32)
    result: np.ndarray = run_colours(compile_chain(operations), grid.reshape(-1, 3)).reshape(grid.shape)
    return result


def shaped(values: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Values to lattice coordinates in [0, 1]: linear between planes, so it bends nowhere inside a cell."""
    result: np.ndarray = np.interp(values, axis, np.linspace(0, 1, axis.size))
    return result


def code_lattice(operations: Sequence[Operation], size: int, low: float = 0.0, high: float = 1.0) -> np.ndarray:
    """``operations`` over code values in [low, high]: float32 (size, size, size, 3) indexed [r, g, b]."""
    return axis_lattice(operations, np.linspace(low, high, size))


def bend_axes(operations: Sequence[Operation], size: int, low: float = 0.0, high: float = 1.0) -> np.ndarray:
    """Where along each channel's code values, [low, high], the planes of a lattice best lie: (3, size), rising.

    Between two planes ``h`` apart linear interpolation is off by h^2 |f''| / 8 at most, so planes that lie as close as
    sqrt(|f''|) says leave the same error everywhere (the equidistribution of knots, de Boor, "A Practical Guide to
    Splines", ch. XII). The bend is averaged over a coarse lattice of the other two channels, where the result lies in
    the display's range: what is limited afterwards needs no planes.
    """
    chain = compile_chain(operations)
    fine, coarse = np.linspace(low, high, _FINE), np.linspace(low, high, _COARSE)
    axes = []
    for channel in range(3):
        grid = np.stack(np.meshgrid(fine, coarse, coarse, indexing="ij"), -1)
        codes = np.ascontiguousarray(np.roll(grid, channel, axis=-1).reshape(-1, 3), dtype=np.float32)
        values = run_colours(chain, codes).astype(np.float64).reshape(_FINE, -1)
        bend = np.abs(values[2:] - 2 * values[1:-1] + values[:-2])
        seen = (np.abs(values[1:-1] - 0.5) < 0.52)
        density = np.sqrt(np.mean(np.where(seen, bend, 0.0), axis=1))
        around = np.pad(density, _SMOOTHED // 2 + 1, mode="edge")      # a plane can't follow what is narrower
        density = np.convolve(around, np.ones(_SMOOTHED) / _SMOOTHED, "valid")
        density = density / density.mean() + _EVEN if density.any() else np.ones(_FINE)
        share = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2)])
        axes.append(np.interp(np.linspace(0, 1, size), share / share[-1], fine))
    return np.array(axes)


_FINE, _COARSE, _SMOOTHED = 513, 13, 17
_EVEN = 0.1
"""A tenth of the planes are spread evenly, so that none of the cube goes without."""


def _growing(step: float, cells: int, span: float) -> np.ndarray:
    """Distances of ``cells`` planes whose spacing grows from about ``step`` by a constant factor, the last at
    ``span``; evenly spaced where that is finer."""
    if cells == 0:
        return np.empty(0)
    counts = np.arange(1, cells + 1)
    if span <= cells * step:
        return span * counts / cells
    low, high = 1.0, 1 + span / step
    for _ in range(80):  # bisection: the sum of the spacings rises with the factor
        middle = (low + high) / 2
        low, high = (middle, high) if step * np.sum(middle**counts) < span else (low, middle)
    places = np.cumsum(low**counts)
    result: np.ndarray = span * places / places[-1]
    return result
