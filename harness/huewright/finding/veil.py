"""Light over the card told apart into what falls on it and what its surface, or the lens, adds: one fit a frame.

A patch of reflectance R sends g R L(x) + V(x): L is the uneven light that falls on the card, V the veil, mirror light
or flare, which is the same on dark patches as on bright ones. Bars of known reflectance and the ground, all over the
card, tell V from L; patches of unknown reflectance help by their slopes, which are of their own level for L and of none
for V. L is a polynomial in natural log, with a little freedom by channel for lights of two colours; V is one a channel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from huewright.finding.expect import reflected
from huewright.finding.light import PRIOR, TERMS, Field
from huewright.models.card import Card

# Terms of a veil: 1, u, v, u^2, uv, v^2, in shares of a perfect white; how much of each is usual (standard deviations;
# choices of ours, checked on path-traced takes).
VEIL_PRIOR = np.array([0.2, 0.06, 0.06, 0.02, 0.02, 0.02])
# How much the light's colour differs over half a card (natural log): usually, and where lights of two colours meet, as
# it is where the usual isn't enough. And how well a reference reflectance holds.
COLOUR_PRIOR, MIXED_PRIOR = 0.02, 0.05
REFERENCE, GROUND_REFERENCE = 0.002, 0.03
# What a level and a slope (over half a card) may be off for other reasons: of their level, and of white.
LEVEL_SHARE, LEVEL_FLOOR = 0.005, 0.0002
SLOPE_SHARE, SLOPE_FLOOR = 0.02, 0.001
STEPS = 10
# Residuals are taken to be at least this share of what is usual, however well they fit: few bars fit anything.
LEAST_SCALE = 0.3


@dataclass(frozen=True)
class Observed:
    """What the fit goes by, in linear light, all of one frame.

    centres (p, 2) card units; level, level_error (p, 3); slope, slope_error (p, 3, 2) per card unit; usable (p,)
    spots (s, 2); ground, ground_error (s, 3); inside (s,) which of them count
    """

    centres: np.ndarray
    level: np.ndarray
    level_error: np.ndarray
    slope: np.ndarray
    slope_error: np.ndarray
    usable: np.ndarray
    spots: np.ndarray
    ground: np.ndarray
    ground_error: np.ndarray
    inside: np.ndarray


@dataclass(frozen=True)
class Veil:
    """Light added all over the card, in linear light, smooth over it.

    told        whether bars of known reflectance give its size; if not, only how it differs over the card is known
    misfit      how far the bars are from their references once it is taken off (largest, natural log of a ratio)
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    middle: np.ndarray
    half: np.ndarray
    white: np.ndarray
    told: bool
    misfit: float

    def at(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) linear light at card points (n, 2)."""
        result: np.ndarray = np.maximum(_terms(points, self.middle, self.half) @ self.coefficients.T, 0.0) * self.white
        return result

    def error(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) standard error of :meth:`at`."""
        terms = _terms(points, self.middle, self.half)
        variance = np.einsum("ni,cij,nj->nc", terms, self.covariance, terms)
        result: np.ndarray = np.sqrt(np.maximum(variance, 0.0)) * self.white
        return result

    def slopes(self, points: np.ndarray) -> np.ndarray:
        """(n, 3, 2) gradient of :meth:`at` per card unit."""
        along = [gradient @ self.coefficients.T * self.white / half for gradient, half
                 in zip(_gradients(points, self.middle, self.half), self.half, strict=True)]
        return np.stack(along, axis=2)


def fit_light(card: Card, seen: Observed, white: np.ndarray) -> tuple[Field, Veil, np.ndarray]:
    """The field, the veil, and (p, 3) natural log of the light at the patches' middles less its mean, by channel.

    ``white`` (3,) is about a perfect white's linear light here.
    """
    fit = _Fit(card, seen, white)
    theta, covariance = fit.solve()
    return fit.results(theta, covariance)


