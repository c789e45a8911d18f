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
import numba
import numpy as np
from huewright_kernels.cache import entry
from scipy.spatial import cKDTree

from huewright.finding.blobs import Blobs
from huewright.finding.expect import expected_rgb
from huewright.models.card import Card

NEIGHBOURS = 7
MOST_BLOBS = 1500
TRIED = 60
GROWN = 12
LEAST_SUPPORT = 3.0


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
    matrices, scores = _hypotheses(blobs, stars)
    grown: list[Candidate] = []
    w, h = stars.size
    box = np.array([[0, w, w, 0], [0, 0, h, h], [1, 1, 1, 1.0]])
    corners = (matrices @ box).transpose(0, 2, 1)
    begun: list[int] = []
    for index in np.argsort(-scores, kind="stable"):
        if scores[index] < LEAST_SUPPORT or len(begun) >= GROWN:
            break
        near = 0.08 * np.linalg.norm(corners[index, 2] - corners[index, 0])
        if begun and np.abs(corners[begun] - corners[index]).max(axis=(1, 2)).min() < near:
            continue
        begun.append(int(index))
        candidate = grow(blobs, stars, np.vstack([matrices[index], [0, 0, 1.0]]))
        if candidate is not None and not any(
                same_place(candidate.homography, other.homography, stars.size) for other in grown):
            grown.append(candidate)
            if candidate.score > 0.85 * len(stars.area):
                break
    grown.sort(key=lambda candidate: -candidate.score)
    return grown[:keep]


def _hypotheses(blobs: Blobs, stars: Constellation) -> tuple[np.ndarray, np.ndarray]:
    """The best affine maps card -> picture (h, 2, 3) from pairs of blobs taken for pairs of patches, and how many
    patches find a fitting blob under each, times the correlation of their colours."""
    n = len(blobs.area)
    keep = np.arange(n) if n <= MOST_BLOBS else np.sort(np.argsort(-blobs.area, kind="stable")[:MOST_BLOBS])
    centre = blobs.centre[keep]
    root, whiten = _root(blobs.shape[keep]), _inverse_root(blobs.shape[keep])
    _, near = cKDTree(centre).query(centre, k=min(NEIGHBOURS + 1, len(keep)))
    pairs = np.column_stack([np.repeat(np.arange(len(keep)), near.shape[1] - 1), near[:, 1:].ravel()])
    maps, scores = _vote(pairs, centre, root, whiten, blobs.colour[keep], blobs.centre, blobs.area, blobs.colour,
                         blobs.where, stars.first, stars.second, stars.centre, stars.whiten, stars.area,
                         np.nan_to_num(stars.colour, nan=-1.0), TRIED)
    return maps, scores


@entry("Tuple((float64[:,:,::1], float64[::1]))(int64[:,::1], float64[:,::1], float64[:,:,::1], float64[:,:,::1], "
       "float64[:,::1], float64[:,::1], float64[::1], float64[:,::1], int32[:,::1], int64[::1], int64[::1], "
       "float64[:,::1], float64[:,:,::1], float64[::1], float64[:,::1], int64)")
