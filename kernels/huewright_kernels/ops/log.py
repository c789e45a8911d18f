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

from dataclasses import dataclass
from typing import ClassVar

from huewright_kernels.ops.base import Operation


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
        if self.base <= 0 or self.base == 1:
            raise ValueError("a log curve's base must be positive and not 1")
        if self.log_side_slope == 0 or self.lin_side_slope == 0:
            raise ValueError("a log curve's slopes must not be 0")


@dataclass(frozen=True)
class LogDecode(_LogCurve):
    """Log code values to linear light."""

    name: ClassVar[str] = "log-decode"


@dataclass(frozen=True)
class LogEncode(_LogCurve):
    """Linear light to log code values: the inverse of :class:`LogDecode` with the same parameters."""

    name: ClassVar[str] = "log-encode"
