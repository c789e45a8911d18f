"""Operations refuse numbers that would make every colour NaN."""

from __future__ import annotations

import math

import pytest
from huewright_kernels.ops import REGISTRY, HueSectors, LogDecode, Matrix, ToneCurve, operation_from_dict


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e39, "1.0", True])
@pytest.mark.parametrize(("name", "field", "make"), [
    ("hue-sectors", "rotations_deg", lambda bad: (0.0, bad, 0.0, 0.0, 0.0, 0.0)),
    ("hue-sectors", "gains", lambda bad: (1.0, bad, 1.0, 1.0, 1.0, 1.0)),
    ("hue-sectors", "hues_deg", lambda bad: (0.0, bad, 120.0, 180.0, 240.0, 300.0)),
    ("hue-sectors", "kr", lambda bad: bad),
    ("tone-curve", "x", lambda bad: (0.0, bad)),
    ("tone-curve", "y", lambda bad: (bad, 1.0)),
    ("matrix", "matrix", lambda bad: ((1.0, 0.0, 0.0), (0.0, bad, 0.0), (0.0, 0.0, 1.0))),
    ("matrix", "offset", lambda bad: (0.0, 0.0, bad)),
    ("log-decode", "base", lambda bad: bad),
    ("log-encode", "linear_slope", lambda bad: bad),
    ("log-decode", "lin_side_break", lambda bad: bad),
    ("lut-1d", "domain_max", lambda bad: (1.0, bad, 1.0)),
    ("lut-3d", "domain_min", lambda bad: (0.0, 0.0, bad)),
])
def test_what_is_no_finite_number_is_refused_by_name(name, field, make, bad) -> None:
    with pytest.raises(ValueError, match=f"{field} takes finite numbers, not"):
        REGISTRY[name](**{field: make(bad)})
    with pytest.raises(ValueError, match=field):
        operation_from_dict({"operation": name, field: make(bad)})


def test_whole_and_missing_numbers_are_taken() -> None:
    assert LogDecode(2, 1, 0).lin_side_break is None
    assert Matrix(((1, 0, 0), (0, 1, 0), (0, 0, 1)), (0, 0, 0)).pack() is not None
    assert ToneCurve((0, 1), (0, 1)).pack() is not None and HueSectors(gains=(1,) * 6).pack() is not None