def _vote(pairs, centre, root, whiten, colour,  # type: ignore[no-untyped-def]
          all_centre, all_area, all_colour, where, first, second, card_centre, card_whiten, card_area, card_colour,
          tried):
    """Tries every pair of blobs as every pair of patches; keeps the ``tried`` best maps, a ring of them."""
    count, height, width = len(card_area), where.shape[0], where.shape[1]
    best = np.full(tried, -1.0)
    maps = np.zeros((tried, 2, 3))
    lowest = 0
    m = len(first)
    ahead_card = np.empty((m, 2))
    ahead_size, behind_size = np.empty(m), np.empty(m)
    for q in range(m):
        a, b = first[q], second[q]
        sx, sy = card_centre[b, 0] - card_centre[a, 0], card_centre[b, 1] - card_centre[a, 1]
        ax = card_whiten[a, 0, 0] * sx + card_whiten[a, 0, 1] * sy
        ay = card_whiten[a, 1, 0] * sx + card_whiten[a, 1, 1] * sy
        ahead_card[q, 0], ahead_card[q, 1] = ax, ay      # a row at a time takes seconds to compile
        ahead_size[q] = np.sqrt(ax * ax + ay * ay)
        bx = card_whiten[b, 0, 0] * sx + card_whiten[b, 0, 1] * sy
        by = card_whiten[b, 1, 0] * sx + card_whiten[b, 1, 1] * sy
        behind_size[q] = np.sqrt(bx * bx + by * by)
    for p in range(len(pairs)):
        i, j = pairs[p]
        sx, sy = centre[j, 0] - centre[i, 0], centre[j, 1] - centre[i, 1]
        ax = whiten[i, 0, 0] * sx + whiten[i, 0, 1] * sy
        ay = whiten[i, 1, 0] * sx + whiten[i, 1, 1] * sy
        ahead = np.sqrt(ax * ax + ay * ay)
        bx = whiten[j, 0, 0] * sx + whiten[j, 0, 1] * sy
        by = whiten[j, 1, 0] * sx + whiten[j, 1, 1] * sy
        behind = np.sqrt(bx * bx + by * by)
        if ahead <= 0:
            continue
        d0, d1, d2 = colour[j, 0] - colour[i, 0], colour[j, 1] - colour[i, 1], colour[j, 2] - colour[i, 2]
        slack = 0.25 * max(max(abs(d0), abs(d1)), max(abs(d2), 0.02))
        for q in range(m):
            # Blobs are their patches less the blurred rim, so they look farther apart in their own measure.
            s1, s2 = ahead / ahead_size[q], behind / behind_size[q]
            if s1 < 0.85 or s1 > 1.9 or s2 < 0.85 or s2 > 1.9 or s1 > 1.42 * s2 or s2 > 1.42 * s1:
                continue
            a, b = first[q], second[q]
            if card_colour[a, 0] >= 0 and card_colour[b, 0] >= 0:
                e0 = card_colour[b, 0] - card_colour[a, 0]
                e1 = card_colour[b, 1] - card_colour[a, 1]
                e2 = card_colour[b, 2] - card_colour[a, 2]
                if ((e0 > 0.12 and d0 < -slack) or (e0 < -0.12 and d0 > slack)
                        or (e1 > 0.12 and d1 < -slack) or (e1 < -0.12 and d1 > slack)
                        or (e2 > 0.12 and d2 < -slack) or (e2 < -0.12 and d2 > slack)):
                    continue
            # The turn that takes the whitened card step into the whitened picture step, times s1.
            scale = s1 / (ahead * ahead_size[q])
            cos = (ax * ahead_card[q, 0] + ay * ahead_card[q, 1]) * scale
            sin = (ay * ahead_card[q, 0] - ax * ahead_card[q, 1]) * scale
            w00, w01, w10, w11 = (card_whiten[a, 0, 0], card_whiten[a, 0, 1], card_whiten[a, 1, 0],
                                  card_whiten[a, 1, 1])
            t00, t01 = cos * w00 - sin * w10, cos * w01 - sin * w11
            t10, t11 = sin * w00 + cos * w10, sin * w01 + cos * w11
            m00 = root[i, 0, 0] * t00 + root[i, 0, 1] * t10
            m01 = root[i, 0, 0] * t01 + root[i, 0, 1] * t11
            m10 = root[i, 1, 0] * t00 + root[i, 1, 1] * t10
            m11 = root[i, 1, 0] * t01 + root[i, 1, 1] * t11
            m02 = centre[i, 0] - m00 * card_centre[a, 0] - m01 * card_centre[a, 1]
            m12 = centre[i, 1] - m10 * card_centre[a, 0] - m11 * card_centre[a, 1]
            size = abs(m00 * m11 - m01 * m10)
            hits = 0
            n = np.zeros(6 * 3)
            known = 0
            for c in range(count):
                x = m00 * card_centre[c, 0] + m01 * card_centre[c, 1] + m02
                y = m10 * card_centre[c, 0] + m11 * card_centre[c, 1] + m12
                if x < 0 or y < 0 or x >= width or y >= height:
                    continue
                blob = where[int(y), int(x)]
                if blob < 0:
                    continue
                should = card_area[c] * size
                if all_area[blob] < 0.3 * should or all_area[blob] > 1.8 * should:
                    continue
                ox, oy = all_centre[blob, 0] - x, all_centre[blob, 1] - y
                if ox * ox + oy * oy > 0.25 * should:
                    continue
                hits += 1
                if card_colour[c, 0] >= 0:
                    known += 1
                    for k in range(3):
                        u, v = all_colour[blob, k], card_colour[c, k]
                        n[6 * k] += u
                        n[6 * k + 1] += v
                        n[6 * k + 2] += u * u
                        n[6 * k + 3] += v * v
                        n[6 * k + 4] += u * v
            if hits < 4 or known < 4 or hits <= best[lowest]:
                continue
            agreement = 0.0
            for k in range(3):
                uu = n[6 * k + 2] - n[6 * k] * n[6 * k] / known
                vv = n[6 * k + 3] - n[6 * k + 1] * n[6 * k + 1] / known
                uv = n[6 * k + 4] - n[6 * k] * n[6 * k + 1] / known
                agreement += uv / np.sqrt(max(uu * vv, 1e-12)) / 3
            score = hits * agreement
            if score > best[lowest]:
                best[lowest] = score
                maps[lowest, 0, 0], maps[lowest, 0, 1], maps[lowest, 0, 2] = m00, m01, m02
                maps[lowest, 1, 0], maps[lowest, 1, 1], maps[lowest, 1, 2] = m10, m11, m12
                lowest = int(np.argmin(best))
    return maps, best


