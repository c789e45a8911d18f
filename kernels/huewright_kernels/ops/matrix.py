"""A 3x3 matrix and an offset: exposure, balance, camera matrices, range expansion.

Source: linear algebra; ``out = matrix @ (r, g, b) + offset``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from huewright_kernels.ops.base import Operation

Row = tuple[float, float, float]


@dataclass(frozen=True)
class Matrix(Operation):
    """``matrix`` is three rows (output R, G, B); ``offset`` is added afterwards."""

    name: ClassVar[str] = "matrix"
    matrix: tuple[Row, Row, Row] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    offset: Row = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        if len(self.matrix) != 3 or any(len(row) != 3 for row in self.matrix) or len(self.offset) != 3:
            raise ValueError("a matrix operation takes three rows of three numbers and three offsets")