class _Fit:
    """Parameters: 5 of the field, 2 by channel for its colour, the ground's own factor, 3 gains, 6 veil terms each."""

    def __init__(self, card: Card, seen: Observed, white: np.ndarray) -> None:
        self.middle, self.half = np.array(card.size) / 2, np.array(card.size) / 2
        self.seen, self.white = seen, np.maximum(white, 1e-9)
        known = [reflected(patch) for patch in card.patches]
        self.reference = np.array([share for share, _ in known])
        self.unsure = np.hypot(np.array([sigma for _, sigma in known]), REFERENCE)
        bar = np.array([patch.role == "bar" for patch in card.patches])
        self.bars = np.flatnonzero(bar & seen.usable & np.isfinite(self.reference).all(axis=1))
        ground = reflected(card.marks[0])[0] if card.marks else np.full(3, np.nan)
        levels = self.reference[self.bars].mean(axis=1) if len(self.bars) else np.empty(0)
        self.told = len(levels) >= 2 and levels.min() < 0.5 * levels.max()
        self.ground_known = bool(np.isfinite(ground).all())
        self.ground = np.where(np.isfinite(ground), ground, 0.05)
        self.spots = np.flatnonzero(seen.inside)
        self.slopes = np.flatnonzero(seen.usable)
        veil = VEIL_PRIOR if self.told else np.append(1e-4, VEIL_PRIOR[1:])
        reference = GROUND_REFERENCE if self.ground_known and self.told else 2.0
        self.prior = np.concatenate([PRIOR, np.full(6, COLOUR_PRIOR), [reference], np.full(3, 2.0), np.tile(veil, 3)])
        self.start = np.zeros(len(self.prior))

    def _light(self, theta: np.ndarray, points: np.ndarray, c: int) -> tuple[np.ndarray, np.ndarray]:
        """(n,) light of channel ``c`` and its derivatives (n, 7) by the field's terms and its colour's two."""
        terms = _terms(points, self.middle, self.half)
        design = np.column_stack([terms[:, 1:], terms[:, 1:3]])
        return np.exp(design @ np.concatenate([theta[:TERMS], theta[5 + 2 * c:7 + 2 * c]])), design

    def rows(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Residuals, their sigmas and their Jacobian, in shares of white; and which of them are slopes."""
        residuals, sigmas, jacobians, sloped = [], [], [], []
        seen, count = self.seen, len(self.prior)
        for c in range(3):
            white = self.white[c]
            gain, at = np.exp(theta[12 + c]), slice(15 + 6 * c, 21 + 6 * c)
            own = [*range(5), 5 + 2 * c, 6 + 2 * c]
            veil = theta[at]
            for points, level, error, reflectance, share, ground in (
                    (seen.centres[self.bars], seen.level[self.bars, c], seen.level_error[self.bars, c],
                     self.reference[self.bars, c], np.hypot(LEVEL_SHARE, self.unsure[self.bars, c]), False),
                    (seen.spots[self.spots], seen.ground[self.spots, c], seen.ground_error[self.spots, c],
                     np.full(len(self.spots), self.ground[c]), LEVEL_SHARE, True)):
                if not len(points):
                    continue
                light, design = self._light(theta, points, c)
                body = gain * reflectance * light * (np.exp(theta[11]) if ground else 1.0)
                terms = _terms(points, self.middle, self.half)
                jacobian = np.zeros((len(points), count))
                jacobian[:, own] = body[:, None] * design
                jacobian[:, 12 + c] = body
                if ground:
                    jacobian[:, 11] = body
                jacobian[:, at] = terms
                residuals.append(body + terms @ veil - level / white)
                sigmas.append(np.sqrt((error / white) ** 2 + (share * level / white) ** 2 + LEVEL_FLOOR**2))
                jacobians.append(jacobian)
                sloped.append(np.zeros(len(points), bool))
            points = seen.centres[self.slopes]
            if not len(points):
                continue
            level = seen.level[self.slopes, c] / white
            terms = _terms(points, self.middle, self.half)
            body = np.maximum(level - terms @ veil, 0.0)
            for axis, gradient in enumerate(_gradients(points, self.middle, self.half)):
                design = np.column_stack([gradient[:, 1:], gradient[:, 1:3]])
                field = design @ np.concatenate([theta[:TERMS], theta[5 + 2 * c:7 + 2 * c]])
                jacobian = np.zeros((len(points), count))
                jacobian[:, own] = body[:, None] * design
                jacobian[:, at] = gradient - field[:, None] * terms
                half = self.half[axis] / white
                slope, error = (values[self.slopes, c, axis] * half for values in (seen.slope, seen.slope_error))
                residuals.append(body * field + gradient @ veil - slope)
                sigmas.append(np.sqrt(error**2 + (SLOPE_SHARE * level) ** 2 + SLOPE_FLOOR**2))
                jacobians.append(jacobian)
                sloped.append(np.ones(len(points), bool))
        return np.concatenate(residuals), np.concatenate(sigmas), np.concatenate(jacobians), np.concatenate(sloped)

    def solve(self) -> tuple[np.ndarray, np.ndarray]:
        theta = self.start.copy()
        normal = np.diag(1 / self.prior**2)
        colour = slice(TERMS, TERMS + 6)
        if not (len(self.bars) or len(self.spots) or len(self.slopes)):
            return theta, np.linalg.inv(normal)
        for step in range(STEPS):
            residual, sigma, jacobian, sloped = self.rows(theta)
            good = np.isfinite(residual / sigma)
            # How well levels, and slopes, follow a smooth light is what the frame itself says.
            for kind in (sloped, ~sloped):
                sigma[kind] *= _scale(np.abs(residual / sigma)[kind & good], 1.0 if step < 2 else LEAST_SCALE)
            off = np.nan_to_num(residual / sigma)
            cut = 8.0 if step < 4 else 5.0
            weight = np.where(good, np.maximum(1 - (off / cut) ** 2, 0.0) ** 2 / sigma**2, 0.0)
            if step < 2:
                weight = np.where(good, 1 / sigma**2, 0.0) / np.maximum(np.abs(off), 1.0)
            jacobian, residual = np.nan_to_num(jacobian), np.nan_to_num(residual)
            normal = (jacobian * weight[:, None]).T @ jacobian + np.diag(1 / self.prior**2)
            step_by = np.linalg.solve(normal, jacobian.T @ (weight * residual) + theta / self.prior**2)
            theta = theta - np.clip(step_by, -1.0, 1.0)
            if step == STEPS // 2 and np.mean((theta[colour] / COLOUR_PRIOR) ** 2) > 1.0:
                self.prior[colour] = MIXED_PRIOR
        return theta, np.linalg.inv(normal)

    def results(self, theta: np.ndarray, covariance: np.ndarray) -> tuple[Field, Veil, np.ndarray]:
        field = Field(theta[:TERMS], self.middle, self.half, covariance[:TERMS, :TERMS])
        coefficients = theta[15:].reshape(3, 6)
        parts = np.array([covariance[15 + 6 * c:21 + 6 * c, 15 + 6 * c:21 + 6 * c] for c in range(3)])
        veil = Veil(coefficients, parts, self.middle, self.half, self.white, self.told, self._misfit(theta))
        light = np.column_stack([np.log(self._light(theta, self.seen.centres, c)[0]) for c in range(3)])
        return field, veil, light - light.mean(axis=0)

    def _misfit(self, theta: np.ndarray) -> float:
        if not len(self.bars):
            return 0.0
        ratios = []
        points = self.seen.centres[self.bars]
        for c in range(3):
            body = self.seen.level[self.bars, c] / self.white[c] - (
                _terms(points, self.middle, self.half) @ theta[15 + 6 * c:21 + 6 * c])
            meant = np.exp(theta[12 + c]) * self.reference[self.bars, c] * self._light(theta, points, c)[0]
            ratios.append(np.log(np.maximum(body, 1e-6) / meant))
        return float(np.abs(np.mean(ratios, axis=0)).max())


def _scale(off: np.ndarray, least: float) -> float:
    """How many times their sigmas the residuals are, robustly, from ``off``, which is them over those."""
    return max(least, 1.4826 * float(np.median(off))) if len(off) else 1.0


def _terms(points: np.ndarray, middle: np.ndarray, half: np.ndarray) -> np.ndarray:
    u, v = ((points - middle) / half).T
    return np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def _gradients(points: np.ndarray, middle: np.ndarray, half: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    u, v = ((points - middle) / half).T
    zero, one = np.zeros_like(u), np.ones_like(u)
    return (np.column_stack([zero, one, zero, 2 * u, v, zero]), np.column_stack([zero, zero, one, zero, u, 2 * v]))