def _agreement(seen: np.ndarray, expected: np.ndarray) -> float:
    """Correlation of seen and expected colours (n, 3), mean over the channels; patches of unknown colour aside."""
    known = np.isfinite(expected).all(axis=1)
    if not known.any():
        return 0.0
    a, b = seen[known] - seen[known].mean(axis=0), expected[known] - expected[known].mean(axis=0)
    size = np.sqrt((a * a).sum(axis=0) * (b * b).sum(axis=0))
    return float(((a * b).sum(axis=0) / np.maximum(size, 1e-6)).mean())


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
    agreement = _agreement(blobs.colour[matched[hit]], stars.colour[hit])
    return Candidate(homography, matched, count * max(agreement, 0.0))


def match_patches(blobs: Blobs, stars: Constellation, homography: np.ndarray) -> np.ndarray:
    """The blob of each patch (p,) under ``homography``, or -1 where none fits."""
    return np.asarray(_matched(homography, stars.centre, stars.area, blobs.where, blobs.area, blobs.centre))


@entry("int64[::1](float64[:,::1], float64[:,::1], float64[::1], int32[:,::1], float64[::1], float64[:,::1])")
def _matched(homography, card_centre, card_area, where, area, centre):  # type: ignore[no-untyped-def]
    count, height, width = len(card_area), where.shape[0], where.shape[1]
    h = homography
    determinant = abs(h[0, 0] * (h[1, 1] * h[2, 2] - h[1, 2] * h[2, 1])
                      - h[0, 1] * (h[1, 0] * h[2, 2] - h[1, 2] * h[2, 0])
                      + h[0, 2] * (h[1, 0] * h[2, 1] - h[1, 1] * h[2, 0]))
    matched = np.full(count, -1, np.int64)
    off = np.empty(count)
    for c in range(count):
        u, v = card_centre[c]
        depth = homography[2, 0] * u + homography[2, 1] * v + homography[2, 2]
        x = (homography[0, 0] * u + homography[0, 1] * v + homography[0, 2]) / depth
        y = (homography[1, 0] * u + homography[1, 1] * v + homography[1, 2]) / depth
        if not (0 <= x < width and 0 <= y < height):
            continue
        blob = where[int(y), int(x)]
        if blob < 0:
            continue
        should = card_area[c] * determinant / abs(depth * depth * depth)
        away = np.hypot(centre[blob, 0] - x, centre[blob, 1] - y)
        if away >= 0.4 * np.sqrt(should) or not 0.3 * should < area[blob] < 1.6 * should:
            continue
        # One blob is one patch: the nearer keeps it.
        keeps = True
        for other in range(c):
            if matched[other] == blob:
                if off[other] <= away:
                    keeps = False
                else:
                    matched[other] = -1
        if keeps:
            matched[c], off[c] = blob, away
    return matched


