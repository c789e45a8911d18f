"""A matrix and an offset. Source: linear algebra, ``out = M (r, g, b) + o``."""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops import Matrix


def matrix(operation: Matrix, rgb: np.ndarray) -> np.ndarray:
    """The sum is taken in the order R, G, B; nothing is clamped."""
    return rgb @ np.array(operation.matrix, dtype=np.float64).T + np.array(operation.offset, dtype=np.float64)
