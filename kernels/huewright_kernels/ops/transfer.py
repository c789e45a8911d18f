"""Display transfer functions.

``encode`` goes from linear light (1.0 = reference white) to the display signal, ``decode`` back.

    bt709    encode is the OETF of ITU-R BT.709-6: 4.5 L below 0.018, else 1.099 L^0.45 - 0.099
             (the standard's constants as printed); negatives follow the linear part
    bt1886   decode is the EOTF of ITU-R BT.1886 with Lw = 1, Lb = 0, V^2.4; negatives mirrored
    srgb     IEC 61966-2-1; negatives follow the linear part
    linear   nothing
    pq       SMPTE ST 2084 / ITU-R BT.2100 PQ, 1.0 linear = 10000 cd/m2; negatives give encode(0)
    hlg      ITU-R BT.2100 HLG OETF, scene linear 0..1; negatives mirrored
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from huewright_kernels.elementary import (
    INFINITY,
    ONE,
    SMALLEST,
    ZERO,
    clamp,
    exp2,
    exp2_less_1,
    exp2_within,
    log2,
    log2_of_1_plus,
    magnitude,
    next_up,
    power,
    with_sign,
)
from huewright_kernels.forms import Form
from huewright_kernels.lanes import f32, formula, pointer_f32, pointer_f64, pointer_i64
from huewright_kernels.ops.base import DECODING, Example, Operation, complete
from huewright_kernels.ops.fields import word
from huewright_kernels.planes import HEADER

CURVES = ("bt709", "bt1886", "srgb", "linear", "pq", "hlg")
DIRECTIONS = ("encode", "decode")


@dataclass(frozen=True)
class Transfer(Operation):
    """One of :data:`CURVES` in one of :data:`DIRECTIONS`."""

    name: ClassVar[str] = "transfer"
    curve: str = word("bt709", "which curve", CURVES)
    direction: str = word("encode", "from light to signal (encode) or back (decode)", DIRECTIONS)

    def inverse(self) -> Transfer:
        return Transfer(self.curve, "decode" if self.direction == "encode" else "encode")

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "curve", {}


# The form (-1: nothing to do) of each curve, encode and decode, and its row of constants: for encode exponent, output
# scale, output offset, break, slope below; for decode exponent, input scale and offset, break, slope.
_NONE = (0.0, 0.0, 0.0, 0.0, 0.0)
_FORMS = ((0, 1), (2, 2), (0, 1), (-1, -1), (3, 4), (5, 6))
_ROWS = (((0.45, 1.099, -0.099, 0.018, 4.5), (1 / 0.45, 1 / 1.099, 0.099 / 1.099, 0.081, 1 / 4.5)),
         ((1 / 2.4, 0.0, 0.0, 0.0, 0.0), (2.4, 0.0, 0.0, 0.0, 0.0)),
         ((1 / 2.4, 1.055, -0.055, 0.0031308, 12.92), (2.4, 1 / 1.055, 0.055 / 1.055, 0.04045, 1 / 12.92)),
         (_NONE, _NONE), (_NONE, _NONE), (_NONE, _NONE))
_BREAK = 3


def pack_transfer(p_at, counts_at, table_at, q_at, out_at):
    """The row of constants; none where the curve has its constants in the formula."""
    p, q, out = pointer_f64(p_at), pointer_f32(q_at), pointer_i64(out_at)
    curve, direction = int(p[0]), int(p[1])
    for k in range(5):
        value = _ROWS[curve][direction][k]
        q[k] = value
        if k == _BREAK and q[k] < value:  # else a colour below the break would pass it
            q[k] = next_up(q[k])
    out[0], out[1], out[2] = _FORMS[curve][direction], 0, HEADER


@formula
def encode_power(x, exponent, scale, lift, at_break, slope):
    """scale x^exponent + lift from the break (> 0) on, slope x below; exponent below 1. NaN and infinities stay.

    The power is computed below the break too, as nonsense that is not chosen.
    """
    curved = exp2_within(exponent * log2(x)) * scale + lift
    curved = curved if x < INFINITY else x
    return curved if x >= at_break else x * slope


@formula
def decode_power(x, exponent, scale, lift, at_break, slope):
    """(scale x + lift)^exponent from the break on (where the base is positive), slope x below.

    NaN and infinities stay; results past the float range are infinite.
    """
    t = exponent * log2(x * scale + lift)
    curved = exp2_within(t if t < f32(128.0) else f32(128.0))
    return curved if x >= at_break else x * slope


@formula
def mirrored_power(x, exponent):
    """|x|^exponent with the sign of x. NaN and infinities stay, as does what is smaller than a normal float."""
    u = magnitude(x)
    curved = exp2(exponent * log2(u))
    curved = curved if u < INFINITY else u
    return with_sign(curved if u >= SMALLEST else u, x)


# The constants of ITU-R BT.2100-2 table 4; c1 = c3 - c2 + 1.
_M1, _M2 = 2610 / 16384, 2523 / 4096 * 128
_C1, _C2, _C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
_PQ_M1, _PQ_1_M1, _PQ_M2, _PQ_1_M2 = f32(_M1), f32(1 / _M1), f32(_M2), f32(1 / _M2)
_PQ_C3, _PQ_C2_C3, _PQ_1_C1 = f32(_C3), f32(_C2 - _C3), f32(1 - _C1)


@formula
def pq_encode(x):
    """((c1 + c2 y) / (1 + c3 y))^m2 with y = x^m1.

    The base is near 1 and m2 near 79, so it is written as 1 - w, w = (c2 - c3)(1 - y) / (1 + c3 y), which
    keeps the digits. Negatives count as 0; infinity and NaN stay.
    """
    y = power(x, _PQ_M1)
    w = (_PQ_C2_C3 * (ONE - y)) / (ONE + _PQ_C3 * y)
    curved = exp2(_PQ_M2 * log2_of_1_plus(-w))
    return curved if x < INFINITY else x


@formula
def pq_decode(x):
    """(max(p - c1, 0) / (c2 - c3 p))^(1/m1) with p = x^(1/m2), written with e = p - 1 to keep the digits.

    Negatives count as 0; from x = (c2/c3)^m2 (about 1.99) on, where the formula has its pole, infinite. NaN stays.
    """
    t = log2(x if x > SMALLEST else SMALLEST) * _PQ_1_M2
    e = exp2_less_1(clamp(t, f32(-0.5), f32(0.5)))
    above = e + _PQ_1_C1
    below = _PQ_C2_C3 - _PQ_C3 * e
    ratio = (above if above > ZERO else ZERO) / (below if below > SMALLEST else SMALLEST)
    curved = power(ratio, _PQ_1_M1)
    return curved if x < INFINITY else x


# ITU-R BT.2100-2 table 5.
_A = 0.17883277
_HLG_B, _HLG_C = f32(1 - 4 * _A), f32(0.5 - _A * math.log(4 * _A))
_HLG_PER_OCTAVE, _HLG_OCTAVES = f32(_A * math.log(2)), f32(1 / (_A * math.log(2)))


@formula
def hlg_encode(x):
    """sqrt(3 x) up to 1/12, a ln(12 x - b) + c above; mirrored for negatives. NaN and infinities stay."""
    u = magnitude(x)
    v = f32(12.0) * u - _HLG_B
    curved = _HLG_PER_OCTAVE * log2(v if v > SMALLEST else SMALLEST) + _HLG_C
    y = np.sqrt(f32(3.0) * u) if u <= f32(1 / 12) else curved
    return with_sign(y if u < INFINITY else u, x)


@formula
def hlg_decode(x):
    """x^2/3 up to 1/2, (exp((x - c)/a) + b)/12 above; mirrored for negatives. NaN and infinities stay."""
    u = magnitude(x)
    curved = (exp2((u - _HLG_C) * _HLG_OCTAVES) + _HLG_B) * f32(1 / 12)
    y = u * u * f32(1 / 3) if u <= f32(0.5) else curved
    return with_sign(y if u < INFINITY else u, x)


@formula
def encode_power_channel(x, q, size):
    return encode_power(x, q[0], q[1], q[2], q[3], q[4])


@formula
def decode_power_channel(x, q, size):
    return decode_power(x, q[0], q[1], q[2], q[3], q[4])


@formula
def mirrored_power_channel(x, q, size):
    return mirrored_power(x, q[0])


def _without_parameters(function: Callable[..., Any], name: str) -> Form:
    @formula
    def channel(x, q, size):
        return function(x)
    return Form(name, channel=channel)


def _examples() -> tuple[Example, ...]:
    titles = {"bt709 encode": "display encode", "pq encode": "PQ encode"}
    return tuple(
        Example(f"{curve} {direction}", Transfer(curve, direction),
                0.0 if (curve, direction) == ("pq", "decode") else -0.5, 1.0 if direction == "decode" else 4.0,
                # PQ's decode has a pole above 1, where its standard ends.
                (-0.5, 1.0) if (curve, direction) == ("pq", "decode") else (-0.5, 4.0),
                timed=titles.get(f"{curve} {direction}", ""))
        for curve in CURVES for direction in DIRECTIONS)


complete(Transfer, pack=pack_transfer, room=lambda counts: HEADER,
         forms=(Form("encode_power", channel=encode_power_channel), Form("decode_power", channel=decode_power_channel),
                Form("mirrored_power", channel=mirrored_power_channel), _without_parameters(pq_encode, "pq_encode"),
                _without_parameters(pq_decode, "pq_decode"), _without_parameters(hlg_encode, "hlg_encode"),
                _without_parameters(hlg_decode, "hlg_decode")),
         bound=DECODING, examples=_examples, source="ITU-R BT.709-6, BT.1886, BT.2100-2; IEC 61966-2-1; SMPTE ST 2084",
         reference="transfer", peer="colour-science")