def _fit(source: np.ndarray, target: np.ndarray) -> np.ndarray | None:
    if len(source) >= 7:
        return cv2.findHomography(source, target, 0)[0]
    design = np.column_stack([source, np.ones(len(source))])
    solution, _, rank, _ = np.linalg.lstsq(design, target, rcond=None)
    # In rows, as cv2's are: what is compiled would be compiled for columns too.
    return None if rank < 3 else np.ascontiguousarray(np.vstack([solution.T, [0, 0, 1.0]]))


@entry("boolean(float64[:,::1], UniTuple(float64, 2))")
def plausible(homography, size):  # type: ignore[no-untyped-def]
    """Seen from the front, in front of the lens, not squeezed beyond any tilt the finder claims."""
    corners, depth = _corners(homography, size)
    if depth.min() * depth.max() <= 0 or np.abs(depth).max() > 3.0 * np.abs(depth).min():
        return False
    longest, shortest = 0.0, np.inf
    for k in range(4):
        ax, ay = corners[(k + 1) % 4] - corners[k]
        bx, by = corners[(k + 2) % 4] - corners[(k + 1) % 4]
        if not ax * by - ay * bx > 0:
            return False
        side = np.hypot(ax, ay) / size[k % 2]
        longest, shortest = max(longest, side), min(shortest, side)
    return longest < 5.0 * shortest


@entry("Tuple((float64[:,::1], float64[::1]))(float64[:,::1], UniTuple(float64, 2))")
def corners_of(homography, size):  # type: ignore[no-untyped-def]
    """Pixels (4, 2) and depths (4,) of the corners of a card of ``size``."""
    return _corners(homography, size)


@numba.njit(nogil=True, error_model="numpy")
def _corners(homography, size):  # type: ignore[no-untyped-def]
    """Pixels (4, 2) and depths (4,) of the corners of a card of ``size``."""
    corners, depth = np.empty((4, 2)), np.empty(4)
    for k in range(4):
        u, v = size[0] * (k == 1 or k == 2), size[1] * (k > 1)
        depth[k] = homography[2, 0] * u + homography[2, 1] * v + homography[2, 2]
        corners[k, 0] = (homography[0, 0] * u + homography[0, 1] * v + homography[0, 2]) / depth[k]
        corners[k, 1] = (homography[1, 0] * u + homography[1, 1] * v + homography[1, 2]) / depth[k]
    return corners, depth


def same_place(a: np.ndarray, b: np.ndarray, size: tuple[float, float]) -> bool:
    """Whether two homographies lay a card of ``size`` on nearly the same place."""
    p, q = corners_of(a, size)[0], corners_of(b, size)[0]
    return bool(np.abs(p - q).max() < 0.1 * np.hypot(p[2, 0] - p[0, 0], p[2, 1] - p[0, 1]))


def _root(matrices: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(matrices)
    result: np.ndarray = (vectors * np.sqrt(np.maximum(values, 1e-6))[:, None, :]) @ vectors.transpose(0, 2, 1)
    return result


def _inverse_root(matrices: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(matrices)
    result: np.ndarray = (vectors / np.sqrt(np.maximum(values, 1e-6))[:, None, :]) @ vectors.transpose(0, 2, 1)
    return result
