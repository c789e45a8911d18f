"""Patch isolation in float64 NumPy: where a card's patches lie in a picture, and how much of each pixel they cover.

Points are (x, y); in pictures in pixels, x to the right and y down, the first pixel's centre at (0.5, 0.5).

Sources: the projective map of a quad by its eight linear equations (Heckbert, "Fundamentals of Texture Mapping and
Image Warping", 1989, section 2.2.2); a polygon's part in a pixel by Sutherland and Hodgman, "Reentrant polygon
clipping", Communications of the ACM 17, 1974; its area by the shoelace formula.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

UNIT = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def placed(patches: Sequence[np.ndarray], corners: np.ndarray, inset: float, scale: tuple[float, float],
           at: tuple[float, float], height: int) -> list[np.ndarray]:
    """The polygons (n, 2) in the picture of ``patches`` in shares of the card.

    corners  (4, 2) the card's in canonical coordinates, pixels at full scale, y up: top left, top right, bottom right,
             bottom left
    inset    each patch is drawn towards the mean of its points by this share of the way, on the card
    scale    the picture's pixels to one at full scale, along x and y
    at       the canonical place of the picture's lower left corner, in its own pixels
    """
    rows, values = [], []
    for (u, w), (x, y) in zip(UNIT, corners, strict=True):
        rows += [[u, w, 1, 0, 0, 0, -u * x, -w * x], [0, 0, 0, u, w, 1, -u * y, -w * y]]
        values += [x, y]
    a, b, c, d, e, f, g, h = np.linalg.solve(np.array(rows, np.float64), np.array(values, np.float64))
    polygons = []
    for patch in patches:
        u, w = (patch.mean(axis=0) + (1.0 - inset) * (patch - patch.mean(axis=0))).T
        depth = g * u + h * w + 1.0
        x, y = (a * u + b * w + c) / depth, (d * u + e * w + f) / depth
        polygons.append(np.stack([x * scale[0] - at[0], at[1] + height - y * scale[1]], axis=1))
    return polygons


def covered(polygons: Sequence[np.ndarray], width: int, height: int, feather: float) -> np.ndarray:
    """Coverage 0..1 of each pixel (height, width) by convex polygons; where they meet it adds up, to 1 at most."""
    total = np.zeros((height, width))
    for polygon in polygons:
        total += _soft(polygon, width, height, feather) if feather > 0 else _areas(polygon, width, height)
    return np.minimum(total, 1.0)


def _areas(polygon: np.ndarray, width: int, height: int) -> np.ndarray:
    """The area of the polygon in each pixel."""
    areas = np.zeros((height, width))
    for row in range(height):
        strip = _clipped(_clipped(polygon, 1, row, 1), 1, row + 1, -1)
        for column in range(width):
            cell = _clipped(_clipped(strip, 0, column, 1), 0, column + 1, -1)
            if len(cell) > 2:
                x, y = np.array(cell).T
                areas[row, column] = abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2
    return areas


def _clipped(polygon: Sequence[np.ndarray] | np.ndarray, axis: int, bound: float, side: int) -> list[np.ndarray]:
    """What of the polygon lies beyond ``bound`` along the axis, upwards (``side`` 1) or downwards (-1)."""
    kept: list[np.ndarray] = []
    for point, after in zip(polygon, [*polygon[1:], *polygon[:1]], strict=True):
        here, there = side * (point[axis] - bound), side * (after[axis] - bound)
        if here >= 0:
            kept.append(point)
        if here * there < 0:
            kept.append(point + (after - point) * here / (here - there))
    return kept


def _soft(polygon: np.ndarray, width: int, height: int, feather: float) -> np.ndarray:
    """t^2 (3 - 2 t), t = 1/2 - d / feather within 0..1, d the distance of the pixel's centre to the outline, negative
    inside."""
    centres = np.stack(np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5), axis=-1)
    distance, sides = np.full((height, width), np.inf), []
    for start, end in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        along, to = end - start, centres - start
        share = np.clip(to @ along / (along @ along), 0.0, 1.0)
        distance = np.minimum(distance, np.linalg.norm(to - share[..., None] * along, axis=-1))
        sides.append(along[0] * to[..., 1] - along[1] * to[..., 0])
    inside = np.all(np.array(sides) >= 0, axis=0) | np.all(np.array(sides) <= 0, axis=0)
    t = np.clip(0.5 - np.where(inside, -distance, distance) / feather, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
