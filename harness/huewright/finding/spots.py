"""Places on the card's own ground, between the patches, where one paint can be measured all over the card."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from huewright.models.card import Card, Mark, Patch

MOST_SPOTS = 36


@lru_cache(maxsize=16)
def clear_ground(card: Card) -> tuple[np.ndarray | None, float]:
    """How far each place is from all that isn't ground, in card units, as a raster (rows, columns), and the raster's
    pixels per card unit; None without marks.

    The ground is the colour of the first mark; clear of patches and of marks of other colours.
    """
    if not card.marks:
        return None, 1.0
    width, height = card.size
    scale = 560.0 / width
    shape = (int(height * scale), int(width * scale))
    clear = np.zeros(shape, np.uint8)
    areas: tuple[Mark | Patch, ...] = (*card.marks, *card.patches)
    for area in areas:
        same = isinstance(area, Mark) and same_colour(area, card.marks[0])
        points = np.round(np.array(area.polygon) * scale).astype(np.int32)
        cv2.fillConvexPoly(clear, points, 255 if same else 0)
    clear[0], clear[-1], clear[:, 0], clear[:, -1] = 0, 0, 0, 0
    # Lines between two areas of ground colour leave their trace: erase what lies under a drawn outline.
    for mark in card.marks[1:]:
        cv2.polylines(clear, [np.round(np.array(mark.polygon) * scale).astype(np.int32)], True, 0, 2)
    return np.asarray(cv2.distanceTransform(clear, cv2.DIST_L2, 5)) / scale, scale


@lru_cache(maxsize=16)
def ground_spots(card: Card) -> tuple[np.ndarray, float]:
    """(s, 2) middles of squares of clear ground and their half side, in card units; s = 0 without marks."""
    room, scale = clear_ground(card)
    if room is None:
        return np.empty((0, 2)), 0.0
    width, shape = card.size[0], room.shape
    wanted = 0.02 * width
    spots: list[tuple[float, float]] = []
    taken = room.copy()
    rows, columns = np.mgrid[0:shape[0], 0:shape[1]]
    while len(spots) < MOST_SPOTS:
        row, column = np.unravel_index(int(taken.argmax()), taken.shape)
        if taken[row, column] < 0.4 * wanted:
            break
        spots.append(((column + 0.5) / scale, (row + 0.5) / scale))
        taken[np.hypot(rows - row, columns - column) < 0.055 * width * scale] = 0
    if not spots:
        return np.empty((0, 2)), 0.0
    at = np.array(spots)
    clearance = np.array([room[int(y * scale), int(x * scale)] for x, y in spots])
    half = float(np.quantile(clearance, 0.2)) * 0.45
    return at, half


@lru_cache(maxsize=16)
def spot_room(card: Card) -> np.ndarray:
    """(s,) how far each of :func:`ground_spots` is from all that isn't ground, in card units."""
    room, scale = clear_ground(card)
    at, _ = ground_spots(card)
    return np.array([room[int(y * scale), int(x * scale)] for x, y in at]) if room is not None else np.empty(0)


def same_colour(a: Mark, b: Mark) -> bool:
    if a.xyz is not None and b.xyz is not None:
        return bool(np.allclose(a.xyz, b.xyz, atol=0.004))
    return bool(a.reflectance) and len(a.reflectance) == len(b.reflectance) and bool(
        np.allclose(a.reflectance, b.reflectance, atol=0.004))
