"""The card's spectra: what they are for, checked with colour-science and the published signal values."""

from __future__ import annotations

import warnings

import colour
import numpy as np
import pytest
from huewright.accuracy.published import BARS_75 as BARS_75_PUBLISHED
from huewright.models.card import load_card
from huewright_demo import spectra
from huewright_demo.design_card import BARS_75, CARD, CHIP_LUMA, design

# Y' Cb Cr of the 75 % bars in 10 bits; tests/external recomputes them from ITU-R BT.709-6.
BARS_75_10BIT = {name: codes for name, (_, codes) in BARS_75_PUBLISHED.items()}


@pytest.fixture(scope="module")
def card():
    return load_card(CARD)


def xyz_by_colour_science(patch) -> np.ndarray:
    """CIE 15:2018 data and ASTM E308, as colour-science has them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sd = colour.SpectralDistribution(dict(zip(patch.wavelengths_nm, patch.reflectance, strict=True)))
        return colour.sd_to_XYZ(sd, colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"],
                                colour.SDS_ILLUMINANTS["D65"]) / 100


def signal_by_colour_science(patch) -> np.ndarray:
    linear = colour.XYZ_to_RGB(xyz_by_colour_science(patch), "ITU-R BT.709", apply_cctf_encoding=False)
    return colour.models.oetf_BT709(linear)



def ycbcr_by_colour_science(signal) -> np.ndarray:
    return colour.RGB_to_YCbCr(signal, K=colour.WEIGHTS_YCBCR["ITU-R BT.709"], in_legal=False, out_legal=False)


def test_xyz_in_the_file_is_the_reflectance_under_d65(card):
    for area in (*card.patches, *card.marks):
        assert np.allclose(xyz_by_colour_science(area), area.xyz, atol=2e-6), area.name


def test_chips_point_at_their_75_percent_bars_and_sit_half_way(card):
    for chip in card.of_role("chip"):
        bar = np.array(BARS_75_10BIT[chip.hue], float)
        aim = (bar[1:] - 512) / 896 / 2
        _, cb, cr = ycbcr_by_colour_science(signal_by_colour_science(chip))
        # Half a 10-bit code of rounding in the published bars is 2.8e-4 of chroma here.
        assert np.hypot(*(np.array([cb, cr]) - aim)) < 4.5e-4, chip.name


def test_chips_sit_half_way_exactly(card):
    for chip in card.of_role("chip"):
        bar = ycbcr_by_colour_science(0.75 * np.array(BARS_75[chip.hue], float))
        value = ycbcr_by_colour_science(signal_by_colour_science(chip))
        assert np.abs(value[1:] - bar[1:] / 2).max() < 5e-5
        assert abs(value[0] - CHIP_LUMA[chip.hue]) < 1e-4


def test_bars_are_neutral_and_at_their_levels(card):
    for bar in card.of_role("bar"):
        signal = signal_by_colour_science(bar)
        assert np.ptp(signal) < 1e-4
        assert abs(100 * signal.mean() - bar.level_ire) < 0.01


def test_reflectances_are_plausible_and_smooth(card):
    for area in (*card.patches, *card.marks):
        reflectance = np.array(area.reflectance)
        assert 0.01 <= reflectance.min() and reflectance.max() <= 0.95
        assert np.abs(np.diff(reflectance, 2)).max() < 0.05, area.name


def test_the_script_makes_the_file_again(card):
    assert design() == card


def test_a_colour_that_no_reflectance_has_is_refused():
    with pytest.raises(ValueError, match="no smooth reflectance"):
        spectra.smooth_reflectance(np.array([0.05, 0.9, 0.05]))


def test_own_ycbcr_agrees_with_colour_science():
    rgb = np.random.default_rng(3).random((50, 3))
    assert np.allclose(spectra.ycbcr(rgb), ycbcr_by_colour_science(rgb), atol=1e-12)
    assert np.allclose(spectra.rgb_of_ycbcr(spectra.ycbcr(rgb)), rgb, atol=1e-12)
    assert np.allclose(spectra.oetf_inverse(spectra.oetf(rgb)), rgb, atol=2e-4)   # the printed constants' step at 0.018
