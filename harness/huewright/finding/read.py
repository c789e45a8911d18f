"""Reading the card's patches in one picture: statistics of their inner parts, uneven light taken off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from huewright_kernels.masks import PatchStatistics, patch_statistics

from huewright.finding.clip import Plateaus, find_plateaus
from huewright.finding.cover import covered_patches, covered_spots, ring_covered
from huewright.finding.expect import expected_colour
from huewright.finding.find import Found
from huewright.finding.light import Field, LinearLight
from huewright.finding.smear import Smear, measure_smear
from huewright.finding.spots import ground_spots, spot_room
from huewright.finding.veil import Observed, Veil, fit_light
from huewright.models.card import Card
from huewright.models.reading import clip_shift

INNER, LEAST_INNER = 0.8, 0.4
# Reading between pixels blurs by about this much more.
SAMPLING_PX = 0.7
# Pixel noise (code values) from which the bend of a curve shows in a mean, and how much of the mean's bias the robust
# location has: found on generated frames with known truth, over noise of 0.01 to 0.05.
NOISY = 0.008
# A patch as many times as noisy as the others is not one colour.
MOST_SPREAD, TORN = 4.0, 20.0
BIWEIGHT_SHARE = 0.4
# What is left unknown of the light, and of a veil that was taken off, beyond the fit's own errors: found on path-traced
# takes with known diffuse light, so that 95 % intervals hold 95 % of the truth.
LIGHT_SHARE, VEIL_SHARE = 0.002, 0.02
# Below this a patch says nothing (pixels).
LEAST_PIXELS = 6.0


@dataclass(frozen=True)
class RawReading:
    """One picture's patches before they are judged.

    code         (p, 3) code values in even light; ``measured`` (p, 3) as they are in the picture
    error        (p, 3) standard error of ``code``, of the light and the veil that were taken off included
    noise        (p, 3, 3) covariance of single pixels, code values squared
    statistics   of the inner polygons
    field        the fitted light; ``light_stops`` its peak to peak over the patches
    veil         (p,) light added around each patch by a reflection, as a shift in code values (largest channel);
                 ``veil_error`` (p,) its standard error; NaN where the card has no ground to tell
    slope        (p,) what the patch's pixels slope beyond the field's, across the patch, in code values;
                 ``slope_error`` (p,)
    tail         (p,) mean over robust location, in code values; ``tail_error`` (p,)
    seen         (p,) fraction of the inner polygon inside the picture
    sides        (p,) side of a square of the patch's area, px
    pixels_per_sample  correlation between pixels: how many pixels count for one
    linear       (p, 3) linear light of ``code``; ``display`` whether only a display picture's curve told it
    hidden       (p,) whether something lies over the patch
    smear        how far blur reaches, None if that couldn't be told; ``spill`` (p,) that over what is left out at the
                 patch's sides: over 1 its neighbours' colours are in the reading
    lifted       the veil all over the card that was taken off; ``added`` (p, 3) its linear light at the patches,
                 ``added_error`` (p, 3)
    clipped      (p, 3) fraction of pixels at the code range's ends or on a plateau below them; ``clip_shift`` (p, 3)
                 what that takes from the mean where noise or a slope made only some clip; ``clipped_at`` (p, 3)
                 the code value at which each channel clips if it does, and ``highest_code`` the file's
    """

    code: np.ndarray
    measured: np.ndarray
    error: np.ndarray
    noise: np.ndarray
    statistics: PatchStatistics
    field: Field
    light_stops: float
    veil: np.ndarray
    veil_error: np.ndarray
    slope: np.ndarray
    slope_error: np.ndarray
    tail: np.ndarray
    tail_error: np.ndarray
    seen: np.ndarray
    sides: np.ndarray
    pixels_per_sample: float
    linear: np.ndarray
    display: bool
    hidden: np.ndarray
    smear: Smear | None
    spill: np.ndarray
    clipped: np.ndarray
    lifted: Veil
    added: np.ndarray
    added_error: np.ndarray
    clip_shift: np.ndarray
    clipped_at: np.ndarray
    highest_code: int | None


def read_patches(rgb: np.ndarray, card: Card, found: Found, light: LinearLight, *, clip_low: float = 0.0,
                 clip_high: float = 1.0) -> RawReading:
    """The patches of ``card`` in ``rgb`` (h, w, 3) float32 code values where ``found`` says it lies."""
    h, w = rgb.shape[:2]
    pose = found.pose
    centres = np.array([np.mean(patch.polygon, axis=0) for patch in card.patches])
    full = pose.polygons(card)
    sides = np.sqrt([abs(_area(polygon)) for polygon in full])
    blur = found.edge_width_px + 1.0
    smear = measure_smear(rgb, card, pose)
    polygons, spill = _inner_polygons(full, smear, blur)
    spots, half = ground_spots(card)
    clear = _spot_polygons(pose.to_pixels, spots, half, blur, pose.area_scale(spots) if len(spots) else np.empty(0))
    statistics = patch_statistics(rgb, polygons + clear, 0.0, clip_low, clip_high, threads=1)
    p = len(card.patches)
    seen = statistics.weight[:p] / np.maximum([abs(_area(polygon)) for polygon in polygons], 1e-9)
    per_sample = _pixels_per_sample(rgb, polygons[int(np.argmax(sides * (seen > 0.99)))])
    code = np.nan_to_num(statistics.robust[:p])
    noise = np.nan_to_num(statistics.noise[:p])
    sigma = np.sqrt(np.maximum(np.einsum("pcc->pc", noise), 1e-12))
    code = code - _noise_bias(code, sigma, light)
    count = np.maximum(statistics.weight[:p] / per_sample, 1.0)
    error = sigma / np.sqrt(count)[:, None]

    linear = light.to_linear(code)
    rate = light.slope(code)
    # Slopes per card unit along u and v, of linear light, from slopes per pixel.
    jacobian = _jacobians(pose.to_pixels, centres)
    slopes = np.einsum("pcx,pxu->pcu", np.nan_to_num(statistics.gradient[:p]) * rate[:, :, None], jacobian)
    inner_px = np.sqrt(np.maximum(statistics.weight[:p], 1.0))
    slope_sigma = (rate * sigma / np.sqrt(count)[:, None] * np.sqrt(12) / inner_px[:, None])   # per pixel, linear
    unit = np.sqrt(np.abs(np.linalg.det(jacobian)))
    scale = np.sqrt([abs(_area(inner)) for inner in polygons]) / np.maximum(sides, 1e-9) / INNER
    plateaus = find_plateaus(rgb, card, pose, light, scale)
    clipped = np.maximum(np.nan_to_num(statistics.clipped[:p]), np.maximum(plateaus.top, plateaus.bottom))
    usable = (seen > 0.98) & (statistics.weight[:p] > LEAST_PIXELS) & (clipped.max(axis=1) < 0.002)
    ground, ground_error, inside = _ground(statistics, p, light, per_sample, w, h, clear)
    if smear is not None and len(spots):
        # Ground that blur mixes with what stands around it tells nothing of the light.
        inside &= spot_room(card) * np.sqrt(np.maximum(pose.area_scale(spots), 0.0)) > smear.furthest_px
    white = _white(card, linear, usable)
    covered = covered_spots(ground, ground_error, inside, white)
    inside = inside & ~covered
    slope_errors = np.repeat((slope_sigma * unit[:, None])[:, :, None], 2, axis=2)
    seen_light = Observed(centres, linear, rate * error, slopes, slope_errors, usable, spots, ground, ground_error,
                          inside)
    field, lifted, channels = fit_light(card, seen_light, white)
    log_light = channels.mean(axis=1)
    added, added_error = lifted.at(centres), lifted.error(centres)
    even = (linear - added) / np.exp(channels)
    # Differences of the fitted field are kept apart from the code's own curve: no error where there is no field.
    corrected = code + (light.to_code(even) - light.to_code(linear))
    veil, veil_error = _veil(card, centres, field, spots, ground - lifted.at(spots), ground_error, inside, rate)
    extent = sides * np.sqrt(np.maximum(statistics.weight[:p], 1.0)) / np.maximum(sides, 1e-9)
    left = slopes - (linear - added)[:, :, None] * field.slopes(centres)[:, None, :] - lifted.slopes(centres)
    across = np.linalg.norm(left, axis=2) / unit[:, None] * extent[:, None] / rate
    # Three channels together: a lamp's reflection is near white, noise is not.
    slope_value = np.median(across, axis=1)
    slope_error = (error * np.sqrt(12)).mean(axis=1)
    # The light that was taken off is an estimate as well.
    body = np.maximum(linear - added, 0.0)
    total = np.sqrt(error**2 + ((body * np.hypot(field.log_error(centres)[:, None], LIGHT_SHARE)) ** 2 + added_error**2
                                + (VEIL_SHARE * added) ** 2) / rate**2)
    tail = np.nan_to_num(statistics.mean[:p] - statistics.robust[:p]).max(axis=1)
    hidden = np.zeros(p, bool)
    if inside.sum() >= 4:
        bare = ground[inside] - lifted.at(spots[inside])
        usual = np.quantile(bare / np.exp(field.log_light(spots[inside]))[:, None], 0.25, axis=0)
        pixel = float((ground_error[inside] / white).max(axis=1).mean() * np.sqrt(statistics.weight[p:][inside].mean()
                                                                                / per_sample))
        ring = ring_covered(rgb, card, pose, light, field, lifted, usual, white, found.edge_width_px, pixel)
        spread = np.median(sigma, axis=1)
        uneven = slope_value > np.maximum(3.0 * slope_error, 5.0 * np.median(slope_value))
        hidden = covered_patches(ring, uneven | (spread > MOST_SPREAD * np.median(spread)),
                                 spread > TORN * np.median(spread))
    return RawReading(corrected, code, total, noise, statistics, field,
                      float(np.ptp(log_light) / np.log(2)), veil, veil_error, slope_value, slope_error, tail,
                      error.mean(axis=1), seen, sides, per_sample, even, light.display, hidden, smear,
                      spill, clipped, lifted, added, added_error,
                      _clip_shift(clipped, statistics, p), _clipped_at(code, plateaus, clip_low, clip_high),
                      light.highest_code)


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


def _white(card: Card, linear: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """(3,) linear light of a perfect white here: from the brightest bar that is readable, else the brightest patch."""
    bars = [k for k, patch in enumerate(card.patches) if patch.role == "bar" and usable[k]]
    choice = bars or [k for k in range(len(linear)) if usable[k]] or list(range(len(linear)))
    k = max(choice, key=lambda index: float(linear[index].mean()))
    reflectance = float(np.nan_to_num(np.mean(expected_colour(card.patches[k]) ** 2), nan=0.5))
    result: np.ndarray = linear[k] / max(reflectance, 0.02)
    return result


def _ground(statistics: PatchStatistics, p: int, light: LinearLight, per_sample: float, w: int, h: int,
            clear: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Linear ground (s, 3), its standard error, and which spots count (in the picture, big enough, unclipped)."""
    if not clear:
        return np.empty((0, 3)), np.empty((0, 3)), np.empty(0, bool)
    code = np.nan_to_num(statistics.robust[p:])
    ground = light.to_linear(code)
    sigma = np.sqrt(np.maximum(np.einsum("pcc->pc", np.nan_to_num(statistics.noise[p:])), 1e-12))
    count = np.maximum(statistics.weight[p:] / per_sample, 1.0)
    error = light.slope(code) * sigma / np.sqrt(count)[:, None]
    whole = np.array([((polygon > 1).all() and (polygon < (w - 1, h - 1)).all()) for polygon in clear])
    inside = whole & (statistics.weight[p:] > 3) & (np.nan_to_num(statistics.clipped[p:], nan=1.0).max(axis=1) < 0.3)
    return ground, error, inside


