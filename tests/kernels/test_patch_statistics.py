"""Weighted statistics of patches against NumPy, on ramps, with outliers, at the picture's edge."""

from __future__ import annotations

import numpy as np
import pytest
from huewright_kernels.masks import coverage
from huewright_kernels.statistics import patch_statistics

QUAD = np.array([[10.3, 5.2], [40.7, 9.1], [37.2, 33.3], [8.1, 30.6]])


def centroid(polygon: np.ndarray) -> np.ndarray:
    x, y = polygon.T
    twice = x * np.roll(y, -1) - np.roll(x, -1) * y
    return np.array([((x + np.roll(x, -1)) * twice).sum(), ((y + np.roll(y, -1)) * twice).sum()]) / (3 * twice.sum())


@pytest.mark.parametrize("feather_px", [0.0, 4.0])
def test_moments_are_those_that_numpy_computes(feather_px: float) -> None:
    rng = np.random.default_rng(1)
    mixing = np.array([[0.02, 0.01, 0.0], [0.0, 0.03, -0.01], [0.01, 0.0, 0.015]])
    pixels = (0.4 + rng.normal(size=(50, 60, 3)) @ mixing).astype(np.float32)
    statistics = patch_statistics(pixels, [QUAD], feather_px)
    weights = coverage(QUAD, 60, 50, feather_px).astype(np.float64)
    values = pixels.reshape(-1, 3).astype(np.float64)
    assert statistics.weight[0] == pytest.approx(weights.sum(), rel=1e-6)
    mean = np.average(values, axis=0, weights=weights.ravel())
    np.testing.assert_allclose(statistics.covariance[0], np.cov(values.T, aweights=weights.ravel(), ddof=0), rtol=1e-5,
                               atol=1e-9)
    y, x = np.mgrid[:50, :60] + 0.5
    design = np.stack([np.ones(3000), x.ravel(), y.ravel()], axis=1)
    root = np.sqrt(weights.ravel())[:, None]
    plane, *_ = np.linalg.lstsq(design * root, values * root, rcond=None)
    np.testing.assert_allclose(statistics.gradient[0], plane[1:].T, rtol=1e-5, atol=1e-9)
    residual = values - design @ plane
    np.testing.assert_allclose(statistics.noise[0], (residual * weights.reshape(-1, 1)).T @ residual / weights.sum(),
                               rtol=1e-5, atol=1e-9)
    shift = plane[1:].T @ (centroid(QUAD) - [np.average(x, weights=weights), np.average(y, weights=weights)])
    np.testing.assert_allclose(statistics.mean[0], mean + (shift if feather_px == 0 else 0), atol=1e-7)


def test_mean_on_a_ramp_does_not_depend_on_the_place_on_the_grid() -> None:
    """A ramp of full scale over 250 pixels; a mean invariant to sub-pixel shifts within 1e-4."""
    ramp = np.empty((90, 110, 3), np.float32)
    ramp[..., 0] = (np.arange(110) + 0.5) * 0.004
    ramp[..., 1] = (np.arange(90)[:, None] + 0.5) * 0.004
    ramp[..., 2] = ramp[..., 0] - 0.5 * ramp[..., 1]
    rng = np.random.default_rng(2)
    unmoved = patch_statistics(ramp, [QUAD + 20])
    for shift in rng.random((60, 2)) * 5:
        statistics = patch_statistics(ramp, [QUAD + shift + 20])
        x, y = centroid(QUAD + shift + 20) * 0.004
        np.testing.assert_allclose(statistics.mean[0], [x, y, x - 0.5 * y], atol=1e-6)
        # The robust location is the middle of a lopsided quad's values, not their mean; it must not wander either.
        np.testing.assert_allclose(statistics.robust[0] - statistics.mean[0], unmoved.robust[0] - unmoved.mean[0],
                                   atol=1e-4)


@pytest.mark.parametrize(("share", "sigmas", "allowed"), [(0.0, 0, 0.03), (0.1, 8, 0.05), (0.2, 8, 0.05),
                                                          (0.2, 30, 0.03), (0.2, -15, 0.03)])
