"""Sub-pixel refinement: every drawn edge of the card is looked for across its predicted place, and the pose follows.

Each edge is measured as the centroid of the signed gradient along its normal, projected on the colour difference
between its two sides, so that a neighbour's edge of the other sign is not taken for it. The pose (homography and one
radial term) is fitted to all of them by iteratively reweighted least squares (Tukey's biweight).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from huewright_kernels.cache import entry

from huewright.finding.blobs import toned
from huewright.finding.pose import Pose
from huewright.models.card import Card, Mark, Patch

# Radial terms of usual lenses at half the diagonal: a few percent (common practice, no source; a mild prior only).
DISTORTION_PRIOR = 0.04


@dataclass(frozen=True)
class EdgePoints:
    """Points on the card's drawn edges: ``point`` (n, 2), ``inward`` (n, 2) a small step into the area,
    ``inside`` and ``outside`` (n, 2) places whose colours stand for both sides, ``area`` (n,) which area,
    ``gap`` (n,) how far the edge may be looked for, in card units."""

    point: np.ndarray
    inward: np.ndarray
    inside: np.ndarray
    outside: np.ndarray
    area: np.ndarray
    gap: np.ndarray


@dataclass(frozen=True)
class EdgeFit:
    """``support`` the fraction of the edges that should be seen found where the pose says, 0..1;
    ``residual_px`` robust spread of the found ones; ``width_px`` 10 % to 90 % width of typical edges;
    ``seen`` how many edge points lie in the picture."""

    pose: Pose
    support: float
    residual_px: float
    width_px: float
    seen: int


def edge_points(card: Card, per_edge: int = 5) -> EdgePoints:
    """Points on all patches' and marks' edges; the first mark (the ground) counts as the card's outline."""
    rows: list[tuple[np.ndarray, ...]] = []
    areas: tuple[Patch | Mark, ...] = (*card.patches, *card.marks[1:])
    polygons = [np.array(area.polygon, dtype=np.float64) for area in areas]
    spacing = _spacing(polygons[:len(card.patches)])
    for index, polygon in enumerate(polygons):
        is_mark = index >= len(card.patches)
        centre = polygon.mean(axis=0)
        count = per_edge * 4 if is_mark else per_edge
        reach = _mark_gap(card, index - len(card.patches)) if is_mark else spacing
        for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
            along = b - a
            normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
            if normal @ (centre - (a + b) / 2) < 0:
                normal = -normal
            where = np.linspace(0.12, 0.88, count)[:, None]
            points = a + where * along
            depth = reach * 0.5
            rows.append((points, np.broadcast_to(normal, points.shape), points + depth * normal,
                         points - depth * normal, np.full(count, index), np.full(count, reach)))
    stacked = [np.concatenate(parts) for parts in zip(*rows, strict=True)]
    return EdgePoints(*stacked)


def _spacing(polygons: list[np.ndarray]) -> float:
    """The typical clear distance between neighbouring patches, in card units."""
    gaps = []
    for i, p in enumerate(polygons):
        others = np.concatenate([_outline(q) for j, q in enumerate(polygons) if j != i] or [p])
        gaps.append(np.linalg.norm(_outline(p)[:, None] - others[None], axis=2).min())
    size = min(np.sqrt(abs(cv2.contourArea(p.astype(np.float32)))) for p in polygons)
    return float(np.clip(np.median(gaps), 0.08 * size, 0.5 * size))


def _outline(polygon: np.ndarray) -> np.ndarray:
    return np.concatenate([np.linspace(a, b, 6, endpoint=False)
                           for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True)])


def _mark_gap(card: Card, index: int) -> float:
    """Distance between nested marks' outlines: the width of a printed line."""
    here = np.array(card.marks[1 + index].polygon)
    others = [np.array(mark.polygon) for k, mark in enumerate(card.marks) if k != 1 + index]
    return float(min(np.linalg.norm(here[:, None] - other[None], axis=2).min() for other in others) / np.sqrt(2))


def refine(picture: np.ndarray, card_edges: EdgePoints, pose: Pose, *, reaches: tuple[float, ...],
           with_distortion: bool, power: float = 1.0) -> EdgeFit | None:
    """Fits ``pose`` to the edges of ``picture`` (h, w, 3); ``reaches`` are half-widths in px of the search, one a
    pass (a blurred picture widens them). ``power`` is the tone applied to what is sampled. None if too few edges are
    there."""
    width = 0.0
    for last, reach in [(False, reach) for reach in reaches] + [(True, reaches[-1])]:
        reach = max(reach, min(0.8 * width + 1.5, 24.0))
        measured = _measure(picture, card_edges, pose, reach, power)
        if measured is None:
            return None
        offset, weight, widths, seen, normal, bright = measured
        width = _typical_width(widths, weight, 0.5)
        found = weight > 0
        if found.sum() < 24:
            return None
        # Blur before a curved coding moves every edge towards its dark side by about the same: not the pose's doing.
        spread = float(np.median(offset[found] * bright[found]))
        offset = offset - spread * bright
        residual = 1.4826 * float(np.median(np.abs(offset[found])))
        if last:
            break
        updated = _step(card_edges, pose, offset, weight, normal, max(4.685 * residual, 0.35), with_distortion)
        if updated is None:
            return None
        pose = updated
    good = found & (np.abs(offset) < max(0.75, 0.25 * width))
    return EdgeFit(pose, float(good.sum() / max(seen, 1)), residual, width, seen)


