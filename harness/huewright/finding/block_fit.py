"""A card's picture fitted to coefficients of blocks of which each is known by an interval only.

Modelled are the levels of patches and ground, the light's slopes, where the card lies to a fraction of a pixel, and how
wide its edges are; coded to coefficients, the levels are those under which these most likely fell into their intervals.

Source: maximum likelihood of observations that are known by intervals only, as in Burridge, A note on maximum
likelihood estimation for regression models using grouped data (Journal of the Royal Statistical Society B 43, 1981),
with logistic errors, whose tails forgive what the model doesn't know. The spreads below are choices of ours.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import dctn, idctn
from scipy.special import expit, ndtr

from huewright.finding.coding import (
    BLOCK,
    LEAST_STEP,
    MACRO,
    ORDERS,
    TO_YCC,
    Coding,
    chroma_plane,
    coefficients,
    decoded_ycc,
    halved,
)
from huewright.finding.find import Found
from huewright.finding.light import PRIOR, LinearLight, polynomial
from huewright.finding.pose import Pose
from huewright.models.card import Card

# Standard deviations: of a corner's place (px), the edges' width (log), how far patches reach beyond their outlines
# (px: ink spreads), the light's slopes (log, as everywhere) and those of its colour, and of a level (share, white).
CORNER_PX, WIDTH, SPREAD_PX, COLOUR, LEVEL, FLOOR = 0.5, 0.3, 0.3, 0.05, 0.3, 0.01
# What the model knows of an edge: its place to so many pixels, its width to such a share. The rest of a coefficient's
# spread is noise and what isn't modelled: the likeliest of these (code values).
EDGE_PX, EDGE_WIDTH = 0.1, 0.3
SPREADS = (0.15, 0.25, 0.4, 0.6, 0.9, 1.3, 1.8, 2.5, 3.5, 5.0)
LOGISTIC = np.sqrt(3) / np.pi
# Pixels off by so much that rounding of pixels alone may move a coefficient, and a flat block's mean.
ROUNDED, LIVELY_MEAN, FLAT_MEAN, FLAT_SUM = 0.8, 1.2, 4.1, 6.0
ROUNDS, STEPS, SETTLED = 2, 5, 0.1
# A block that the model doesn't explain keeps its pixels: one of its coefficients lies by so many steps outside its
# interval. Where no step is known for all are 0, the model's coefficient counts up to this.
TOO_FAR, HIDDEN = 0.5, 30.0
POSE, BLUR, GROWN, LIGHT, TINT = slice(0, 8), 8, 9, slice(10, 19), slice(19, 23)
FREE = 23


def edge_sigma(found: Found) -> float:
    """Of the edges' blur, px; 10 % to 90 % of a normal distribution is 2.563 of it."""
    return max(found.edge_width_px / 2.563, 0.35)


def cover_of(polygon: np.ndarray, x: np.ndarray, y: np.ndarray, sigma: float, grown: float) -> np.ndarray:
    """How much of the pixels at ``x``, ``y`` a convex polygon covers, its outline ``grown`` and blurred."""
    ahead = np.roll(polygon, -1, axis=0)
    turn = np.sign((polygon[:, 0] * ahead[:, 1] - ahead[:, 0] * polygon[:, 1]).sum())
    cover = np.ones(x.shape)
    for a, side in zip(polygon, ahead - polygon, strict=True):
        nx, ny = turn * np.array([-side[1], side[0]]) / max(np.linalg.norm(side), 1e-9)
        cover *= ndtr((nx * (x - a[0]) + ny * (y - a[1]) + grown) / sigma)
    return cover


def _corners(card: Card, points: np.ndarray) -> np.ndarray:
    """(..., 4): by how much each corner of the card carries card points (..., 2) along."""
    u, v = points[..., 0] / card.size[0], points[..., 1] / card.size[1]
    return np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=-1)


