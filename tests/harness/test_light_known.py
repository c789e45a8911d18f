"""How well a reading knows its light: against the derivatives of published curves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from huewright.colorimetry.declare import declare_footage
from huewright.desk.told import _light
from huewright.models.reading import PatchReading, Reading
from huewright.models.survey import LightKnown
from huewright.solver.light_known import SURE, WITHIN, light_known, share_unsure
from huewright.words import known_words, percent_unsure
from scipy.stats import norm

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


def test_within_a_hundredth_is_told_by_a_wider_interval() -> None:
    """99 % of a normal spread lie within 2.576 standard deviations."""
    edge = SURE * ERROR / WITHIN
    (patch,) = light_known(reading_of((1.01 * edge, 0.99 * edge, 0.0)), declare_footage(encoding="linear"))
    assert patch.within_one == (True, False, False)
    assert patch.percent == (pytest.approx(100 * 1.96 * ERROR / (1.01 * edge), abs=1e-3),
                             pytest.approx(100 * 1.96 * ERROR / (0.99 * edge), abs=1e-3), None)
    assert SURE == pytest.approx(norm.ppf(0.995), abs=1e-3)


def test_excluded_patches_are_not_spoken_of() -> None:
    reading = reading_of((0.5, 0.5, 0.5), (0.2, 0.2, 0.2))
    left_out = replace(reading, patches=(replace(reading.patches[0], excluded=True), reading.patches[1]))
    assert [patch.name for patch in light_known(left_out, declare_footage(encoding="linear"))] == ["p1"]


def test_only_what_is_not_known_to_a_hundredth_is_said() -> None:
    known = LightKnown("white", (0.3, 0.2, 0.7), (True,) * 3)
    black, red = LightKnown("black", (None, 5.0, 3.0), (False,) * 3), LightKnown("red", (0.2, 0.9, 12.0), (True, False,
                                                                                                         False))
    assert _light(red) == ["", "0.9", "12"] and _light(black)[0] == "100 or more" and _light(None) == [""] * 3
    assert known_words([known]) is None and known_words([]) is None
    said = known_words([known, red, black])
    assert said is not None and "1 of 3 patches" in said and "black (100 % or more), red (12 %)" in said
    assert "survey file" not in said and "survey file" in (known_words([red, black] * 2) or "")
    assert percent_unsure(0.86) == "0.9"
