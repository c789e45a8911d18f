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
    power,
    with_sign,
)
from huewright_kernels.lanes import block, f32, formula, offset
from huewright_kernels.ops.base import Operation, Packed
from huewright_kernels.planes import BLOCK, HEADER

CURVES = ("bt709", "bt1886", "srgb", "linear", "pq", "hlg")
DIRECTIONS = ("encode", "decode")


@dataclass(frozen=True)
class Transfer(Operation):
    """One of :data:`CURVES` in one of :data:`DIRECTIONS`."""

    name: ClassVar[str] = "transfer"
    curve: str = "bt709"
    direction: str = "encode"

    def __post_init__(self) -> None:
        if self.curve not in CURVES:
            raise ValueError(f"unknown transfer function {self.curve!r}; known: {', '.join(CURVES)}")
        if self.direction not in DIRECTIONS:
            raise ValueError(f"transfer direction is 'encode' or 'decode', not {self.direction!r}")

    def pack(self) -> Packed | None:
        if self.curve == "linear":
            return None
        parameters = np.zeros(HEADER, np.float32)
        if (self.curve, self.direction) in _POWER_LAWS:
            row = _POWER_LAWS[self.curve, self.direction]
            parameters[:len(row)] = row
            if len(row) > 3 and float(parameters[3]) < row[3]:  # else a colour below the break would pass it
                parameters[3] = np.nextafter(parameters[3], np.float32(np.inf))
        return Packed(_FORMS[self.curve][DIRECTIONS.index(self.direction)], parameters)


# encode: exponent, output scale, output offset, break, slope below; decode: exponent, input scale and offset, ...
_POWER_LAWS = {
    ("bt709", "encode"): (0.45, 1.099, -0.099, 0.018, 4.5),
    ("bt709", "decode"): (1 / 0.45, 1 / 1.099, 0.099 / 1.099, 0.081, 1 / 4.5),
    ("srgb", "encode"): (1 / 2.4, 1.055, -0.055, 0.0031308, 12.92),
    ("srgb", "decode"): (2.4, 1 / 1.055, 0.055 / 1.055, 0.04045, 1 / 12.92),
    ("bt1886", "encode"): (1 / 2.4,),
    ("bt1886", "decode"): (2.4,),
}


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


@block
def encode_power_block(planes, q, size, n):
    """``q``: exponent, output scale and offset, break, slope."""
    q0, q1, q2, q3, q4 = q[0], q[1], q[2], q[3], q[4]
    for channel in range(3):
        plane = offset(planes, channel * BLOCK)
        for i in range(n):
            plane[i] = encode_power(plane[i], q0, q1, q2, q3, q4)


@block
def decode_power_block(planes, q, size, n):
    """``q``: exponent, input scale and offset, break, slope."""
    q0, q1, q2, q3, q4 = q[0], q[1], q[2], q[3], q[4]
    for channel in range(3):
        plane = offset(planes, channel * BLOCK)
        for i in range(n):
            plane[i] = decode_power(plane[i], q0, q1, q2, q3, q4)


@block
def mirrored_power_block(planes, q, size, n):
    """``q``: exponent."""
    exponent = q[0]
    for channel in range(3):
        plane = offset(planes, channel * BLOCK)
        for i in range(n):
            plane[i] = mirrored_power(plane[i], exponent)


def _without_parameters(function: Callable[..., Any]) -> Callable[..., None]:
    @block
    def block_form(planes, q, size, n):
        for channel in range(3):
            plane = offset(planes, channel * BLOCK)
            for i in range(n):
                plane[i] = function(plane[i])
    return block_form


pq_encode_block, pq_decode_block = _without_parameters(pq_encode), _without_parameters(pq_decode)
hlg_encode_block, hlg_decode_block = _without_parameters(hlg_encode), _without_parameters(hlg_decode)
_FORMS = {
    "bt709": (encode_power_block, decode_power_block),
    "srgb": (encode_power_block, decode_power_block),
    "bt1886": (mirrored_power_block, mirrored_power_block),
    "pq": (pq_encode_block, pq_decode_block),
    "hlg": (hlg_encode_block, hlg_decode_block),
}
Transfer.block_forms = tuple(dict.fromkeys(form for pair in _FORMS.values() for form in pair))