class BlockFit:
    """Macroblocks (m) of 16 by 16 pixels, each of r coefficients of luma and chroma; n levels: the ground's, then the
    patches'."""

    def __init__(self, card: Card, pose: Pose, light: LinearLight, coding: Coding, at: np.ndarray, sigma: float,
                 polygons: list[np.ndarray]) -> None:
        self.light, self.coding, self.sigma, self.polygons = light, coding, sigma, polygons
        self.n = len(polygons) + 1
        self.start, self.prior = np.empty((self.n, 3)), np.empty(3 * self.n + FREE)
        step = np.arange(MACRO) + 0.5
        self.x = np.broadcast_to(at[:, 0, None, None] + step, (len(at), MACRO, MACRO))
        self.y = np.broadcast_to(at[:, 1, None, None] + step[:, None], self.x.shape)
        back = np.stack([self.x, self.y, np.ones(self.x.shape)], axis=-1) @ np.linalg.inv(pose.homography).T
        points = back[..., :2] / back[..., 2:]
        half = np.array(card.size) / 2
        self.terms = polynomial(points.reshape(-1, 2), half, half)[:, 1:].reshape(*self.x.shape, -1)
        outlines = [np.array(patch.polygon, dtype=np.float64) for patch in card.patches]
        middles = polynomial(np.array([outline.mean(axis=0) for outline in outlines]), half, half)[:, 1:]
        self.middles = np.vstack([np.zeros(len(PRIOR)), middles])
        self.carried = _corners(card, points)
        self.outlines = [_corners(card, outline) for outline in outlines]
        reach = 4 * sigma + 3
        self.touched = [np.flatnonzero(((at + MACRO > polygon.min(axis=0) - reach)
                                        & (at < polygon.max(axis=0) + reach)).all(axis=1)) for polygon in polygons]
        across, down = coding.across, coding.down
        chroma = (MACRO // across // 8) * (MACRO // down // 8)
        self.planes = np.repeat([0, 1, 2], np.array([4, chroma, chroma]) * len(ORDERS))

    @classmethod
    def of(cls, codes: np.ndarray, card: Card, found: Found, light: LinearLight, code: np.ndarray,
           coding: Coding, at: np.ndarray) -> BlockFit | None:
        if len(at) < 2:
            return None
        fit = cls(card, found.pose, light, coding, at, edge_sigma(found), found.pose.polygons(card))
        fit.bound(codes, at)
        cover = fit.covers(np.zeros(FREE))
        rest = 1 - fit.together(cover)
        clear = rest > 0.998
        seen = np.stack([codes[y:y + MACRO, x:x + MACRO] for x, y in at])[clear]
        ground = light.to_linear(np.median(seen, axis=0)[None] / 255) if len(seen) else np.full((1, 3), 0.05)
        fit.start = np.vstack([ground, light.to_linear(code)])
        fit.prior = np.concatenate([
            np.repeat((LEVEL * np.maximum(fit.start.mean(axis=1), 0.0) + FLOOR) ** -2.0, 3), np.full(8, CORNER_PX**-2),
            [WIDTH**-2, SPREAD_PX**-2], PRIOR**-2.0, np.full(4, COLOUR**-2)])
        return fit

    def bound(self, codes: np.ndarray, at: np.ndarray) -> None:
        """The intervals of the coefficients of ``codes`` at macroblocks ``at`` (m, 2)."""
        coding = self.coding
        # A triangle filter reaches over a macroblock's border.
        x0, y0 = np.maximum(at.min(axis=0) - MACRO, 0)
        x1, y1 = np.minimum(at.max(axis=0) + 2 * MACRO, codes.shape[1::-1])
        ycc = decoded_ycc(codes[y0:y1, x0:x1])
        planes = [ycc[..., 0] - 128] + [chroma_plane(ycc[..., k], coding.across, coding.down, coding.smooth)
                                        for k in (1, 2)]
        parts = []
        for k, plane in enumerate(planes):
            across, down = (1, 1) if k == 0 else (coding.across, coding.down)
            block = np.stack([plane[(y - y0) // down:(y - y0 + MACRO) // down, (x - x0) // across:
                                    (x - x0 + MACRO) // across] for x, y in at])
            value = coefficients(block)
            step = np.broadcast_to(self.coding.steps[min(k, 1)], value.shape)
            flat = np.abs(value[..., 1:]).sum(axis=-1) < FLAT_SUM
            off = np.full(value.shape, ROUNDED)
            off[..., 0] = np.where(flat, FLAT_MEAN, LIVELY_MEAN)
            known = np.isfinite(step)
            size = np.where(known, step, 1.0)
            off = np.minimum(off, np.where(np.arange(len(ORDERS)) == 0, 0.95, 0.49) * size)
            low = size * np.ceil((value - off) / size) - size / 2
            high = size * np.floor((value + off) / size) + size / 2
            none = low >= high
            low = np.where(none, size * np.floor(value / size) - size / 2, low)
            high = np.where(none, size * np.ceil(value / size) + size / 2, high)
            parts.append([part.reshape(len(at), -1) for part in (low, high, known & (size >= LEAST_STEP), value)])
        self.low, self.high, self.known, self.now = (np.concatenate(part, axis=1) for part in zip(*parts, strict=True))

    def covers(self, free: np.ndarray) -> list[np.ndarray]:
        shift, sigma = free[POSE].reshape(4, 2), self.sigma * np.exp(free[BLUR])
        return [cover_of(polygon + carried @ shift, self.x[near], self.y[near], sigma, free[GROWN])
                for polygon, carried, near in zip(self.polygons, self.outlines, self.touched, strict=True)]

    def together(self, cover: list[np.ndarray]) -> np.ndarray:
        total = np.zeros(self.x.shape)
        for part, near in zip(cover, self.touched, strict=True):
            total[near] += part
        return total

    def shine(self, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(m, 16, 16, 3) the light, and (n, 3) that at the middles of the levels."""
        weights = np.repeat(free[LIGHT][:, None], 3, axis=1)
        weights[:2, 0] += free[TINT][:2]
        weights[:2, 2] += free[TINT][2:]
        return np.exp(self.terms @ weights), np.exp(self.middles @ weights)

    def linear(self, level: np.ndarray, free: np.ndarray, cover: list[np.ndarray]) -> np.ndarray:
        """(m, 16, 16, 3) linear light."""
        light, middle = self.shine(free)
        even = level / middle
        result = (1 - self.together(cover))[..., None] * even[0]
        for k, (part, near) in enumerate(zip(cover, self.touched, strict=True), 1):
            result[near] += part[..., None] * even[k]
        return np.asarray(result * light)

    def coded(self, picture: np.ndarray) -> np.ndarray:
        """(m, r) coefficients of a picture (m, 16, 16, 3) of Y', Cb, Cr."""
        coding = self.coding
        parts = [coefficients(picture[..., 0])] + [coefficients(halved(picture[..., k], coding.across, coding.down))
                                                   for k in (1, 2)]
        return np.concatenate([part.reshape(len(picture), -1) for part in parts], axis=1)

    def value(self, level: np.ndarray, free: np.ndarray, cover: list[np.ndarray] | None = None) -> np.ndarray:
        linear = self.linear(level, free, self.covers(free) if cover is None else cover)
        return self.coded(self.pictured(linear))

    def pictured(self, linear: np.ndarray) -> np.ndarray:
        return np.asarray((255 * self.light.to_code(linear)) @ TO_YCC.T - (128.0, 0.0, 0.0))

    def rate(self, linear: np.ndarray) -> np.ndarray:
        """How fast code values of 0 to 255 follow linear light."""
        step = 0.005 * np.abs(linear) + 1e-5
        return np.asarray(255 * (self.light.to_code(linear + step) - self.light.to_code(linear - step)) / (2 * step))

    def likelihood(self, value: np.ndarray, spread: np.ndarray) -> np.ndarray:
        """(m, r) log of the chance to fall into the interval."""
        below, above = (self.low - value) / spread, (self.high - value) / spread
        return np.where(self.known, np.log(-np.expm1(below - above)) - np.logaddexp(0, -above)
                        - np.logaddexp(0, below), 0.0)

    def spreads(self, level: np.ndarray, free: np.ndarray) -> np.ndarray:
        """(m, r) what a coefficient may be off for other reasons than rounding, as a logistic distribution's scale."""
        value, edge = self.value(level, free), np.zeros(self.low.shape)
        for which, by, share in ((slice(0, 8, 2), 0.2, EDGE_PX), (slice(1, 8, 2), 0.2, EDGE_PX),
                                 (BLUR, 0.15, EDGE_WIDTH)):
            other = free.copy()
            other[which] += by
            edge += ((self.value(level, other) - value) * share / by) ** 2
        result = np.empty(self.low.shape)
        for luma in (True, False):
            of = (self.planes == 0) == luma
            best = max(SPREADS, key=lambda sigma: float(
                self.likelihood(value, LOGISTIC * np.sqrt(sigma**2 + edge))[:, of].sum()))
            result[:, of] = LOGISTIC * np.sqrt(best**2 + edge[:, of])
        return result

    def redraw(self, ycc: np.ndarray, at: np.ndarray, level: np.ndarray, free: np.ndarray) -> None:
        """Puts into ``ycc`` (h, w, 3) what of the model's chroma the file may stand for, at macroblocks ``at``."""
        picture = self.pictured(self.linear(level, free, self.covers(free)))
        orders = ORDERS[:, 0], ORDERS[:, 1]
        change = np.zeros(picture.shape)
        across, down = self.coding.across, self.coding.down
        for k in (1, 2):
            wanted = _transformed(halved(picture[..., k], across, down))
            shape = wanted[..., 0, 0].shape
            of = self.planes == k
            low, high, known, is_now = (values[:, of].reshape(*shape, len(ORDERS)) for values in (
                self.low, self.high, self.known, self.now))
            may = wanted[..., orders[0], orders[1]]
            far = (np.maximum(low - may, may - high) > TOO_FAR * (high - low)) & known
            fits = np.clip(may, low, high)
            differs = np.clip(wanted, -HIDDEN, HIDDEN)
            differs[..., orders[0], orders[1]] = np.where(known, fits - is_now, np.clip(may, -HIDDEN, HIDDEN))
            differs[far.any(axis=-1)] = 0.0
            drawn = _drawn(differs)
            change[..., k] = drawn.repeat(down, axis=1).repeat(across, axis=2)
        for (x, y), more in zip(at, change, strict=True):
            ycc[y:y + MACRO, x:x + MACRO] += more

    def solved(self) -> np.ndarray:
        """(p, 3, 3) covariance of the patches' code values; ``level`` and ``free`` are set."""
        n, level, free = self.n, self.start.copy(), np.zeros(FREE)
        for _ in range(ROUNDS):
            spread = self.spreads(level, free)
            slopes: np.ndarray | None = None
            for _ in range(STEPS):
                cover = self.covers(free)
                linear = self.linear(level, free, cover)
                value = self.coded(self.pictured(linear))
                now = self.total(value, level, free, spread)
                slopes = self.slopes(level, free, cover, linear, slopes)
                ahead, curved = self.newton(value, level, free, spread, slopes)
                share = 1.0
                for _ in range(5):
                    to, so = level + share * ahead[:3 * n].reshape(n, 3), free + share * ahead[3 * n:]
                    gain = self.total(self.value(to, so), to, so, spread) - now
                    if gain > 0:
                        break
                    share /= 2
                if gain <= 0:
                    break
                level, free = to, so
                if gain < SETTLED:
                    break
        self.level, self.free = level, free
        rate = self.rate(level) / 255
        covariance = np.linalg.inv(curved)[:3 * n, :3 * n].reshape(n, 3, n, 3)
        return np.array([covariance[k, :, k] * rate[k][:, None] * rate[k] for k in range(1, n)])

    def total(self, value: np.ndarray, level: np.ndarray, free: np.ndarray, spread: np.ndarray) -> float:
        off = np.concatenate([(level - self.start).ravel(), free])
        return float(self.likelihood(value, spread).sum() - 0.5 * (self.prior * off * off).sum())

    def slopes(self, level: np.ndarray, free: np.ndarray, cover: list[np.ndarray], linear: np.ndarray,
               before: np.ndarray | None) -> np.ndarray:
        """(3 n + FREE, m, r): how coefficients follow levels and what else is free. That of all but the levels is
        taken from ``before``, where given: it hardly changes."""
        n, rate = self.n, self.rate(linear)
        light, middle = self.shine(free)
        lit = rate * light
        result = np.zeros((3 * n + FREE, *self.low.shape), np.float32) if before is None else before
        everywhere = np.arange(len(self.x))
        for k in range(n):
            part, near = (1 - self.together(cover), everywhere) if k == 0 else (cover[k - 1], self.touched[k - 1])
            follows = lit[near] * part[..., None] / middle[k]
            for c in range(3):
                plane = follows[..., c]
                once = np.concatenate([coefficients(plane).reshape(len(near), -1), *[coefficients(halved(
                    plane, self.coding.across, self.coding.down)).reshape(len(near), -1)] * 2], axis=1)
                result[3 * k + c, near] = once * TO_YCC[self.planes, c]
        if before is not None:
            return result
        free_at = 3 * n

        def follow(k: int, change: np.ndarray) -> None:
            result[free_at + k] = self.coded((rate * change) @ TO_YCC.T)

        for side in (0, 1):
            other = free.copy()
            other[side:8:2] += 0.1
            moved = (self.linear(level, free, self.covers(other)) - linear) / 0.1
            for corner in range(4):
                follow(2 * corner + side, moved * self.carried[..., corner, None])
        for k, by in ((BLUR, 0.1), (GROWN, 0.05)):
            other = free.copy()
            other[k] += by
            follow(k, (self.linear(level, free, self.covers(other)) - linear) / by)
        for k in range(LIGHT.start, FREE):
            other = free.copy()
            other[k] += 0.01
            follow(k, (self.linear(level, other, cover) - linear) / 0.01)
        return result

    def newton(self, value: np.ndarray, level: np.ndarray, free: np.ndarray, spread: np.ndarray,
               slopes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The next step, and the likelihood's curvature."""
        below, above = expit((self.low - value) / spread), expit((self.high - value) / spread)
        pull = np.where(self.known, (below + above - 1) / spread, 0.0)
        curve = np.where(self.known, (below * (1 - below) + above * (1 - above)) / spread**2, 0.0)
        # Far outside an interval the likelihood is straight: as steep as it is, a parabola's step goes too far.
        weight = np.maximum(curve, np.abs(pull) / (np.abs(value - (self.low + self.high) / 2) + 1e-9))
        use = (weight > 1e-6).ravel()
        rows = slopes.reshape(len(slopes), -1)[:, use]
        thin = rows[:, curve.ravel()[use] > 1e-6]
        off = np.concatenate([(level - self.start).ravel(), free])
        information = (rows * weight.ravel()[use].astype(np.float32)) @ rows.T + np.diag(self.prior)
        bent = curve.ravel()[use]
        curved = (thin * bent[bent > 1e-6].astype(np.float32)) @ thin.T + np.diag(self.prior)
        ahead = np.linalg.solve(information, rows @ pull.ravel()[use] - self.prior * off)
        return ahead, curved


def _transformed(plane: np.ndarray) -> np.ndarray:
    """(..., rows, columns, 8, 8) all coefficients of the blocks of ``plane`` (..., 8 rows, 8 columns)."""
    *more, h, w = plane.shape
    return np.asarray(dctn(plane.reshape(*more, h // BLOCK, BLOCK, w // BLOCK, BLOCK).swapaxes(-3, -2),
                           axes=(-2, -1), norm="ortho"))


def _drawn(coefficient: np.ndarray) -> np.ndarray:
    """The inverse of :func:`_transformed`."""
    *more, rows, columns, _, _ = coefficient.shape
    blocks = idctn(coefficient, axes=(-2, -1), norm="ortho").swapaxes(-3, -2)
    return np.asarray(blocks.reshape(*more, rows * BLOCK, columns * BLOCK))


__all__ = ["BlockFit", "cover_of", "edge_sigma"]
