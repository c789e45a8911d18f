"""Transfer functions, luma and bars against the standards' own numbers and colour-science's functions.

What is computed here is computed anew from the documents, not through the project's reference. SMPTE's
and IEC's documents are sold: their values are as public software tabulates them, and recomputed from ITU-R BT.709-6.
"""

from __future__ import annotations

from decimal import Decimal, getcontext

import numpy as np
import pytest
from colour import RGB_to_YCbCr, models
from huewright.accuracy.published import BARS_75
from huewright.colorimetry.display import display_luma, from_ycbcr, to_ycbcr
from huewright.reference import apply
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import Transfer

getcontext().prec = 40


def through_kernel(curve: str, direction: str, values: np.ndarray) -> np.ndarray:
    colours = np.repeat(np.asarray(values, np.float32)[:, None], 3, axis=1)
    return run_colours(compile_chain((Transfer(curve, direction),)), colours)[:, 0].astype(np.float64)


def through_reference(curve: str, direction: str, values: np.ndarray) -> np.ndarray:
    return apply(Transfer(curve, direction), np.repeat(np.asarray(values)[:, None], 3, axis=1))[:, 0]


def test_eighteen_percent_grey_lies_at_41_ire() -> None:
    """ITU-R BT.709-6 item 1.2, in decimal arithmetic: 1.099 * 0.18^0.45 - 0.099 = 0.4090. That the middle bar of a
    card sits "at 41 IRE" is common practice, no source."""
    exact = Decimal("1.099") * (Decimal("0.18").ln() * Decimal("0.45")).exp() - Decimal("0.099")
    assert round(exact, 4) == Decimal("0.4090")
    assert through_reference("bt709", "encode", np.array([0.18]))[0] == pytest.approx(float(exact), abs=1e-15)
    assert through_kernel("bt709", "encode", np.array([0.18]))[0] == pytest.approx(float(exact), abs=2e-7)


@pytest.mark.parametrize(("light", "signal"), [("0.001", "0.0045"), ("0.017", "0.0765"), ("1", "1")])
def test_bt709_oetf_where_it_needs_no_power(light: str, signal: str) -> None:
    """ITU-R BT.709-6 item 1.2: 4.5 L below 0.018, and 1.099 - 0.099 at 1."""
    assert through_kernel("bt709", "encode", np.array([float(light)]))[0] == pytest.approx(float(signal), abs=1e-7)


def test_bt709_oetf_changes_sides_exactly_at_its_break() -> None:
    """ITU-R BT.709-6: below 0.018 the line, from there the power; as printed they differ by 2.5e-4 there."""
    below = np.float32(0.018)               # the float32 next to it lies below
    assert float(below) < 0.018
    above = np.nextafter(below, np.float32(1))
    line, power = through_kernel("bt709", "encode", np.array([below, above]))
    assert line == pytest.approx(0.081, abs=1e-7)
    assert power == pytest.approx(1.099 * 0.018**0.45 - 0.099, abs=1e-6) and power - line > 2e-4


def test_luma_coefficients_are_the_standards() -> None:
    """ITU-R BT.709-6 item 3.2: 0.2126, 0.7152, 0.0722. ITU-R BT.2020-2 table 4: 0.2627, 0.6780, 0.0593."""
    for display, (red, green, blue) in {"bt709": (0.2126, 0.7152, 0.0722), "bt2020": (0.2627, 0.6780, 0.0593)}.items():
        assert to_ycbcr(np.eye(3), display_luma(display))[:, 0] == pytest.approx([red, green, blue], abs=1e-12)


@pytest.mark.parametrize("name", BARS_75)
def test_75_percent_bars_have_their_codes(name: str) -> None:
    """SMPTE RP 219-1, recomputed in decimals from ITU-R BT.709-6 items 3 and 4 (64 + 876 Y', 512 + 896 C), and the
    project's way."""
    rgb, published = BARS_75[name]
    r, g, b = map(Decimal, rgb)
    luma = Decimal("0.2126") * r + Decimal("0.7152") * g + Decimal("0.0722") * b
    cb, cr = (b - luma) / Decimal("1.8556"), (r - luma) / Decimal("1.5748")
    codes = tuple(round(value) for value in (64 + 876 * luma, 512 + 896 * cb, 512 + 896 * cr))
    assert codes == published
    ours = to_ycbcr(rgb, display_luma("bt709"))
    assert tuple(np.rint([64, 512, 512] + np.array([876, 896, 896]) * ours).astype(int)) == published


