"""Uniform areas of a flat, evenly lit picture of a card, with outlines: what of it are likely to be patches.

Places where the picture doesn't change make areas, at several limits of "doesn't change" from the noise up: what a
lower limit finds in pieces of one colour, a higher one joins; what a higher one joins of two colours stays apart. An
area counts if it is convex, thick enough, of one colour, and of another colour than what lies around it. Its outline is
where the colour is half-way to what lies outside, found along many normals; polygons of up to eight sides have straight
lines fitted to their sides, what fits none keeps its round outline.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

Polygon = tuple[tuple[float, float], ...]
LONG_SIDE = 1000                # pixels: enough for 30 patches a row, and few enough to average a camera's noise
LIMITS = (2.5, 4.0, 6.5, 11.0, 18.0)          # multiples of the noise's own gradient
LEAST_LIMIT, MOST_LIMIT = 0.0016, 0.02        # code values a pixel
LEAST_SIDE, LEAST_AREA, MOST_AREA = 0.016, 0.0005, 0.4        # of the long side; of the picture
LEAST_SOLID = 0.93
MOST_RANGE = (0.10, 0.02)       # of its mean, and of full scale, that an area may vary from end to end
APART = 0.012                   # code values between areas that are not one, and between an area and its surroundings
# A change across an edge is over where it is slower than this share of its fastest, or slows to that between two edges.
SETTLED, SETTLED_BRIEFLY = 0.3, 0.75
# Of the area, between an outline and the polygon taken for it: few sides may cut off more, for blur rounds corners (the
# hexagon around a circle is 10 % larger than it, the octagon 5 %).
SIDES_MISFIT, MANY_SIDES_MISFIT, MANY_SIDES = 0.05, 0.025, 7
ROUND_SIDES = 24
OUTLINE_POINTS = 240
MOST_OPEN = 0.06                # of an outline


@dataclass(frozen=True)
class Area:
    """``polygon`` in pixels of the picture, clockwise as seen; ``colour`` (3,) mean code values well inside."""

    polygon: Polygon
    colour: tuple[float, float, float]


def uniform_areas(picture: np.ndarray) -> list[Area]:
    """The uniform areas of ``picture`` (h, w, 3) float32 code values, in no order. The picture is the card and nothing
    else, its long side about :data:`LONG_SIDE` pixels."""
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.2, borderType=cv2.BORDER_REPLICATE)
    strength = _gradient(smooth)
    floor = float(np.quantile(strength[::3, ::3], 0.25))
    kept: list[_Piece] = []
    for multiple in LIMITS:
        limit = min(max(multiple * floor, LEAST_LIMIT * multiple / LIMITS[0]), MOST_LIMIT)
        for piece in _pieces(smooth, strength < limit):
            _keep(kept, piece)
    areas = []
    for piece in kept:
        if any(other is not piece and _holds(piece, other) for other in kept):
            continue
        outline = _outline(smooth, piece)
        if outline is not None:
            areas.append(Area(_shape(outline), piece.colour))
    return areas


@dataclass(frozen=True)
class _Piece:
    """``mask`` (h, w) bool within ``box`` (x, y, w, h) of the picture; ``hull`` (n, 2) px; ``count`` its pixels;
    ``colour`` (3,) and how far single pixels stray from it."""

    box: tuple[int, int, int, int]
    mask: np.ndarray
    hull: np.ndarray
    count: int
    colour: tuple[float, float, float]
    noise: float


def _gradient(picture: np.ndarray) -> np.ndarray:
    """The largest of the channels' gradients, code values a pixel (Scharr's weights)."""
    along = [cv2.Scharr(picture, cv2.CV_32F, dx, dy, scale=1 / 32, borderType=cv2.BORDER_REPLICATE)
             for dx, dy in ((1, 0), (0, 1))]
    return np.asarray(np.hypot(*along).max(axis=2))


def _pieces(picture: np.ndarray, flat: np.ndarray) -> list[_Piece]:
    h, w = flat.shape
    long_side = max(h, w)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(flat.astype(np.uint8), connectivity=4)
    pieces = []
    for k in range(1, count):
        x, y, across, down, pixels = (int(v) for v in stats[k])
        if not LEAST_AREA * h * w <= pixels <= MOST_AREA * h * w or min(across, down) < LEAST_SIDE * long_side:
            continue
        mask = labels[y:y + down, x:x + across] == k
        # Noise bites into a mask's rim; what it takes there is given back before the shape is judged.
        closed = cv2.morphologyEx(np.pad(mask.astype(np.uint8), 4), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
        contours, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        hull = (cv2.convexHull(max(contours, key=cv2.contourArea))[:, 0] + (x - 3.5, y - 3.5)).astype(np.float32)
        size = sorted(cv2.minAreaRect(hull)[1])
        if size[0] < LEAST_SIDE * long_side or closed.sum() < LEAST_SOLID * cv2.contourArea(hull):
            continue
        values = picture[y:y + down, x:x + across][mask]
        low, middle, high = np.percentile(values, (3, 50, 97), axis=0)
        if (high - low > MOST_RANGE[0] * middle + MOST_RANGE[1]).any():
            continue
        red, green, blue = (float(v) for v in middle)
        noise = float(np.median(np.abs(values - middle), axis=0).max()) * 1.4826
        pieces.append(_Piece((x, y, across, down), mask, hull, pixels, (red, green, blue), noise))
    return pieces


def _keep(kept: list[_Piece], piece: _Piece) -> None:
    """Puts ``piece`` among those of lower limits: in place of those of its own colour that it covers, unless it covers
    two colours, or hardly more than one that is there (a lower limit keeps clear of the edge's own slope)."""
    under = [k for k, other in enumerate(kept) if _share_of(other, piece) > 0.5]
    if len(under) == 1 and kept[under[0]].count > 0.75 * piece.count:
        return
    colours = [np.array(kept[k].colour) for k in under]
    if any(np.abs(a - b).max() > APART for a in colours for b in colours):
        return
    if any(_share_of(piece, other) > 0.5 for k, other in enumerate(kept) if k not in under):
        return
    for k in reversed(under):
        del kept[k]
    kept.append(piece)


def _share_of(piece: _Piece, other: _Piece) -> float:
    """How much of ``piece`` lies on ``other``."""
    x0, y0 = max(piece.box[0], other.box[0]), max(piece.box[1], other.box[1])
    x1 = min(piece.box[0] + piece.box[2], other.box[0] + other.box[2])
    y1 = min(piece.box[1] + piece.box[3], other.box[1] + other.box[3])
    if x1 <= x0 or y1 <= y0:
        return 0.0
    both = _window(piece, x0, y0, x1, y1) & _window(other, x0, y0, x1, y1)
    return float(both.sum()) / piece.count


def _window(piece: _Piece, x0: int, y0: int, x1: int, y1: int) -> np.ndarray:
    x, y = piece.box[:2]
    return piece.mask[y0 - y:y1 - y, x0 - x:x1 - x]


def _holds(piece: _Piece, other: _Piece) -> bool:
    """Whether ``other`` lies within the hull of ``piece``: then that is ground, not a patch."""
    middle = other.hull.mean(axis=0)
    inside = cv2.pointPolygonTest(piece.hull.reshape(-1, 1, 2), (float(middle[0]), float(middle[1])), False) > 0
    return inside and cv2.contourArea(other.hull) < 0.6 * cv2.contourArea(piece.hull)


def _outline(picture: np.ndarray, piece: _Piece) -> np.ndarray | None:
    """(n, 2) px where the colour is half-way to what lies outside, around ``piece``; None where nothing else does."""
    h, w = picture.shape[:2]
    at, normal = _around(piece.hull, OUTLINE_POINTS)
    reach = max(h, w) * 0.014
    t = np.arange(-3.0, reach + 0.25, 0.5)
    line = at[:, None] + t[None, :, None] * normal[:, None]
    inside = ((line > 0) & (line < (w, h))).all(axis=2)
    values = _sampled(picture, line) - np.array(piece.colour, np.float32)
    # Outward the first change counts, from where it begins to where it settles: beyond a narrow gap lies a neighbour.
    change = np.linalg.norm(np.gradient(values, axis=1), axis=2)
    begun = np.maximum.accumulate((np.abs(values).max(axis=2) > APART) & inside, axis=1)
    fastest = np.maximum.accumulate(np.where(begun, change, 0.0), axis=1)
    slower = np.zeros_like(begun)
    slower[:, 1:-1] = (change[:, 1:-1] < change[:, :-2]) & (change[:, 1:-1] <= change[:, 2:])
    settled = begun & (fastest > APART / 8) & ((change < SETTLED * fastest)
                                               | (slower & (change < SETTLED_BRIEFLY * fastest)))
    end = np.where(settled.any(axis=1), settled.argmax(axis=1), len(t) - 1)
    rows = np.arange(len(at))
    outer = values[rows, end]
    contrast = np.linalg.norm(outer, axis=1)
    along = np.einsum("ntc,nc->nt", values, outer / np.maximum(contrast, 1e-9)[:, None]) / np.maximum(
        contrast, 1e-9)[:, None]
    past = along > 0.5
    step = past.argmax(axis=1)
    before = along[rows, np.maximum(step - 1, 0)]
    share = (0.5 - before) / np.maximum(along[rows, step] - before, 1e-6)
    where = t[np.maximum(step - 1, 0)] + 0.5 * np.clip(share, 0, 1)
    edge = past.any(axis=1) & (contrast > APART) & (step > 0)
    # A piece of ground goes on somewhere without any edge.
    at_end = np.abs(values[:, -8:].mean(axis=1)).max(axis=1) < 0.5 * APART + piece.noise
    on_the_way = np.abs(values).max(axis=(1, 2)) < 2 * APART + 3 * piece.noise
    if (inside.all(axis=1) & at_end & on_the_way).mean() > MOST_OPEN:
        return None
    # What has its own colour again beyond a thin line is ground with a line around it.
    again = (np.linalg.norm(values[:, -6:], axis=2).max(axis=1) < 0.3 * contrast) & inside.all(axis=1)
    if (edge & again).mean() > 0.6:
        return None
    rim = ~inside.all(axis=1) & ~edge
    if edge.mean() < 0.3 or not _closed(edge | rim, normal):
        return None
    # Against the picture's own rim there is nothing outside: the card ends there.
    to_rim = np.where(inside, t[None], -np.inf).max(axis=1)
    offset = np.where(edge, where, np.where(rim, to_rim, np.nan))
    points = at + offset[:, None] * normal
    good = np.isfinite(offset) & _agreeing(offset)
    return points[good] if good.sum() > 0.6 * len(points) else None


def _closed(edge: np.ndarray, normal: np.ndarray) -> bool:
    """Whether there is an edge all around, to each side: a piece of ground between two patches has none at its ends."""
    side = np.floor(np.arctan2(normal[:, 1], normal[:, 0]) / (np.pi / 4) + 0.5).astype(int) % 8
    shares = [edge[side == k].mean() for k in range(8) if (side == k).sum() >= OUTLINE_POINTS // 12]
    return bool(edge.mean() > 0.75 and min(shares) > 0.5)


def _agreeing(offset: np.ndarray) -> np.ndarray:
    """Which offsets go with their neighbours' around the outline: the rest met something else than the area's edge."""
    known = np.where(np.isfinite(offset), offset, np.median(offset[np.isfinite(offset)]))
    middle = np.median(np.stack([np.roll(known, k) for k in range(-4, 5)]), axis=0)
    result: np.ndarray = np.abs(known - middle) < 1.6
    return result


def _around(hull: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """``count`` points evenly around a convex outline (n, 2), and outward normals, smoothed over its corners."""
    closed = np.vstack([hull, hull[:1]]).astype(np.float64)
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    place = (np.arange(count) + 0.5) / count * length[-1]
    at = np.column_stack([np.interp(place, length, closed[:, c]) for c in (0, 1)])
    side = np.clip(np.searchsorted(length, place) - 1, 0, len(hull) - 1)
    tangent = np.diff(closed, axis=0)[side]
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    if ((at - hull.mean(axis=0)) * normal).sum() < 0:
        normal = -normal
    return at, normal


def _sampled(picture: np.ndarray, points: np.ndarray) -> np.ndarray:
    at = (points - 0.5).astype(np.float32)
    return cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _shape(points: np.ndarray) -> Polygon:
    """The polygon that ``points`` on an outline stand for: the fewest sides, up to eight, that fit, else a round."""
    hull = cv2.convexHull(points.astype(np.float32))[:, 0]
    whole = _area(hull)
    perimeter = float(np.linalg.norm(hull - np.roll(hull, 1, axis=0), axis=1).sum())
    for share in (0.06, 0.045, 0.035, 0.027, 0.02, 0.015):
        rough = cv2.approxPolyDP(hull.reshape(-1, 1, 2), share * perimeter, True)[:, 0]
        if not 3 <= len(rough) <= 8:
            continue
        polygon = _straightened(points, rough.astype(np.float64))
        misfit = SIDES_MISFIT if len(rough) < MANY_SIDES else MANY_SIDES_MISFIT
        if polygon is not None and _difference(polygon, hull) < misfit * whole:
            return _clockwise(polygon)
    (x, y), (a, b), angle = cv2.fitEllipse(points.astype(np.float32).reshape(-1, 1, 2))
    turn = 2 * np.pi * (np.arange(ROUND_SIDES) + 0.5) / ROUND_SIDES
    # A polygon between the circle and what holds it, of the circle's own area.
    swell = np.sqrt(2 * np.pi / (ROUND_SIDES * np.sin(2 * np.pi / ROUND_SIDES)))
    u, v = swell * a / 2 * np.cos(turn), swell * b / 2 * np.sin(turn)
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    round_ = np.column_stack([x + u * c - v * s, y + u * s + v * c])
    return _clockwise(round_ if _difference(round_, hull) < MANY_SIDES_MISFIT * whole else _thinned(hull, perimeter))


def _thinned(hull: np.ndarray, perimeter: float) -> np.ndarray:
    return cv2.approxPolyDP(hull.reshape(-1, 1, 2), 0.004 * perimeter, True)[:, 0].astype(float)


def _straightened(points: np.ndarray, rough: np.ndarray) -> np.ndarray | None:
    """``rough`` (k, 2) with each side laid through the points near its middle, twice; corners where sides meet."""
    polygon = rough
    for _ in range(2):
        lines = []
        for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
            along = b - a
            length = float(np.linalg.norm(along))
            if length < 1e-6:
                return None
            along = along / length
            off = points - a
            place, away = off @ along / length, off @ np.array([-along[1], along[0]])
            near = (place > 0.14) & (place < 0.86) & (np.abs(away) < max(0.12 * length, 3.0))
            if near.sum() < 4:
                return None
            vx, vy, x0, y0 = (float(v) for v in cv2.fitLine(points[near].astype(np.float32), cv2.DIST_HUBER, 0, 0.01,
                                                           0.01).ravel())
            lines.append((np.array([x0, y0]), np.array([vx, vy])))
        corners = []
        for (p, d), (q, e) in zip([lines[-1], *lines[:-1]], lines, strict=True):
            turn = d[0] * e[1] - d[1] * e[0]
            if abs(turn) < 0.1:
                return None
            corners.append(p + d * ((q - p)[0] * e[1] - (q - p)[1] * e[0]) / turn)
        polygon = np.array(corners)
    return polygon


def _area(polygon: np.ndarray) -> float:
    return abs(float(cv2.contourArea(polygon.astype(np.float32))))


def _difference(a: np.ndarray, b: np.ndarray) -> float:
    """What of two convex polygons is not in both."""
    hull = cv2.convexHull(a.astype(np.float32))[:, 0]
    if len(hull) != len(a):
        return np.inf
    both, _ = cv2.intersectConvexConvex(hull, b.astype(np.float32))
    return _area(a) + _area(b) - 2 * float(both)


def _clockwise(polygon: np.ndarray) -> Polygon:
    """Clockwise as seen (y runs down), from the corner nearest the top left."""
    x, y = polygon.T
    if float(x @ np.roll(y, -1) - np.roll(x, -1) @ y) < 0:
        polygon = polygon[::-1]
    start = int((polygon.sum(axis=1)).argmin())
    return tuple((float(px), float(py)) for px, py in np.roll(polygon, -start, axis=0))