def test_robust_location_ignores_a_fifth_of_outliers(share: float, sigmas: float, allowed: float) -> None:
    """In units of the noise; a plain mean would be off by share * sigmas."""
    rng = np.random.default_rng(7)
    found = []
    for _ in range(12):
        pixels = rng.normal(0.4, 0.01, (120, 120, 3)).astype(np.float32)
        pixels[rng.random((120, 120)) < share] += np.float32(sigmas * 0.01)
        found.append(patch_statistics(pixels, [[(10, 10), (110, 10), (110, 110), (10, 110)]]).robust[0])
    assert np.abs((np.mean(found, axis=0) - 0.4) / 0.01).max() < allowed


def test_robust_location_is_nearly_as_sure_as_the_mean_on_clean_noise() -> None:
    rng = np.random.default_rng(8)
    robust, mean = [], []
    for _ in range(60):
        pixels = rng.normal(0.4, 0.01, (60, 60, 3)).astype(np.float32)
        statistics = patch_statistics(pixels, [[(5, 5), (55, 5), (55, 55), (5, 55)]])
        robust.append(statistics.robust[0])
        mean.append(statistics.mean[0])
    assert np.std(robust, axis=0).mean() < 1.1 * np.std(mean, axis=0).mean()


def test_coarse_code_steps_do_not_pull_the_robust_location_to_one_code() -> None:
    """Eight bits with less noise than a code: most pixels share one code, yet the level between codes is found."""
    rng = np.random.default_rng(9)
    level = 100.2 / 255
    codes = np.rint((level + rng.normal(0, 0.25 / 255, (120, 120, 3))) * 255)
    assert np.mean(codes == 100) > 0.8
    statistics = patch_statistics((codes / 255).astype(np.float32), [[(5, 5), (115, 5), (115, 115), (5, 115)]])
    assert np.abs(statistics.robust[0] * 255 - codes[5:115, 5:115].mean(axis=(0, 1))).max() < 0.03


def test_constant_patch_with_a_reflection_gives_the_constant() -> None:
    pixels = np.full((60, 60, 3), 0.3, np.float32)
    pixels[10:20, 10:50] = 0.9
    statistics = patch_statistics(pixels, [[(10, 10), (50, 10), (50, 50), (10, 50)]], clip_high=0.9)
    np.testing.assert_allclose(statistics.robust[0], 0.3, atol=1e-7)
    np.testing.assert_allclose(statistics.clipped[0], 0.25, atol=1e-6)
    np.testing.assert_allclose(statistics.mean[0], 0.25 * 0.9 + 0.75 * 0.3, atol=1e-6)


def test_pixels_that_are_not_finite_are_left_out_and_count_as_clipped() -> None:
    pixels = np.full((20, 20, 3), 0.5, np.float32)
    pixels[4, 4] = np.nan
    pixels[5, 5, 1] = np.inf
    statistics = patch_statistics(pixels, [[(2, 2), (12, 2), (12, 12), (2, 12)]])
    assert statistics.weight[0] == 98
    np.testing.assert_allclose(statistics.mean[0], 0.5)
    np.testing.assert_allclose(statistics.clipped[0], [0.01, 0.02, 0.01])


def test_polygon_outside_the_picture_weighs_nothing() -> None:
    statistics = patch_statistics(np.zeros((20, 20, 3), np.float32), [QUAD + 100, [(2, 2), (5, 2), (5, 5)]])
    assert statistics.weight[0] == 0 and np.isnan(statistics.mean[0]).all()
    assert statistics.weight[1] == pytest.approx(4.5)


def test_any_layout_and_any_number_of_threads_give_the_same_bytes() -> None:
    rng = np.random.default_rng(4)
    pixels = rng.random((50, 60, 4)).astype(np.float32)
    polygons = [QUAD, QUAD + (12, 10), QUAD - (5, 3)]
    first = patch_statistics(pixels, polygons, threads=1)
    planar = np.ascontiguousarray(pixels.transpose(2, 0, 1)).transpose(1, 2, 0)
    upside_down = np.ascontiguousarray(pixels[::-1])[::-1]
    for other in (patch_statistics(pixels, polygons, threads=3), patch_statistics(planar, polygons),
                  patch_statistics(upside_down, polygons), patch_statistics(pixels[..., :3], polygons)):
        for name in ("mean", "covariance", "noise", "robust", "weight", "clipped", "gradient"):
            np.testing.assert_array_equal(getattr(first, name), getattr(other, name))


def test_pixels_of_another_type_are_refused() -> None:
    with pytest.raises(ValueError, match="float32"):
        patch_statistics(np.zeros((5, 5, 3)), [QUAD])