def _veil(card: Card, centres: np.ndarray, field: Field, spots: np.ndarray, ground: np.ndarray, error: np.ndarray,
          inside: np.ndarray, rate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What a reflection adds around each patch, as a shift of its code value, and the standard error of that."""
    p = len(centres)
    if inside.sum() < 4:
        return np.full(p, np.nan), np.full(p, np.nan)
    at, seen, sigma = spots[inside], ground[inside], error[inside]
    shape = np.exp(field.log_light(at) - field.log_light(centres).mean())
    # The ground's own level is what its darker places show: a reflection only adds.
    ratio = seen / shape[:, None]
    base = np.quantile(ratio, 0.25, axis=0)
    spread = 1.4826 * np.median(np.abs(ratio - np.median(ratio, axis=0)), axis=0)
    base = np.maximum(base, np.median(ratio, axis=0) - 2 * spread)
    extra = (ratio - base) * shape[:, None]
    veil, veil_error = np.empty(p), np.empty(p)
    reach = 0.16 * max(card.size)
    for k, centre in enumerate(centres):
        distance = np.linalg.norm(at - centre, axis=1)
        weight = np.exp(-0.5 * (distance / reach) ** 2) / np.maximum(sigma.mean(axis=1), 1e-7) ** 0
        weight /= weight.sum()
        shift = (weight[:, None] * extra).sum(axis=0) / rate[k]
        veil[k] = shift.max()
        veil_error[k] = float(np.sqrt(((weight[:, None] * sigma) ** 2).sum(axis=0)).max() / rate[k].min())
    return veil, veil_error


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
