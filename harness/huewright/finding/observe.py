"""What the pixels of one picture say of the card, before anything is made of it: statistics of the patches' inner
parts, of the ground between them and of what lies right around them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from huewright_kernels.statistics import PatchStatistics, patch_statistics

from huewright.finding.clip import Plateaus, find_plateaus
from huewright.finding.cover import ring_colours
from huewright.finding.find import Found
from huewright.finding.light import LinearLight
from huewright.finding.smear import Smear, measure_smear
from huewright.finding.spots import ground_spots, spot_room
from huewright.finding.unrounded import as_before_rounding
from huewright.models.card import Card
from huewright.models.reading import clip_shift

INNER, LEAST_INNER = 0.8, 0.4
# Reading between pixels blurs by about this much more.
SAMPLING_PX = 0.7
# Pixel noise (code values) from which the bend of a curve shows in a mean, and how much of the mean's bias the robust
# location has: found on generated frames with known truth, over noise of 0.01 to 0.05.
NOISY = 0.008
BIWEIGHT_SHARE = 0.4
# Below this a patch says nothing (pixels).
LEAST_PIXELS = 6.0


@dataclass(frozen=True)
class Observation:
    """One picture's patches (p), ground spots (s) and rings of n places around each patch.

    code         (p, 3) robust location, code values; ``error`` (p, 3) its standard error from noise alone
    noise        (p, 3, 3) covariance of single pixels, code values squared
    weight       (p,) pixels of the inner polygons; ``seen`` (p,) fraction of them inside the picture
    sides        (p,) side of a square of the patch's area, px
    tail         (p,) mean over robust location, code values, largest channel
    gradient     (p, 3, 2) slope along the card's u and v, code values per card unit; ``unit`` (p,) px per card unit
    usable       (p,) whether the patch tells of the light
    ground       (s, 3) linear light of the ground, ``ground_error`` (s, 3), ``inside`` (s,) which of them count
    ring         (p, n, 3) linear light right around the patches, ``told`` (p, n) which of them are clear of blur
    pixels_per_sample  correlation between pixels: how many pixels count for one
    pixel_noise  of one pixel of the ground, as linear light by channel (3,)
    smear        how far blur reaches, None if that couldn't be told; ``spill`` (p,) that over what is left out at the
                 patch's sides: over 1 its neighbours' colours are in the reading
    clipped      (p, 3) fraction of pixels at the code range's ends or on a plateau below them; ``clip_shift`` (p, 3)
                 what that takes from the mean where noise or a slope made only some clip; ``clipped_at`` (p, 3)
                 the code value at which each channel clips if it does, and ``highest_code`` the file's
    rounded      (p, 3) standard error of ``code`` that is left of a coder's rounding, where its steps are seen; None
                 where they aren't
    """

    code: np.ndarray
    error: np.ndarray
    noise: np.ndarray
    weight: np.ndarray
    seen: np.ndarray
    sides: np.ndarray
    tail: np.ndarray
    gradient: np.ndarray
    unit: np.ndarray
    usable: np.ndarray
    ground: np.ndarray
    ground_error: np.ndarray
    inside: np.ndarray
    ring: np.ndarray
    told: np.ndarray
    pixels_per_sample: float
    pixel_noise: np.ndarray
    smear: Smear | None
    spill: np.ndarray
    clipped: np.ndarray
    clip_shift: np.ndarray
    clipped_at: np.ndarray
    highest_code: int | None
    rounded: np.ndarray | None = None


def observe(rgb: np.ndarray, card: Card, found: Found, light: LinearLight, *, clip_low: float = 0.0,
            clip_high: float = 1.0) -> Observation:
    """The patches of ``card`` in ``rgb`` (h, w, 3) float32 code values where ``found`` says it lies."""
    h, w = rgb.shape[:2]
    pose = found.pose
    full = pose.polygons(card)
    sides = np.sqrt([abs(_area(polygon)) for polygon in full])
    blur = found.edge_width_px + 1.0
    smear = measure_smear(rgb, card, pose)
    polygons, spill = _inner_polygons(full, smear, blur)
    spots, half = ground_spots(card)
    clear = _spot_polygons(pose.to_pixels, spots, half, blur, pose.area_scale(spots) if len(spots) else np.empty(0))
    statistics = patch_statistics(rgb, polygons + clear, 0.0, clip_low, clip_high, threads=1)
    p = len(card.patches)
    weight = statistics.weight[:p]
    seen = weight / np.maximum([abs(_area(polygon)) for polygon in polygons], 1e-9)
    per_sample = _pixels_per_sample(rgb, polygons[int(np.argmax(sides * (seen > 0.99)))])
    # Noise, slopes and what sticks out are told by the picture as it is, colours by what its blocks say beyond their
    # means. (With slopes by them too, bars of traced takes were 0.2 to 0.4 IRE farther off.)
    before = as_before_rounding(rgb, card, found, light, np.nan_to_num(statistics.robust[:p]))
    level = statistics if before is None else patch_statistics(before.codes, polygons + clear, 0.0, clip_low, clip_high,
                                                               threads=1)
    code = np.nan_to_num(level.robust[:p])
    noise = np.nan_to_num(statistics.noise[:p])
    sigma = np.sqrt(np.maximum(np.einsum("pcc->pc", noise), 1e-12))
    code = code - _noise_bias(code, sigma, light)
    error = sigma / np.sqrt(np.maximum(weight / per_sample, 1.0))[:, None]
    jacobian = _jacobians(pose.to_pixels, np.array([np.mean(patch.polygon, axis=0) for patch in card.patches]))
    gradient = np.einsum("pcx,pxu->pcu", np.nan_to_num(statistics.gradient[:p]), jacobian)
    scale = np.sqrt([abs(_area(inner)) for inner in polygons]) / np.maximum(sides, 1e-9) / INNER
    plateaus = find_plateaus(rgb, card, pose, light, scale)
    clipped = np.maximum(np.nan_to_num(statistics.clipped[:p]), np.maximum(plateaus.top, plateaus.bottom))
    usable = (seen > 0.98) & (weight > LEAST_PIXELS) & (clipped.max(axis=1) < 0.002)
    ground, ground_error, inside = _ground(statistics, level.robust[p:], p, light, per_sample, w, h, clear)
    if smear is not None and len(spots):
        # Ground that blur mixes with what stands around it tells nothing of the light.
        inside &= spot_room(card) * np.sqrt(np.maximum(pose.area_scale(spots), 0.0)) > smear.furthest_px
    pixel = np.zeros(3)
    if inside.any():
        pixel = ground_error[inside].mean(axis=0) * np.sqrt(statistics.weight[p:][inside].mean() / per_sample)
    ring, told = ring_colours(rgb, card, pose, light, found.edge_width_px)
    tail = np.nan_to_num(statistics.mean[:p] - statistics.robust[:p]).max(axis=1)
    return Observation(code, error, noise, weight, seen, sides, tail, gradient,
                       np.sqrt(np.abs(np.linalg.det(jacobian))), usable, ground, ground_error, inside, ring, told,
                       per_sample, pixel, smear, spill, clipped, _clip_shift(clipped, statistics, p),
                       _clipped_at(code, plateaus, clip_low, clip_high), light.highest_code,
                       None if before is None else before.error)


def _noise_bias(code: np.ndarray, sigma: np.ndarray, light: LinearLight) -> np.ndarray:
    """(p, 3) what noise even in linear light adds to a robust location of code values whose curve is bent there.

    The mean's bias from five-point Gauss-Hermite quadrature of the curve, times the share of it that the biweight
    location has (the median has none).
    """
    if sigma.max(initial=0.0) < NOISY:
        return np.zeros_like(code)
    at, weight = np.polynomial.hermite_e.hermegauss(5)
    mean = sum(w * light.to_linear(code + z * sigma) for z, w in zip(at, weight / weight.sum(), strict=True))
    result: np.ndarray = BIWEIGHT_SHARE * (code - light.to_code(mean))
    return result


def _inner_polygons(full: list[np.ndarray], smear: Smear | None, blur: float) -> tuple[list[np.ndarray], np.ndarray]:
    """Each patch shrunk to what blur leaves clean, and (p,) how far blur reaches over what could be shrunk away: 1
    where it just reaches the inner polygon's sides, 0 if it doesn't blur at all."""
    polygons, spill = [], []
    for polygon in full:
        middle = polygon.mean(axis=0)
        side = np.roll(polygon, -1, axis=0) - polygon
        normal = np.column_stack([-side[:, 1], side[:, 0]]) / np.maximum(np.linalg.norm(side, axis=1), 1e-9)[:, None]
        room = np.maximum(np.abs(((middle - polygon) * normal).sum(axis=1)), 1e-6)
        reach = np.full(len(room), blur) if smear is None else smear.reach(normal)
        inner = float(np.clip(1 - ((reach + SAMPLING_PX) / room).max(), LEAST_INNER, INNER))
        polygons.append(middle + inner * (polygon - middle))
        spill.append(float((reach / ((1 - inner) * room)).max()))
    return polygons, np.array(spill)


def _clip_shift(clipped: np.ndarray, statistics: PatchStatistics, p: int) -> np.ndarray:
    """(p, 3) how far clipping moves the patches' means."""
    sigma = np.sqrt(np.maximum(np.einsum("pcc->pc", np.nan_to_num(statistics.covariance[:p])), 0.0))
    return clip_shift(clipped, sigma)


