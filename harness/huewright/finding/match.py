"""From uniform blobs to where the card may lie: constellations of blobs that repeat those of the card's patches.

A patch seen in perspective is, locally, an affine image of the card's. Its blob's second moments give that affine
map up to a turn, and the direction to a neighbouring blob settles the turn; so each pair of neighbouring blobs,
taken for each pair of neighbouring patches, is a hypothesis, most of which fail at once by size, shape or order
of lightness. What is left predicts where the other patches lie; those that find blobs there, of the right size
and in the right order of colours, are grown to a homography over the whole card.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from huewright.finding.blobs import Blobs
from huewright.finding.expect import expected_rgb
from huewright.models.card import Card

NEIGHBOURS = 7
MOST_BLOBS = 900
MOST_HYPOTHESES = 12000
GROWN = 40


@dataclass(frozen=True)
class Constellation:
    """A card's patches as the matcher wants them: centroids, moments, areas, expected colours, neighbour pairs."""

    centre: np.ndarray
    whiten: np.ndarray       # (p, 2, 2) inverse square roots of the patches' moments
    area: np.ndarray
    colour: np.ndarray
    first: np.ndarray        # (m,) patch a of each ordered pair
    second: np.ndarray       # (m,) patch b
    size: tuple[float, float]


@dataclass(frozen=True)
class Candidate:
    """A homography card -> picture pixels, the blob of each patch (or -1), and how well they agree."""

    homography: np.ndarray
    blob: np.ndarray
    score: float


def constellation(card: Card) -> Constellation:
    moments = [polygon_moments(np.array(patch.polygon)) for patch in card.patches]
    centre = np.array([m[1] for m in moments])
    shape = np.array([m[2] for m in moments])
    area = np.array([m[0] for m in moments])
    distance = np.linalg.norm(centre[:, None] - centre[None], axis=2)
    np.fill_diagonal(distance, np.inf)
    near = np.argsort(distance, axis=1)[:, :NEIGHBOURS]
    first = np.repeat(np.arange(len(centre)), near.shape[1])
    return Constellation(centre, _inverse_root(shape), area, expected_rgb(card), first, near.ravel(), card.size)


