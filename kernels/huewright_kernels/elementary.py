"""Elementary functions in float32 without library calls: branch-free, so that loops over them vectorise.

Coefficients are our own minimax fits (weighted least squares with Lawson's reweighting, in float64). Accuracy
is stated for float32 evaluation in the order written, without fused multiply-add.
"""

from __future__ import annotations

from huewright_kernels.lanes import (
    add,
    bits_of,
    both,
    either,
    f32,
    float_of,
    formula,
    lane,
    left,
    right_signed,
    sub,
    to_float,
)

INFINITY = f32(float("inf"))
SMALLEST = f32(2.0**-126)
ONE = f32(1.0)
ZERO = f32(0.0)

# 2^f - 1 = f * (E0 + E1 f + ...) on [-0.5, 0.5]; the fit's own relative error (of 2^f) is 9e-8.
_E0, _E1, _E2 = f32(0.6931469775973299), f32(0.24022242082677578), f32(0.05550733744824781)
_E3, _E4 = f32(0.009671512812491583), f32(0.0013264727213638762)
# Adding this to a float rounds it to an integer (ties to even) that sits, plus 127, in the low mantissa bits.
_ROUND = f32(1.5 * 2.0**23 + 127.0)
# log2((1+s)/(1-s)) = s * (L0 + L1 s^2 + ...) for |s| <= 3 - 2 sqrt(2); the fit's own relative error is 1.2e-7.
_L0, _L1, _L2 = f32(2.8853904243346222), f32(0.9615882838972079), f32(0.5957826462606282)
_SQRT_HALF_BITS = 0x3F3504F3
_SIGN, _SIZE = -0x80000000, 0x7FFFFFFF


@formula
def clamp(x, low, high):
    """``x`` limited to [low, high]; not-a-number becomes ``low``."""
    x = x if x > low else low
    return x if x < high else high


@formula
def limit(x, low, high):
    """``x`` limited to [low, high]; not-a-number stays (a comparison with it is false)."""
    x = low if x < low else x
    return high if x > high else x


@formula
def magnitude(x):
    """|x|."""
    return float_of(both(bits_of(x), _SIZE))


@formula
def with_sign(size, x):
    """``size`` (>= 0 or NaN) with the sign of ``x``."""
    return float_of(either(bits_of(size), both(bits_of(x), _SIGN)))


@formula
def exp2_less_1(f):
    """2^f - 1 for f in [-0.5, 0.5], error below 2e-7 * 2^f."""
    return f * (_E0 + f * (_E1 + f * (_E2 + f * (_E3 + f * _E4))))


@formula
def exp2_within(t):
    """2^t for t in [-126.5, 128], relative error below 2.5e-7 for exact t; infinite from 127.5 on."""
    shifted = t + _ROUND
    scale = float_of(left(bits_of(shifted), 23))
    return (ONE + exp2_less_1(t - (shifted - _ROUND))) * scale


@formula
def exp2(t):
    """2^t for any t: 0 below t = -126.5, infinite from 127.5 on; NaN stays NaN."""
    return exp2_within(limit(t, f32(-127.0), f32(128.0)))


@formula
def log2_of_1_plus(z):
    """log2(1 + z) for z in [sqrt(1/2) - 1, sqrt(2) - 1], relative error below 4e-7."""
    s = z / (z + f32(2.0))
    s2 = s * s
    return s * (_L0 + s2 * (_L1 + s2 * _L2))


@formula
def log2(x):
    """log2 of a positive normal ``x``; absolute error below 1.5e-7 * max(1, |log2 x|).

    The caller limits ``x`` from below; infinity comes out as 128 and NaN as some number, so a caller
    that wants them kept says so.
    """
    bits = bits_of(x)
    exponent = right_signed(sub(bits, _SQRT_HALF_BITS), 23)
    m = float_of(sub(bits, left(exponent, 23)))
    return to_float(exponent) + log2_of_1_plus(m - ONE)


@formula
def power(x, exponent):
    """x^exponent for x >= 0 and exponent > 0; below the smallest normal float x counts as that."""
    return exp2(exponent * log2(x if x > SMALLEST else SMALLEST))


@formula
def next_up(x):
    """The smallest float32 above a finite ``x``."""
    bits = bits_of(x)
    if x == ZERO:
        return float_of(lane(1))
    return float_of(add(bits, 1) if x > ZERO else sub(bits, 1))


@formula
def next_down(x):
    """The greatest float32 below a finite ``x``."""
    return -next_up(-x)