@pytest.mark.parametrize("display", ["bt709", "bt2020"])
def test_ycbcr_is_what_colour_science_computes(display: str) -> None:
    """colour-science RGB_to_YCbCr with the weights of ITU-R BT.709 and BT.2020."""
    rgb = np.random.default_rng(1).uniform(-0.2, 1.2, (2000, 3))
    theirs = RGB_to_YCbCr(rgb, K=np.array(display_luma(display)), in_bits=10, in_legal=False, in_int=False,
                          out_bits=10, out_legal=False, out_int=False)
    ours = to_ycbcr(rgb, display_luma(display))
    np.testing.assert_allclose(ours, theirs, atol=1e-12)
    np.testing.assert_allclose(from_ycbcr(ours, display_luma(display)), rgb, atol=1e-12)


NITS = 10000.0
FUNCTIONS = {
    ("bt709", "encode"): models.oetf_BT709, ("bt709", "decode"): models.oetf_inverse_BT709,
    ("bt1886", "encode"): models.eotf_inverse_BT1886, ("bt1886", "decode"): models.eotf_BT1886,
    ("srgb", "encode"): models.eotf_inverse_sRGB, ("srgb", "decode"): models.eotf_sRGB,
    ("pq", "encode"): lambda light: models.eotf_inverse_ST2084(light * NITS),
    ("pq", "decode"): lambda signal: models.eotf_ST2084(signal) / NITS,
    ("hlg", "encode"): models.oetf_BT2100_HLG, ("hlg", "decode"): models.oetf_inverse_BT2100_HLG,
}


@pytest.mark.parametrize(("curve", "direction"), FUNCTIONS)
def test_transfer_functions_are_those_of_colour_science(curve: str, direction: str) -> None:
    """colour-science's ITU-R BT.709, BT.1886, IEC 61966-2-1, SMPTE ST 2084 and ITU-R BT.2100 functions over 0..1."""
    values = np.linspace(0, 1, 5001).astype(np.float32).astype(np.float64)
    with np.errstate(all="ignore"):
        theirs = np.asarray(FUNCTIONS[curve, direction](values))
    # BT.709's inverse: the standard gives none; where the printed parts overlap (0.081 to 0.08125) a choice is free.
    free = (values > 0.0809) & (values < 0.0813) if (curve, direction) == ("bt709", "decode") else np.zeros(5001, bool)
    np.testing.assert_allclose(through_reference(curve, direction, values)[~free], theirs[~free], atol=1e-9)
    np.testing.assert_allclose(through_kernel(curve, direction, values)[~free], theirs[~free], atol=2e-6)


def test_bt1886_is_a_gamma_of_2_4() -> None:
    """ITU-R BT.1886 annex 1 with L_W = 1 and L_B = 0: 0.5 becomes 2^-2.4."""
    assert through_kernel("bt1886", "decode", np.array([0.5]))[0] == pytest.approx(
        float((Decimal(2).ln() * Decimal("-2.4")).exp()), abs=1e-7)


def test_srgb_points() -> None:
    """IEC 61966-2-1: 12.92 L up to 0.0031308; mid grey code 118/255 is about 0.18 (common practice, no source)."""
    assert through_kernel("srgb", "encode", np.array([0.002]))[0] == pytest.approx(0.02584, abs=1e-8)
    assert through_kernel("srgb", "decode", np.array([118 / 255]))[0] == pytest.approx(0.18, abs=2e-3)


@pytest.mark.parametrize(("nits", "percent"), [(100, 51), (203, 58), (1000, 75)])
def test_pq_levels_of_bt2408(nits: float, percent: int) -> None:
    """ITU-R BT.2408, PQ signal levels rounded to whole percent (203 cd/m2: table 1; 100 and 1000 recomputed)."""
    assert round(100 * through_kernel("pq", "encode", np.array([nits / NITS]))[0]) == percent


def test_hlg_points() -> None:
    """ITU-R BT.2100-2 table 5: E = 1/12 gives exactly 1/2, E = 1 gives 1 (to the printed constants' digits)."""
    half, whole = through_kernel("hlg", "encode", np.array([1 / 12, 1.0]))
    assert half == pytest.approx(0.5, abs=1e-7) and whole == pytest.approx(1.0, abs=1e-6)
