"""A 3x3 matrix and an offset: exposure, balance, camera matrices, range expansion.

Source: linear algebra; ``out = matrix @ (r, g, b) + offset``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from huewright_kernels.forms import Form
from huewright_kernels.lanes import formula, pointer_f32, pointer_f64, pointer_i64
from huewright_kernels.ops.base import SMOOTH, Example, Operation, complete
from huewright_kernels.ops.fields import row, rows
from huewright_kernels.planes import HEADER

Row = tuple[float, float, float]


@dataclass(frozen=True)
class Matrix(Operation):
    """``matrix`` is three rows (output R, G, B); ``offset`` is added afterwards."""

    name: ClassVar[str] = "matrix"
    matrix: tuple[Row, Row, Row] = rows(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
                                        "rows that give R, G and B")
    offset: Row = row((0.0, 0.0, 0.0), "added afterwards", unit="signal")

    def inverse(self) -> Matrix | None:
        """None where the matrix is singular."""
        try:
            inverse = np.linalg.inv(np.array(self.matrix, np.float64))
            offset = -inverse @ np.array(self.offset)
            return Matrix(tuple(map(tuple, inverse.tolist())), tuple(offset.tolist()))
        except (np.linalg.LinAlgError, ValueError):
            return None

    def separable(self) -> bool:
        return np.count_nonzero(np.array(self.matrix) - np.diag(np.diag(self.matrix))) == 0

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "Matrix", {"matrix": self.matrix, "offset": self.offset}


@formula
def matrix_row(r, g, b, m0, m1, m2, offset):
    """One output channel; products summed from red to blue, then the offset. NaN and infinity as arithmetic has it."""
    return ((r * m0 + g * m1) + b * m2) + offset


@formula
def matrix_pixel(r, g, b, q, size):
    """``q``: nine coefficients by rows, three offsets."""
    return (matrix_row(r, g, b, q[0], q[1], q[2], q[9]), matrix_row(r, g, b, q[3], q[4], q[5], q[10]),
            matrix_row(r, g, b, q[6], q[7], q[8], q[11]))


def pack_matrix(p_at, counts_at, table_at, q_at, out_at):
    p, q, out = pointer_f64(p_at), pointer_f32(q_at), pointer_i64(out_at)
    for k in range(12):
        q[k] = p[k]
    out[0], out[1], out[2] = 0, 0, HEADER


def _check(p, counts):
    for k in range(9):
        if p[k] != 0:
            return 0
    return 1


def _examples() -> tuple[Example, ...]:
    return (
        Example("balance", Matrix(((1.2, -0.1, -0.1), (0.05, 0.9, 0.05), (0.0, 0.2, 0.8)), (0.01, 0.0, -0.01)),
                timed="matrix", golden=False),
        Example("", Matrix(((1.3, -0.2, -0.1), (0.05, 0.9, 0.05), (0.02, -0.4, 1.38)), (0.01, 0.0, -0.02))),
        Example("exposure and balance", Matrix(((1.21, 0.0, 0.0), (0.0, 1.1, 0.0), (0.0, 0.0, 1.33))), golden=False),
        Example("camera", Matrix(((1.7, -0.5, -0.2), (-0.1, 1.3, -0.2), (0.02, -0.6, 1.58)), (0.01, -0.02, 0.0)),
                golden=False))


complete(Matrix, pack=pack_matrix, check=_check,
         sentences=("matrix is all zeros, so that every colour would become the same",),
         room=lambda counts: HEADER, forms=(Form("matrix", pixel=matrix_pixel),),
         bound=SMOOTH, examples=_examples, source="linear algebra", reference="matrix", peer="clf")
