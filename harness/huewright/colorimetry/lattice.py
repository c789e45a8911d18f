"""Operations sampled over a lattice, and where its planes lie so that what is bright or negative isn't lost.

:func:`lattice_axis` gives most lattice points to [0, 1] and the rest, ever wider spaced, to what lies outside.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from huewright_kernels.ops import Operation

from huewright.errors import InputError
from huewright.reference import apply_chain


def reach(operations: Sequence[Operation]) -> tuple[float, float]:
    """The least and the greatest value that ``operations`` make of code values in [0, 1], over a coarse lattice."""
    values = code_lattice(operations, 9)
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
    """``operations`` over a lattice with planes at ``axis``: float64 (size, size, size, 3) indexed [r, g, b]."""
    return apply_chain(operations, np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1))


def shaped(values: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Display signal to lattice coordinates in [0, 1]: linear between planes, so it bends nowhere inside a cell."""
    result: np.ndarray = np.interp(values, axis, np.linspace(0, 1, axis.size))
    return result


def code_lattice(operations: Sequence[Operation], size: int) -> np.ndarray:
    """``operations`` over code values in [0, 1]: float64 (size, size, size, 3) indexed [r, g, b]."""
    return axis_lattice(operations, np.linspace(0, 1, size))


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
