"""A 3x3 matrix and an offset: exposure, balance, camera matrices, range expansion.

Source: linear algebra; ``out = matrix @ (r, g, b) + offset``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from huewright_kernels.lanes import block, formula
from huewright_kernels.ops.base import Operation, Packed
from huewright_kernels.planes import BLUE, GREEN, HEADER, RED

Row = tuple[float, float, float]


@dataclass(frozen=True)
class Matrix(Operation):
    """``matrix`` is three rows (output R, G, B); ``offset`` is added afterwards."""

    name: ClassVar[str] = "matrix"
    matrix: tuple[Row, Row, Row] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    offset: Row = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        self.require_numbers("matrix", "offset")
        if len(self.matrix) != 3 or any(len(row) != 3 for row in self.matrix) or len(self.offset) != 3:
            raise ValueError("a matrix operation takes three rows of three numbers and three offsets")

    def pack(self) -> Packed:
        parameters = np.zeros(HEADER, np.float32)
        parameters[:9] = np.ravel(self.matrix)
        parameters[9:12] = self.offset
        return Packed(matrix_block, parameters)


@formula
def matrix_row(r, g, b, m0, m1, m2, offset):
    """One output channel; products summed from red to blue, then the offset. NaN and infinity as arithmetic has it."""
    return ((r * m0 + g * m1) + b * m2) + offset


@block
def matrix_block(planes, q, size, n):
    """All three channels. ``q``: nine coefficients by rows, three offsets."""
    m00, m01, m02, m10, m11, m12, m20, m21, m22 = q[0], q[1], q[2], q[3], q[4], q[5], q[6], q[7], q[8]
    o0, o1, o2 = q[9], q[10], q[11]
    for i in range(n):
        r, g, b = planes[RED + i], planes[GREEN + i], planes[BLUE + i]
        planes[RED + i] = matrix_row(r, g, b, m00, m01, m02, o0)
        planes[GREEN + i] = matrix_row(r, g, b, m10, m11, m12, o1)
        planes[BLUE + i] = matrix_row(r, g, b, m20, m21, m22, o2)


Matrix.block_forms = (matrix_block,)