def _measure(picture: np.ndarray, edges: EdgePoints, pose: Pose, reach: float, power: float):  # type: ignore[no-untyped-def]
    """(offset along the normal, weight, width, how many in the picture, unit normals, +1 where the inside is
    brighter and -1 where darker) of every edge point."""
    h, w = picture.shape[:2]
    at = pose.to_pixels(edges.point)
    step = pose.to_pixels(edges.point + 0.01 * edges.inward) - at
    scale = np.linalg.norm(step, axis=1, keepdims=True) * 100
    # The normal in pixels, from the tangent: a homography keeps lines, not right angles.
    tangent = pose.to_pixels(edges.point + 0.01 * np.column_stack([-edges.inward[:, 1], edges.inward[:, 0]])) - at
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    normal *= np.sign((normal * step).sum(axis=1, keepdims=True))
    inside = (at[:, 0] > 2) & (at[:, 0] < w - 2) & (at[:, 1] > 2) & (at[:, 1] < h - 2)
    if inside.sum() < 24:
        return None
    n = int(np.ceil(reach * 2))
    t = np.arange(-n - 2, n + 3) * 0.5
    line = at[:, None] + t[None, :, None] * normal[:, None]
    profile = toned(sample(picture, line), power)
    inner = toned(sample(picture, pose.to_pixels(edges.inside)[:, None])[:, 0], power)
    outer = toned(sample(picture, pose.to_pixels(edges.outside)[:, None])[:, 0], power)
    # The two sides' colours per area, not per point: noise and an odd neighbour average out.
    difference, noises = _sides(inner, outer, inside, edges.area)
    # From a median difference to a standard deviation, and back from what a bilinear sample averages away.
    noise = max(1.4826 / np.sqrt(2) / 0.7 * float(np.median(noises[noises >= 0])), 0.0007)
    contrast = np.linalg.norm(difference, axis=1)
    direction = difference / np.maximum(contrast, 1e-9)[:, None]
    along = np.einsum("ntc,nc->nt", profile, direction)
    # Slope over one pixel on a half-pixel grid, lightly smoothed.
    slope = (along[:, 3:] + along[:, 2:-1] - along[:, 1:-2] - along[:, :-3]) / 3
    t_mid = (t[3:] + t[:-3]) / 2
    peak = slope.argmax(axis=1)
    top = slope[np.arange(len(slope)), peak]
    # A blurred edge spreads over its width; the centroid is taken where the slope stays over a third of its top.
    strong = slope > 0.33 * top[:, None]
    run = _run_around(strong, peak)
    mass = np.where(run, slope, 0.0)
    total = mass.sum(axis=1)
    offset = (mass * t_mid).sum(axis=1) / np.maximum(total, 1e-9)
    limit = np.minimum(reach, 0.6 * edges.gap * scale[:, 0] + 1.0)
    enough = (contrast > 5 * noise + 0.004) & (top > 3 * noise) & (top > 0.06 * contrast)
    good = inside & enough & (np.abs(offset) <= limit)
    weight = np.where(good, np.minimum(contrast / (contrast + 6 * noise), 1.0), 0.0)
    widths = run.sum(axis=1) * 0.5
    seen = int((inside & (contrast > 5 * noise + 0.004)).sum()) if good.any() else int(inside.sum())
    return offset, weight, widths, max(seen, int(0.5 * inside.sum())), normal, np.sign(difference.sum(axis=1))


