"""Elementary functions in float64 for packers, from +, -, *, / and square roots alone.

C libraries round these functions differently; written out, a packed parameter has the same bits on every system.
Series of Taylor and Euler (Abramowitz and Stegun, "Handbook of Mathematical Functions", 1964, sections 4.1 to 4.4);
arguments are brought near zero by constants in two parts (Cody and Waite, "Software Manual for the Elementary
Functions", 1980).
"""

from __future__ import annotations

import math

from huewright_kernels.lanes import formula

# ln 2 and pi/2 in two parts: the first has its last bits zero, so that whole multiples of it are exact.
_LN2, _LN2_HEAD, _LN2_REST = float.fromhex("0x1.62e42fefa39efp-1"), float.fromhex("0x1.62e42feep-1"), float.fromhex(
    "0x1.a39ef35793c76p-33")
_LOG2_E, _LOG2_E_REST = float.fromhex("0x1.71547652b82fep+0"), float.fromhex("0x1.777d0ffda0d24p-56")
_HALF_PI_HEAD, _HALF_PI_REST = float.fromhex("0x1.921fb544p+0"), float.fromhex("0x1.0b4611a626331p-34")
_PI, _PI_REST = float.fromhex("0x1.921fb54442d18p+1"), float.fromhex("0x1.1a62633145c07p-53")
_WHOLE = 1.5 * 2.0**52
_SQRT_HALF, _SQRT_2 = float.fromhex("0x1.6a09e667f3bcdp-1"), float.fromhex("0x1.6a09e667f3bcdp+0")


@formula
def _rounded(x):
    """The whole number next to ``x``, for |x| < 2^51."""
    return (x + _WHOLE) - _WHOLE


@formula
def scaled(x, k):
    """``x`` 2^k for a whole number ``k`` given as a float."""
    step, left = (2.0, k) if k > 0.0 else (0.5, -k)
    while left >= 1.0:
        if left >= 64.0:
            x *= 2.0**64 if step > 1.0 else 2.0**-64
            left -= 64.0
        else:
            x *= step
            left -= 1.0
    return x


@formula
def exp(x):
    """e^x, within 1 unit in the last place where that is a normal number; infinite or 0 beyond; NaN stays."""
    if not x < 710.0:
        return x if x != x else math.inf
    if x < -746.0:
        return 0.0
    k = _rounded(x * _LOG2_E)
    head, rest = x - k * _LN2_HEAD, k * _LN2_REST
    r = head - rest
    total = 1.0
    for n in range(14, 1, -1):
        total = 1.0 + r * total / n
    # 1 + r (1 + r/2 (1 + r/3 ...)); what r lost against head - rest is put back.
    return scaled(1.0 + (head + (r * (total - 1.0) - rest)), k)


@formula
def _split(x):
    """Whole exponent and mantissa in [sqrt(1/2), sqrt(2)) of ``x`` > 0."""
    k = 0.0
    while x >= 2.0**32:
        x *= 2.0**-32
        k += 32.0
    while x < 2.0**-32:
        x *= 2.0**32
        k -= 32.0
    while x >= _SQRT_2:
        x *= 0.5
        k += 1.0
    while x < _SQRT_HALF:
        x *= 2.0
        k -= 1.0
    return k, x


@formula
def _log_of_mantissa(m):
    """log m for m in [sqrt(1/2), sqrt(2)), as two summands of which the second is small."""
    f = m - 1.0
    s = f / (2.0 + f)
    z = s * s
    total = 0.0
    for n in range(25, 1, -2):
        total = total * z + 2.0 / n
    # log(1 + f) = 2 s + s z total, and 2 s = f - s f
    half = 0.5 * f * f
    return f, s * (half + z * total) - half


@formula
def log(x):
    """Natural logarithm, within 1 unit; -infinity at 0, NaN below, NaN and infinity stay."""
    if not x > 0.0:
        return -math.inf if x == 0.0 else math.nan
    if x == math.inf:
        return x
    k, m = _split(x)
    large, small = _log_of_mantissa(m)
    return k * _LN2_HEAD + (large + (small + k * _LN2_REST))


@formula
def log2(x):
    """Base-2 logarithm, within 2 units, exact for powers of two; the rest as :func:`log`."""
    if not x > 0.0:
        return -math.inf if x == 0.0 else math.nan
    if x == math.inf:
        return x
    k, m = _split(x)
    large, small = _log_of_mantissa(m)
    whole = large + small
    return k + (whole * _LOG2_E + ((small - (whole - large)) * _LOG2_E + whole * _LOG2_E_REST))


@formula
def _sine(r):
    z = r * r
    total = 1.0
    for n in range(18, 1, -2):
        total = 1.0 - z * total / (n * (n + 1.0))
    return r * total


@formula
def _cosine(r):
    z = r * r
    total = 1.0
    for n in range(19, 2, -2):
        total = 1.0 - z * total / (n * (n + 1.0))
    return 1.0 - 0.5 * z * total


@formula
def sincos(x):
    """Sine and cosine of ``x`` radians, |x| <= 1e5, within 1e-15 absolute; NaN beyond, for infinities and NaN."""
    if not abs(x) <= 1e5:
        return math.nan, math.nan
    k = _rounded(x / (_HALF_PI_HEAD + _HALF_PI_REST))
    r = (x - k * _HALF_PI_HEAD) - k * _HALF_PI_REST
    s, c = _sine(r), _cosine(r)
    quarter = k - 4.0 * math.floor(k / 4.0)
    if quarter == 0.0:
        return s, c
    if quarter == 1.0:
        return c, -s
    if quarter == 2.0:
        return -s, -c
    return -c, s


@formula
def atan2(y, x):
    """Angle of (x, y), finite, in [-pi, pi] radians, within 4 units; 0 of (0, 0)."""
    up, along = abs(y), abs(x)
    larger, smaller = (up, along) if up > along else (along, up)
    if larger == 0.0:
        return 0.0
    t = smaller / larger
    # atan t = 2 atan(t / (1 + sqrt(1 + t^2))), twice: then t is below tan(pi/16)
    t = t / (1.0 + math.sqrt(1.0 + t * t))
    t = t / (1.0 + math.sqrt(1.0 + t * t))
    z = t * t
    total = 0.0
    for n in range(25, 0, -2):
        total = 1.0 / n - z * total
    angle = 4.0 * t * total
    if up > along:
        angle = (0.5 * _PI - angle) + 0.5 * _PI_REST
    if x < 0.0:
        angle = (_PI - angle) + _PI_REST
    return angle if y >= 0.0 else -angle
