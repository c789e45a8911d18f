"""One picture's patches in even light, without what its surface or the lens adds: what was observed, settled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from huewright.finding.answers import answers, in_usual_light
from huewright.finding.cover import RING_SURE, covered_patches, covered_spots, ring_covered, shows_itself
from huewright.finding.dimmed import dimmed
from huewright.finding.expect import expected_colour, reflected
from huewright.finding.find import Found
from huewright.finding.light import Field, LinearLight
from huewright.finding.observe import Observation, observe
from huewright.finding.spots import ground_spots
from huewright.finding.veil import Observed, Veil, fit_light
from huewright.models.card import Card

# A patch as many times as noisy as the others is not one colour.
MOST_SPREAD, TORN = 4.0, 20.0
# What is left on a patch once light and veil are taken off, as standard deviations: a little more than those of the
# likeliest Student's t of five degrees of freedom for path-traced tuning takes with known diffuse light, half of the
# rooms held by the other half, so that merged intervals of 95 % cover 95 to 97.
# Of what the fit says of itself, whose residuals are often smaller than is usual; of the patch's own level; of the
# veil's unevenness (its standard deviation over the patches, by channel); of the veil on the patch; of what slopes the
# patch beyond the fit.
FRAME_FIT, FRAME_LEVEL, FRAME_UNEVEN, FRAME_VEIL, FRAME_SLOPE = 0.4, 0.0027, 0.034, 0.008, 0.26
# The same of what a take's frames have in common, each frame by its own veil: a patch that mirrors more than the others
# does so in every frame. Then of its level, and of that by the light's stops over the card, squared; of what its
# brightest channel has over its own, by how much the light's colour differs there (natural log, and always by so much):
# what a camera's matrix mixes no longer follows a light channel by channel; and of white.
TAKE_UNEVEN, TAKE_VEIL = 0.11, 0.06
# A dark bar's own gloss passes for veil, and is off with it. Not all of that is left out of its error: the others are
# then off alike, and a solve takes each patch's error for its own.
OWN = 0.7
TAKE_LEVEL, TAKE_LIGHT, TAKE_COLOUR, LEAST_COLOUR, TAKE_FLOOR = 0.001, 0.0025, 0.03, 0.035, 0.000015
# And of its level in each channel by itself, by how much the light's colour differs over the card (standard deviation
# over the patches of the natural log of red over blue): how that runs over the card is known by slopes.
TINTED = 0.02
# How alike the channels' errors of light and veil are (correlation; seen on bright patches 0.5 to 0.75): nearly white
# light, but each channel's is fitted for itself. With 0.95 intervals of hues and radii held 90 % on the takes that this
# was set on.
ALIKE = 0.7
# A codec that quantises blocks of pixels shifts a patch's colour as a whole, which no noise averages out: pixels count
# for one by the dozen there. From so many pixels to a sample on, growing by their cube root to so many, it is off by
# this much (standard deviation, code values): JPEG's own steps for blocks' means (ITU-T T.81, Annex K's tables from
# memory, over the root of 12, from Y'CbCr to R and B) are 0.7 of an 8-bit code at quality 70, where 44 pixels count for
# one, 0.5 at 80 (25) and 0.2 at 90 (5); 0.8, 0.5 and 0.2 to 0.5 were seen. Light that hardly changes is quantised
# alike in every frame.
CODEC_FROM, CODEC_FULLY, CODEC_SHIFT = 3.0, 40.0, 0.003
CODEC_ALONE, CODEC_ALWAYS = 0.5, 0.6       # of its square
# Where the coder's steps are seen, this times what the observation says is left: set on ten traced takes of quality 70
# to 90, merged intervals of whose readings held 90 % without it.
LEFT_ROUNDED = 1.3
# Luma and chroma have about the same step: by what they add to R, G and B (ITU-R BT.601-7), over the mean of the three.
CODEC_CHANNELS = np.array([1.03, 0.76, 1.21])


@dataclass(frozen=True)
class RawReading:
    """One picture's patches before they are judged.

    observed     what the pixels said
    code         (p, 3) code values in even light; ``measured`` (p, 3) as they are in the picture
    error        (p, 3) standard error of ``code``, of the light and the veil that were taken off included: ``alone``
                 (p, 3) of this frame, ``shared`` (p, 3, 3) which other frames of the take share in proportion to
                 theirs (the veil's unevenness, the veil, the light's colour), and ``always`` (p, 3) which is the same
                 in every frame; these three in linear light
    tint         (p,) colour of the light at the patch against the frame's (natural log of red over blue), to which the
                 last of ``shared`` is in proportion; ``tinted`` (p, 3) that for a tint of 1
    alike        (p, 3, 2) how much of the squares of ``alone`` and ``always`` comes from light and veil, which the
                 channels have in common; ``grainy`` (p, 3) how much of that of ``alone`` from the pixels' own noise
    rounded      (p, 3) standard error of ``code`` that a coder's rounding leaves, in ``alone`` and ``always``
    field        the fitted light; ``light_stops`` its peak to peak over the patches
    veil         (p,) light added around each patch by a reflection, as a shift in code values (largest channel);
                 ``veil_error`` (p,) its standard error; NaN where the card has no ground to tell
    slope        (p,) what the patch's pixels slope beyond the field's, across the patch, in code values;
                 ``slope_error`` (p,)
    tail_error   (p,) standard error of ``code`` from noise alone, mean of the channels
    linear       (p, 3) linear light of ``code``
    answer       (p, 3, 3) what the patch does in a light of another colour (see :mod:`.answers`), in linear light;
                 not-a-number where the card doesn't tell
    hidden       (p,) whether something lies over the patch; where it ``mirrors`` (p,), it may as well be a lamp of
                 another colour that is mirrored; ``darker`` (p,) whether what looks like a reflection takes light away
    lifted       the veil all over the card that was taken off; ``added`` (p, 3) its linear light at the patches,
                 ``added_error`` (p, 3)
    """

    observed: Observation
    code: np.ndarray
    measured: np.ndarray
    error: np.ndarray
    alone: np.ndarray
    shared: np.ndarray
    always: np.ndarray
    tint: np.ndarray
    tinted: np.ndarray
    alike: np.ndarray
    grainy: np.ndarray
    rounded: np.ndarray
    field: Field
    light_stops: float
    veil: np.ndarray
    veil_error: np.ndarray
    slope: np.ndarray
    slope_error: np.ndarray
    tail_error: np.ndarray
    linear: np.ndarray
    answer: np.ndarray
    hidden: np.ndarray
    mirrors: np.ndarray
    darker: np.ndarray
    lifted: Veil
    added: np.ndarray
    added_error: np.ndarray


def read_patches(rgb: np.ndarray, card: Card, found: Found, light: LinearLight, *, clip_low: float = 0.0,
                 clip_high: float = 1.0) -> RawReading:
    """The patches of ``card`` in ``rgb`` (h, w, 3) float32 code values where ``found`` says it lies."""
    return settle(observe(rgb, card, found, light, clip_low=clip_low, clip_high=clip_high), card, light)


def settle(seen: Observation, card: Card, light: LinearLight) -> RawReading:
    """The light over the card, what it adds and what lies over it, told from what was ``seen``."""
    centres = np.array([np.mean(patch.polygon, axis=0) for patch in card.patches])
    spots, _ = ground_spots(card)
    code, error, ground, p = seen.code, seen.error, seen.ground, len(card.patches)
    linear = light.to_linear(code)
    rate = light.slope(code)
    slopes = seen.gradient * rate[:, :, None]
    inner_px = np.sqrt(np.maximum(seen.weight, 1.0))
    slope_sigma = rate * error * np.sqrt(12) / inner_px[:, None]   # per pixel, linear
    white = _white(card, linear, seen.usable)
    inside = seen.inside & ~covered_spots(ground, seen.ground_error, seen.inside, white)
    slope_errors = np.repeat((slope_sigma * seen.unit[:, None])[:, :, None], 2, axis=2)
    seen_light = Observed(centres, linear, rate * error, slopes, slope_errors, seen.usable, spots, ground,
                          seen.ground_error, inside)
    field, lifted, channels = fit_light(card, seen_light, white)
    log_light = channels.mean(axis=1)
    added, added_error = lifted.at(centres), lifted.error(centres)
    factor = np.exp(channels)
    answer = answers(card, (linear - added) / white, factor, seen.usable) * white[:, None]
    even = in_usual_light(linear - added, factor, answer)
    # Differences of the fitted field are kept apart from the code's own curve: no error where there is no field.
    corrected = code + (light.to_code(even) - light.to_code(linear))
    veil, veil_error = _veil(card, centres, field, spots, ground - lifted.at(spots), seen.ground_error, inside, rate)
    left = slopes - (linear - added)[:, :, None] * field.slopes(centres)[:, None, :] - lifted.slopes(centres)
    across = np.linalg.norm(left, axis=2) / seen.unit[:, None] * inner_px[:, None] / rate
    # Three channels together: a lamp's reflection is near white, noise is not.
    slope_value = np.median(across, axis=1)
    slope_error = (error * np.sqrt(12)).mean(axis=1)
    across_light = np.linalg.norm(left, axis=2) * (inner_px / seen.unit)[:, None]
    tint = channels[:, 0] - channels[:, 2]
    rounded = _rounded(seen)
    alone, shared, always, tinted, alike, grainy = _left_over(seen, linear, rate, channels, across_light, field,
                                                              lifted, centres, rounded)
    total = np.sqrt(alone**2 + (shared**2).sum(axis=2) + always**2) / rate
    hidden, mirrors, darker = np.zeros(p, bool), np.zeros(p, bool), np.zeros(p, bool)
    if inside.sum() >= 4:
        bare = ground[inside] - lifted.at(spots[inside])
        usual = np.quantile(bare / np.exp(field.log_light(spots[inside]))[:, None], 0.25, axis=0)
        ring = ring_covered(seen.ring, seen.told, card, field, lifted, usual, white,
                            float((seen.pixel_noise / white).max()))
        uneven = slope_value > np.maximum(3.0 * slope_error, 5.0 * np.median(slope_value))
        spread = np.median(np.sqrt(np.maximum(np.einsum("pcc->pc", seen.noise), 1e-12)), axis=1)
        torn = spread > TORN * np.median(spread)
        hidden = covered_patches(ring.share, uneven | (spread > MOST_SPREAD * np.median(spread)), torn)
        shows = shows_itself(linear / white, ring.middle / white, _contrast(card, field.log_light(centres)))
        darker = dimmed(seen.ring, seen.told, card, field, lifted, usual, white, linear, left)
        mirrors = hidden & ring.lamp & ~torn & ((ring.share <= RING_SURE) | (shows != 0))
    return RawReading(seen, corrected, code, total, alone, shared, always, tint, tinted, alike, grainy, rounded, field,
                      float(np.ptp(log_light) / np.log(2)), veil, veil_error, slope_value, slope_error,
                      error.mean(axis=1), even, answer, hidden, mirrors, darker, lifted, added, added_error)


def correlations(noise: np.ndarray, alone: np.ndarray, shared: np.ndarray, always: np.ndarray, alike: np.ndarray,
                 grainy: np.ndarray) -> np.ndarray:
    """(p, 3) correlation between the errors of red and green, red and blue, green and blue: of what comes from light
    and veil, which the channels have in common, and of the ``noise`` (p, 3, 3) of pixels. The rest (a codec's steps, a
    patch in a light of another colour) has next to none. Arrays as in :class:`RawReading`, of a frame or of a merge."""
    total = np.maximum(alone**2 + (shared**2).sum(axis=2) + always**2, 1e-24)
    common = (alike[..., 0] * alone**2 + (shared[..., :2] ** 2).sum(axis=2) + alike[..., 1] * always**2) / total
    grain = grainy * alone**2 / total
    deviation = np.sqrt(np.maximum(np.einsum("pcc->pc", noise), 1e-30))
    result = np.empty((len(noise), 3))
    for k, (a, b) in enumerate(((0, 1), (0, 2), (1, 2))):
        pixels = np.clip(noise[:, a, b] / (deviation[:, a] * deviation[:, b]), -1.0, 1.0)
        result[:, k] = ALIKE * np.sqrt(common[:, a] * common[:, b]) + pixels * np.sqrt(grain[:, a] * grain[:, b])
    return np.clip(result, -1.0, 1.0)


def _left_over(seen: Observation, linear: np.ndarray, rate: np.ndarray, log_light: np.ndarray, across: np.ndarray,
               field: Field, lifted: Veil, centres: np.ndarray, rounded: np.ndarray) -> tuple[np.ndarray, ...]:
    """Standard errors as in :class:`RawReading`, of linear light: this frame's alone, shared with others, always there;
    ``tinted``, ``alike`` and ``grainy``.

    linear, rate  (p, 3) light as seen, and its slope by code value
    log_light     (p, 3) natural log of the fitted light, by channel
    across        (p, 3) what slopes a patch beyond the fit, over its inner part
    rounded       (p, 3) what a coder's rounding leaves, code values
    """
    white, noise = lifted.white, rate * seen.error
    added, added_error = lifted.at(centres), lifted.error(centres)
    codec = rate * rounded
    body = linear - added
    level = np.maximum(body, 0.0)
    told = added[seen.usable] if seen.usable.any() else added
    uneven = np.broadcast_to(told.std(axis=0), body.shape)
    # A slope's own noise is no sign of anything (a plane through n pixels: 12 / n of their variance, twice over).
    sloped = np.sqrt(np.maximum(across**2 - 24 * noise**2, 0.0))
    fit = added_error**2 + (level * field.log_error(centres)[:, None]) ** 2
    usual = (FRAME_LEVEL * level) ** 2 + (FRAME_UNEVEN * uneven) ** 2 + (FRAME_VEIL * added) ** 2
    light = np.maximum(FRAME_FIT**2 * fit, usual) + (FRAME_SLOPE * sloped) ** 2
    alone = np.sqrt(noise**2 + light + CODEC_ALONE * codec**2)
    stops = np.ptp(log_light.mean(axis=1)) / np.log(2)
    other = (level / white).max(axis=1, keepdims=True) - level / white
    tinted = TAKE_COLOUR * other * white
    scaled = (TAKE_LEVEL**2 + (TAKE_LIGHT * stops**2) ** 2) * level**2
    tint = (log_light[:, 0] - log_light[:, 2])[:, None]
    always = np.sqrt(scaled + (LEAST_COLOUR * tinted) ** 2 + (TAKE_FLOOR * white) ** 2
                     + (TINTED * tint.std() * level) ** 2 + CODEC_ALWAYS * codec**2)
    others = 1 - OWN * lifted.own
    shared = np.stack([TAKE_UNEVEN * uneven * others, TAKE_VEIL * added * others, tinted * tint], axis=2)
    alike = np.stack([light / np.maximum(alone, 1e-12) ** 2, scaled / np.maximum(always, 1e-12) ** 2], axis=2)
    return alone, shared, always, tinted, alike, noise**2 / np.maximum(alone, 1e-12) ** 2


def _rounded(seen: Observation) -> np.ndarray:
    """(p, 3) standard error of code values that a coder's rounding leaves: as its steps say, else by how the pixels go
    together."""
    if seen.rounded is not None:
        return LEFT_ROUNDED * seen.rounded
    grown = np.clip((seen.pixels_per_sample - CODEC_FROM) / (CODEC_FULLY - CODEC_FROM), 0.0, 1.0)
    return np.broadcast_to(CODEC_SHIFT * np.cbrt(grown) * CODEC_CHANNELS, seen.code.shape)


def rounded_share(rounded: np.ndarray, weight: np.ndarray, error: np.ndarray) -> np.ndarray:
    """(p,) share of the square of ``error`` (p, 3), code values, that rounding (``rounded`` (p, 3), of one frame) has
    where frames were merged with ``weight`` (f, p, 3); in the mean of the channels."""
    left = (CODEC_ALONE * (weight**2).sum(axis=0) + CODEC_ALWAYS) * rounded**2
    result: np.ndarray = np.clip(left / np.maximum(error**2, 1e-24), 0.0, 1.0).mean(axis=1)
    return result


def _contrast(card: Card, log_light: np.ndarray) -> np.ndarray:
    """(p, 3) what each patch's reflectance has over the ground's in the light there (p,), as linear light over white;
    not-a-number where one of them is unknown."""
    ground = reflected(card.marks[0])[0] if card.marks else np.full(3, np.nan)
    own = np.array([reflected(patch)[0] for patch in card.patches])
    result: np.ndarray = (own - ground) * np.exp(log_light)[:, None]
    return result


def _white(card: Card, linear: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """(3,) linear light of a perfect white here: from the brightest bar that is readable, else the brightest patch."""
    bars = [k for k, patch in enumerate(card.patches) if patch.role == "bar" and usable[k]]
    choice = bars or [k for k in range(len(linear)) if usable[k]] or list(range(len(linear)))
    k = max(choice, key=lambda index: float(linear[index].mean()))
    reflectance = float(np.nan_to_num(np.mean(expected_colour(card.patches[k]) ** 2), nan=0.5))
    result: np.ndarray = linear[k] / max(reflectance, 0.02)
    return result


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
        # How far ground scatters that nothing shines on is no sign of a reflection either.
        noise = np.sqrt(((weight[:, None] * sigma) ** 2).sum(axis=0) + spread**2)
        veil_error[k] = float((noise / rate[k]).max())
    return veil, veil_error
