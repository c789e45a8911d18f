"""Is it really the card? What a found pose must show before it is believed: false finds are worse than misses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression

from huewright.finding.blobs import toned
from huewright.finding.edges import EdgeFit, sample
from huewright.finding.pose import Pose
from huewright.models.card import Card

# Set on the generated test set (tests/testset): true poses lie above, the best wrong ones on card-less pictures below.
LEAST_PATCHES = 0.55
LEAST_COLOUR = 0.80
LEAST_COLOUR_SURE = 0.50      # a reflection greys some patches; then the edges must speak clearly
SURE = 1.5
LEAST_UNIFORM = 0.75
LEAST_SUPPORT = 0.25
LEAST_SUM = 2.15


@dataclass(frozen=True)
class Evidence:
    """``patches`` fraction of the card's patches in the picture; ``colour`` how much of the patches' differences a
    rising curve per channel from their expected colours explains, 0..1; ``uniform`` fraction of the patches that
    are flat; ``support`` fraction of the edges found in place."""

    patches: float
    colour: float
    uniform: float
    support: float

    @property
    def convinces(self) -> bool:
        if self.patches < LEAST_PATCHES or self.uniform < LEAST_UNIFORM or self.support < LEAST_SUPPORT:
            return False
        if self.uniform + self.support >= SURE and self.colour >= LEAST_COLOUR_SURE:
            return True
        return self.colour >= LEAST_COLOUR and self.score >= LEAST_SUM

    @property
    def score(self) -> float:
        """0..3"""
        return self.colour + self.uniform + self.support


def weigh(picture: np.ndarray, card: Card, expected: np.ndarray, fit: EdgeFit, power: float) -> Evidence:
    """The evidence for ``fit`` in ``picture`` (h, w, 3); ``expected`` (p, 3) as from ``expect.expected_rgb``."""
    seen, spread, inside = patch_samples(picture, card, fit.pose, power)
    usable = inside & np.isfinite(expected).all(axis=1)
    if usable.sum() < 5:
        return Evidence(float(inside.mean()), 0.0, 0.0, fit.support)
    between = float(np.linalg.norm(np.ptp(np.percentile(seen[usable], (10, 90), axis=0), axis=0)))
    flat = spread[usable] < max(0.12 * between, 0.01)
    return Evidence(float(inside.mean()), colour_agreement(seen[usable], expected[usable]), float(flat.mean()),
                    fit.support)


def patch_samples(picture: np.ndarray, card: Card, pose: Pose, power: float) -> tuple[np.ndarray, ...]:
    """Per patch: median colour (p, 3), robust spread within it (p,), and whether it lies in the picture (p,)."""
    h, w = picture.shape[:2]
    points = np.stack([_spots(np.array(patch.polygon, dtype=np.float64)) for patch in card.patches])
    pixels = pose.to_pixels(points.reshape(-1, 2)).reshape(points.shape)
    values = toned(sample(picture, pixels), power)
    median = np.median(values, axis=1)
    deviation = np.abs(values - median[:, None])
    spread = np.linalg.norm(np.percentile(deviation, 70, axis=1), axis=1)
    inside = ((pixels > 0) & (pixels < (w, h))).all(axis=2).mean(axis=1) > 0.7
    return median, spread, inside


def _spots(polygon: np.ndarray) -> np.ndarray:
    """Seventeen places over the inner two thirds of a patch."""
    centre = polygon.mean(axis=0)
    ring = np.concatenate([np.linspace(a, b, 16, endpoint=False)
                           for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True)])
    ring = ring[:: max(1, len(ring) // 8)][:8]
    return np.concatenate([centre[None], centre + 0.66 * (ring - centre), centre + 0.33 * (ring - centre)])


def colour_agreement(seen: np.ndarray, expected: np.ndarray) -> float:
    """The share of the patches' differences (n, 3) that a rising curve per channel explains; the channel in which it
    explains least counts half. Up to a fifth of the patches (a finger, a reflection) may stand apart."""
    n = len(seen)
    apart = n // 5
    shares = []
    for channel in range(3):
        order = np.argsort(expected[:, channel], kind="stable")
        y = seen[order, channel].astype(np.float64)
        off = np.abs(y - isotonic_regression(y).x)
        kept = np.sort(np.argsort(off, kind="stable")[: n - apart]) if apart else np.arange(n)
        y = y[kept]
        total = float(((y - y.mean()) ** 2).sum())
        residual = float(((y - isotonic_regression(y).x) ** 2).sum())
        shares.append(1 - residual / total if total > 1e-8 else 0.0)
    return float((np.mean(shares) + np.min(shares)) / 2)
