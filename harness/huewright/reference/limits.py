"""A range to another, limited. Source: SMPTE ST 2136-1 (Common LUT Format), Range node, style Clamp."""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops.limits import RangeLimits


def range_limits(operation: RangeLimits, rgb: np.ndarray) -> np.ndarray:
    low, high = operation.min_out, operation.max_out
    if low is not None and high is not None and operation.min_in is not None and operation.max_in is not None:
        scaled = low + (rgb - operation.min_in) * (high - low) / (operation.max_in - operation.min_in)
    else:
        scaled = rgb
    result: np.ndarray = np.clip(scaled, -np.inf if low is None else low, np.inf if high is None else high)
    return result
