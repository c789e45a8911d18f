"""The packers' elementary functions against numbers of longer mantissas.

Sources: NumPy's longdouble functions (64 bits of mantissa on x86: the C library's own long double), printed digits of
Abramowitz and Stegun, "Handbook of Mathematical Functions" (1964), table 1.1.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from huewright_kernels import precise

DRAWN = np.random.default_rng(11)
LONGER = np.finfo(np.longdouble).nmant > 60
SPREAD = np.concatenate([DRAWN.normal(size=2000), DRAWN.normal(size=500) * 1e-6])
POSITIVE = np.concatenate([1 + 0.01 * SPREAD, np.exp(DRAWN.uniform(-700, 700, 1000)), [5e-324]])
CASES = {
    "exp": (precise.exp, np.exp, np.concatenate([SPREAD, DRAWN.uniform(-700, 709, 1000)]), 1.0),
    "log": (precise.log, np.log, POSITIVE, 1.0), "log2": (precise.log2, np.log2, POSITIVE, 2.0)}


@pytest.mark.skipif(not LONGER, reason="this system has no longer floats to compare with")
@pytest.mark.parametrize("name", CASES)
def test_within_units_of_the_last_place(name: str) -> None:
    ours, longer, x, bound = CASES[name]
    exact = longer(x.astype(np.longdouble))
    made = np.array([ours(v) for v in x])
    assert np.max(np.abs(made - exact) / np.spacing(np.abs(exact.astype(np.float64)))) <= bound


@pytest.mark.skipif(not LONGER, reason="this system has no longer floats to compare with")
def test_angles() -> None:
    turns = np.concatenate([DRAWN.uniform(-7, 7, 2000), DRAWN.uniform(-1e5, 1e5, 500)])
    made = np.array([precise.sincos(v) for v in turns])
    long = turns.astype(np.longdouble)
    assert np.max(np.abs(made - np.stack([np.sin(long), np.cos(long)], axis=1))) < 1e-15
    y, x = DRAWN.normal(size=(2, 2000)) * np.exp(DRAWN.uniform(-5, 5, (2, 2000)))
    exact = np.arctan2(y.astype(np.longdouble), x.astype(np.longdouble))
    angles = np.array([precise.atan2(*pair) for pair in zip(y, x, strict=True)])
    assert np.max(np.abs(angles - exact) / np.spacing(np.abs(exact.astype(np.float64)))) <= 4.0


def test_printed_digits() -> None:
    # Abramowitz and Stegun, table 1.1: e, ln 2, ln 10; log2 10 is the quotient of the last two.
    assert precise.exp(1.0) == 2.718281828459045
    assert precise.log(2.0) == 0.6931471805599453 and precise.log(10.0) == 2.302585092994046
    assert abs(precise.log2(10.0) - 3.3219280948873623) <= math.ulp(3.3)
    assert abs(4 * precise.atan2(1.0, 1.0) - 3.141592653589793) <= 4 * math.ulp(3.14)


def test_powers_of_two_are_exact() -> None:
    for k in (-1074, -1022, -33, -1, 0, 1, 10, 1023):
        assert precise.log2(2.0**k) == k


def test_ends_and_what_is_no_number() -> None:
    assert precise.exp(0.0) == 1.0 and precise.exp(-800.0) == 0.0 and precise.exp(800.0) == math.inf
    assert precise.log(1.0) == 0.0 and precise.log(0.0) == -math.inf and precise.log(math.inf) == math.inf
    assert all(map(math.isnan, (precise.exp(math.nan), precise.log(-1.0), precise.log2(math.nan))))
    assert all(map(math.isnan, precise.sincos(math.inf)))
    assert precise.atan2(0.0, 1.0) == 0.0 and precise.atan2(0.0, -1.0) == math.pi
    assert precise.atan2(-1.0, 0.0) == -math.pi / 2
