"""The cubic's slopes and pieces against scipy: PchipInterpolator has the slopes of Fritsch and Butland (1984) and the
ends of Fritsch and Carlson (1980), CubicHermiteSpline the pieces; and what hue sectors refuse."""

from __future__ import annotations

import numpy as np
import pytest
from huewright_kernels.cubic import hermite, open_slope, periodic_slope
from huewright_kernels.ops import HueSectors
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

RNG = np.random.default_rng(12)
STEPS = RNG.uniform(0.1, 1.0, (40, 8))
VALUES = np.concatenate([RNG.normal(size=(30, 8)), np.cumsum(RNG.uniform(0, 1, (10, 8)), axis=1)])


def test_slopes_of_an_open_curve() -> None:
    for steps, y in zip(STEPS, VALUES, strict=True):
        x = np.cumsum(steps)
        for n in (2, 3, 8):
            exact = PchipInterpolator(x[:n], y[:n]).derivative()(x[:n])
            assert [open_slope(x, y, n, k) for k in range(n)] == pytest.approx(exact, abs=1e-12)


def test_slopes_of_a_periodic_curve() -> None:
    """The same knots before, here and after: away from its ends an open curve knows nothing of them."""
    for steps, y in zip(STEPS, VALUES, strict=True):
        x = np.cumsum(steps)
        period = float(x[-1] - x[0]) + 0.3
        for rise in (0.0, 5.0):
            around = PchipInterpolator(np.concatenate([x - period, x, x + period]),
                                       np.concatenate([y - rise, y, y + rise])).derivative()(x)
            assert [periodic_slope(x, y, 8, k, period, rise) for k in range(8)] == pytest.approx(around, abs=1e-12)


def test_a_piece_between_two_knots() -> None:
    for h, y0, y1, m0, m1 in RNG.normal(size=(40, 5)):
        h = abs(h) + 0.1
        piece = CubicHermiteSpline([0.0, h], [y0, y1], [m0, m1])
        for t in (0.0, 0.2, 0.7, 1.0):
            assert hermite(t, h, y0, y1, m0, m1) == pytest.approx(float(piece(t * h)), abs=1e-12)


@pytest.mark.parametrize(("change", "words"), [
    ({"rotations_deg": (0.0,) * 5}, "a rotation and a gain for each"), ({"gains": (1.0,) * 7}, "a rotation and a gain"),
    ({"hues_deg": (0.0, 60.0, 60.0, 180.0, 240.0, 300.0)}, "must increase strictly"),
    ({"hues_deg": (10.0, 5.0, 120.0, 180.0, 240.0, 300.0)}, "must increase strictly"),
    ({"hues_deg": (0.0, 60.0, 120.0, 180.0, 240.0, 360.0)}, "lie in .0, 360"),
    ({"gains": (0.0, 1.0, 1.0, 1.0, 1.0, 1.0)}, "must be positive"),
    ({"gains": (1.0, 1.0, 1.0, 1.0, 1.0, -0.1)}, "must be positive"),
    ({"rotations_deg": (60.0, 0.0, 0.0, 0.0, 0.0, 0.0)}, "fold the order"),
    ({"rotations_deg": (0.0, 0.0, 0.0, 0.0, 0.0, 60.0)}, "fold the order"),
    ({"rotations_deg": (-61.0, 0.0, 0.0, 0.0, 0.0, 0.0)}, "fold the order"),
    ({"kr": -0.01}, "kr takes"), ({"kb": -0.01}, "kb takes"), ({"kr": 0.6, "kb": 0.4}, "leave something for green")])
def test_sectors_that_cannot_be(change: dict, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        HueSectors(**change)


def test_sectors_that_only_just_can_be() -> None:
    HueSectors(hues_deg=(0.0, 1e-6, 120.0, 180.0, 240.0, 359.999), rotations_deg=(0.0,) * 6)
    HueSectors(rotations_deg=(59.999, 0.0, 0.0, 0.0, 0.0, 0.0), gains=(1e-6, 1.0, 1.0, 1.0, 1.0, 1.0))
    HueSectors(rotations_deg=(-30.0, 0.0, 0.0, 0.0, 0.0, 29.999), kr=0.6, kb=0.399)
    HueSectors(rotations_deg=(500.0,) * 6)
