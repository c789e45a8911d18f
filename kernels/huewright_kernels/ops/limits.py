"""Scaling between two ranges and limiting to the second, on both sides or on one, as the CLF Range node does.

Source: SMPTE ST 2136-1 (Common LUT Format), Range node, style Clamp. With both ends

    y = min(max(x s + minOut - minIn s, minOut), maxOut),  s = (maxOut - minOut) / (maxIn - minIn)

with the lower end alone y = max(x, minOut), with the upper one y = min(x, maxOut); in and out must be equal then.
(Style noClamp is a matrix.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

from huewright_kernels.elementary import limit
from huewright_kernels.forms import Form
from huewright_kernels.lanes import formula, pointer_f32, pointer_f64, pointer_i64
from huewright_kernels.ops.base import SMOOTH, Example, Operation, complete
from huewright_kernels.ops.fields import number, places
from huewright_kernels.planes import HEADER


@dataclass(frozen=True)
class RangeLimits(Operation):
    """``min_in`` goes with ``min_out`` and ``max_in`` with ``max_out``; one pair may be missing."""

    name: ClassVar[str] = "range-limits"
    min_in: float | None = number(None, "what becomes the lower limit; none: no lower limit", unit="signal",
                                  optional=True)
    max_in: float | None = number(None, "what becomes the upper limit; none: no upper limit", unit="signal",
                                  optional=True)
    min_out: float | None = number(None, "the lower limit", unit="signal", optional=True)
    max_out: float | None = number(None, "the upper limit", unit="signal", optional=True)

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "Range", {field.name: getattr(self, field.name) for field in self.FIELDS}


MIN_IN, MAX_IN, MIN_OUT, MAX_OUT = places(RangeLimits)
SENTENCES = ("a range's limits come in pairs, min_in with min_out and max_in with max_out",
             "a range's only limit must be the same in and out",
             "a range's max_in must exceed its min_in, and its max_out must not be below its min_out")


def _check(p, counts):
    if counts[0] != counts[2] or counts[1] != counts[3]:
        return 1
    if counts[0] > 0 and counts[1] > 0:
        return 3 if p[MAX_IN] <= p[MIN_IN] or p[MAX_OUT] < p[MIN_OUT] else 0
    if counts[0] > 0 and p[MIN_IN] != p[MIN_OUT] or counts[1] > 0 and p[MAX_IN] != p[MAX_OUT]:
        return 2
    return 0


def pack_range_limits(p_at, counts_at, table_at, q_at, out_at):
    """Factor, addend, lower and upper limit; nothing to do without a pair."""
    p, counts, q, out = pointer_f64(p_at), pointer_i64(counts_at), pointer_f32(q_at), pointer_i64(out_at)
    low, high = counts[0] > 0, counts[1] > 0
    scale = (p[MAX_OUT] - p[MIN_OUT]) / (p[MAX_IN] - p[MIN_IN]) if low and high else 1.0
    q[0] = scale
    q[1] = p[MIN_OUT] - p[MIN_IN] * scale if low and high else 0.0
    q[2], q[3] = (p[MIN_OUT] if low else -math.inf), (p[MAX_OUT] if high else math.inf)
    out[0], out[1], out[2] = (0 if low or high else -1), 0, HEADER


@formula
def range_limits_channel(x, q, size):
    """NaN stays."""
    return limit(x * q[0] + q[1], q[2], q[3])


def _examples() -> tuple[Example, ...]:
    return (Example("both ends", RangeLimits(64 / 1023, 940 / 1023, 0.0, 1.0), timed="range"),
            Example("lower end", RangeLimits(min_in=0.0, min_out=0.0)),
            Example("upper end", RangeLimits(max_in=1.2, max_out=1.2)),
            Example("nothing", RangeLimits(), golden=False))


complete(RangeLimits, pack=pack_range_limits, room=lambda counts: HEADER, check=_check, sentences=SENTENCES,
         forms=(Form("range_limits", channel=range_limits_channel),), bound=SMOOTH, examples=_examples,
         source="SMPTE ST 2136-1, Range node", reference="limits", peer="clf")
