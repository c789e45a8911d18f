"""How well a reading knows its light: against the derivatives of published curves."""

from __future__ import annotations

import numpy as np
import pytest
from huewright.colorimetry.declare import declare_footage
from huewright.desk.told import MOST_UNSURE, _share
from huewright.models.reading import PatchReading, Reading
from huewright.solver.light_known import share_unsure

ERROR = 0.0005
CORNERS = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def reading_of(*levels: tuple[float, float, float]) -> Reading:
    nothing = ((0.0, 0.0, 0.0),) * 3
    return Reading(tuple(PatchReading(f"p{k}", level, nothing, (ERROR,) * 3, 100.0, (0.0, 0.0, 0.0))
                         for k, level in enumerate(levels)), CORNERS)


def test_in_linear_light_it_is_the_error_over_the_level() -> None:
    share = share_unsure(reading_of((0.02, 0.2, 0.9), (0.0, 0.1, 0.1)), declare_footage(encoding="linear"))
    assert share[0] == pytest.approx(1.96 * ERROR / np.array([0.02, 0.2, 0.9]), rel=1e-3)
    assert np.isinf(share[1, 0]) and np.isfinite(share[1, 1:]).all()


def test_in_a_log_it_is_the_same_stops_at_every_level() -> None:
    """ACEScct above its linear part: 17.52 stops over the code range (S-2016-001), so that a code value is worth as
    many stops everywhere."""
    share = share_unsure(reading_of((0.2, 0.4, 0.6)), declare_footage(encoding="ACEScct"))
    assert share[0] == pytest.approx(1.96 * ERROR * 17.52 * np.log(2), rel=1e-3)


def test_on_a_display_it_follows_the_power() -> None:
    """BT.709 above 0.081: L = ((V + 0.099) / 1.099)^(1 / 0.45)."""
    share = share_unsure(reading_of((0.1, 0.4, 0.8)), declare_footage(encoding="display", bits=8))
    assert share[0] == pytest.approx(1.96 * ERROR / 0.45 / (np.array([0.1, 0.4, 0.8]) + 0.099), rel=2e-3)


def test_only_what_is_more_than_a_hundredth_is_said() -> None:
    assert [_share(value) for value in (0.5 * MOST_UNSURE, MOST_UNSURE, 0.034, 2.0, np.inf)] == [
        "", "", "3", "100 or more", "100 or more"]
