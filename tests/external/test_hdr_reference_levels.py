"""Levels of the HDR displays against the recommendations, and adaptation against colour-science.

Sources: ITU-R BT.2408 (HDR reference white 203 cd/m2 at 58 % PQ and 75 % HLG; 18 % grey at 38 % in both, 26 cd/m2);
ITU-R BT.2100-2 through colour-science's functions of its tables; CIE 15:2018 illuminants. ITU-R BT.2111-2, HLG and
PQ narrow range, 10 bits: the bars of 75 % and 58 %, and the BT.709 colour bars (as public test pattern generators
tabulate them from the recommendation).
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
from huewright.colorimetry.display import DISPLAYS, primaries_matrix
from huewright.colorimetry.targets import (
    BAR_SIGNALS,
    adapted_xyz,
    as_on,
    display_white_xyz,
    illuminant_xyz,
    reference_xyz,
)
from huewright.models.card import Card, Patch
from huewright.reference import apply_chain
from huewright_kernels.ops import Transfer

HLG_BARS = {"yellow": (713, 719, 316), "cyan": (538, 709, 718), "green": (512, 706, 296),
            "magenta": (651, 286, 705), "red": (639, 269, 164), "blue": (227, 147, 702)}
PQ_BARS = {"yellow": (568, 571, 381), "cyan": (484, 566, 571), "green": (474, 564, 368),
           "magenta": (536, 361, 564), "red": (530, 350, 256), "blue": (317, 236, 562)}


SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


@pytest.mark.parametrize(("display", "reflectance", "percent", "nits"), [
    ("pq", 1.0, 58, 203), ("pq", 0.18, 38, 26), ("hlg", 1.0, 75, 203), ("hlg", 0.18, 38, 26),
])
def test_bt2408_levels(display: str, reflectance: float, percent: int, nits: int) -> None:
    signal = apply_chain(DISPLAYS[display].encode, [[reflectance] * 3])
    assert round(100 * signal[0, 0]) == percent
    assert round(203 * DISPLAYS[display].light_from_signal(signal)[0, 0]) == nits


@pytest.mark.parametrize("name", HLG_BARS)
def test_bt709_colours_in_hlg_are_those_of_bt2111(name: str) -> None:
    """Full BT.709 colours at reference white, which is what BT.2111 calls BT.709 colour bars; 10-bit narrow range.
    One code of difference is the rounding of the table."""
    signal = as_on(DISPLAYS["hlg"], np.array(BAR_SIGNALS[name], dtype=float))
    assert 64 + 876 * signal == pytest.approx(HLG_BARS[name], abs=1.0)


@pytest.mark.parametrize("name", PQ_BARS)
def test_bt709_colours_in_pq_are_those_of_bt2111(name: str) -> None:
    """There the light shown is carried over, without an OOTF: that of 58 % PQ, in BT.2020 primaries, through PQ."""
    light = np.array(primaries_matrix("ITU-R BT.709", "ITU-R BT.2020")) @ np.array(BAR_SIGNALS[name], dtype=float)
    white = apply_chain((Transfer("pq", "decode"),), [0.58] * 3)
    signal = apply_chain((Transfer("pq", "encode"),), white * light)
    assert 64 + 876 * signal == pytest.approx(PQ_BARS[name], abs=1.0)


@pytest.mark.parametrize(("display", "code"), [("hlg", 721), ("pq", 572)])
def test_the_bars_amplitude_is_that_of_bt2111(display: str, code: int) -> None:
    assert 64 + 876 * DISPLAYS[display].bar_amplitude == pytest.approx(code, abs=0.5)


def test_the_pq_chain_is_the_reference_ootf_of_bt2100() -> None:
    light = np.linspace(0.001, 3.0, 50)
    # The scene level that the standard's OOTF shows at 203 cd/m2 is reference white.
    level = np.interp(203.0, colour.models.ootf_BT2100_PQ(np.linspace(0, 0.2, 20001)), np.linspace(0, 0.2, 20001))
    expected = colour.models.eotf_inverse_BT2100_PQ(colour.models.ootf_BT2100_PQ(light * level))
    signal = apply_chain(DISPLAYS["pq"].encode, light[:, None] * np.ones(3))[:, 0]
    assert signal == pytest.approx(expected, abs=2e-4)


def test_hlg_light_is_that_of_bt2100() -> None:
    signal = np.random.default_rng(1).uniform(0.02, 0.95, (60, 3))
    expected = colour.models.eotf_BT2100_HLG(signal, L_B=0, L_W=1000, gamma=1.2) / 203
    assert DISPLAYS["hlg"].light_from_signal(signal) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize("transform", ["CAT16", "Bradford"])
@pytest.mark.parametrize("illuminant", ["A", "D50", "FL11", "LED-B3"])
def test_adaptation_is_colour_sciences_and_takes_white_to_white(transform: str, illuminant: str) -> None:
    card = Card("invented", (1.0, 1.0), (Patch("grey", "bar", SQUARE, level_ire=41.0),), illuminant=illuminant)
    white = np.array(illuminant_xyz(illuminant, card.observer))
    xyz = np.random.default_rng(2).random((20, 3))
    expected = colour.adaptation.chromatic_adaptation_VonKries(xyz, white, display_white_xyz(), transform=transform)
    assert adapted_xyz(card, xyz, transform) == pytest.approx(expected, abs=1e-12)
    assert adapted_xyz(card, white, transform) == pytest.approx(display_white_xyz(), abs=1e-9)


def test_illuminant_whites_are_the_cies() -> None:
    """CIE 15:2018: A at (0.44758, 0.40745), D65 at (0.31272, 0.32903), 2 degree observer."""
    observer = "CIE 1931 2 Degree Standard Observer"
    for name, xy in (("A", (0.44758, 0.40745)), ("D65", (0.31272, 0.32903))):
        white = np.array(illuminant_xyz(name, observer))
        assert white[:2] / white.sum() == pytest.approx(xy, abs=6e-5)


def test_spectra_are_integrated_as_colour_science_does() -> None:
    patches = colour.SDS_COLOURCHECKERS["ISO 17321-1"]
    for name in list(patches)[:4]:
        spectrum = patches[name]
        patch = Patch(name, "check", SQUARE, wavelengths_nm=tuple(spectrum.wavelengths.tolist()),
                      reflectance=tuple(spectrum.values.tolist()))
        card = Card("iso", (1.0, 1.0), (patch,), illuminant="D50")
        with colour.utilities.suppress_warnings(colour_runtime_warnings=True):      # it says which steps it aligns
            expected = colour.sd_to_XYZ(spectrum, illuminant=colour.SDS_ILLUMINANTS["D50"]) / 100
        assert reference_xyz(card, patch) == pytest.approx(tuple(expected), abs=1e-9)


def test_primaries_against_the_published_matrix() -> None:
    """ITU-R BT.2087-0, as public converters carry it: BT.709 to BT.2020 linear light, to its four decimals."""
    published = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    assert np.array(primaries_matrix("ITU-R BT.709", "ITU-R BT.2020")) == pytest.approx(np.array(published), abs=6e-5)