@entry("Tuple((float32[:,::1], float64[::1]))(float32[:,::1], float32[:,::1], boolean[::1], int64[::1])")
def _sides(inner, outer, inside, area):  # type: ignore[no-untyped-def]
    """Per edge point its area's median colour less the median colour outside it (n, 3), and per area the median step
    from one point's inner colour to the next (from neighbour to neighbour, so that a reflection's slope over the area
    is no noise), or -1 for an area out of the picture."""
    n, areas = len(area), area.max() + 1
    difference = np.zeros((n, 3), np.float32)
    noises = np.full(areas, -1.0)
    within, without = np.empty((n, 3), np.float32), np.empty((n, 3), np.float32)
    for k in range(areas):
        m = 0
        for i in range(n):
            if area[i] == k and inside[i]:
                for c in range(3):
                    within[m, c], without[m, c] = inner[i, c], outer[i, c]
                m += 1
        if m == 0:
            continue
        step = np.empty(3, np.float32)
        for c in range(3):
            step[c] = np.median(within[:m, c]) - np.median(without[:m, c])
        for i in range(n):
            if area[i] == k:
                for c in range(3):
                    difference[i, c] = step[c]
        noises[k] = np.median(np.abs(within[1:m] - within[:m - 1]).ravel()) if m > 1 else 0.0
    return difference, noises


def edge_width_px(picture: np.ndarray, edges: EdgePoints, pose: Pose, power: float) -> float:
    """10 % to 90 % width of the patches' blurred edges, across the direction in which they are blurred most.

    Movement smears only the edges that lie across it, so the width is the upper fifth's, looked for as far as
    the patches' sizes allow.
    """
    reach = float(np.clip(2.0 * edges.gap[0] * np.sqrt(np.median(pose.area_scale(edges.point))), 3.0, 20.0))
    measured = _measure(picture, edges, pose, reach, power)
    if measured is None:
        return 99.0
    _, weight, widths, *_ = measured
    return _typical_width(widths, weight, 0.8)


def _typical_width(widths: np.ndarray, weight: np.ndarray, quantile: float) -> float:
    """The 10 % to 90 % width at ``quantile`` of the edges that were found (``weight`` above 0).

    For a Gaussian edge the run over a third of the top is 2.98 sigma, its 10 % to 90 % rise 2.56 sigma; the slope's
    own four-tap filter and the sampling are taken off.
    """
    good = weight > 0
    if not good.any():
        return 99.0
    sigma2 = (float(np.quantile(widths[good], quantile)) / 2.98) ** 2 - 0.35
    return 2.56 * float(np.sqrt(max(sigma2, 0.05)))


def _run_around(strong: np.ndarray, peak: np.ndarray) -> np.ndarray:
    """The unbroken run of True around each row's ``peak``."""
    n, m = strong.shape
    columns = np.arange(m)[None]
    broken = ~strong
    left = np.where(broken & (columns < peak[:, None]), columns, -1).max(axis=1)
    right = np.where(broken & (columns > peak[:, None]), columns, m).min(axis=1)
    result: np.ndarray = (columns > left[:, None]) & (columns < right[:, None])
    return result


def sample(picture: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Bilinear samples (..., 3) of ``picture`` at pixel coordinates ``points`` (n, m, 2); edges replicated."""
    at = (points - 0.5).astype(np.float32)
    return cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _step(edges: EdgePoints, pose: Pose, offset: np.ndarray, weight: np.ndarray, normal: np.ndarray, cut: float,
          with_distortion: bool) -> Pose | None:
    """One Gauss-Newton step of the pose towards the measured edges."""
    use = weight > 0
    points = edges.point[use]
    centre, spread = points.mean(axis=0), np.ptp(points, axis=0).max()
    towards = np.array([[spread, 0, centre[0]], [0, spread, centre[1]], [0, 0, 1.0]])
    base = pose.homography @ towards
    base = base / base[2, 2]
    unit = (points - centre) / spread
    back = np.linalg.inv(towards)
    at = pose.to_pixels(points)

    def moved(delta: np.ndarray) -> Pose:
        h = base.copy()
        h.flat[:8] += delta[:8]
        return replace(pose, homography=h @ back, distortion=pose.distortion + delta[8])

    sizes = np.array([1e-2, 1e-2, 1e-2, 1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-5])
    count = 9 if with_distortion else 8
    jacobian = np.empty((len(unit), count))
    for k in range(count):
        delta = np.zeros(9)
        delta[k] = sizes[k]
        jacobian[:, k] = ((moved(delta).to_pixels(points) - at) * normal[use]).sum(axis=1)
    target = offset[use]
    biweight = np.maximum(1 - (target / cut) ** 2, 0.0) ** 2
    root = np.sqrt(weight[use] * biweight)
    design, aim = jacobian * root[:, None], target * root
    if with_distortion:
        prior = np.zeros((1, count))
        prior[0, 8] = sizes[8] / DISTORTION_PRIOR
        design = np.vstack([design, prior])
        aim = np.append(aim, -pose.distortion / DISTORTION_PRIOR)
    solution, _, rank, _ = np.linalg.lstsq(design, aim, rcond=1e-10)
    if rank < count:
        return None
    delta = np.zeros(9)
    delta[:count] = solution * sizes[:count]
    updated = moved(delta)
    return updated if np.isfinite(updated.homography).all() else None
