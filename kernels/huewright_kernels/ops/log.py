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
from typing import Any, ClassVar

from huewright_kernels.elementary import INFINITY, SMALLEST, exp2, log2
from huewright_kernels.forms import Form
from huewright_kernels.lanes import formula, pointer_f32, pointer_f64, pointer_i64
from huewright_kernels.ops.base import DECODING, SMOOTH, Example, Operation, complete
from huewright_kernels.ops.fields import number, places
from huewright_kernels.planes import HEADER
from huewright_kernels.precise import log as precise_log
from huewright_kernels.precise import log2 as precise_log2


@dataclass(frozen=True)
class _LogCurve(Operation):
    """Parameters as named in the standard; ``lin_side_break=None`` means no linear part."""

    base: float = number(2.0, "base of the logarithm", low=1e-30)
    log_side_slope: float = number(1.0, "factor on the logarithmic side", unit="code")
    log_side_offset: float = number(0.0, "added on the logarithmic side", unit="code")
    lin_side_slope: float = number(1.0, "factor on the linear side")
    lin_side_offset: float = number(0.0, "added on the linear side", unit="light")
    lin_side_break: float | None = number(None, "where the linear part ends; none: no linear part", unit="light",
                                          optional=True)
    linear_slope: float | None = number(None, "slope of the linear part; none: the curve's own at the break",
                                        unit="code a light", optional=True)

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "Log", {"encode": self.name == "log-encode", **{
            field.name: getattr(self, field.name) for field in self.FIELDS}}

    def _with(self, kind: type[_LogCurve]) -> _LogCurve:
        return kind(**{field.name: getattr(self, field.name) for field in self.FIELDS})


@dataclass(frozen=True)
class LogDecode(_LogCurve):
    """Log code values to linear light."""

    name: ClassVar[str] = "log-decode"

    def inverse(self) -> Operation:
        return self._with(LogEncode)


@dataclass(frozen=True)
class LogEncode(_LogCurve):
    """Linear light to log code values: the inverse of :class:`LogDecode` with the same parameters."""

    name: ClassVar[str] = "log-encode"

    def inverse(self) -> Operation:
        return self._with(LogDecode)


BASE, LOG_SLOPE, LOG_OFFSET, LIN_SLOPE, LIN_OFFSET, LIN_BREAK, LINEAR_SLOPE = places(_LogCurve)
SENTENCES = ("a log curve's base must not be 1", "a log curve's slopes must not be 0",
             "a log curve's break must lie where its logarithm is defined", "a log curve's linear slope must not be 0")


def _check(p, counts):
    if p[BASE] == 1.0:
        return 1
    if p[LOG_SLOPE] == 0.0 or p[LIN_SLOPE] == 0.0:
        return 2
    if counts[5] > 0 and p[LIN_SLOPE] * p[LIN_BREAK] + p[LIN_OFFSET] <= 0.0:
        return 3
    if counts[5] > 0 and counts[6] > 0 and p[LINEAR_SLOPE] == 0.0:
        return 4
    return 0


@formula
def linear_part(p, counts):
    """Slope, offset, linear-side break and log-side break of the linear part (breaks at -infinity if none)."""
    if counts[5] == 0:
        return 1.0, 0.0, -math.inf, -math.inf
    a, b, c, d, x = p[LOG_SLOPE], p[LOG_OFFSET], p[LIN_SLOPE], p[LIN_OFFSET], p[LIN_BREAK]
    at_break = a * precise_log(c * x + d) / precise_log(p[BASE]) + b
    slope = p[LINEAR_SLOPE] if counts[6] > 0 else a * c / ((c * x + d) * precise_log(p[BASE]))
    return slope, at_break - slope * x, x, at_break


def pack_log_decode(p_at, counts_at, table_at, q_at, out_at):
    """Octaves, shift, scale, lift, break times direction, direction, slope, intercept."""
    p, counts, q, out = pointer_f64(p_at), pointer_i64(counts_at), pointer_f32(q_at), pointer_i64(out_at)
    slope, intercept, _, at_break = linear_part(p, counts)
    octaves = precise_log2(p[BASE]) / p[LOG_SLOPE]
    direction = -1.0 if counts[5] > 0 and slope < 0.0 else 1.0
    q[0], q[1] = octaves, -p[LOG_OFFSET] * octaves
    q[2], q[3] = 1.0 / p[LIN_SLOPE], -p[LIN_OFFSET] / p[LIN_SLOPE]
    q[4], q[5], q[6], q[7] = at_break * direction, direction, 1.0 / slope, -intercept / slope
    out[0], out[1], out[2] = 0, 0, HEADER


