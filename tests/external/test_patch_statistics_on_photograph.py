"""Patch statistics on real photographs, with an invented card composited into them.

Source of the pictures: scikit-image's own sample photographs, as they ship in its wheel. The card is drawn by
supersampling (4 x 4 points a pixel), independently of the masks under test, in perspective, over the photograph;
its patches' colours are known, noise is added, and part of the photograph may hide part of a patch.
"""

from __future__ import annotations

import numpy as np
import pytest
from huewright_kernels.masks import isolate
from huewright_kernels.statistics import patch_statistics
from skimage import data

Scene = tuple[np.ndarray, np.ndarray, list[np.ndarray]]
COLUMNS, ROWS, SAMPLES = 6, 4, 4
CARD = np.array([[0.0, 0.0], [6.4, 0.0], [6.4, 4.4], [0.0, 4.4]])
NOISE = 0.01


def homography(corners: np.ndarray) -> np.ndarray:
    """Card units to pixels, from four corners (direct linear solution)."""
    rows, right = [], []
    for (x, y), (u, v) in zip(CARD, corners, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    return np.append(np.linalg.solve(np.array(rows), np.array(right)), 1.0).reshape(3, 3)


def mapped(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    raised = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1) @ matrix.T
    return raised[..., :2] / raised[..., 2:]


def patch_box(column: int, row: int, inset: float = 0.0) -> np.ndarray:
    x, y = 0.2 + column + 0.1, 0.2 + row + 0.1
    return np.array([[x + inset, y + inset], [x + 0.8 - inset, y + inset], [x + 0.8 - inset, y + 0.8 - inset],
                     [x + inset, y + 0.8 - inset]])


def composite(photograph: np.ndarray, corners: np.ndarray, colours: np.ndarray) -> np.ndarray:
    """The photograph with the card over it, each pixel the mean of its samples."""
    height, width, _ = photograph.shape
    back = np.linalg.inv(homography(corners))
    x0, y0 = np.floor(corners.min(axis=0)).astype(int)
    x1, y1 = np.ceil(corners.max(axis=0)).astype(int)
    fine_x = x0 + (np.arange((x1 - x0) * SAMPLES) + 0.5) / SAMPLES
    fine_y = y0 + (np.arange((y1 - y0) * SAMPLES) + 0.5) / SAMPLES
    place = mapped(back, np.stack(np.meshgrid(fine_x, fine_y), axis=-1))
    column, row = np.floor(place[..., 0] - 0.2).astype(int), np.floor(place[..., 1] - 0.2).astype(int)
    within = (place[..., 0] - 0.2 - column, place[..., 1] - 0.2 - row)
    on_patch = (column >= 0) & (column < COLUMNS) & (row >= 0) & (row < ROWS)
    for offset in within:
        on_patch &= (offset > 0.1) & (offset < 0.9)
    on_card = (place[..., 0] > 0) & (place[..., 0] < 6.4) & (place[..., 1] > 0) & (place[..., 1] < 4.4)
    shown = np.full((*place.shape[:2], 3), 0.12)
    shown[on_patch] = colours[row[on_patch], column[on_patch]]
    photo = np.repeat(np.repeat(photograph[y0:y1, x0:x1], SAMPLES, axis=0), SAMPLES, axis=1)
    shown = np.where(on_card[..., None], shown, photo)
    result = photograph.copy()
    result[y0:y1, x0:x1] = shown.reshape(y1 - y0, SAMPLES, x1 - x0, SAMPLES, 3).mean(axis=(1, 3))
    return result


@pytest.fixture(scope="module", params=["astronaut", "coffee"])
def scene(request: pytest.FixtureRequest) -> Scene:
    photograph = getattr(data, request.param)() / 255.0
    rng = np.random.default_rng(12)
    colours = rng.uniform(0.1, 0.85, (ROWS, COLUMNS, 3))
    corners = np.array([[61.3, 72.8], [331.7, 52.1], [318.4, 268.9], [84.2, 239.6]])
    picture = composite(photograph, corners, colours)
    picture += rng.normal(0, NOISE, picture.shape)
    matrix = homography(corners)
    polygons = [mapped(matrix, patch_box(column, row, 0.08)) for row in range(ROWS) for column in range(COLUMNS)]
    return picture.astype(np.float32), colours.reshape(-1, 3), polygons


@pytest.mark.slow
def test_means_and_noise_are_those_put_in(scene: Scene) -> None:
    picture, colours, polygons = scene
    statistics = patch_statistics(picture, polygons)
    sure = NOISE / np.sqrt(statistics.weight)[:, None]
    assert statistics.weight.min() > 300
    assert np.abs((statistics.mean - colours) / sure).max() < 4.5         # 72 values: 4.5 sigma is one in 2000
    assert np.abs((statistics.robust - colours) / sure).max() < 4.7
    assert np.sqrt(np.diagonal(statistics.noise, axis1=1, axis2=2)).mean() == pytest.approx(NOISE, rel=0.02)
    assert statistics.clipped.max() == 0


def test_a_piece_of_the_photograph_over_a_patch_moves_the_mean_but_not_the_robust_location(scene: Scene) -> None:
    """About a sixth of each patch is hidden by real picture content, some of it near the patch's own colour: what
    that leaves is bounded by what a sixth of the patch moves a median, a quarter of the noise."""
    picture, colours, polygons = scene
    hidden = picture.copy()
    intruder = picture[300:330, 20:50].astype(np.float32) + np.float32(0.15)
    for polygon in polygons:
        x, y = np.floor(polygon.min(axis=0)).astype(int)
        side = int(np.sqrt(np.ptp(polygon[:, 0]) * np.ptp(polygon[:, 1]) / 6)) + 1
        hidden[y:y + side, x:x + side] = intruder[:side, :side]
    statistics = patch_statistics(hidden, polygons)
    pulled = np.abs(statistics.mean - colours).max(axis=1)
    kept = np.abs(statistics.robust - colours).max(axis=1)
    assert np.median(pulled) > 3 * NOISE
    assert np.quantile(kept, 0.9) < 0.25 * NOISE and kept.max() < 0.5 * NOISE


def test_statistics_are_numpys_over_pixels_wholly_inside(scene: Scene) -> None:
    """An axis-aligned box on the bare photograph: plain means and covariances."""
    picture, _, _ = scene
    part = picture[300:340, 100:180].reshape(-1, 3).astype(np.float64)
    statistics = patch_statistics(picture, [[(100, 300), (180, 300), (180, 340), (100, 340)]])
    np.testing.assert_allclose(statistics.mean[0], part.mean(axis=0), atol=1e-9)
    np.testing.assert_allclose(statistics.covariance[0], np.cov(part.T, ddof=0), atol=1e-9)
    assert statistics.weight[0] == 3200


def test_isolated_picture_shows_the_patches_only(scene: Scene) -> None:
    picture, _, polygons = scene
    shown = isolate(picture, polygons)
    untouched = (shown == picture).all(axis=2)
    black = (shown == 0).all(axis=2)
    area = patch_statistics(picture, polygons).weight.sum()
    assert abs(untouched.sum() - area) < 0.15 * area
    assert black.sum() > 0.8 * (picture.shape[0] * picture.shape[1] - area)