def _clipped_at(code: np.ndarray, plateaus: Plateaus, low: float, high: float) -> np.ndarray:
    """(p, 3) the code value at which each patch's channels clip if they do."""
    levels = np.empty((len(code), 3))
    for k in range(len(code)):
        for c in range(3):
            down = plateaus.bottom[k, c] > 0 or (plateaus.top[k, c] == 0 and code[k, c] < 0.25)
            levels[k, c] = (plateaus.low[c] if plateaus.bottom[k, c] > 0 else low) if down else (
                plateaus.high[c] if plateaus.top[k, c] > 0 else high)
    return levels


def _ground(statistics: PatchStatistics, robust: np.ndarray, p: int, light: LinearLight, per_sample: float, w: int,
            h: int, clear: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Linear ground (s, 3), its standard error, and which spots count (in the picture, big enough, unclipped)."""
    if not clear:
        return np.empty((0, 3)), np.empty((0, 3)), np.empty(0, bool)
    code = np.nan_to_num(robust)
    ground = light.to_linear(code)
    sigma = np.sqrt(np.maximum(np.einsum("pcc->pc", np.nan_to_num(statistics.noise[p:])), 1e-12))
    count = np.maximum(statistics.weight[p:] / per_sample, 1.0)
    error = light.slope(code) * sigma / np.sqrt(count)[:, None]
    whole = np.array([((polygon > 1).all() and (polygon < (w - 1, h - 1)).all()) for polygon in clear])
    inside = whole & (statistics.weight[p:] > 3) & (np.nan_to_num(statistics.clipped[p:], nan=1.0).max(axis=1) < 0.3)
    return ground, error, inside


def _spot_polygons(to_pixels, spots: np.ndarray, half: float, blur: float,  # type: ignore[no-untyped-def]
                   area_scale: np.ndarray) -> list[np.ndarray]:
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]])
    polygons = []
    for spot, scale in zip(spots, area_scale, strict=True):
        # What blur brings over the clear ground's border is left out, as far as anything remains.
        side = max(half, 0.3 * half + 0.0) if scale <= 0 else max(half - 0.3 * blur / np.sqrt(scale), 0.35 * half)
        polygons.append(to_pixels(spot + side * square))
    return polygons


def _jacobians(to_pixels, centres: np.ndarray) -> np.ndarray:  # type: ignore[no-untyped-def]
    """(p, 2, 2): d(x, y) / d(u, v) at each centre."""
    step = 0.5
    du = (to_pixels(centres + [step, 0]) - to_pixels(centres - [step, 0])) / (2 * step)
    dv = (to_pixels(centres + [0, step]) - to_pixels(centres - [0, step])) / (2 * step)
    return np.stack([du, dv], axis=2)


def _pixels_per_sample(rgb: np.ndarray, polygon: np.ndarray) -> float:
    """How many pixels count for one, from the correlation of neighbours within a patch (debayering, scaling, blur)."""
    middle = polygon.mean(axis=0)
    half = max(2, int(_inradius(polygon) * 0.65))
    x, y = int(middle[0]), int(middle[1])
    window = rgb[max(0, y - half):y + half, max(0, x - half):x + half, 1].astype(np.float64)
    if window.shape[0] < 6 or window.shape[1] < 6:
        return 1.5
    window = window - window.mean(axis=0, keepdims=True) - window.mean(axis=1, keepdims=True) + window.mean()
    power = float((window * window).mean())
    if power < 1e-12:
        return 1.0
    rho_x = float((window[:, 1:] * window[:, :-1]).mean()) / power
    rho_y = float((window[1:] * window[:-1]).mean()) / power
    rho_x, rho_y = np.clip([rho_x, rho_y], 0.0, 0.8)
    return float((1 + rho_x) / (1 - rho_x) * (1 + rho_y) / (1 - rho_y))


def _area(polygon: np.ndarray) -> float:
    x, y = polygon.T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def _inradius(polygon: np.ndarray) -> float:
    """Distance from the polygon's middle to its nearest side."""
    middle = polygon.mean(axis=0)
    a, b = polygon, np.roll(polygon, -1, axis=0)
    along = b - a
    cross = along[:, 0] * (middle - a)[:, 1] - along[:, 1] * (middle - a)[:, 0]
    return float(np.min(np.abs(cross) / np.maximum(np.linalg.norm(along, axis=1), 1e-9)))
