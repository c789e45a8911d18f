"""Light over the card told apart into what falls on it and what its surface, or the lens, adds: one fit a frame.

A patch of reflectance R sends g R L(x) + V(x): L is the uneven light that falls on the card, V the veil, mirror light
or flare, which is the same on dark patches as on bright ones. Bars of known reflectance and the ground, all over the
card, tell V from L; patches of unknown reflectance help by their slopes, which are of their own level for L and of none
for V. L is a cubic in natural log, with a little freedom by channel, up to squares, for lights of two colours; V is a
square a channel, with cubic terms that the channels share. The ground may mirror more or less than the patches do, by
one factor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from huewright.finding.answers import sent_back
from huewright.finding.expect import reflected
from huewright.finding.light import PRIOR, TERMS, Field, gradients, polynomial
from huewright.models.card import Card

# Terms of a veil, in shares of a perfect white: 1, u, v, u^2, uv, v^2 of a channel, and the four cubic ones of all;
# how much of each is usual (standard deviations; choices of ours, checked on path-traced takes).
VEIL_PRIOR = np.array([0.2, 0.06, 0.06, 0.02, 0.02, 0.02])
CUBIC_VEIL_PRIOR = np.full(4, 0.003)
OWN, ALL = len(VEIL_PRIOR), len(VEIL_PRIOR) + len(CUBIC_VEIL_PRIOR)
# How much the light's colour differs over half a card (natural log), u, v, u^2, uv, v^2: usually, and where lights of
# two colours meet, as it is where the usual isn't enough. How well a reference reflectance holds, and how much more or
# less the ground may mirror.
COLOUR_PRIOR = np.array([0.02, 0.02, 0.001, 0.001, 0.001])
MIXED_PRIOR = np.array([0.05, 0.05, 0.003, 0.003, 0.003])
REFERENCE, GROUND_REFERENCE, GROUND_GLOSS = 0.002, 0.03, 0.1
# What is left of a reference's doubt once the card's own patches tell what the camera sees of a spectrum (on traced
# takes a fifth to a half of how far bars were off of one another), and by how much of it that may move it.
LEARNT, MOST_LEARNT = 0.5, 2.0
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
    own         (p, 3) how much of what a patch mirrors beyond the others passes for veil there: a dark bar tells the
                veil, so that its own gloss is taken off with it; 0 for patches that tell none
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    middle: np.ndarray
    half: np.ndarray
    white: np.ndarray
    told: bool
    misfit: float
    own: np.ndarray

    def at(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) linear light at card points (n, 2)."""
        result: np.ndarray = np.maximum(polynomial(points, self.middle, self.half) @ self.coefficients.T,
                                        0.0) * self.white
        return result

    def error(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) standard error of :meth:`at`."""
        terms = polynomial(points, self.middle, self.half)
        variance = np.einsum("ni,cij,nj->nc", terms, self.covariance, terms)
        result: np.ndarray = np.sqrt(np.maximum(variance, 0.0)) * self.white
        return result

    def slopes(self, points: np.ndarray) -> np.ndarray:
        """(n, 3, 2) gradient of :meth:`at` per card unit."""
        along = [gradient @ self.coefficients.T * self.white / half for gradient, half
                 in zip(gradients(points, self.middle, self.half), self.half, strict=True)]
        return np.stack(along, axis=2)


def fit_light(card: Card, seen: Observed, white: np.ndarray) -> tuple[Field, Veil, np.ndarray]:
    """The field, the veil, and (p, 3) natural log of the light at the patches' middles less its mean, by channel.

    ``white`` (3,) is about a perfect white's linear light here.
    """
    fit = _Fit(card, seen, white)
    theta, covariance, own = fit.solve()
    return fit.results(theta, covariance, own)


class _Fit:
    """Parameters: the field's, the light's colour by channel, the ground's own factor and gloss, 3 gains, the veil's
    terms by channel and those of all channels."""

    COLOURS = [slice(TERMS + 5 * c, TERMS + 5 * c + 5) for c in range(3)]
    GROUND, GLOSS, GAINS = TERMS + 15, TERMS + 16, TERMS + 17
    VEILS = [[*range(TERMS + 20 + OWN * c, TERMS + 20 + OWN * (c + 1)), *range(TERMS + 20 + 3 * OWN,
                                                                              TERMS + 20 + 2 * OWN + ALL)]
             for c in range(3)]

    def __init__(self, card: Card, seen: Observed, white: np.ndarray) -> None:
        self.middle, self.half = np.array(card.size) / 2, np.array(card.size) / 2
        self.card, self.seen, self.white = card, seen, np.maximum(white, 1e-9)
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
        self.prior = np.concatenate([PRIOR, np.tile(COLOUR_PRIOR, 3), [reference, GROUND_GLOSS], np.full(3, 2.0),
                                     np.tile(veil, 3), CUBIC_VEIL_PRIOR])
        self.start = np.zeros(len(self.prior))
        self.terms = {"bars": polynomial(seen.centres[self.bars], self.middle, self.half),
                      "spots": polynomial(seen.spots[self.spots], self.middle, self.half),
                      "slopes": polynomial(seen.centres[self.slopes], self.middle, self.half)}
        self.gradients = gradients(seen.centres[self.slopes], self.middle, self.half)

    def _light(self, theta: np.ndarray, terms: np.ndarray, c: int) -> tuple[np.ndarray, np.ndarray]:
        """(n,) light of channel ``c`` and its derivatives (n, TERMS + 5) by the field's terms and its colour's."""
        design = np.column_stack([terms[:, 1:], terms[:, 1:6]])
        return np.exp(design @ np.concatenate([theta[:TERMS], theta[self.COLOURS[c]]])), design

    def rows(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Residuals, their sigmas and their Jacobian, in shares of white; and which of them are slopes."""
        residuals, sigmas, jacobians, sloped = [], [], [], []
        seen, count = self.seen, len(self.prior)
        for c in range(3):
            white = self.white[c]
            gain, at = np.exp(theta[self.GAINS + c]), self.VEILS[c]
            own = [*range(TERMS), *range(count)[self.COLOURS[c]]]
            veil = theta[at]
            for terms, level, error, reflectance, share, ground in (
                    (self.terms["bars"], seen.level[self.bars, c], seen.level_error[self.bars, c],
                     self.reference[self.bars, c], np.hypot(LEVEL_SHARE, self.unsure[self.bars, c]), False),
                    (self.terms["spots"], seen.ground[self.spots, c], seen.ground_error[self.spots, c],
                     np.full(len(self.spots), self.ground[c]), LEVEL_SHARE, True)):
                if not len(terms):
                    continue
                light, design = self._light(theta, terms, c)
                body = gain * reflectance * light * (np.exp(theta[self.GROUND]) if ground else 1.0)
                mirrored = 1 + theta[self.GLOSS] if ground else 1.0
                jacobian = np.zeros((len(terms), count))
                jacobian[:, own] = body[:, None] * design
                jacobian[:, self.GAINS + c] = body
                if ground:
                    jacobian[:, self.GROUND] = body
                    jacobian[:, self.GLOSS] = terms @ veil
                jacobian[:, at] = terms * mirrored
                residuals.append(body + terms @ veil * mirrored - level / white)
                sigmas.append(np.sqrt((error / white) ** 2 + (share * level / white) ** 2 + LEVEL_FLOOR**2))
                jacobians.append(jacobian)
                sloped.append(np.zeros(len(terms), bool))
            if not len(self.slopes):
                continue
            level, terms = seen.level[self.slopes, c] / white, self.terms["slopes"]
            body = np.maximum(level - terms @ veil, 0.0)
            for axis, gradient in enumerate(self.gradients):
                design = np.column_stack([gradient[:, 1:], gradient[:, 1:6]])
                field = design @ np.concatenate([theta[:TERMS], theta[self.COLOURS[c]]])
                jacobian = np.zeros((len(terms), count))
                jacobian[:, own] = body[:, None] * design
                # A veil that takes all of a level leaves nothing that slopes.
                jacobian[:, at] = gradient - np.where(body > 0, field, 0.0)[:, None] * terms
                half = self.half[axis] / white
                slope, error = (values[self.slopes, c, axis] * half for values in (seen.slope, seen.slope_error))
                residuals.append(body * field + gradient @ veil - slope)
                sigmas.append(np.sqrt(error**2 + (SLOPE_SHARE * level) ** 2 + SLOPE_FLOOR**2))
                jacobians.append(jacobian)
                sloped.append(np.ones(len(terms), bool))
        return np.concatenate(residuals), np.concatenate(sigmas), np.concatenate(jacobians), np.concatenate(sloped)

    def solve(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Parameters, their covariance, and as :class:`Veil` has it ``own``."""
        theta, own = self.start.copy(), np.zeros((len(self.seen.centres), 3))
        normal = np.diag(1 / self.prior**2)
        colour = slice(TERMS, TERMS + 15)
        if not (len(self.bars) or len(self.spots) or len(self.slopes)):
            return theta, np.linalg.inv(normal), own
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
            if step == STEPS // 2:
                told = (theta[colour].reshape(3, 5) / COLOUR_PRIOR)[:, :2]
                if np.mean(told**2) > 1.0:
                    self.prior[colour] = np.tile(MIXED_PRIOR, 3)
                self._learn(theta)
        covariance = np.linalg.inv(normal)
        each = len(weight) // 3        # rows of a channel, of which the bars come first
        for c, at in enumerate(self.VEILS):
            bars = slice(each * c, each * c + len(self.bars))
            answer = covariance[at] @ (jacobian[bars] * weight[bars, None]).T      # to the bars' levels
            own[self.bars, c] = np.clip((self.terms["bars"] * answer.T).sum(axis=1), 0.0, 1.0)
        return theta, covariance, own

    def _learn(self, theta: np.ndarray) -> None:
        """The bars' references as this camera sees them, from the patches' levels as they are with ``theta``."""
        if not (self.unsure[self.bars] > REFERENCE).any():
            return
        terms = polynomial(self.seen.centres, self.middle, self.half)
        body = np.column_stack([(self.seen.level[:, c] / self.white[c] - terms @ theta[self.VEILS[c]])
                                / (np.exp(theta[self.GAINS + c]) * self._light(theta, terms, c)[0]) for c in range(3)])
        told = sent_back(self.card, body, self.seen.usable)
        if told is None:
            return
        old, unsure = self.reference[self.bars], self.unsure[self.bars]
        by = np.log(np.maximum(told[self.bars], 1e-6) / old)
        by -= np.average(by, axis=0, weights=1 / unsure**2)
        self.reference[self.bars] = old * np.exp(np.clip(by, -MOST_LEARNT * unsure, MOST_LEARNT * unsure))
        self.unsure[self.bars] = np.hypot(LEARNT * np.sqrt(np.maximum(unsure**2 - REFERENCE**2, 0.0)), REFERENCE)

    def results(self, theta: np.ndarray, covariance: np.ndarray, own: np.ndarray) -> tuple[Field, Veil, np.ndarray]:
        field = Field(theta[:TERMS], self.middle, self.half, covariance[:TERMS, :TERMS])
        coefficients = np.array([theta[at] for at in self.VEILS])
        parts = np.array([covariance[np.ix_(at, at)] for at in self.VEILS])
        veil = Veil(coefficients, parts, self.middle, self.half, self.white, self.told, self._misfit(theta), own)
        terms = polynomial(self.seen.centres, self.middle, self.half)
        light = np.column_stack([np.log(self._light(theta, terms, c)[0]) for c in range(3)])
        return field, veil, light - light.mean(axis=0)

    def _misfit(self, theta: np.ndarray) -> float:
        if not len(self.bars):
            return 0.0
        ratios = []
        terms = self.terms["bars"]
        for c in range(3):
            body = self.seen.level[self.bars, c] / self.white[c] - terms @ theta[self.VEILS[c]]
            meant = np.exp(theta[self.GAINS + c]) * self.reference[self.bars, c] * self._light(theta, terms, c)[0]
            ratios.append(np.log(np.maximum(body, 1e-6) / meant))
        return float(np.abs(np.mean(ratios, axis=0)).max())


def _scale(off: np.ndarray, least: float) -> float:
    """How many times their sigmas the residuals are, robustly, from ``off``, which is them over those."""
    return max(least, 1.4826 * float(np.median(off))) if len(off) else 1.0

