"""Soft polygon and ellipse masks, and the isolated picture.

Coordinates are pixels, x right, y down, the first pixel's centre at (0.5, 0.5).

Without feather the coverage of a pixel is the exact area of the polygon inside it (the boundary integral of
each edge over each pixel row; Green's theorem). With a feather of width f it is a smooth step of the signed
distance d from the pixel's centre to the outline (negative inside): t^2 (3 - 2 t), t = clamp(1/2 - d/f), so
that half the coverage is reached on the outline itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numba import njit

from huewright_kernels.cache import entry
from huewright_kernels.threads import for_each_tile

BANDS = 16


def coverage(polygon: Any, width: int, height: int, feather_px: float = 0.0) -> np.ndarray:
    """Coverage 0..1 of each pixel by the convex ``polygon`` (n, 2), as float32 (height, width).

    Raises ``ValueError`` for a polygon that is not convex or not finite, or a negative feather.
    """
    corners = convex(polygon)
    check_feather(feather_px)
    mask = np.zeros((height, width), np.float32)
    _add_coverage(corners, float(feather_px), mask)
    return mask


def ellipse_coverage(centre: tuple[float, float], radii: tuple[float, float], angle_deg: float, width: int,
                     height: int, feather_px: float = 0.0) -> np.ndarray:
    """Coverage 0..1 of each pixel by an ellipse whose first radius points ``angle_deg`` from x towards y.

    Without feather a polygon of 256 sides and the same area stands in for it. With one, the distance is taken
    along the outline's normal to first order, so that the feather's width is right where it matters: near it.
    """
    if not (min(radii) > 0 and all(map(math.isfinite, (*centre, *radii, angle_deg)))):
        raise ValueError("an ellipse has a finite centre and angle, and two positive radii")
    check_feather(feather_px)
    mask = np.zeros((height, width), np.float32)
    angle = math.radians(angle_deg)
    if feather_px == 0:
        turn = np.arange(256) * (2 * math.pi / 256)
        swell = math.sqrt(2 * math.pi / (256 * math.sin(2 * math.pi / 256)))
        u, v = radii[0] * swell * np.cos(turn), radii[1] * swell * np.sin(turn)
        outline = np.stack([centre[0] + u * math.cos(angle) - v * math.sin(angle),
                            centre[1] + u * math.sin(angle) + v * math.cos(angle)], axis=1)
        _add_coverage(outline, 0.0, mask)
    else:
        _ellipse(float(centre[0]), float(centre[1]), float(radii[0]), float(radii[1]), math.cos(angle),
                 math.sin(angle), float(feather_px), mask)
    return mask

def isolate(pixels: np.ndarray, polygons: Sequence[Any], feather_px: float = 0.0,
            fill: tuple[float, float, float] = (0.0, 0.0, 0.0), out: np.ndarray | None = None,
            threads: int | None = None) -> np.ndarray:
    """``pixels`` (h, w, c >= 3) float32 with everything outside the union of the masks set to ``fill``.

    Masks add up to 1 at most. Channels beyond R, G, B are copied. ``out`` may be ``pixels`` itself.
    """
    check_pixels(pixels)
    check_feather(feather_px)
    if out is None:
        out = np.empty(pixels.shape, np.float32)
    elif out.shape != pixels.shape or out.dtype != np.float32:
        raise ValueError("out has the shape and type of the pixels")
    mask = np.zeros(pixels.shape[:2], np.float32)
    for polygon in polygons:
        _add_coverage(convex(polygon), float(feather_px), mask)
    if out is not pixels:
        out[..., 3:] = pixels[..., 3:]
    height, colour = pixels.shape[0], np.array(fill, np.float32)

    def band(k: int) -> None:
        _blend(pixels, mask, colour, k * height // BANDS, (k + 1) * height // BANDS, out)

    for_each_tile(band, BANDS, threads)
    return out


def check_pixels(pixels: np.ndarray) -> None:
    if pixels.ndim != 3 or pixels.shape[2] < 3 or pixels.dtype != np.float32:
        raise ValueError("pixels are float32 of shape (height, width, 3 or more channels); "
                         f"these are {pixels.dtype} of shape {pixels.shape}")


def check_feather(feather_px: float) -> None:
    if not (math.isfinite(feather_px) and feather_px >= 0):
        raise ValueError("the feather is a width in pixels, 0 or more")


def convex(polygon: Any) -> np.ndarray:
    """(n, 2) float64, running so that the area x_i y_i+1 - x_i+1 y_i is positive."""
    corners = np.ascontiguousarray(polygon, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1] != 2 or corners.shape[0] < 3 or not np.isfinite(corners).all():
        raise ValueError("a polygon is three or more finite points (x, y)")
    edges = np.roll(corners, -1, axis=0) - corners
    following = np.roll(edges, -1, axis=0)
    turns = edges[:, 0] * following[:, 1] - edges[:, 1] * following[:, 0]
    slack = 1e-9 * float(np.max(np.sum(edges**2, axis=1)))
    if np.any(turns > slack) and np.any(turns < -slack):
        raise ValueError("a polygon must be convex; this one has a corner that points inwards")
    return corners if turns.sum() >= 0 else np.ascontiguousarray(corners[::-1])


def compiled(function: Any) -> Any:
    return njit(nogil=True, error_model="numpy")(function)


@compiled
def _ramp_integral(u):
    """The integral of clamp(s, 0, 1) from 0 to u."""
    if u <= 0.0:
        return 0.0
    return 0.5 * u * u if u < 1.0 else u - 0.5


@compiled
def _area_row(corners, y, x_first, row, cover):
    """Exact area of the polygon in each pixel of row ``y``, pixels x_first .. x_first + len(row) - 1.

    Each edge adds, with the sign of its direction, the area between it and the right-hand side.
    """
    width = row.shape[0]
    row[:] = 0.0
    cover[:] = 0.0
    n = corners.shape[0]
    for k in range(n):
        xa, ya = corners[k, 0], corners[k, 1]
        xb, yb = corners[(k + 1) % n, 0], corners[(k + 1) % n, 1]
        sign = -1.0
        if ya > yb:
            xa, ya, xb, yb = xb, yb, xa, ya
            sign = 1.0
        top, bottom = max(ya, float(y)), min(yb, float(y + 1))
        if bottom <= top:
            continue
        slope = (xb - xa) / (yb - ya)
        x0 = min(max(xa + slope * (top - ya), min(xa, xb)), max(xa, xb)) - x_first
        x1 = min(max(xa + slope * (bottom - ya), min(xa, xb)), max(xa, xb)) - x_first
        left, right = min(x0, x1), max(x0, x1)
        strip = sign * (bottom - top)
        last = int(min(max(math.floor(right), -1.0), width - 1.0))
        for i in range(int(max(math.floor(left), 0.0)), last + 1):
            if right - left < 1e-6:
                row[i] += strip * min(max(i + 1 - 0.5 * (left + right), 0.0), 1.0)
            else:
                row[i] += strip * (_ramp_integral(i + 1 - left) - _ramp_integral(i + 1 - right)) / (right - left)
        if last + 1 < width:
            cover[last + 1] += strip
    running = 0.0
    for i in range(width):
        running += cover[i]
        row[i] = min(max(row[i] + running, 0.0), 1.0)


@compiled
def _distance(corners, px, py):
    """Distance of a point outside the polygon to its outline."""
    n = corners.shape[0]
    nearest = 1e300
    for k in range(n):
        xa, ya = corners[k, 0], corners[k, 1]
        ex, ey = corners[(k + 1) % n, 0] - xa, corners[(k + 1) % n, 1] - ya
        dx, dy = px - xa, py - ya
        squared = ex * ex + ey * ey
        along = min(max((dx * ex + dy * ey) / squared, 0.0), 1.0) if squared > 0.0 else 0.0
        qx, qy = dx - along * ex, dy - along * ey
        nearest = min(nearest, qx * qx + qy * qy)
    return math.sqrt(nearest)


@compiled
def _smooth_row(corners, feather, y, x_first, row):
    """Smooth step of the signed distance to the polygon for each pixel of row ``y``."""
    n = corners.shape[0]
    py = y + 0.5
    row[:] = -1e300
    for k in range(n):
        xa, ya = corners[k, 0], corners[k, 1]
        ex, ey = corners[(k + 1) % n, 0] - xa, corners[(k + 1) % n, 1] - ya
        length = math.sqrt(ex * ex + ey * ey)
        if length > 0.0:
            at_first = ((x_first + 0.5 - xa) * ey - (py - ya) * ex) / length
            step = ey / length
            for i in range(row.shape[0]):
                row[i] = max(row[i], at_first + step * i)
    half = 0.5 * feather
    for i in range(row.shape[0]):
        distance = row[i]
        if distance >= half or distance <= -half:
            row[i] = 0.0 if distance > 0.0 else 1.0
            continue
        if distance > 0.0:
            distance = _distance(corners, x_first + i + 0.5, py)
        t = min(max(0.5 - distance / feather, 0.0), 1.0)
        row[i] = t * t * (3.0 - 2.0 * t)


@compiled
def _box(corners, feather, width, height):
    """First and last + 1 of the columns and rows that the mask can touch, within the picture."""
    margin = 0.5 * feather
    x0, x1, y0, y1 = 1e300, -1e300, 1e300, -1e300
    for k in range(corners.shape[0]):
        x0, x1 = min(x0, corners[k, 0]), max(x1, corners[k, 0])
        y0, y1 = min(y0, corners[k, 1]), max(y1, corners[k, 1])
    return (int(min(max(math.floor(x0 - margin), 0.0), width)), int(min(max(math.ceil(x1 + margin), 0.0), width)),
            int(min(max(math.floor(y0 - margin), 0.0), height)), int(min(max(math.ceil(y1 + margin), 0.0), height)))


@entry("void(f8[:,:], f8, f4[:,:])")
def _add_coverage(corners, feather, mask):
    """Adds the polygon's coverage to ``mask`` (h, w), up to 1."""
    x0, x1, y0, y1 = _box(corners, feather, mask.shape[1], mask.shape[0])
    if x1 <= x0:
        return
    row, cover = np.empty(x1 - x0), np.empty(x1 - x0)
    for y in range(y0, y1):
        if feather > 0.0:
            _smooth_row(corners, feather, y, x0, row)
        else:
            _area_row(corners, y, x0, row, cover)
        for i in range(x1 - x0):
            mask[y, x0 + i] = min(mask[y, x0 + i] + row[i], 1.0)


