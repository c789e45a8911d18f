"""Powers of each channel, plain or with a linear part, in the styles of the CLF Exponent node.

Source: SMPTE ST 2136-1 (Common LUT Format), Exponent node, with g = exponent and o = offset:

    basicFwd              max(x, 0)^g
    basicMirrorFwd        |x|^g with the sign of x
    basicPassThruFwd      x^g; what is negative stays
    monCurveFwd           ((x + o) / (1 + o))^g from o / (g - 1) on, s x below, where s makes it smooth:
                          s = (g - 1) / o (g o / ((g - 1)(1 + o)))^g
    monCurveMirrorFwd     the same of |x|, with the sign of x
    ...Rev                the inverse of each; basicRev is max(x, 0)^(1/g)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

from huewright_kernels.elementary import INFINITY, ONE, ZERO, magnitude, power, with_sign
from huewright_kernels.forms import Form
from huewright_kernels.lanes import formula, pointer_f32, pointer_f64, pointer_i64
from huewright_kernels.ops.base import DECODING, Example, Operation, complete
from huewright_kernels.ops.fields import places, row, word
from huewright_kernels.precise import exp as precise_exp
from huewright_kernels.precise import log as precise_log

STYLES = ("basicFwd", "basicRev", "basicMirrorFwd", "basicMirrorRev", "basicPassThruFwd", "basicPassThruRev",
          "monCurveFwd", "monCurveRev", "monCurveMirrorFwd", "monCurveMirrorRev")
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class Exponent(Operation):
    """Red, green, blue; ``style`` is one of :data:`STYLES`; ``offset`` is of those with a linear part."""

    name: ClassVar[str] = "exponent"
    exponent: Triple = row((1.0, 1.0, 1.0), "exponent", low=0.01, high=100.0)
    offset: Triple = row((0.0, 0.0, 0.0), "offset of the curves with a linear part", low=0.0, high=0.9)
    style: str = word("basicFwd", "direction, what becomes of negatives, with a linear part or without", STYLES)

    def inverse(self) -> Exponent | None:
        """None for the styles that limit at 0."""
        if self.style in ("basicFwd", "basicRev"):
            return None
        back = {"Fwd": "Rev", "Rev": "Fwd"}[self.style[-3:]]
        return replace(self, style=self.style[:-3] + back)

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "Exponent", {field.name: getattr(self, field.name) for field in self.FIELDS}


EXPONENT, OFFSET, STYLE = places(Exponent)
SENTENCES = ("an exponent with a linear part must be greater than 1, and its offset greater than 0",)


def _check(p, counts):
    for channel in range(3):
        if p[STYLE] >= 6.0 and (p[EXPONENT + channel] <= 1.0 or p[OFFSET + channel] <= 0.0):
            return 1
    return 0


def pack_exponent(p_at, counts_at, table_at, q_at, out_at):
    """Eight a channel: exponent, factor and addend ahead of it, factor and addend after it, break, slope below."""
    p, q, out = pointer_f64(p_at), pointer_f32(q_at), pointer_i64(out_at)
    style = int(p[STYLE])
    back = style % 2 == 1
    for k in range(3):
        g, o = p[EXPONENT + k], p[OFFSET + k]
        exponent, factor, addend, scale, lift, at_break, slope = (1.0 / g if back else g), 1.0, 0.0, 1.0, 0.0, 0.0, 1.0
        if style >= 6:
            image = precise_exp(g * precise_log(g * o / ((g - 1.0) * (1.0 + o))))
            steep = image * (g - 1.0) / o
            if back:
                scale, lift, at_break, slope = 1.0 + o, -o, image, 1.0 / steep
            else:
                factor, addend, at_break, slope = 1.0 / (1.0 + o), o / (1.0 + o), o / (g - 1.0), steep
        q[8 * k], q[8 * k + 1], q[8 * k + 2], q[8 * k + 3] = exponent, factor, addend, scale
        q[8 * k + 4], q[8 * k + 5], q[8 * k + 6] = lift, at_break, slope
    out[0] = 0 if style < 2 else (1 if style < 4 or style >= 8 else 2)
    out[1], out[2] = 0, 24


@formula
def raised(u, q, at):
    """Past the break the power, below the straight line. NaN and infinities stay."""
    base = u * q[at + 1] + q[at + 2]
    curved = power(base, q[at])
    curved = base if q[at] == ONE else curved
    curved = curved * q[at + 3] + q[at + 4]
    curved = curved if u < INFINITY else u
    return curved if u > q[at + 5] else u * q[at + 6]


@formula
def not_negative(x):
    """Negatives as 0; NaN stays."""
    return ZERO if x < ZERO else x


@formula
def exponent_limited(r, g, b, q, size):
    return raised(not_negative(r), q, 0), raised(not_negative(g), q, 8), raised(not_negative(b), q, 16)


@formula
def exponent_mirrored(r, g, b, q, size):
    return (with_sign(raised(magnitude(r), q, 0), r), with_sign(raised(magnitude(g), q, 8), g),
            with_sign(raised(magnitude(b), q, 16), b))


@formula
def exponent_passed(r, g, b, q, size):
    return raised(r, q, 0), raised(g, q, 8), raised(b, q, 16)


def _examples() -> tuple[Example, ...]:
    apart, steep = (2.2, 1.0, 0.6), (2.4, 2.2, 1.8)
    linear = (0.055, 0.099, 0.2)
    return (Example("basic", Exponent(apart), timed="exponent"),
            Example("basic, undone", Exponent(apart, style="basicRev"), golden=False),
            Example("mirrored", Exponent(apart, style="basicMirrorFwd")),
            Example("mirrored, undone", Exponent(apart, style="basicMirrorRev"), golden=False),
            Example("negatives stay", Exponent(apart, style="basicPassThruFwd")),
            Example("negatives stay, undone", Exponent(apart, style="basicPassThruRev"), golden=False),
            Example("with a linear part", Exponent(steep, linear, "monCurveFwd")),
            Example("with a linear part, undone", Exponent(steep, linear, "monCurveRev")),
            Example("with a linear part, mirrored", Exponent(steep, linear, "monCurveMirrorFwd")),
            Example("with a linear part, mirrored, undone", Exponent(steep, linear, "monCurveMirrorRev"),
                    golden=False))


complete(Exponent, pack=pack_exponent, room=lambda counts: 24, check=_check, sentences=SENTENCES,
         forms=(Form("exponent_limited", pixel=exponent_limited), Form("exponent_mirrored", pixel=exponent_mirrored),
                Form("exponent_passed", pixel=exponent_passed)),
         bound=DECODING, examples=_examples, source="SMPTE ST 2136-1, Exponent node", reference="exponent", peer="clf")
