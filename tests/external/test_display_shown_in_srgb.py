"""What the page shows of a picture made for a wider or brighter display, against the documents and other software.

Sources: Report ITU-R BT.2408-7, annex 5 (the EETF, in BT.2390 before; knee and spline as its public
implementations have them), with scipy's Hermite spline in place of ours; colour-science's BT.2100, BT.1886 and RGB
spaces.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
from huewright.colorimetry.display import DISPLAYS
from huewright.colorimetry.shown import rolled_off_nits, shown_in_srgb, shown_note
from huewright.errors import InputError
from huewright.reference import apply_chain
from scipy.interpolate import CubicHermiteSpline


def test_the_roll_off_is_the_eetf() -> None:
    """The report: knee at 1.5 maxLum - 0.5; a Hermite spline from slope 1 at the knee to slope 0 at maxLum."""
    top = colour.models.eotf_inverse_ST2084(1000.0)
    most = colour.models.eotf_inverse_ST2084(203.0) / top
    knee = 1.5 * most - 0.5
    spline = CubicHermiteSpline([knee, 1.0], [knee, most], [1.0, 0.0])
    nits = np.geomspace(0.01, 1000.0, 400)
    signal = colour.models.eotf_inverse_ST2084(nits) / top
    expected = colour.models.eotf_ST2084(np.where(signal < knee, signal, spline(signal)) * top)
    assert rolled_off_nits(nits) == pytest.approx(expected, rel=1e-6)
    assert rolled_off_nits(1000.0) == pytest.approx(203.0, rel=1e-6)
    assert rolled_off_nits(4000.0) == pytest.approx(203.0, rel=1e-6)
    assert np.all(np.diff(rolled_off_nits(nits)) > 0)


def test_the_roll_off_leaves_a_grey_card_alone_and_dims_white() -> None:
    assert rolled_off_nits(26.0) == pytest.approx(26.0, rel=1e-9)         # BT.2408: 18 % grey
    assert 0.7 * 203 < rolled_off_nits(203.0) < 0.85 * 203


@pytest.mark.parametrize("display", ["bt709", "bt1886", "srgb"])
def test_what_a_page_can_show_is_shown_as_it_is(display: str) -> None:
    signal = np.random.default_rng(1).uniform(-0.1, 1.1, (50, 3))
    assert np.array_equal(shown_in_srgb(signal, display).srgb, np.clip(signal, 0, 1))
    assert shown_in_srgb(signal, display).outside_percent == 0
    assert "unconverted" in shown_note(display)


def test_bt2020_colours_inside_bt709_arrive_where_colour_science_puts_them() -> None:
    """BT.709 colours, brought to BT.2020 by colour-science, come back within what its rounded matrices differ by."""
    inside = np.random.default_rng(2).uniform(0.02, 0.98, (400, 3))
    wide = colour.RGB_to_RGB(colour.models.eotf_BT1886(inside), "ITU-R BT.709", "ITU-R BT.2020")
    shown = shown_in_srgb(colour.models.eotf_inverse_BT1886(wide), "bt2020")
    assert shown.srgb == pytest.approx(inside, abs=2e-3)
    assert shown.outside_percent == 0


def test_colours_outside_keep_luminance_and_are_counted() -> None:
    signal = np.array([[0.0, 0.9, 0.0], [0.5, 0.5, 0.5], [0.8, 0.0, 0.0], [0.3, 0.35, 0.3]])
    shown = shown_in_srgb(signal, "bt2020")
    assert shown.outside_percent == 50.0
    assert (shown.srgb >= 0).all() and (shown.srgb <= 1).all()
    wide, narrow = colour.models.eotf_BT1886(signal), colour.models.eotf_BT1886(shown.srgb)
    assert narrow @ [0.2126, 0.7152, 0.0722] == pytest.approx(wide @ [0.2627, 0.6780, 0.0593], abs=2e-3)
    assert shown.srgb[1] == pytest.approx(0.5, abs=1e-9)                  # greys are unchanged


@pytest.mark.parametrize("display", ["pq", "hlg"])
def test_hdr_levels_of_the_card_shown(display: str) -> None:
    """18 % grey (26 cd/m2 in BT.2408) at its light over 203 cd/m2 through BT.1886: (26 / 203)^(1/2.4) = 0.425, within
    what the tabulated 26 is rounded by; white (203 cd/m2) just under the top."""
    grey, white = apply_chain(DISPLAYS[display].encode, [[0.18] * 3, [1.0] * 3])
    assert shown_in_srgb(grey, display).srgb == pytest.approx((26 / 203) ** (1 / 2.4), abs=0.01)
    assert 0.87 < shown_in_srgb(white, display).srgb[0] < 0.95
    assert shown_in_srgb([1.0, 1.0, 1.0], display).srgb == pytest.approx(1.0, abs=1e-6)
    assert "not for judging level" in shown_note(display)


@pytest.mark.parametrize("display", list(DISPLAYS))
def test_odd_pixels_stay_in_range(display: str) -> None:
    odd = np.array([[np.nan, 0.5, 0.5], [np.inf, -np.inf, 0.2], [0, 0, 0], [2.0, -1.0, 0.3]])
    shown = shown_in_srgb(odd, display).srgb
    assert np.isfinite(shown).all() and shown.min() >= 0 and shown.max() <= 1
    assert shown[2] == pytest.approx(0.0, abs=1e-3)


def test_unknown_display() -> None:
    with pytest.raises(InputError, match="unknown display"):
        shown_in_srgb([0.5, 0.5, 0.5], "paper")
