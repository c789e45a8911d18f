"""Clipping that the file's own limits don't show: a plateau below full scale.

A log curve's greatest code, a sensor channel that clips before a gain: many pixels share one value with nothing above
it in the whole picture. Noise would spread them, and noise that is seen in the other patches is expected here too, so a
picture without noise (drawn, or denoised flat) is never called clipped for being even.

Where the coding's steps are wider than the noise (8 bits of log, above all with chroma coded apart, whose steps in R',
G' and B' are no steps of theirs), every even patch lies mostly on one value. A pile-up at the end is no sign then: only
bars of unlike levels that end on the same value are, or highlights elsewhere in the picture that pile up on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from scipy.special import ndtr, ndtri

from huewright.finding.light import LinearLight
from huewright.finding.pose import Pose
from huewright.models.card import Card, Patch

# A plateau holds at least this share of a patch's pixels: of a display picture more, for its curve may press whites
# together until noise no longer shows.
LEAST_SHARE, LEAST_SHARE_DISPLAY = 0.03, 0.5
MOST_BEYOND = 2e-4         # of the picture's pixels beyond a plateau: dead pixels
LEAST_MISSING = 10.0       # pixels that a patch must lack above a plateau: of fewer, chance may leave none
QUITE_EVEN = 0.75          # of the other patches: a crushed black may lie wholly on one value
# Where patches elsewhere lie mostly on one value, too:
MOSTLY = 0.5               # of a patch's pixels on the plateau
UNLIKE = 0.15              # by which two paints' references differ
LEAST_HIGHLIGHT = 1e-3     # of the picture, beside the card
CODE = 1.5 / 255           # what coding chroma apart in 8 bits adds to a channel that ends
CLOSE = 0.02               # below the plateau: a smooth highlight's top is spread over this
RIM = 1.1                  # the card, widened
SAMPLES = 480              # places looked at in a patch
INNER = 0.75


@dataclass(frozen=True)
class Plateaus:
    """``top`` and ``bottom`` (p, 3) fraction of each patch's pixels on a plateau, 0 where there is none; ``high`` and
    ``low`` (3,) the plateaus' code values, NaN where there is none."""

    top: np.ndarray
    bottom: np.ndarray
    high: np.ndarray
    low: np.ndarray


def find_plateaus(rgb: np.ndarray, card: Card, pose: Pose, light: LinearLight, scale: np.ndarray) -> Plateaus:
    """Plateaus of ``rgb`` (h, w, 3) in the inner parts of the card's patches; ``scale`` (p,) is 1 for a sharp picture
    and less where blur leaves less of a patch clean."""
    pixels, inside = _pixels(rgb, card, pose, scale)
    p = len(pixels)
    top, bottom = np.zeros((p, 3)), np.zeros((p, 3))
    high, low = np.full(3, np.nan), np.full(3, np.nan)
    kept = [k for k in range(p) if inside[k]]
    if len(kept) < 4:
        return Plateaus(top, bottom, high, low)
    least = LEAST_SHARE_DISPLAY if light.display else LEAST_SHARE
    for channel in range(3):
        values = [pixels[k, :, channel].astype(np.float64) for k in kept]
        for sign, share, level in ((1.0, top, high), (-1.0, bottom, low)):
            found = _plateau([sign * v for v in values], sign, channel, light, least)
            if found is None:
                continue
            limit, fractions, alone = found
            seen = rgb[::2, ::2, channel] * np.float32(sign)
            if (seen > limit + (_tolerance(limit) if alone else CODE)).mean() > MOST_BEYOND:
                continue
            if not alone and not _unlike_paints([card.patches[k] for k in kept], fractions) and not _piled_up(
                    seen, limit, ~_near_card(seen.shape, card, pose)):
                continue
            level[channel] = sign * limit
            for k, fraction in zip(kept, fractions, strict=True):
                share[k, channel] = fraction if fraction > 0.005 else 0.0
    return Plateaus(top, bottom, high, low)