@entry("void(f8, f8, f8, f8, f8, f8, f8, f4[:,:])")
def _ellipse(cx, cy, rx, ry, cosine, sine, feather, mask):
    for y in range(mask.shape[0]):
        for x in range(mask.shape[1]):
            dx, dy = x + 0.5 - cx, y + 0.5 - cy
            u, v = (dx * cosine + dy * sine) / rx, (dy * cosine - dx * sine) / ry
            level = math.sqrt(u * u + v * v)
            steepness = math.sqrt((u / rx) ** 2 + (v / ry) ** 2)
            distance = (level - 1.0) * level / steepness if steepness > 0.0 else -min(rx, ry)
            t = min(max(0.5 - distance / feather, 0.0), 1.0)
            mask[y, x] = t * t * (3.0 - 2.0 * t)


@entry("void(f4[:,:,:], f4[:,:], f4[:], i8, i8, f4[:,:,:])")
def _blend(rgb, mask, fill, y0, y1, out):
    red, green, blue = fill[0], fill[1], fill[2]
    for y in range(y0, y1):
        for x in range(mask.shape[1]):
            share = mask[y, x]
            r, g, b = red, green, blue
            if share >= 1:
                r, g, b = rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]
            elif share > 0:
                r += share * (rgb[y, x, 0] - r)
                g += share * (rgb[y, x, 1] - g)
                b += share * (rgb[y, x, 2] - b)
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = r, g, b