def pack_log_encode(p_at, counts_at, table_at, q_at, out_at):
    """Scale, pole, per octave, shift, break, slope, intercept, rest of the pole."""
    p, counts, q, out = pointer_f64(p_at), pointer_i64(counts_at), pointer_f32(q_at), pointer_i64(out_at)
    slope, intercept, at_break, _ = linear_part(p, counts)
    # The logarithm's pole in two floats: next to it, one float's rounding would be all that is left.
    pole = p[LIN_OFFSET] / p[LIN_SLOPE]
    q[0], q[1] = p[LIN_SLOPE], pole
    q[2], q[3] = p[LOG_SLOPE] / precise_log2(p[BASE]), p[LOG_OFFSET]
    q[4], q[5], q[6] = at_break, slope, intercept
    q[7] = pole - q[1]
    out[0], out[1], out[2] = 0, 0, HEADER


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


@formula
def log_decode_channel(x, q, size):
    return log_to_linear(x, q[0], q[1], q[2], q[3], q[4], q[5], q[6], q[7])


@formula
def log_encode_channel(x, q, size):
    return linear_to_log(x, q[0], q[1], q[2], q[3], q[4], q[5], q[6], q[7])


# Academy S-2016-001: ACEScct's constants; its break on the linear side is at 2^-7.
ACESCCT = {"base": 2.0, "log_side_slope": 1 / 17.52, "log_side_offset": 9.72 / 17.52, "lin_side_break": 0.0078125}
_SIX = {"base": 10.0, "log_side_slope": 0.3, "log_side_offset": 0.4, "lin_side_slope": 5.0, "lin_side_offset": 0.05,
        "lin_side_break": 0.01}
_TOE = {"base": 10.0, "log_side_slope": 0.25, "log_side_offset": 0.4, "lin_side_slope": 5.5, "lin_side_offset": 0.05,
        "lin_side_break": 0.01, "linear_slope": 5.3}
_NO_TOE = {"base": 10.0, "log_side_slope": 0.3, "log_side_offset": 0.669, "lin_side_slope": 0.9892,
           "lin_side_offset": 0.0108}


def _decodings() -> tuple[Example, ...]:
    return (Example("ACEScct", LogDecode(**ACESCCT), -0.4, 1.3, timed="log decode"),
            Example("six parameters", LogDecode(**_SIX), -0.4, 1.5),
            Example("no linear part", LogDecode(2.0, 0.1, 0.6), 0.0, 1.0),
            Example("falling", LogDecode(2.0, -0.1, 0.6, 1.0, 0.1, 0.02), 0.0, 1.0, (0.0, 1.0), golden=False),
            Example("base 10, no linear part", LogDecode(**_NO_TOE), golden=False),
            Example("steep toe", LogDecode(**_TOE), golden=False), Example("defaults", LogDecode(), golden=False))


def _encodings() -> tuple[Example, ...]:
    return (Example("ACEScct", LogEncode(**ACESCCT), timed="log encode"),
            Example("six parameters", LogEncode(**_SIX, linear_slope=6.0)),
            Example("base 10, no linear part", LogEncode(**_NO_TOE), golden=False),
            Example("steep toe", LogEncode(**_TOE), golden=False), Example("defaults", LogEncode(), golden=False))


_CLF = "SMPTE ST 2136-1, Log node"
complete(LogDecode, pack=pack_log_decode, room=lambda counts: HEADER, check=_check, sentences=SENTENCES,
         forms=(Form("log_decode", channel=log_decode_channel),), bound=DECODING, examples=_decodings,
         source=f"{_CLF}, cameraLogToLin", reference="log", peer="clf")
complete(LogEncode, pack=pack_log_encode, room=lambda counts: HEADER, check=_check, sentences=SENTENCES,
         forms=(Form("log_encode", channel=log_encode_channel),), bound=SMOOTH, examples=_encodings,
         source=f"{_CLF}, cameraLinToLog", reference="log", peer="clf")
