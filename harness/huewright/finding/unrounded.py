"""Patches' colours from blocks whose coefficients were rounded: what every coefficient still says is an interval.

Of blocks that a patch fills all are rounded alike, and their mean keeps that error; blocks that its outline crosses
hold other shares of it and are rounded otherwise. So the card's picture is fitted to the coefficients
(:mod:`.block_fit`), and drawn anew as near to the fit as their intervals allow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from huewright.finding.block_fit import BlockFit, cover_of, edge_sigma
from huewright.finding.coding import BLOCK, MACRO, TO_YCC, decoded_ycc, seen_coding
from huewright.finding.find import Found
from huewright.finding.light import LinearLight
from huewright.finding.pose import Pose
from huewright.finding.spots import same_colour
from huewright.models.card import Card

# Pixels from the card's edge that a block must stay clear of; blocks of a patch that are fitted, at most; and that are
# drawn at once, which bounds memory.
MARGIN_PX, PER_PATCH, AT_ONCE = 2.5, 40, 1000
# What the fit says of chroma's error, times this; and of luma's, which stays as decoded: a step's own standard
# deviation, times this.
CHROMA_ERROR, LUMA_ERROR = 1.2, 0.8
# Rows and columns in the card's middle in which the coding is looked for; multiples of MACRO.
MOST_SEARCHED = (480, 832)


@dataclass(frozen=True)
class Unrounded:
    """``codes`` (h, w, 3) float32, 0 to 1: another picture that the same file may stand for; ``error`` (p, 3) standard
    error of the patches' codes that is left of rounding."""

    codes: np.ndarray
    error: np.ndarray


def as_before_rounding(rgb: np.ndarray, card: Card, found: Found, light: LinearLight, code: np.ndarray,
                       ) -> Unrounded | None:
    """``rgb`` (h, w, 3), 0 to 1; ``code`` (p, 3) what its pixels say of the patches. None for a picture that isn't of 8
    bits, or in which no coder's steps are seen."""
    if light.highest_code != 255:
        return None
    low, high = _around(found.corners, (rgb.shape[0], rgb.shape[1]))
    codes = 255 * rgb[low[1]:high[1], low[0]:high[0], :3].astype(np.float64)
    if not np.isfinite(codes).all() or (np.abs(codes - np.round(codes)) > 0.02).any():
        return None
    middle, size = (found.corners.mean(axis=0) - low).astype(int), np.array(MOST_SEARCHED[::-1])
    first = np.clip((middle - size // 2) // MACRO * MACRO, 0, np.maximum(high - low - size, 0))
    last = first + size
    coding = seen_coding(codes[first[1]:last[1], first[0]:last[0]])
    if coding is None:
        return None
    moved = replace(found, corners=found.corners - low, pose=_moved(found.pose, low))
    at, touched = _macroblocks(card, moved, (codes.shape[0], codes.shape[1]))
    fit = BlockFit.of(codes, card, moved, light, code, coding, at[_thinned(touched)])
    if fit is None:
        return None
    covariance = fit.solved()
    better = decoded_ycc(codes)
    for begun in range(0, len(at), AT_ONCE):
        here = at[begun:begun + AT_ONCE]
        part = BlockFit(card, moved.pose, light, coding, here, fit.sigma, fit.polygons)
        part.bound(codes, here)
        part.redraw(better, here, fit.level, fit.free)
    back = np.linalg.inv(TO_YCC)
    result = np.array(rgb[..., :3], dtype=np.float32)
    result[low[1]:high[1], low[0]:high[0]] = (better @ back.T) / 255
    chroma = back @ np.diag([0.0, 1.0, 1.0]) @ TO_YCC
    left = np.einsum("ij,pjk,ik->pi", chroma, covariance, chroma)
    step = coding.steps[0, 0] / BLOCK / 255 if np.isfinite(coding.steps[0, 0]) else 0.0
    return Unrounded(result, np.sqrt(CHROMA_ERROR**2 * left + (LUMA_ERROR * step) ** 2 / 12))


def _around(corners: np.ndarray, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Top left and bottom right (x, y), whole macroblocks: the card, and around it what is searched."""
    least, most = np.floor(corners.min(axis=0)), np.ceil(corners.max(axis=0))
    spare = np.maximum(np.array(MOST_SEARCHED[::-1]) - (most - least), 0) / 2 + MACRO
    low = np.maximum(np.floor((least - spare) / MACRO) * MACRO, 0).astype(int)
    high = np.minimum(np.ceil((most + spare) / MACRO) * MACRO, np.array(size[::-1]) // MACRO * MACRO).astype(int)
    return low, np.maximum(high, low)


def _moved(pose: Pose, by: np.ndarray) -> Pose:
    shift = np.array([[1, 0, -by[0]], [0, 1, -by[1]], [0, 0, 1.0]])
    return replace(pose, homography=shift @ pose.homography,
                   middle=(pose.middle[0] - float(by[0]), pose.middle[1] - float(by[1])))


def _thinned(touched: np.ndarray) -> np.ndarray:
    """(m,) which macroblocks tell enough: of each patch, and of the ground alone, ``PER_PATCH`` at most; ``touched``
    (p, m)."""
    kept = np.zeros(touched.shape[1], bool)
    for mine in (*touched, ~touched.any(axis=0)):
        of = np.flatnonzero(mine)
        kept[of[::max(1, -(-len(of) // PER_PATCH))]] = True
    return kept


def _macroblocks(card: Card, found: Found, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """(m, 2) top left corners of macroblocks of which the model knows all that is in them, and (p, m) which patches
    touch them."""
    pose, sigma = found.pose, edge_sigma(found)
    polygons = pose.polygons(card)
    first = np.maximum(np.floor(found.corners.min(axis=0) / MACRO).astype(int), 0)
    last = np.minimum(np.ceil(found.corners.max(axis=0) / MACRO).astype(int), (size[1] // MACRO, size[0] // MACRO))
    if (last <= first).any():
        return np.empty((0, 2), int), np.empty((len(polygons), 0), bool)
    columns, rows = np.meshgrid(np.arange(first[0], last[0]), np.arange(first[1], last[1]))
    at = MACRO * np.stack([columns, rows], axis=-1).reshape(-1, 2)
    # A quarter of the pixels tells what lies in a macroblock.
    step = np.arange(MACRO // 2) * 2 + 1.0
    x, y = np.broadcast_arrays(at[:, 0, None, None] + step, at[:, 1, None, None] + step[:, None])
    clear = cover_of(found.corners, x, y, 0.01, -MARGIN_PX).min(axis=(1, 2)) > 0.5
    total = np.zeros(x.shape)
    touched = []
    for polygon in polygons:
        cover = cover_of(polygon, x, y, sigma, 0.0)
        total += cover
        touched.append(cover.max(axis=(1, 2)) > 0.02)
    if not card.marks:
        clear &= total.min(axis=(1, 2)) > 0.998
    for k, mark in enumerate(card.marks):
        if same_colour(mark, card.marks[0]):
            continue
        cover = cover_of(pose.to_pixels(np.array(mark.polygon, dtype=np.float64)), x, y, sigma + 0.4, 0.0)
        for over in card.marks[k + 1:]:
            cover *= 1 - cover_of(pose.to_pixels(np.array(over.polygon, dtype=np.float64)), x, y, sigma + 0.4, 0.0)
        clear &= cover.max(axis=(1, 2)) < 0.003
    return at[clear], np.array(touched)[:, clear]


__all__ = ["Unrounded", "as_before_rounding"]