def _plateau(values: list[np.ndarray], sign: float, channel: int, light: LinearLight,
             least: float) -> tuple[float, list[float], bool] | None:
    """(value, fraction of each patch on it, whether that alone says it) of a spike at the greatest value of all
    patches, or None. It doesn't say it where patches below are as much on one value as a clipped one would be."""
    limit = max(float(v.max()) for v in values)
    tolerance = _tolerance(limit)
    fractions = [float((v >= limit - tolerance).mean()) for v in values]
    worst = int(np.argmax(fractions))
    if fractions[worst] < least:
        return None
    others = [k for k in range(len(values)) if fractions[k] < 0.005]
    if len(others) < 3:
        return None
    expected = _expected_noise([sign * values[k] for k in others], sign * limit, channel, light)
    step = _step(values, limit)
    if _missing(values[worst], limit - step / 2, limit + step / 2) < LEAST_MISSING:
        return None
    s = expected / max(step, 1e-12)
    # What a Gaussian of this spread leaves in its last occupied step, at worst.
    usual = 1.0 - float(ndtr(3.5 - 1.0 / s)) if s > 0.2 else 1.0
    if fractions[worst] <= 1.5 * usual + least:     # no more than noise does, or there is none to go by
        return (limit, fractions, False) if usual > MOSTLY and fractions[worst] >= MOSTLY else None
    elsewhere = float(np.quantile([_on_one_value(values[k]) for k in others], QUITE_EVEN))
    return limit, fractions, fractions[worst] > 1.5 * elsewhere + least


def _on_one_value(values: np.ndarray) -> float:
    """The share of a patch's pixels that the most frequent value has."""
    return float(np.unique(values, return_counts=True)[1].max() / len(values))


def _unlike_paints(patches: list[Patch], fractions: list[float]) -> bool:
    """Whether two bars that mostly lie on the plateau are of unlike levels: unclipped they would not share it. (Chips
    of unlike paint may be equal in one channel.)"""
    levels = [(patch.level_ire, None if patch.xyz is None else patch.xyz[1],
               float(np.mean(patch.reflectance)) if patch.reflectance else None)
              for patch, fraction in zip(patches, fractions, strict=True)
              if patch.role == "bar" and fraction >= MOSTLY]
    return any(a is not None and b is not None and abs(a - b) > UNLIKE * max(abs(a), abs(b))
               for n, one in enumerate(levels) for other in levels[n + 1:] for a, b in zip(one, other, strict=True))


def _piled_up(seen: np.ndarray, limit: float, elsewhere: np.ndarray) -> bool:
    """Whether ``elsewhere`` in the picture, too, much ends on ``limit``, and little comes close to it."""
    values = seen[elsewhere]
    on = np.count_nonzero(values >= limit - CODE)
    close = np.count_nonzero(values >= limit - CODE - CLOSE) - on
    return bool(on >= LEAST_HIGHLIGHT * seen.size and on > 2 * close)


def _near_card(shape: tuple[int, ...], card: Card, pose: Pose) -> np.ndarray:
    """Of every other pixel both ways, those of the card and a rim about it, whose ground may be as bright as white."""
    corners = np.array([(0, 0), (card.size[0], 0), card.size, (0, card.size[1])], dtype=np.float64)
    middle = corners.mean(axis=0)
    outline = pose.to_pixels(middle + RIM * (corners - middle)) / 2
    mask = np.zeros(shape, np.uint8)
    cv2.fillConvexPoly(mask, np.round(np.clip(outline, -1e4, 1e4)).astype(np.int32), 1)
    return mask.astype(bool)


def _missing(values: np.ndarray, low: float, high: float) -> float:
    """How many pixels a patch lacks above ``high``, told from its spread below ``low`` alone, which no clipping
    touches: a normal distribution through the shares under each of its lower values. Infinite where too few values are
    left to tell, as where all but a few pixels clip.

    The spread that other patches let expect is no guide here: it rests on the declared encoding, and a patch may be
    noisier than its neighbours. Coarse codes leave a tail's last step well filled with nothing above it.
    """
    below = np.unique(values[values < low])
    # Between values, and the plateau's own lower edge.
    edges = np.append((below[1:] + below[:-1]) / 2, low)
    share = np.searchsorted(np.sort(values), edges) / len(values)
    told = (share > 0.02) & (share < 0.98)
    if np.count_nonzero(told) < 2:
        return float("inf")
    z = ndtri(share[told])
    # Each weighs as its share is sure: the standard error of z is that of the share over the density there.
    weight = np.exp(-0.5 * z * z) / np.sqrt(share[told] * (1 - share[told]))
    slope, offset = np.polyfit(edges[told], z, 1, w=weight)
    return float(len(values) * ndtr(-(slope * high + offset)))


