"""Coverage of polygons and ellipses: exact areas, feathers, edges of the picture, what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from huewright_kernels.masks import coverage, ellipse_coverage, isolate
from hypothesis import given, settings
from hypothesis import strategies as st

QUAD = np.array([[10.3, 5.2], [40.7, 9.1], [37.2, 33.3], [8.1, 30.6]])


def shoelace(polygon: np.ndarray) -> float:
    x, y = np.asarray(polygon).T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def supersampled(polygon: np.ndarray, width: int, height: int, samples: int = 64) -> np.ndarray:
    """Share of a grid of points in each pixel that lie in the clockwise (as seen) polygon."""
    x, y = (np.arange(width * samples) + 0.5) / samples, (np.arange(height * samples) + 0.5) / samples
    inside = np.ones((y.size, x.size), dtype=bool)
    for (xa, ya), (xb, yb) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        inside &= (xb - xa) * (y[:, None] - ya) - (yb - ya) * (x[None, :] - xa) >= 0
    return inside.reshape(height, samples, width, samples).mean(axis=(1, 3))


def test_each_pixel_holds_the_area_that_supersampling_finds() -> None:
    assert np.abs(coverage(QUAD, 60, 50) - supersampled(QUAD, 60, 50)).max() < 1 / 128


def test_axis_aligned_box_has_areas_worked_out_by_hand() -> None:
    mask = coverage([[1.25, 1.5], [3.5, 1.5], [3.5, 2.75], [1.25, 2.75]], 5, 4)
    wanted = np.outer([0, 0.5, 0.75, 0], [0, 0.75, 1, 0.5, 0])
    np.testing.assert_allclose(mask, wanted, atol=1e-7)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.floats(-20, 80), st.floats(-20, 70)), min_size=3, max_size=9), st.booleans())
def test_sum_of_coverage_is_the_area_inside_the_picture(points: list[tuple[float, float]], backwards: bool) -> None:
    hull = convex_hull(np.array(points))
    if hull is None:
        return
    wanted = shoelace(clipped(hull, 60, 50))
    mask = coverage(hull[::-1] if backwards else hull, 60, 50)
    assert mask.min() >= 0 and mask.max() <= 1
    assert mask.sum(dtype=np.float64) == pytest.approx(wanted, abs=1e-4)


def convex_hull(points: np.ndarray) -> np.ndarray | None:
    """Clockwise as seen (positive area with y down), or None if degenerate."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = points[ConvexHull(points).vertices]
    except (QhullError, ValueError):
        return None
    return hull if shoelace(hull) > 0.5 else None


def clipped(polygon: np.ndarray, width: int, height: int) -> np.ndarray:
    """Sutherland and Hodgman's clip of a convex polygon to the picture."""
    result = [tuple(point) for point in polygon]
    for axis, bound, side in ((0, 0, 1), (0, width, -1), (1, 0, 1), (1, height, -1)):
        kept: list[tuple[float, ...]] = []
        for a, b in zip(result, result[1:] + result[:1], strict=True):
            da, db = side * (a[axis] - bound), side * (b[axis] - bound)
            if da >= 0:
                kept.append(a)
            if da * db < 0:
                kept.append(tuple(np.array(a) + (np.array(b) - np.array(a)) * da / (da - db)))
        result = kept
        if not result:
            return np.zeros((3, 2))
    return np.array(result)


def test_neighbouring_quads_share_their_border_without_gap_or_overlap() -> None:
    middle = [(20.3, 4.1), (24.9, 41.7)]
    left = coverage([(3.2, 5.5), middle[0], middle[1], (5.1, 40.2)], 60, 50)
    right = coverage([middle[0], (50.5, 6.2), (48.3, 39.9), middle[1]], 60, 50)
    np.testing.assert_allclose((left + right)[10:38, 16:30], 1.0, atol=1e-6)
    assert (left + right).max() < 1 + 1e-6


def test_feather_is_a_smooth_step_of_the_distance_to_the_edge() -> None:
    """Across a long straight edge at x = 30 with a feather of 8 pixels: t^2 (3 - 2 t), half on the edge."""
    mask = coverage([(30, -200), (400, -200), (400, 300), (30, 300)], 60, 50, feather_px=8.0)
    distance = 30 - (np.arange(60) + 0.5)
    t = np.clip(0.5 - distance / 8, 0, 1)
    np.testing.assert_allclose(mask[20], t * t * (3 - 2 * t), atol=1e-6)


def test_feather_rounds_a_corner_by_its_distance() -> None:
    mask = coverage([(20, 20), (90, 20), (90, 90), (20, 90)], 60, 60, feather_px=12.0)
    for x, y in ((16, 17), (14, 18), (18, 18)):
        distance = math.hypot(20 - x - 0.5, 20 - y - 0.5)
        t = max(0.0, 0.5 - distance / 12)
        assert mask[y, x] == pytest.approx(t * t * (3 - 2 * t), abs=1e-6)


@pytest.mark.parametrize("angle_deg", [0, 30, 77])
def test_ellipse_has_its_area_with_and_without_feather(angle_deg: float) -> None:
    area = math.pi * 12 * 7
    assert ellipse_coverage((30, 25), (12, 7), angle_deg, 60, 50).sum(dtype=float) == pytest.approx(area, rel=1e-7)
    assert ellipse_coverage((30, 25), (12, 7), angle_deg, 60, 50, 3.0).sum(dtype=float) == pytest.approx(area, rel=0.01)


def test_ellipse_points_where_its_angle_says() -> None:
    mask = ellipse_coverage((30, 25), (15, 4), 90, 60, 50)
    assert mask[12, 30] == 1 and mask[25, 18] == 0


@pytest.mark.parametrize("polygon", [
    [(0, 0), (10, 0), (2, 2), (0, 10)],            # a corner points inwards
    [(0, 0), (10, 10)], [(0, 0), (np.nan, 1), (2, 2)], [(0, 0, 0), (1, 1, 1), (2, 0, 1)],
])
def test_what_is_no_convex_polygon_is_refused(polygon: list[tuple[float, ...]]) -> None:
    with pytest.raises(ValueError, match="polygon"):
        coverage(polygon, 20, 20)


def test_negative_feather_and_flat_ellipse_are_refused() -> None:
    with pytest.raises(ValueError, match="feather"):
        coverage(QUAD, 20, 20, -1.0)
    with pytest.raises(ValueError, match="radii"):
        ellipse_coverage((5, 5), (0, 3), 0, 20, 20)


def test_isolate_keeps_the_patches_and_fills_the_rest() -> None:
    rng = np.random.default_rng(3)
    pixels = rng.random((50, 60, 4)).astype(np.float32)
    pixels[0, 0] = np.nan
    fill = (0.1, 0.2, 0.3)
    shown = isolate(pixels, [QUAD, QUAD + (15, 12)], 2.0, fill)
    mask = np.minimum(coverage(QUAD, 60, 50, 2.0) + coverage(QUAD + (15, 12), 60, 50, 2.0), 1)[..., None]
    wanted = np.where(mask > 0, mask * pixels[..., :3] + (1 - mask) * np.array(fill), np.array(fill))
    np.testing.assert_allclose(shown[..., :3], wanted, atol=2e-7)
    np.testing.assert_array_equal(shown[..., 3], pixels[..., 3])
    same = isolate(pixels, [QUAD, QUAD + (15, 12)], 2.0, fill, out=pixels)
    assert same is pixels
    np.testing.assert_array_equal(same, shown)
