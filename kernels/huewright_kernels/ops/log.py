"""Camera log curves in the six-parameter form of the CLF Log node.

Source: SMPTE ST 2136-1 (Common LUT Format), Log node, styles cameraLogToLin and cameraLinToLog.
With a = logSideSlope, b = logSideOffset, c = linSideSlope, d = linSideOffset and B = base:

    linear -> log   y = a * log_B(c * x + d) + b                      for x >  linSideBreak
                    y = linearSlope * x + linearOffset                for x <= linSideBreak
    log -> linear   the inverse, switching at the image of linSideBreak

linearSlope defaults to the slope of the logarithmic part at the break; linearOffset makes the curve
continuous there. Without linSideBreak the curve is logarithmic throughout (and its argument is
limited to the smallest positive normal float, as in the standard).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from huewright_kernels.elementary import INFINITY, SMALLEST, exp2, log2
from huewright_kernels.lanes import block, formula, offset
from huewright_kernels.ops.base import Operation, Packed
from huewright_kernels.planes import BLOCK, HEADER


@dataclass(frozen=True)
class _LogCurve(Operation):
    """Parameters as named in the standard; ``lin_side_break=None`` means no linear part."""

    base: float = 2.0
    log_side_slope: float = 1.0
    log_side_offset: float = 0.0
    lin_side_slope: float = 1.0
    lin_side_offset: float = 0.0
    lin_side_break: float | None = None
    linear_slope: float | None = None

    def __post_init__(self) -> None:
        self.require_numbers("base", "log_side_slope", "log_side_offset", "lin_side_slope", "lin_side_offset",
                             "lin_side_break", "linear_slope")
        if self.base <= 0 or self.base == 1:
            raise ValueError("a log curve's base must be positive and not 1")
        if self.log_side_slope == 0 or self.lin_side_slope == 0:
            raise ValueError("a log curve's slopes must not be 0")
        if self.lin_side_break is None:
            return
        if self.lin_side_slope * self.lin_side_break + self.lin_side_offset <= 0:
            raise ValueError("a log curve's break must lie where its logarithm is defined")
        if self.linear_slope == 0:
            raise ValueError("a log curve's linear slope must not be 0")

    def linear_part(self) -> tuple[float, float, float, float]:
        """Slope, offset, linear-side break and log-side break of the linear part (break at -infinity if none)."""
        a, b, c, d = self.log_side_slope, self.log_side_offset, self.lin_side_slope, self.lin_side_offset
        x = self.lin_side_break
        if x is None:
            return 1.0, 0.0, -math.inf, -math.inf
        at_break = a * math.log(c * x + d) / math.log(self.base) + b
        slope = a * c / ((c * x + d) * math.log(self.base)) if self.linear_slope is None else self.linear_slope
        return slope, at_break - slope * x, x, at_break


@dataclass(frozen=True)
class LogDecode(_LogCurve):
    """Log code values to linear light."""

    name: ClassVar[str] = "log-decode"

    def pack(self) -> Packed:
        slope, intercept, _, at_break = self.linear_part()
        octaves = math.log2(self.base) / self.log_side_slope
        direction = -1.0 if self.lin_side_break is not None and slope < 0 else 1.0
        parameters = np.zeros(HEADER, np.float32)
        parameters[:8] = (octaves, -self.log_side_offset * octaves, 1 / self.lin_side_slope,
                          -self.lin_side_offset / self.lin_side_slope, at_break * direction, direction,
                          1 / slope, -intercept / slope)
        return Packed(log_decode_block, parameters)


@dataclass(frozen=True)
class LogEncode(_LogCurve):
    """Linear light to log code values: the inverse of :class:`LogDecode` with the same parameters."""

    name: ClassVar[str] = "log-encode"

    def pack(self) -> Packed:
        slope, intercept, at_break, _ = self.linear_part()
        parameters = np.zeros(HEADER, np.float32)
        # The logarithm's pole in two floats: next to it, one float's rounding would be all that is left.
        pole = self.lin_side_offset / self.lin_side_slope
        parameters[:8] = (self.lin_side_slope, pole, self.log_side_slope / math.log2(self.base),
                          self.log_side_offset, at_break, slope, intercept, pole - float(np.float32(pole)))
        return Packed(log_encode_block, parameters)


@formula
def log_to_linear(x, octaves, shift, scale, lift, at_break, direction, slope, intercept):
    """2^(octaves x + shift) scale + lift past the break, else slope x + intercept.

    NaN stays NaN; infinities give what the curve tends to; results past the float range are infinite.
    """
    curved = exp2(x * octaves + shift) * scale + lift
    return curved if x * direction > at_break else x * slope + intercept


@formula
def linear_to_log(x, scale, pole, per_octave, shift, at_break, slope, intercept, pole_rest):
    """per_octave log2(scale (x + pole + pole_rest)) + shift past the break, else slope x + intercept.

    NaN stays NaN, infinity stays infinite; the logarithm's argument is at least the smallest normal float.
    """
    u = (x + pole + pole_rest) * scale
    u = SMALLEST if u < SMALLEST else u
    curved = (log2(u) if u < INFINITY else u) * per_octave + shift
    return x * slope + intercept if x < at_break else curved


@block
def log_decode_block(planes, q, size, n):
    """``q``: octaves, shift, scale, lift, break times direction, direction, slope, intercept."""
    q0, q1, q2, q3, q4, q5, q6, q7 = q[0], q[1], q[2], q[3], q[4], q[5], q[6], q[7]
    for channel in range(3):
        plane = offset(planes, channel * BLOCK)
        for i in range(n):
            plane[i] = log_to_linear(plane[i], q0, q1, q2, q3, q4, q5, q6, q7)


@block
def log_encode_block(planes, q, size, n):
    """``q``: scale, pole, per octave, shift, break, slope, intercept, rest of the pole."""
    q0, q1, q2, q3, q4, q5, q6, q7 = q[0], q[1], q[2], q[3], q[4], q[5], q[6], q[7]
    for channel in range(3):
        plane = offset(planes, channel * BLOCK)
        for i in range(n):
            plane[i] = linear_to_log(plane[i], q0, q1, q2, q3, q4, q5, q6, q7)


LogDecode.block_forms = (log_decode_block,)
LogEncode.block_forms = (log_encode_block,)
