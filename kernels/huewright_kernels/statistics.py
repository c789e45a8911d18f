"""Weighted statistics of patches: mean, noise, gradient, clipping and a robust location, in one pass each.

Robust location: Tukey's biweight, c = 6 (Mosteller and Tukey, Data Analysis and Regression, 1977), started
from the median and the median absolute deviation, with one weight a pixel for its three channels together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from huewright_kernels.cache import entry
from huewright_kernels.masks import _area_row, _box, _smooth_row, check_feather, check_pixels, compiled, convex
from huewright_kernels.threads import for_each_tile

START_SAMPLES = 1024
"""Pixels at most, evenly picked, from which the median and its deviation are taken to start the robust location."""
BIWEIGHT = 6.0
STEPS = 8
SETTLED = 2e-5
"""The robust location is settled once it moves by less than this part of 6 sigma; STEPS times at most."""
LANES = 64
MAD_TO_SIGMA = 1.4826
COARSEST_STEP = 1.0 / 255.0
"""Code values come in steps; where most pixels share one code, the steps (up to this) stand in for the deviation."""


@dataclass(frozen=True)
class PatchStatistics:
    """One row a polygon. A polygon that covers no finite pixel has weight 0 and not-a-number elsewhere.

    mean        (p, 3) coverage-weighted mean
    covariance  (p, 3, 3) coverage-weighted covariance about the mean
    noise       (p, 3, 3) the same about the least-squares plane: what is left once a gradient is taken off
    robust      (p, 3) robust location
    weight      (p,) sum of coverage, in pixels
    clipped     (p, 3) covered fraction at or beyond the clip levels, or not finite
    gradient    (p, 3, 2) slope of the least-squares plane along x and y, per pixel

    ``mean`` and ``robust`` are brought along the gradient from the centroid of the covered pixels to that of the
    polygon, so that they don't depend on how the polygon falls on the pixel grid.
    """

    mean: np.ndarray
    covariance: np.ndarray
    noise: np.ndarray
    robust: np.ndarray
    weight: np.ndarray
    clipped: np.ndarray
    gradient: np.ndarray

def patch_statistics(pixels: np.ndarray, polygons: Sequence[Any], feather_px: float = 0.0, clip_low: float = 0.0,
                     clip_high: float = 1.0, threads: int | None = None) -> PatchStatistics:
    """Statistics of ``pixels`` (h, w, c >= 3) float32 under each convex polygon (n, 2).

    Only the polygons' bounding boxes are visited. Pixels that are not finite are left out, and count as clipped.
    Raises ``ValueError`` for pixels of another type or shape, or a polygon that is not convex.
    """
    check_pixels(pixels)
    check_feather(feather_px)
    corners = [convex(polygon) for polygon in polygons]
    n = len(corners)
    statistics = PatchStatistics(np.full((n, 3), np.nan), np.full((n, 3, 3), np.nan), np.full((n, 3, 3), np.nan),
                                 np.full((n, 3), np.nan), np.zeros(n), np.full((n, 3), np.nan),
                                 np.full((n, 3, 2), np.nan))

    def patch(k: int) -> None:
        statistics.weight[k] = _measure(
            pixels, corners[k], float(feather_px), np.float32(clip_low), np.float32(clip_high), statistics.mean[k],
            statistics.covariance[k], statistics.noise[k], statistics.robust[k], statistics.clipped[k],
            statistics.gradient[k])

    for_each_tile(patch, n, threads)
    return statistics


@compiled
def _centroid(corners):
    """Area and centroid of the polygon, about its first corner for precision."""
    area = gx = gy = 0.0
    ox, oy = corners[0, 0], corners[0, 1]
    for k in range(1, corners.shape[0] - 1):
        ax, ay = corners[k, 0] - ox, corners[k, 1] - oy
        bx, by = corners[k + 1, 0] - ox, corners[k + 1, 1] - oy
        twice = ax * by - bx * ay
        area += 0.5 * twice
        gx += twice * (ax + bx) / 6.0
        gy += twice * (ay + by) / 6.0
    if area <= 0.0:
        return 0.0, ox, oy
    return area, ox + gx / area, oy + gy / area


@compiled
def _ordered(values, n, k):
    """The k-th smallest of values[:n] (Hoare's selection); ``values`` are put in another order."""
    low, high = 0, n - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while pivot < values[j]:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return values[k]


@compiled
def _start(values, weights, n, location, reciprocal):
    """Median per channel into ``location``, 1 / (c sigma) from the median absolute deviation into ``reciprocal``."""
    core = 0
    for i in range(n):
        core += weights[i] >= 0.5
    floor = np.float32(0.5) if core else np.float32(0.0)
    candidates = core if core else n
    stride = max(1, -(-candidates // START_SAMPLES))
    place = np.empty(-(-candidates // stride), np.int64)
    met = taken = 0
    for i in range(n):
        if weights[i] >= floor:
            if met % stride == 0:
                place[taken] = i
                taken += 1
            met += 1
    picked = np.empty(taken, np.float32)
    for c in range(3):
        for k in range(taken):
            picked[k] = values[c, place[k]]
        median = _ordered(picked, taken, taken // 2)
        step = np.float32(COARSEST_STEP)
        for k in range(taken):
            picked[k] = abs(picked[k] - median)
            if picked[k] > 0 and picked[k] < step:
                step = picked[k]
        location[c] = median
        reciprocal[c] = 1.0 / (BIWEIGHT * max(MAD_TO_SIGMA * _ordered(picked, taken, taken // 2), step))


@compiled
def _biweight_sums(values, weights, n, location, reciprocal, sums):
    """Sums of w, w dr, w dg, w db with the biweight's w, in LANES partial sums each, so that it vectorises."""
    lr, lg, lb = np.float32(location[0]), np.float32(location[1]), np.float32(location[2])
    kr, kg, kb = np.float32(reciprocal[0]), np.float32(reciprocal[1]), np.float32(reciprocal[2])
    one, zero = np.float32(1.0), np.float32(0.0)
    sums[:] = zero
    for base in range(0, n, LANES):
        for i in range(LANES):
            dr, dg, db = values[0, base + i] - lr, values[1, base + i] - lg, values[2, base + i] - lb
            ur, ug, ub = dr * kr, dg * kg, db * kb
            tr, tg, tb = one - ur * ur, one - ug * ug, one - ub * ub
            tr = tr if tr > zero else zero
            tg = tg if tg > zero else zero
            tb = tb if tb > zero else zero
            t = tr * tg * tb
            share = weights[base + i] * t * t
            sums[0, i] += share
            sums[1, i] += share * dr
            sums[2, i] += share * dg
            sums[3, i] += share * db


@compiled
def _robust_location(values, weights, n, location):
    """Biweight location of values[:, :n] into ``location`` (3,). Rows have room to a multiple of LANES."""
    reciprocal = np.empty(3)
    _start(values, weights, n, location, reciprocal)
    for i in range(n, -(-n // LANES) * LANES):
        values[0, i], values[1, i], values[2, i], weights[i] = location[0], location[1], location[2], 0.0
    sums = np.empty((4, LANES), np.float32)
    for _ in range(STEPS):
        _biweight_sums(values, weights, n, location, reciprocal, sums)
        # The sums are about the location as rounded to float32.
        total = 0.0
        for i in range(LANES):
            total += sums[0, i]
        if total <= 0.0:
            break
        moved = 0.0
        for c in range(3):
            change = 0.0
            for i in range(LANES):
                change += sums[1 + c, i]
            change /= total
            location[c] = np.float32(location[c]) + change
            moved = max(moved, abs(change) * reciprocal[c])
        if moved < SETTLED:
            break


@entry("f8(f4[:,:,:], f8[:,:], f8, f4, f4, f8[:], f8[:,:], f8[:,:], f8[:], f8[:], f8[:,:])")
def _measure(rgb, corners, feather, clip_low, clip_high, mean, covariance, noise, robust, clipped, gradient):
    """Fills one polygon's statistics and returns its weight."""
    x0, x1, y0, y1 = _box(corners, feather, rgb.shape[1], rgb.shape[0])
    width = x1 - x0
    if width <= 0 or y1 <= y0:
        return 0.0
    row, cover = np.empty(width), np.empty(width)
    room = width * (y1 - y0) + LANES
    values = np.empty((3, room), np.float32)
    weights = np.empty(room, np.float32)
    # Moments of 1, x, y, r, g, b about a corner of the box and the first pixel's colour, for precision.
    moments = np.zeros((6, 6))
    origin = np.zeros(3)
    n = np.int64(0)      # a literal 0 would have all that takes it compiled twice
    total = 0.0
    beyond = np.zeros(3)
    for y in range(y0, y1):
        if feather > 0.0:
            _smooth_row(corners, feather, y, x0, row)
        else:
            _area_row(corners, y, x0, row, cover)
        m_1 = m_x = m_xx = m_r = m_g = m_b = m_xr = m_xg = m_xb = 0.0
        m_rr = m_rg = m_rb = m_gg = m_gb = m_bb = 0.0
        for i in range(width):
            share = row[i]
            if share <= 0.0:
                continue
            r, g, b = rgb[y, x0 + i, 0], rgb[y, x0 + i, 1], rgb[y, x0 + i, 2]
            total += share
            beyond[0] += share * (not (r > clip_low and r < clip_high))
            beyond[1] += share * (not (g > clip_low and g < clip_high))
            beyond[2] += share * (not (b > clip_low and b < clip_high))
            if not math.isfinite(r + g + b):
                continue
            if n == 0:
                origin[0], origin[1], origin[2] = r, g, b
            values[0, n], values[1, n], values[2, n], weights[n] = r, g, b, share
            n += 1
            dr, dg, db = r - origin[0], g - origin[1], b - origin[2]
            sx, sr, sg, sb = share * i, share * dr, share * dg, share * db
            m_1 += share
            m_x += sx
            m_xx += sx * i
            m_r += sr
            m_g += sg
            m_b += sb
            m_xr += sx * dr
            m_xg += sx * dg
            m_xb += sx * db
            m_rr += sr * dr
            m_rg += sr * dg
            m_rb += sr * db
            m_gg += sg * dg
            m_gb += sg * db
            m_bb += sb * db
        line = float(y - y0)
        moments[0, 0] += m_1
        moments[0, 1] += m_x
        moments[0, 2] += m_1 * line
        moments[1, 1] += m_xx
        moments[1, 2] += m_x * line
        moments[2, 2] += m_1 * line * line
        moments[0, 3] += m_r
        moments[0, 4] += m_g
        moments[0, 5] += m_b
        moments[1, 3] += m_xr
        moments[1, 4] += m_xg
        moments[1, 5] += m_xb
        moments[2, 3] += m_r * line
        moments[2, 4] += m_g * line
        moments[2, 5] += m_b * line
        moments[3, 3] += m_rr
        moments[3, 4] += m_rg
        moments[3, 5] += m_rb
        moments[4, 4] += m_gg
        moments[4, 5] += m_gb
        moments[5, 5] += m_bb
    if total > 0.0:
        for c in range(3):
            clipped[c] = beyond[c] / total
    weight = moments[0, 0]
    if weight <= 0.0:
        return 0.0
    centre = moments[0] / weight
    second = np.empty((6, 6))
    for a in range(1, 6):
        for b in range(a, 6):
            second[a, b] = second[b, a] = moments[a, b] / weight - centre[a] * centre[b]
    spread = second[1, 1] * second[2, 2] - second[1, 2] * second[1, 2]
    for c in range(3):
        sx, sy = second[1, 3 + c], second[2, 3 + c]
        if spread > 1e-9:
            gradient[c, 0] = (second[2, 2] * sx - second[1, 2] * sy) / spread
            gradient[c, 1] = (second[1, 1] * sy - second[1, 2] * sx) / spread
        else:
            gradient[c, 0] = gradient[c, 1] = 0.0
    for a in range(3):
        for b in range(3):
            covariance[a, b] = second[3 + a, 3 + b]
            noise[a, b] = (second[3 + a, 3 + b] - gradient[a, 0] * second[1, 3 + b]
                           - gradient[a, 1] * second[2, 3 + b])
        covariance[a, a] = max(covariance[a, a], 0.0)
        noise[a, a] = max(noise[a, a], 0.0)
    _robust_location(values, weights, n, robust)
    area, gx, gy = _centroid(corners)
    # Only where the whole polygon was seen is its centroid that of what was measured.
    whole = feather == 0.0 and abs(weight - area) <= 1e-6 * area
    for c in range(3):
        mean[c] = origin[c] + centre[3 + c]
        if whole:
            shift = (gradient[c, 0] * (gx - (x0 + 0.5 + centre[1])) + gradient[c, 1] * (gy - (y0 + 0.5 + centre[2])))
            mean[c] += shift
            robust[c] += shift
    return weight