def polygon_moments(polygon: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """(area, centroid, covariance) of a simple polygon (n, 2), by Green's theorem."""
    p, q = polygon, np.roll(polygon, -1, axis=0)
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    area = cross.sum() / 2
    centre = ((p + q) * cross[:, None]).sum(0) / (6 * area)
    p, q = p - centre, q - centre
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    xx, yy = (((p[:, k] ** 2 + p[:, k] * q[:, k] + q[:, k] ** 2) * cross).sum() / (12 * area) for k in (0, 1))
    xy = ((2 * p[:, 0] * p[:, 1] + p[:, 0] * q[:, 1] + q[:, 0] * p[:, 1] + 2 * q[:, 0] * q[:, 1]) * cross).sum() / (
        24 * area)
    return abs(area), centre, np.array([[xx, xy], [xy, yy]])


def candidates(blobs: Blobs, stars: Constellation, *, keep: int = 4) -> list[Candidate]:
    """The best few places for the card, best first; empty where nothing repeats its constellation."""
    if len(blobs.area) < 4:
        return []
    affine, offset = _hypotheses(blobs, stars)
    if not len(affine):
        return []
    matrices = np.concatenate([affine, offset[:, :, None]], axis=2)
    scores = np.concatenate([_support(blobs, stars, part) for part in np.array_split(matrices, 1 + len(matrices) // 4000)])
    order = np.argsort(-scores, kind="stable")
    grown: list[Candidate] = []
    for index in order[:GROWN]:
        if scores[index] <= 2.0:
            break
        candidate = grow(blobs, stars, np.vstack([matrices[index], [0, 0, 1.0]]))
        if candidate is not None and not any(_same(candidate, other, stars.size) for other in grown):
            grown.append(candidate)
            if candidate.score > 0.85 * len(stars.area):
                break
    grown.sort(key=lambda candidate: -candidate.score)
    return grown[:keep]


def _hypotheses(blobs: Blobs, stars: Constellation) -> tuple[np.ndarray, np.ndarray]:
    """Affine maps (h, 2, 2) and offsets (h, 2) from pairs of blobs taken for pairs of patches."""
    n = len(blobs.area)
    keep = np.arange(n) if n <= MOST_BLOBS else np.sort(np.argsort(-blobs.area)[:MOST_BLOBS])
    centre, area, colour = blobs.centre[keep], blobs.area[keep], blobs.colour[keep]
    root, whiten = _root(blobs.shape[keep]), _inverse_root(blobs.shape[keep])
    distance = np.linalg.norm(centre[:, None] - centre[None], axis=2)
    np.fill_diagonal(distance, np.inf)
    near = np.argpartition(distance, min(NEIGHBOURS, len(keep) - 1) - 1, axis=1)[:, :NEIGHBOURS]
    i = np.repeat(np.arange(len(keep)), near.shape[1])
    j = near.ravel()
    i, j = i[i != j], j[i != j]
    a, b = stars.first, stars.second
    step = centre[j] - centre[i]
    ahead = np.einsum("kxy,ky->kx", whiten[i], step)
    behind = np.einsum("kxy,ky->kx", whiten[j], step)
    card_step = stars.centre[b] - stars.centre[a]
    card_ahead = np.einsum("kxy,ky->kx", stars.whiten[a], card_step)
    card_behind = np.einsum("kxy,ky->kx", stars.whiten[b], card_step)
    # Blobs are their patches less the blurred rim, so they look farther apart in their own measure.
    s1 = np.linalg.norm(ahead, axis=1)[:, None] / np.linalg.norm(card_ahead, axis=1)[None]
    s2 = np.linalg.norm(behind, axis=1)[:, None] / np.linalg.norm(card_behind, axis=1)[None]
    ok = (s1 > 0.85) & (s1 < 1.9) & (s2 > 0.85) & (s2 < 1.9) & (s1 < 1.42 * s2) & (s2 < 1.42 * s1)
    difference = colour[j] - colour[i]
    expected = stars.colour[b] - stars.colour[a]
    scale = np.maximum(np.abs(difference).max(axis=1, keepdims=True), 0.02)
    relative = difference / scale
    for channel in range(3):
        e = expected[:, channel]
        sure = np.where(np.abs(e) > 0.12, np.sign(e), 0.0)
        ok &= relative[:, channel][:, None] * sure[None] > -0.25
    k, m = np.nonzero(ok)
    if len(k) > MOST_HYPOTHESES:
        badness = np.abs(np.log(s1[k, m] / s2[k, m]))
        best = np.argpartition(badness, MOST_HYPOTHESES)[:MOST_HYPOTHESES]
        k, m = k[best], m[best]
    turn = np.arctan2(ahead[k, 1], ahead[k, 0]) - np.arctan2(card_ahead[m, 1], card_ahead[m, 0])
    cos, sin = np.cos(turn), np.sin(turn)
    rotation = np.stack([np.stack([cos, -sin], -1), np.stack([sin, cos], -1)], -2) * s1[k, m][:, None, None]
    affine = root[i[k]] @ rotation @ stars.whiten[a[m]]
    return affine, centre[i[k]] - np.einsum("kxy,ky->kx", affine, stars.centre[a[m]])


def _support(blobs: Blobs, stars: Constellation, matrices: np.ndarray) -> np.ndarray:
    """How many patches find a fitting blob where the affine maps (h, 2, 3) put them, times colour agreement."""
    predicted = np.einsum("hxy,py->hpx", matrices[:, :, :2], stars.centre) + matrices[:, None, :, 2]
    blob = _blob_at(blobs, predicted)
    hit = blob >= 0
    scale = np.abs(np.linalg.det(matrices[:, :, :2]))[:, None]
    ratio = blobs.area[blob] / (stars.area[None] * scale)
    reach = np.sqrt(stars.area[None] * scale) * 0.5
    near = np.linalg.norm(blobs.centre[blob] - predicted, axis=2) < reach
    hit &= (ratio > 0.3) & (ratio < 1.8) & near
    return hit.sum(axis=1) * np.maximum(_agreement(blobs.colour[blob], stars.colour, hit), 0.0)


def _agreement(seen: np.ndarray, expected: np.ndarray, hit: np.ndarray) -> np.ndarray:
    """Correlation (h,) of seen (h, p, 3) and expected (p, 3) colours over the hits, mean over the channels."""
    weight = (hit & np.isfinite(expected).all(axis=1)[None])[..., None].astype(np.float64)
    expected = np.nan_to_num(expected)[None]
    total = np.maximum(weight.sum(axis=1), 1e-9)
    a = (seen - (seen * weight).sum(axis=1, keepdims=True) / total[:, None]) * weight
    b = (expected - (expected * weight).sum(axis=1, keepdims=True) / total[:, None]) * weight
    size = np.sqrt((a * a).sum(axis=1) * (b * b).sum(axis=1))
    return ((a * b).sum(axis=1) / np.maximum(size, 1e-6)).mean(axis=1)


def _blob_at(blobs: Blobs, points: np.ndarray) -> np.ndarray:
    h, w = blobs.where.shape
    x = np.floor(np.clip(points[..., 0], -1, w)).astype(np.int32)
    y = np.floor(np.clip(points[..., 1], -1, h)).astype(np.int32)
    inside = (x >= 0) & (x < w) & (y >= 0) & (y < h)
    return np.where(inside, blobs.where[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)], -1)


def grow(blobs: Blobs, stars: Constellation, homography: np.ndarray) -> Candidate | None:
    """Fits, predicts and matches again until the matches stay; a homography once six patches or more match."""
    previous: np.ndarray | None = None
    for _ in range(8):
        matched = match_patches(blobs, stars, homography)
        hit = matched >= 0
        count = int(hit.sum())
        if count < 4:
            return None
        if previous is not None and np.array_equal(matched, previous):
            break
        previous = matched
        fitted = _fit(stars.centre[hit], blobs.centre[matched[hit]])
        if fitted is None or not plausible(fitted, stars.size):
            return None
        homography = fitted
    agreement = float(_agreement(blobs.colour[matched][None], stars.colour, hit[None])[0])
    return Candidate(homography, matched, count * max(agreement, 0.0))


def match_patches(blobs: Blobs, stars: Constellation, homography: np.ndarray) -> np.ndarray:
    """The blob of each patch (p,) under ``homography``, or -1 where none fits."""
    predicted, scale = project(homography, stars.centre)
    blob = _blob_at(blobs, predicted)
    expected = stars.area * scale
    ratio = blobs.area[blob] / np.maximum(expected, 1e-9)
    near = np.linalg.norm(blobs.centre[blob] - predicted, axis=1) < 0.4 * np.sqrt(expected)
    matched = np.where((blob >= 0) & near & (ratio > 0.3) & (ratio < 1.6), blob, -1)
    # One blob is one patch: the nearer keeps it.
    for k in np.unique(matched[matched >= 0]):
        same = np.flatnonzero(matched == k)
        if len(same) > 1:
            off = np.linalg.norm(blobs.centre[k] - predicted[same], axis=1)
            matched[np.delete(same, off.argmin())] = -1
    return matched


def _fit(source: np.ndarray, target: np.ndarray) -> np.ndarray | None:
    if len(source) >= 7:
        spread = np.sqrt(np.ptp(target, axis=0).prod())
        fitted, _ = cv2.findHomography(source, target, cv2.RANSAC, max(1.5, 0.03 * spread), maxIters=200)
        return fitted
    design = np.column_stack([source, np.ones(len(source))])
    solution, _, rank, _ = np.linalg.lstsq(design, target, rcond=None)
    return None if rank < 3 else np.vstack([solution.T, [0, 0, 1.0]])


def project(homography: np.ndarray, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Image of ``points`` (n, 2) and the local area scale (n,) of ``homography`` there."""
    h = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return h[:, :2] / h[:, 2:], np.abs(np.linalg.det(homography) / h[:, 2] ** 3)


def plausible(homography: np.ndarray, size: tuple[float, float]) -> bool:
    """Seen from the front, in front of the lens, not squeezed beyond any tilt the finder claims."""
    w, h = size
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]])
    depth = np.column_stack([corners, np.ones(4)]) @ homography.T[:, 2]
    if depth.min() * depth.max() <= 0 or np.abs(depth).max() > 3.0 * np.abs(depth).min():
        return False
    p = project(homography, corners)[0]
    q, r = np.roll(p, -1, axis=0), np.roll(p, -2, axis=0)
    turn = (q[:, 0] - p[:, 0]) * (r[:, 1] - q[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - q[:, 0])
    if turn.min() <= 0:
        return False
    side = np.linalg.norm(q - p, axis=1) / np.array([w, h, w, h])
    return bool(side.max() < 5.0 * side.min())


def _same(a: Candidate, b: Candidate, size: tuple[float, float]) -> bool:
    w, h = size
    points = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float64)
    p, q = project(a.homography, points)[0], project(b.homography, points)[0]
    return bool(np.abs(p - q).max() < 0.1 * np.linalg.norm(p[2] - p[0]))


def _root(matrices: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(matrices)
    return (vectors * np.sqrt(np.maximum(values, 1e-6))[:, None, :]) @ vectors.transpose(0, 2, 1)


def _inverse_root(matrices: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(matrices)
    return (vectors / np.sqrt(np.maximum(values, 1e-6))[:, None, :]) @ vectors.transpose(0, 2, 1)
