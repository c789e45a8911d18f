"""Finding the card in one picture, alone or from where it was in the picture before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np

from huewright.errors import InputError
from huewright.finding.blobs import Blobs, edge_strength, find_blobs, noise_floor, tone_power, toned
from huewright.finding.confirm import Evidence, looks_hopeless, weigh
from huewright.finding.edges import EdgeFit, EdgePoints, edge_points, edge_width_px, refine
from huewright.finding.expect import expected_rgb
from huewright.finding.match import Candidate, Constellation, candidates, constellation, grow, same_place
from huewright.finding.pose import Pose, plain_pose
from huewright.models.card import Card

# Widths at which blobs are looked for, one after the other, and edge thresholds as multiples of the noise floor.
LEVELS = {960: (8.0, 3.0, 20.0), 1920: (8.0, 3.0)}
TRACK_THRESHOLDS = (8.0, 3.0)
LEAST_THRESHOLD = 0.0015
MOST_TRIED = 3
TRACK_WIDTH = 420.0
WORSE_WHEN_FINE = 0.6


@dataclass(frozen=True)
class Found:
    """A card in a picture.

    corners      (4, 2) float64 px, clockwise from the card's own top left, lens distortion included
    homography   (3, 3) card units to px, lens distortion left out
    score        0..3, the evidence's sum; 3.0 for corners given by hand
    pose         the whole mapping; ``pose.to_pixels(points)``
    edge_width_px  10 % to 90 % width of the card's edges
    """

    corners: np.ndarray
    homography: np.ndarray
    score: float
    pose: Pose
    edge_width_px: float = 0.0
    evidence: Evidence | None = None
    by_hand: bool = False


def find_card(rgb: np.ndarray, card: Card, *, hint: Found | None = None, corners: np.ndarray | None = None,
              pixel_aspect: float = 1.0) -> Found | None:
    """The card in ``rgb`` (h, w, 3) float32 code values, or None where there is none.

    hint     where it was in the picture before: looked for near there first, then everywhere
    corners  (4, 2) px by hand, clockwise from the card's own top left: taken as they are
    pixel_aspect  width over height of a pixel

    Raises :class:`InputError` if ``corners`` are not four points of a convex quadrilateral in clockwise order.
    """
    h, w = rgb.shape[:2]
    if corners is not None:
        return _by_hand(np.asarray(corners, dtype=np.float64), card, w, h, pixel_aspect)
    picture = np.ascontiguousarray(rgb[..., :3], dtype=np.float32)
    known = _known(card)
    if hint is not None:
        tracked = _track(picture, card, known, hint)
        if tracked is not None:
            return tracked
    return _search(picture, card, known, pixel_aspect)


@dataclass(frozen=True)
class _Known:
    stars: Constellation
    edges: EdgePoints
    expected: np.ndarray


@lru_cache(maxsize=16)
def _known(card: Card) -> _Known:
    if len(card.patches) < 6:
        raise InputError(f"card {card.name!r} has fewer than six patches; too few to find it in a picture")
    return _Known(constellation(card), edge_points(card), expected_rgb(card))


def _search(picture: np.ndarray, card: Card, known: _Known, pixel_aspect: float) -> Found | None:
    h, w = picture.shape[:2]
    best: Found | None = None
    reduced = picture
    pyramid: dict[int, tuple[np.ndarray, tuple[float, ...]]] = {}
    for width, thresholds in sorted(LEVELS.items(), reverse=True):
        width = min(width, w)
        if width < reduced.shape[1]:
            reduced = cv2.resize(reduced, (width, max(1, round(h * width / w))), interpolation=cv2.INTER_AREA)
        pyramid[width] = (reduced, thresholds)
    for level, thresholds in reversed(pyramid.values()):
        power = tone_power(level)
        even = toned(level, power)
        strength = edge_strength(even)
        floor = noise_floor(strength)
        factor = w / level.shape[1]
        refused: list[np.ndarray] = []
        for multiple in thresholds:
            blobs = find_blobs(even, strength, multiple * max(floor, LEAST_THRESHOLD))
            for candidate in candidates(blobs, known.stars)[:MOST_TRIED]:
                if candidate.score < 0.25 * len(card.patches):
                    continue
                if any(same_place(candidate.homography, other, card.size) for other in refused):
                    continue
                found = _settle(picture, level, card, known, candidate, factor, power, pixel_aspect)
                if found is None:
                    refused.append(candidate.homography)
                elif best is None or found.score > best.score:
                    best = found
            if best is not None and best.score > 2.4:
                return best
        if best is not None:
            return best
    return None


def _settle(picture: np.ndarray, level: np.ndarray, card: Card, known: _Known, candidate: Candidate, factor: float,
            power: float, pixel_aspect: float) -> Found | None:
    """Refines a candidate on the reduced picture, weighs it there, then refines it at full size."""
    h, w = level.shape[:2]
    pose = plain_pose(candidate.homography, w, h, pixel_aspect)
    if looks_hopeless(level, card, known.expected, pose, power):
        return None
    reach = float(np.clip(0.012 * _span(pose, card), 2.5, 8.0))
    coarse = refine(level, known.edges, pose, reaches=(reach, max(2.5, 0.5 * reach)), power=power,
                    with_distortion=_wide(pose, card, w))
    if coarse is None or coarse.support < 0.2:
        return None
    return _finish(picture, card, known, coarse, factor, power)


def _finish(picture: np.ndarray, card: Card, known: _Known, coarse: EdgeFit, factor: float,
            power: float) -> Found | None:
    pose = coarse.pose.scaled(factor)
    fine = refine(picture, known.edges, pose, reaches=(max(2.5, 1.5 * factor), 2.5), power=power,
                  with_distortion=_wide(pose, card, picture.shape[1]))
    if fine is None or fine.support < WORSE_WHEN_FINE * coarse.support:
        # Noise or smear hides the edges at full size: what was seen in the reduced picture stands.
        fine = replace(coarse, pose=pose, width_px=coarse.width_px * factor, residual_px=coarse.residual_px * factor)
    evidence = weigh(picture, card, known.expected, fine, power)
    if not evidence.convinces:
        return None
    return Found(fine.pose.corners(card), fine.pose.homography, evidence.score, fine.pose,
                 edge_width_px(picture, known.edges, fine.pose, power), evidence)


def _track(picture: np.ndarray, card: Card, known: _Known, hint: Found) -> Found | None:
    """The card near ``hint``: blobs in a window around it, grown from where it was."""
    h, w = picture.shape[:2]
    corners = hint.corners
    span = np.ptp(corners, axis=0)
    low = np.maximum(np.floor(corners.min(axis=0) - 0.2 * span), 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0) + 0.2 * span), (w, h)).astype(int)
    if (high - low).min() < 16:
        return None
    shrink = max(1.0, float(np.sqrt(span.prod())) / TRACK_WIDTH)
    window = picture[low[1]:high[1], low[0]:high[0]]
    size = (max(8, round(window.shape[1] / shrink)), max(8, round(window.shape[0] / shrink)))
    level = window if shrink == 1.0 else cv2.resize(window, size, interpolation=cv2.INTER_AREA)
    to_level = np.diag([level.shape[1] / window.shape[1], level.shape[0] / window.shape[0], 1.0])
    to_level = to_level @ np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1.0]])
    power = tone_power(level)
    even = toned(level, power)
    strength = edge_strength(even)
    floor = noise_floor(strength)
    start = to_level @ _straightened(hint.pose, card)
    for multiple in TRACK_THRESHOLDS:
        blobs: Blobs = find_blobs(even, strength, multiple * max(floor, LEAST_THRESHOLD), largest=0.3)
        if len(blobs.area) < 4:
            continue
        candidate = grow(blobs, known.stars, start)
        if candidate is None or candidate.score < 0.4 * len(card.patches):
            continue
        back = np.linalg.inv(to_level) @ candidate.homography
        pose = Pose(back / back[2, 2], 0.0, hint.pose.middle, hint.pose.radius, hint.pose.stretch)
        reach = float(np.clip(0.012 * _span(pose, card), 3.0, 14.0))
        fine = refine(picture, known.edges, pose, reaches=(reach, 3.0, 2.5), power=power,
                      with_distortion=_wide(pose, card, w))
        if fine is None:
            continue
        evidence = weigh(picture, card, known.expected, fine, power)
        if evidence.convinces:
            return Found(fine.pose.corners(card), fine.pose.homography, evidence.score, fine.pose,
                         edge_width_px(picture, known.edges, fine.pose, power), evidence)
    return None


def _by_hand(corners: np.ndarray, card: Card, width: int, height: int, pixel_aspect: float) -> Found:
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        raise InputError("corners are four points x,y, clockwise from the card's own top left")
    q, r = np.roll(corners, -1, axis=0), np.roll(corners, -2, axis=0)
    turn = (q[:, 0] - corners[:, 0]) * (r[:, 1] - q[:, 1]) - (q[:, 1] - corners[:, 1]) * (r[:, 0] - q[:, 0])
    if turn.min() <= 0:
        raise InputError("these corners make no convex shape in clockwise order; start at the card's own top left")
    source = np.array(card.corners, dtype=np.float32)
    homography = cv2.getPerspectiveTransform(source, corners.astype(np.float32)).astype(np.float64)
    return Found(corners, homography, 3.0, plain_pose(homography, width, height, pixel_aspect), by_hand=True)


def _straightened(pose: Pose, card: Card) -> np.ndarray:
    """A homography for the card's patches as they appear, distortion taken in."""
    if pose.distortion == 0.0:
        return pose.homography
    corners = np.array(card.corners, dtype=np.float32) * 0.8 + np.array(card.size, dtype=np.float32) * 0.1
    return cv2.getPerspectiveTransform(corners, pose.to_pixels(corners.astype(np.float64)).astype(np.float32)).astype(
        np.float64)


def _span(pose: Pose, card: Card) -> float:
    corners = pose.corners(card)
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).max())


def _wide(pose: Pose, card: Card, width: int) -> bool:
    """Distortion is only worth fitting where the card spans enough of the picture to show it."""
    return bool(np.ptp(pose.corners(card)[:, 0]) > 0.18 * width)

