"""Camera log curves. Source: SMPTE ST 2136-1 (Common LUT Format), Log node, cameraLinToLog and cameraLogToLin.

With a, b the log side's slope and offset, c, d the linear side's, B the base and x_0 the break:

    y = a log_B(c x + d) + b          x > x_0
    y = s x + o                       x <= x_0, s = linearSlope or the logarithmic part's slope at x_0:
                                      a c / ((c x_0 + d) ln B); o makes both parts meet at x_0
"""

from __future__ import annotations

import math

import numpy as np
from huewright_kernels.ops import LogDecode, LogEncode

SMALLEST = 2.0**-126
"""The smallest positive normal float32: the standard's floor for the logarithm's argument."""


def log_encode(operation: LogEncode, rgb: np.ndarray) -> np.ndarray:
    """Linear light to log code values."""
    a, b, c, d, per_octave = _parameters(operation)
    curved = a * per_octave * np.log2(np.maximum(c * rgb + d, SMALLEST)) + b
    if operation.lin_side_break is None:
        return curved
    slope, offset, _ = _linear_part(operation)
    return np.where(rgb > operation.lin_side_break, curved, slope * rgb + offset)


def log_decode(operation: LogDecode, rgb: np.ndarray) -> np.ndarray:
    """Log code values to linear light."""
    a, b, c, d, per_octave = _parameters(operation)
    curved = (np.exp2((rgb - b) / (a * per_octave)) - d) / c
    if operation.lin_side_break is None:
        return curved
    slope, offset, at_break = _linear_part(operation)
    logarithmic = rgb > at_break if slope > 0 else rgb < at_break
    return np.where(logarithmic, curved, (rgb - offset) / slope)


def _parameters(operation: LogDecode | LogEncode) -> tuple[float, float, float, float, float]:
    return (operation.log_side_slope, operation.log_side_offset, operation.lin_side_slope,
            operation.lin_side_offset, 1.0 / math.log2(operation.base))


def _linear_part(operation: LogDecode | LogEncode) -> tuple[float, float, float]:
    """Slope and offset of the linear part, and the log value at the break."""
    a, b, c, d, per_octave = _parameters(operation)
    x = operation.lin_side_break
    assert x is not None
    argument = max(c * x + d, SMALLEST)
    at_break = a * per_octave * math.log2(argument) + b
    slope = operation.linear_slope
    if slope is None:
        slope = a * c / (argument * math.log(operation.base))
    return slope, at_break - slope * x, at_break