def _expected_noise(others: list[np.ndarray], at: float, channel: int, light: LinearLight) -> float:
    """The noise in code values that unclipped patches let expect at code value ``at``: in linear light it grows as the
    root of the light, or not at all; the less of the two is taken."""
    level = np.array([v.mean() for v in others])
    sigma = np.array([_spread(v) for v in others])
    codes = np.repeat(np.append(level, at)[:, None], 3, axis=1)
    linear, rate = light.to_linear(codes)[:, channel], light.slope(codes)[:, channel]
    shining = sigma * rate[:-1]
    root = np.sqrt(np.maximum(linear[-1], 1e-6) / np.maximum(linear[:-1], 1e-6))
    return float(np.median(shining * np.minimum(root, 1.0)) / rate[-1])


def _spread(values: np.ndarray) -> float:
    """Noise without a patch's slope: from differences of neighbours in the sample."""
    return float(np.abs(np.diff(values)).mean() / 1.128) if len(values) > 1 else 0.0


def _step(values: list[np.ndarray], limit: float) -> float:
    """The coding's step near ``limit``: the least difference between values that occur there. Floats of half the size
    have steps of half the size, so those are left out where enough values remain."""
    every = np.unique(np.concatenate(values))
    binade = 2.0 ** np.floor(np.log2(max(abs(limit), 1e-6)))
    near = every[(np.abs(every) >= binade) & (np.abs(every) < 2 * binade)]
    apart = np.diff(near if len(near) > 3 else every[every > 0.5 * (limit + every[0])])
    apart = apart[apart > 1e-7]
    return float(apart.min()) if len(apart) else 0.0


def _tolerance(value: float) -> float:
    return 2e-6 * max(abs(value), 1.0)


@lru_cache(maxsize=16)
def _places(card: Card) -> np.ndarray:
    """(p, n, 2) places spread evenly over the inner part of each patch, in card units."""
    side = int(np.sqrt(SAMPLES))
    x, y = np.meshgrid(np.linspace(-1, 1, side), np.linspace(-1, 1, side))
    square = np.column_stack([x.ravel(), y.ravel()])
    places = []
    for patch in card.patches:
        polygon = np.array(patch.polygon, dtype=np.float64)
        middle = polygon.mean(axis=0)
        # Along each ray from the middle the outline's distance is the gauge of the polygon; keep to its inner part.
        normal = np.column_stack([-np.diff(polygon, axis=0, append=polygon[:1])[:, 1],
                                  np.diff(polygon, axis=0, append=polygon[:1])[:, 0]])
        room = ((middle - polygon) * normal).sum(axis=1)
        gauge = (-(square * np.ptp(polygon, axis=0) / 2) @ normal.T / room).max(axis=1)
        radius = np.abs(square).max(axis=1)
        shrink = INNER * radius / np.maximum(gauge, 1e-9)
        places.append(middle + square * np.ptp(polygon, axis=0) / 2 * shrink[:, None])
    return np.array(places)


def _pixels(rgb: np.ndarray, card: Card, pose: Pose, scale: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(p, n, 3) pixels of the patches' inner parts, shrunk further by ``scale`` (p,), and (p,) which patches lie in
    the picture."""
    h, w = rgb.shape[:2]
    places = _places(card)
    middle = places.mean(axis=1, keepdims=True)
    at = pose.to_pixels((middle + (places - middle) * scale[:, None, None]).reshape(-1, 2))
    x, y = np.floor(at).astype(int).T.reshape(2, *places.shape[:2])
    inside = ((x >= 0) & (x < w) & (y >= 0) & (y < h)).all(axis=1)
    return rgb[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1), :3], inside
