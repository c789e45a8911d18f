"""The float64 references: inverses, definitions worked out by hand, and what they do at the edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from huewright.reference import apply, apply_chain
from huewright.reference.hue import rotation_and_gain, ycbcr_from_rgb
from huewright_kernels.ops import (
    REGISTRY,
    HueSectors,
    LogDecode,
    LogEncode,
    Lut1D,
    Lut3D,
    Matrix,
    Operation,
    ToneCurve,
    Transfer,
)
from huewright_kernels.ops.transfer import CURVES
from hypothesis import given
from hypothesis import strategies as st

WIDE = np.random.default_rng(0).uniform(-0.5, 4, (500, 3))
STEEP = {"base": 10.0, "log_side_slope": 0.25, "log_side_offset": 0.4, "lin_side_slope": 5.5, "lin_side_offset": 0.05,
         "lin_side_break": 0.01, "linear_slope": 5.3}


def test_every_operation_has_a_reference() -> None:
    for operation in REGISTRY.values():
        assert apply(operation(), WIDE).shape == WIDE.shape


def test_operation_without_reference_is_named() -> None:
    class Other(Operation):
        name = "an-other"
        FIELDS = ()
        parts = Matrix.parts

    with pytest.raises(TypeError, match="function an_other in huewright.reference.matrix"):
        apply(Other(), WIDE)
    with pytest.raises(ValueError, match="shape"):
        apply(Matrix(), np.zeros(4))


def test_log_curve_by_hand() -> None:
    """SMPTE ST 2136-1: y = a log_B(c x + d) + b above the break, s x + o below, meeting at the break."""
    x = np.array([[0.18, 1.0, 0.005]])
    at_break = 0.25 * math.log10(5.5 * 0.01 + 0.05) + 0.4
    wanted = [0.25 * math.log10(5.5 * v + 0.05) + 0.4 for v in (0.18, 1.0)] + [at_break + 5.3 * (0.005 - 0.01)]
    np.testing.assert_allclose(apply(LogEncode(**STEEP), x), [wanted], atol=1e-15)


@pytest.mark.parametrize("curve", [STEEP, {"log_side_slope": 0.07, "log_side_offset": 0.5},
                                   {"base": 10.0, "log_side_slope": 0.3, "lin_side_break": 0.02}])
def test_log_decode_undoes_encode(curve: dict[str, float]) -> None:
    light = WIDE if "lin_side_break" in curve else np.abs(WIDE) + 1e-3
    np.testing.assert_allclose(apply_chain((LogEncode(**curve), LogDecode(**curve)), light), light, atol=1e-12)


def test_default_linear_slope_makes_the_curve_smooth() -> None:
    curve = LogEncode(log_side_slope=0.06, log_side_offset=0.55, lin_side_break=0.008)
    step = 1e-7
    below, at, above = apply(curve, [[0.008 - step, 0.008, 0.008 + step]])[0]
    assert (at - below) / step == pytest.approx((above - at) / step, rel=1e-4)


@pytest.mark.parametrize("curve", CURVES)
def test_transfer_decode_undoes_encode(curve: str) -> None:
    light = np.linspace(0, 1, 999).repeat(3).reshape(-1, 3)
    there = apply(Transfer(curve, "encode"), light)
    np.testing.assert_allclose(apply(Transfer(curve, "decode"), there), light, atol=1e-11)
    assert (np.diff(there[:, 0]) > 0).all()


def test_transfer_of_negatives_is_as_stated() -> None:
    dark = np.array([[-0.1, -0.2, -0.3]])
    np.testing.assert_allclose(apply(Transfer("bt709"), dark), 4.5 * dark)
    np.testing.assert_allclose(apply(Transfer("srgb"), dark), 12.92 * dark)
    for curve in ("hlg", "bt1886"):
        np.testing.assert_allclose(apply(Transfer(curve), dark), -apply(Transfer(curve), -dark))
    np.testing.assert_allclose(apply(Transfer("pq"), dark), apply(Transfer("pq"), 0 * dark))


@given(st.lists(st.floats(0.02, 1.0), min_size=2, max_size=16), st.integers(0, 10_000))
def test_tone_curve_passes_its_anchors_and_never_falls(steps: list[float], seed: int) -> None:
    x = np.cumsum(steps)
    y = np.cumsum(np.random.default_rng(seed).uniform(0.01, 1.0, len(steps)))
    tone = ToneCurve(tuple(x), tuple(y))
    np.testing.assert_allclose(apply(tone, np.repeat(x[:, None], 3, axis=1))[:, 0], y, atol=1e-12)
    dense = np.linspace(x[0] - 1, x[-1] + 1, 700)
    assert (np.diff(apply(tone, np.repeat(dense[:, None], 3, axis=1))[:, 2]) >= -1e-12).all()


HUES = HueSectors((3, 55, 92, 140, 190, 230, 285, 331), (-14, 9, 2, -7, 12, -3, 6, 16),
                  (0.6, 1.2, 1.6, 0.9, 1.05, 1.4, 0.75, 1.0), 0.2627, 0.0593)


def test_hue_sectors_do_at_each_control_hue_what_they_say() -> None:
    turn, gain = rotation_and_gain(HUES, np.array(HUES.hues_deg))
    np.testing.assert_allclose(turn, HUES.rotations_deg, atol=1e-12)
    np.testing.assert_allclose(gain, HUES.gains, rtol=1e-12)


def test_hue_map_is_continuous_smooth_and_never_folds() -> None:
    hue = np.linspace(0, 360, 720_001)[:-1]
    turn, gain = rotation_and_gain(HUES, hue)
    mapped = np.unwrap(hue + turn, period=360)
    assert (np.diff(mapped) > 0).all()
    for values in (turn, np.log(gain)):
        slope = np.diff(np.append(values, values[0])) / 0.0005
        assert np.abs(np.diff(np.append(slope, slope[0]))).max() < 1e-3


def test_hue_map_is_scipys_pchip_of_the_repeated_knots() -> None:
    """Fritsch and Butland 1984: the interior slopes are local, so three periods of the knots give the same middle."""
    from scipy.interpolate import PchipInterpolator

    knots = np.concatenate([np.array(HUES.hues_deg) + turn for turn in (-360, 0, 360)])
    mapped = np.concatenate([np.array(HUES.hues_deg) + np.array(HUES.rotations_deg) + turn for turn in (-360, 0, 360)])
    hue = np.linspace(0, 359.99, 5000)
    turn, gain = rotation_and_gain(HUES, hue)
    np.testing.assert_allclose(hue + turn, PchipInterpolator(knots, mapped)(hue), atol=1e-10)
    np.testing.assert_allclose(np.log(gain), PchipInterpolator(knots, np.tile(np.log(HUES.gains), 3))(hue), atol=1e-12)


def test_hue_sectors_keep_luma_and_greys_and_scale_with_chroma() -> None:
    after = apply(HUES, WIDE)
    luma, cb, cr = ycbcr_from_rgb(WIDE, HUES.kr, HUES.kb)
    new_luma, new_cb, new_cr = ycbcr_from_rgb(after, HUES.kr, HUES.kb)
    np.testing.assert_allclose(new_luma, luma, atol=1e-14)
    greys = np.linspace(-0.5, 4, 300).repeat(3).reshape(-1, 3)
    np.testing.assert_array_equal(apply(HUES, greys), greys)
    half = luma[:, None] + 0.5 * (WIDE - luma[:, None])
    _, half_cb, half_cr = ycbcr_from_rgb(apply(HUES, half), HUES.kr, HUES.kb)
    np.testing.assert_allclose(np.stack([half_cb, half_cr]), 0.5 * np.stack([new_cb, new_cr]), atol=1e-14)


@pytest.mark.parametrize("interpolation", ["tetrahedral", "trilinear"])
def test_lattice_of_a_matrix_is_that_matrix_and_clamps_at_its_domain(interpolation: str) -> None:
    low, high = np.array([-0.5, 0.0, 0.2]), np.array([1.0, 2.0, 1.2])
    axes = [np.linspace(low[c], high[c], 7) for c in range(3)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    matrix = np.array([[0.8, 0.1, 0.0], [-0.2, 1.1, 0.1], [0.0, 0.3, 0.6]])
    lut = Lut3D(grid @ matrix.T, tuple(low), tuple(high), interpolation)
    np.testing.assert_allclose(apply(lut, WIDE), np.clip(WIDE, low, high) @ matrix.T, atol=1e-6)


def test_tetrahedral_by_hand() -> None:
    """Fractions .7, .2, .4: along red, blue, green, with weights .3, .3, .2, .2."""
    corner = np.random.default_rng(1).random((2, 2, 2, 3)).astype(np.float32).astype(np.float64)
    wanted = 0.3 * corner[0, 0, 0] + 0.3 * corner[1, 0, 0] + 0.2 * corner[1, 0, 1] + 0.2 * corner[1, 1, 1]
    np.testing.assert_allclose(apply(Lut3D(corner), [0.7, 0.2, 0.4]), wanted, atol=1e-12)


def test_table_interpolates_each_channel_in_its_domain() -> None:
    lut = Lut1D(np.array([[0, 1, 5], [1, 0, 6], [4, 2, 7]]), (0, -1, 0), (1, 1, 4))
    np.testing.assert_allclose(apply(lut, [0.25, 0.5, 3.0]), [0.5, 1.0, 6.5])
    np.testing.assert_allclose(apply(lut, [9.0, -9.0, 9.0]), [4.0, 1.0, 7.0])


def test_undefined_stays_undefined_and_the_input_is_left_alone() -> None:
    colours = np.array([[np.nan, 0.5, 0.5], [0.2, 0.3, 0.4]])
    before = colours.copy()
    for operation in (LogDecode(**STEEP), LogEncode(**STEEP), Transfer("bt709"), ToneCurve(), Lut1D()):
        after = apply(operation, colours)
        assert np.isnan(after[0, 0]) and np.isfinite(after[0, 1:]).all() and np.isfinite(after[1]).all()
    np.testing.assert_array_equal(colours, before)
