"""The way back through a chain: exact inverses where an operation has one, a dense table where it is a table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from huewright_kernels.ops import LogEncode, Lut1D, Matrix, Operation

from huewright.errors import InputError

# The shaper before an inverted table: the curve of Academy S-2016-001 (ACEScct), which
# spreads the table's entries evenly over the stops of the scene.
SHAPER = LogEncode(base=2.0, log_side_slope=1 / 17.52, log_side_offset=9.72 / 17.52, lin_side_slope=1.0,
                   lin_side_offset=0.0, lin_side_break=0.0078125, linear_slope=10.5402377416545)
SHAPER_INVERSE = SHAPER.inverse()
INVERSE_ENTRIES = 16384


def inverse_operations(operations: Sequence[Operation]) -> tuple[Operation, ...]:
    """Operations that undo ``operations``; :class:`InputError` where one cannot be undone."""
    back: list[Operation] = []
    for operation in reversed(operations):
        back.extend(_inverse(operation))
    return tuple(back)


def _inverse(operation: Operation) -> tuple[Operation, ...]:
    exact = operation.inverse()
    if exact is not None:
        return (exact,)
    if isinstance(operation, Lut1D):
        return _inverse_table(operation)
    raise InputError(f"the operation {operation.name!r} cannot be undone exactly, so nothing can be put after it that "
                     "works on the signal before it; declare the camera log curve by name or parameters, or leave this "
                     "operation out of what is to be undone")


def _inverse_table(lut: Lut1D) -> tuple[Operation, ...]:
    """A log shaper and a table: error below 1e-5 of the code range for a table of a camera log curve."""
    from huewright.reference import apply_chain

    codes = np.linspace(lut.domain_min, lut.domain_max, lut.table.shape[0])
    table = lut.table.astype(np.float64)
    if np.any(np.diff(table, axis=0) < 0):
        raise InputError("the log curve's table does not rise throughout, so it cannot be undone for a look")
    shaped = apply_chain((SHAPER,), table)
    low, high = shaped[0], shaped[-1]
    grid = np.linspace(low, high, INVERSE_ENTRIES)
    linear = apply_chain((SHAPER_INVERSE,), grid)
    entries = np.empty_like(grid)
    for channel in range(3):
        rising = np.concatenate(([True], np.diff(table[:, channel]) > 0))
        entries[:, channel] = np.interp(linear[:, channel], table[rising, channel], codes[rising, channel])
    return (SHAPER, Lut1D(entries, (float(low[0]), float(low[1]), float(low[2])),
                          (float(high[0]), float(high[1]), float(high[2]))))


def matrix_operation(matrix: np.ndarray, offset: Sequence[float] | np.ndarray = (0.0, 0.0, 0.0)) -> Matrix:
    """A :class:`Matrix` of plain floats."""
    rows = tuple(tuple(float(v) for v in row) for row in np.asarray(matrix))
    return Matrix(rows, tuple(float(v) for v in offset))  # type: ignore[arg-type]
