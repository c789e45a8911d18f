"""The invented cameras: log coding against colour-science, kernel against float64, and the errors they are to have."""

from __future__ import annotations

from dataclasses import replace

import colour
import numpy as np
import pytest
from huewright.models.card import load_card
from huewright_demo import spectra
from huewright_demo.cameras import CAMERAS, acescct, expose, noise_tile
from huewright_demo.design_card import CARD
from huewright_demo.shoot import LIGHT

CAMERA = pytest.mark.parametrize("camera", CAMERAS.values(), ids=list(CAMERAS))


def test_acescct_is_colour_sciences():
    linear = np.concatenate([np.linspace(-0.1, 0.02, 200), np.geomspace(0.005, 60, 200)])
    with np.errstate(invalid="ignore"):     # it takes logarithms of the toe's values too before it leaves them out
        theirs = colour.models.log_encoding_ACEScct(linear)
    assert np.allclose(acescct(linear), theirs, atol=2e-9)


def test_acescct_of_18_percent():
    """Academy S-2016-001; colour-science prints the number."""
    assert abs(float(acescct(np.array(0.18))) - 0.4135884) < 5e-8


@CAMERA
def test_the_kernel_codes_what_float64_says(camera):
    raw = np.random.default_rng(1).random((40, 50, 3))
    silent = np.zeros((41, 51, 3), np.float32)
    got = raw.astype(np.float32)
    expose(got, silent, 0, 0, camera.pack(LIGHT))
    want = acescct(camera.linear_of_raw(raw, LIGHT))
    plain = want > 0.1   # near and below black the curve's slope of ten magnifies rounding
    assert np.abs(got - want)[plain].max() < 2e-5
    assert np.abs(got - want).max() < 1e-3


@CAMERA
def test_white_is_neutral_but_for_the_balance_error(camera):
    matrix = camera.matrix(LIGHT)
    assert np.allclose(matrix.sum(1), 1)
    white = camera.raw_of_reflectance(np.ones(len(spectra.WAVELENGTHS_NM)), LIGHT)
    assert np.allclose(white, 1)
    seen = camera.linear_of_raw(white, LIGHT)
    assert np.abs(np.log2(seen / seen[1]))[[0, 2]].min() > 0.1


@CAMERA
def test_a_matrix_does_not_undo_the_hue_errors(camera):
    """The best 3x3 (least squares on the chips' linear light) leaves chips off their hues."""
    card = load_card(CARD)
    reflectances = np.array([p.reflectance for p in card.patches if p.role != "check"])
    true = spectra.true_signal(reflectances)
    seen = camera.linear_of_raw(camera.raw_of_reflectance(reflectances, LIGHT), LIGHT)
    matrix, *_ = np.linalg.lstsq(seen, spectra.oetf_inverse(true), rcond=None)
    got, want = (spectra.ycbcr(signal) for signal in (spectra.oetf(seen @ matrix), true))
    chroma = np.hypot(want[:, 1], want[:, 2])
    turn = np.degrees(np.angle((got[:, 1] + 1j * got[:, 2]) / (want[:, 1] + 1j * want[:, 2])))[chroma > 0.05]
    assert np.abs(turn).max() > 3.0


@CAMERA
def test_the_pipeline_is_homogeneous_and_keeps_grey(camera):
    pack = camera.pack(LIGHT)
    raw = np.random.default_rng(2).random((30, 3))
    once, twice = camera.linear_of_raw(raw, LIGHT), camera.linear_of_raw(2 * raw, LIGHT)
    assert np.allclose(twice, 2 * once, rtol=1e-9)
    grey = np.linalg.solve(np.array(pack[4:13], float).reshape(3, 3), np.ones(3))
    seen = camera.linear_of_raw(grey * 0.3, LIGHT)
    assert np.ptp(seen) < 1e-6


@CAMERA
def test_noise_has_its_stated_size(camera):
    """Shot noise grows as the root of the light, read noise stays. With the pipeline straight, the matrix alone says
    what raw noise becomes: the variance of a sum is the sum of the variances."""
    straight = replace(camera, rotation=((0, 0),) * 3, saturation=((0, 0),) * 3)
    pack = straight.pack(LIGHT)
    tile = noise_tile(512, 512, 4)
    assert abs(tile.std() - 1) < 1e-3 and abs(tile.mean()) < 0.01
    matrix = np.array(pack[4:13], float).reshape(3, 3)
    level = np.array([0.2, 0.3, 0.25])   # exposed raw
    noisy = np.full((500, 500, 3), level / 2.0**camera.exposure_stops, np.float32)
    clean = noisy[:1, :1].copy()
    expose(noisy, tile, 3, 5, pack)
    expose(clean, np.zeros_like(tile), 0, 0, pack)
    linear = colour.models.log_decoding_ACEScct(noisy.astype(float)).reshape(-1, 3)
    variance = matrix**2 @ (camera.shot_noise**2 * level + camera.read_noise**2)
    assert np.allclose(linear.std(0), np.sqrt(variance), rtol=0.02)
    assert np.allclose(linear.mean(0), matrix @ level, atol=0.03 * np.sqrt(variance).max())
    assert np.allclose(colour.models.log_decoding_ACEScct(clean[0, 0].astype(float)), matrix @ level, rtol=1e-5)
