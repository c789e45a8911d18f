"""Comparing a take's frames with one another, choosing the best of them and merging their readings."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from huewright.finding.answers import in_another_light
from huewright.finding.grade import GLARE_SHIFT, Judged, matrix, score_of, triple
from huewright.finding.joint import joint_levels, shared_scales
from huewright.finding.light import LinearLight
from huewright.finding.packed import columns
from huewright.finding.read import correlations, rounded_share
from huewright.models.card import Card
from huewright.models.reading import PatchReading, Reading
from huewright.models.reasons import DiffersFromOthers, FrameReason

log = logging.getLogger(__name__)

# A reflection only adds, so what a patch really is shows in the lower part of its readings over the take.
BASELINE_QUANTILE = 0.3
LEAST_TO_COMPARE, LEAST_SOUND = 6, 3
# A chosen frame may be this many times as uncertain as the best.
MOST_WORSE = 2.5
# Frames that agree to this (code values) are equally good: five times finer than anything that is asked of a reading.
SAME = 2e-4
APART_SIGMAS = 5.0
# What a light of another colour than the take's usual one costs (code values, by the natural log of red over blue).
OF_COLOUR = 0.02
# Of what patches share of a veil's unevenness, and of the veil, by what one frame is credited with: usual in a take.
USUAL_SCALES = (1.0, 0.25)
# A patch whose level is as uncertain as this (code values) is lost, however uncertain it is.
MOST_WEIGHED = 0.03


def compare_frames(frames: list[Judged], light: LinearLight) -> list[np.ndarray]:
    """(p,) glare scores of each frame from its disagreement with the others, the frames' overall light set equal."""
    p = len(frames[0].faults) if frames else 0
    none = [np.zeros(p) for _ in frames]
    if len(frames) < LEAST_TO_COMPARE:
        return none
    linear = columns(frames, "linear")
    bad = (columns(frames, "clipped").max(axis=2) > 0.01) | (columns(frames, "seen") < 0.9)
    flagged = bad | np.array([frame.lost for frame in frames])
    gain = relative_gains(linear, flagged)
    level = np.where(bad[..., None], np.nan, linear / gain[:, None, :])
    # A frame that is refused for itself doesn't tell what a patch is: a broad reflection taken for uneven light makes
    # its bright patches too dark. Without a few sound ones there is nothing to be held against.
    sound = ~flagged & ~np.array([[bool(frame.reasons)] for frame in frames])
    enough = ((~bad).sum(axis=0) >= LEAST_TO_COMPARE) & (sound.sum(axis=0) >= LEAST_SOUND)
    if not enough.any():
        return none
    with np.errstate(all="ignore"):
        baseline = np.nanquantile(np.where(sound[..., None], level, np.nan)[:, enough], BASELINE_QUANTILE, axis=0)
    scores = []
    for k, frame in enumerate(frames):
        over = np.zeros(p)
        rate = light.slope(frame.packed.column("measured"))
        shift = (level[k][enough] - baseline) * gain[k] / rate[enough]
        error = np.median(frame.packed.column("error"), axis=1)[enough]
        # Light over the card is known to about half a percent: below that, frames may differ for other reasons.
        slack = 3.0 * error + 0.006 * np.median(linear[k][enough] / rate[enough], axis=1)
        over[enough] = np.maximum(np.nan_to_num(np.median(shift, axis=1)) - slack, 0.0)
        scores.append(score_of(over))
    return scores


def relative_gains(linear: np.ndarray, flagged: np.ndarray) -> np.ndarray:
    """(f, 3) overall light of each frame against the take's typical one, from patches that aren't ``flagged``."""
    with warnings.catch_warnings():
        # A frame without one good bright patch has no gain of its own: nan, and 1 in the end.
        warnings.simplefilter("ignore", RuntimeWarning)
        logs = np.log(np.maximum(linear, 1e-7))
        logs = np.where(flagged[..., None], np.nan, logs)
        typical = np.nanmedian(logs, axis=0)
        # Bright patches say most about the light: a veil hardly moves them.
        bright = np.nan_to_num(np.exp(np.nanmean(typical, axis=1)), nan=0.0)
        use = bright >= np.quantile(bright, 0.5)
        gain = np.nanmedian(logs[:, use] - typical[None, use], axis=1)
    result: np.ndarray = np.exp(np.nan_to_num(gain))
    return result


def coloured_gains(linear: np.ndarray, flagged: np.ndarray, grey: np.ndarray) -> np.ndarray:
    """:func:`relative_gains`, but the light's colour is told by the ``grey`` (p,) patches alone: a coloured one answers
    to a light of another colour in its own way, and more than a grey by as much as a camera's matrix mixes."""
    gain = np.log(relative_gains(linear, flagged))
    told = (~flagged[:, grey]).sum(axis=1) >= 2
    if told.any():
        colour = np.log(relative_gains(linear[:, grey], flagged[:, grey]))
        level = gain.mean(axis=1, keepdims=True)
        gain = np.where(told[:, None], level + colour - colour.mean(axis=1, keepdims=True), gain)
    result: np.ndarray = np.exp(gain)
    return result


@dataclass(frozen=True)
class Apart:
    """How far each of some frames' patches lie from what the frames agree on, their overall light set equal.

    read      (f, p) in code values, beyond noise, of the reading in even light
    measured  (f, p) the same before uneven light is taken off, and in standard errors ``sigmas`` (f, p)
    """

    read: np.ndarray
    measured: np.ndarray
    sigmas: np.ndarray

    @property
    def frames(self) -> np.ndarray:
        """(f,) whether the frame stands apart: a faint reflection, most of which passes for uneven light."""
        return np.asarray(((self.sigmas > APART_SIGMAS) & (self.measured > SAME)).any(axis=1))


def stand_apart(frames: list[Judged], light: LinearLight) -> Apart:
    """Each frame against what all agree on: the weighted median, which one frame in a few can't move.

    Nothing stands apart among fewer than three frames: two can't tell which of them is right.
    """
    p = len(frames[0].faults) if frames else 0
    if len(frames) < LEAST_SOUND:
        none = np.zeros((len(frames), p))
        return Apart(none, none, none)
    excluded = np.array([frame.lost for frame in frames])
    weight = np.where(excluded, 0.0, np.array([1 / cost(frame) ** 2 for frame in frames])[:, None])
    codes = columns(frames, "measured")
    rate = light.slope(codes)
    error = np.median(columns(frames, "error"), axis=2)
    # Before uneven light is taken off there is noise alone.
    noise = columns(frames, "tail_error")

    def shift(linear: np.ndarray) -> np.ndarray:
        gain = relative_gains(linear, excluded)[:, None, :]
        level = linear / gain
        off = (level - weighted_median(level, weight)) * gain / rate
        return np.where(excluded, 0.0, np.abs(np.nan_to_num(np.median(off, axis=2))))

    read = shift(columns(frames, "linear"))
    measured = shift(light.to_linear(codes))
    return Apart(np.maximum(read - 2.5 * error, 0.0), measured, measured / np.maximum(noise, 1e-9))


def weighted_median(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """(p, c) the weighted median over frames of ``values`` (f, p, c) with ``weight`` (f, p); NaN where all are 0."""
    order = np.argsort(values, axis=0)
    ordered = np.take_along_axis(values, order, axis=0)
    heaped = np.cumsum(np.take_along_axis(np.broadcast_to(weight[..., None], values.shape), order, axis=0), axis=0)
    half = (heaped >= 0.5 * heaped[-1:]).argmax(axis=0)
    middle = np.take_along_axis(ordered, half[None], axis=0)[0]
    return np.where(heaped[-1] > 0, middle, np.nan)


def cost(frame: Judged, apart: np.ndarray | None = None) -> float:
    """Expected error of a frame's reading in code values: noise, what may be left of reflections, lost patches, and
    what it stands ``apart`` (p,) from the other frames."""
    error = np.sqrt(np.mean(np.minimum(frame.packed.column("error"), MOST_WEIGHED) ** 2))
    lost = frame.lost
    left = 1.0 if lost.all() else float(frame.glares[~lost].mean())
    bias = GLARE_SHIFT * np.sqrt(max(-np.log2(max(1 - left, 1e-6)), 0.0)) * 0.5
    uneven = 0.001 * frame.light_stops
    blurred = 0.002 * (frame.edge_width_px / max(frame.patch_px, 1.0))
    # The bars carry exposure and balance: the worst of all counts as much as the whole card.
    alone = 0.0 if apart is None else float(max(np.sqrt(np.mean(apart**2)), 0.7 * apart.max(initial=0.0)))
    return float(np.sqrt(error**2 + bias**2 + uneven**2 + blurred**2 + alone**2 + SAME**2) * (1 + 4 * lost.mean()))


def choose(frames: list[Judged], most: int, light: LinearLight,
           taken_in: Collection[int] = ()) -> tuple[list[Judged], dict[int, FrameReason]]:
    """The best frames of those without a reason against them, best first; neighbours in time count a little less.
    Those ``taken_in`` by a person come first, whatever their number or their reasons.

    Frames are weighed against each other: few that agree are better than many of which one stands apart. Which ones
    were passed over for that, and why in words, comes with the choice, by frame number.
    """
    usable = [frame for frame in frames if not frame.reasons]
    forced = [frame for frame in frames if frame.frame in taken_in]
    if not usable:
        return sorted(forced, key=cost), {}
    apart = stand_apart(usable, light)
    costs = {id(frame): float(np.hypot(cost(frame, off), OF_COLOUR * colour)) for frame, off, colour
             in zip(usable, apart.read, _colours_apart(usable), strict=True)}
    agreeing = [frame for frame, alone in zip(usable, apart.frames, strict=True) if not alone]
    remarks: dict[int, FrameReason] = {}
    if len(agreeing) >= LEAST_SOUND:
        for frame, alone, off in zip(usable, apart.frames, apart.measured, strict=True):
            if alone:
                worst = int(off.argmax())
                remarks[frame.frame] = DiffersFromOthers(frame.card.patches[worst].name, float(off[worst]))
        usable = agreeing
    chosen = sorted(forced, key=cost)
    usable = [frame for frame in usable if frame.frame not in taken_in]
    least = min((costs[id(frame)] for frame in usable), default=0.0)
    while usable and len(chosen) < most:
        def with_neighbours(frame: Judged) -> float:
            near = sum(abs(frame.frame - other.frame) <= 2 for other in chosen)
            return costs[id(frame)] * (1 + 0.3 * near)

        best = min(usable, key=with_neighbours)
        if costs[id(best)] > MOST_WORSE * least:
            break
        chosen.append(best)
        usable.remove(best)
    log.info("chose frames %s of %d without a reason against them; %d stood apart",
             ", ".join(str(frame.frame) for frame in chosen), len(costs), len(remarks))
    for frame in chosen:
        log.debug("frame %s: cost %.4g", frame.frame, costs.get(id(frame), cost(frame)))
    return chosen, remarks


def _colours_apart(frames: list[Judged]) -> np.ndarray:
    """(f,) how far the colour of each frame's light is from the usual one of all (natural log of red over blue)."""
    grey = np.array([patch.role == "bar" for patch in frames[0].card.patches])
    gain = np.log(coloured_gains(columns(frames, "linear"), np.array([frame.lost for frame in frames]), grey))
    tint = gain[:, 0] - gain[:, 2]
    return np.asarray(np.abs(tint - np.median(tint)))


@dataclass(frozen=True)
class Merge:
    """``gain`` is how many times less uncertain the merge is than its best frame alone (median over the patches)."""

    reading: Reading
    gain: float


def frames_in_usual_light(linear: np.ndarray, gain: np.ndarray, answer: np.ndarray) -> np.ndarray:
    """``linear`` (f, p, 3) as it would be where each frame's light, ``gain`` (f, 3) times the usual one, is that one;
    ``answer`` (f, p, 3, 3) is of the frame's own light, as bright as that is there."""
    return np.array([in_another_light(level, np.broadcast_to(1 / light, level.shape), own)
                     for level, light, own in zip(linear, gain, answer, strict=True)])


def _alike(frames: list[Judged], grey: np.ndarray) -> tuple[np.ndarray, ...]:
    """Levels, their errors alone, shared and always (see ``RawReading``), all in the frames' usual light, and which
    count. ``grey`` (p,) tells the colour of the light."""
    use = ~np.array([frame.lost for frame in frames])
    linear = columns(frames, "linear")
    gain = coloured_gains(linear, ~use, grey)
    gain /= np.exp(np.log(gain).mean(axis=0))
    over = gain[:, None, :]
    shared = columns(frames, "shared")
    # What a patch's colour does in a light of another colour, it does over the card and from frame to frame.
    tint = columns(frames, "tint") + np.log(gain[:, :1] / gain[:, 2:])
    shared[..., 2] = columns(frames, "tinted") * tint[..., None]
    shared /= over[..., None]
    even = frames_in_usual_light(linear, gain, columns(frames, "answer"))
    return even, columns(frames, "alone") / over, shared, columns(frames, "always") / over, use


def _correlated(members: list[Judged], k: int, noise: np.ndarray, weight: np.ndarray, alone: np.ndarray,
                shared: np.ndarray, always: np.ndarray) -> np.ndarray:
    """(3,) correlations of the channels' errors of patch ``k``, merged with ``weight`` (f, 3): what is each frame's
    alone shrinks in a merge, what all have stays."""
    together = np.sqrt((weight**2 * alone**2).sum(axis=0))
    common = (weight[..., None] * shared).sum(axis=0)
    alike = np.mean([frame.packed.column("alike")[k] for frame in members], axis=0)
    grainy = np.mean([frame.packed.column("grainy")[k] for frame in members], axis=0)
    return np.asarray(correlations(noise[None], together[None], common[None], always.mean(axis=0)[None], alike[None],
                                   grainy[None])[0])


def merge(frames: list[Judged], light: LinearLight, card: Card, take: list[Judged] | None = None) -> Merge:
    """The frames' readings taken together (see :mod:`huewright.finding.joint`), their overall light set to the typical
    one. ``take`` holds all good frames, which tell how far the patches' mirror light differs."""
    readings = [frame.reading for frame in frames]
    first = readings[0]
    if len(frames) == 1:
        return Merge(first, 1.0)
    grey = np.array([patch.role == "bar" for patch in card.patches])
    every, alone_every, shared_every, _, use_every = _alike(take or frames, grey)
    # How a patch answers to a light of another colour is the paints' and the camera's: no take's own.
    scales = np.append(shared_scales(every, alone_every, shared_every[..., :2], use_every, USUAL_SCALES), 1.0)
    level, alone, shared, always, use_all = _alike(frames, grey)
    joint = joint_levels(level, alone, shared * scales, use_all)
    log.info("what frames share of a veil's error: %s times the usual", ", ".join(f"{value:g}" for value in scales))
    glare = np.array([frame.glares for frame in frames])
    best, rounded = frames[0].packed.column("error"), columns(frames, "rounded")
    patches = []
    gains = []
    for k, patch in enumerate(first.patches):
        use = use_all[:, k]
        if not use.any():
            patches.append(patch)
            continue
        mean = light.to_code(joint.level[None, k])[0]
        error = np.hypot(joint.error[k], always[use, k].mean(axis=0)) / light.slope(mean)
        if use[0]:
            gains.append(float(np.median(best[k] / error)))
        members = [frame for frame, good in zip(frames, use, strict=True) if good]
        noise = np.mean([frame.packed.column("noise")[k] for frame in members], axis=0)
        told = [reading.patches[k] for reading, good in zip(readings, use, strict=True) if good]
        weight_by_channel = joint.weight[use, k]
        weight = np.maximum(weight_by_channel.mean(axis=1), 0.0)
        patches.append(PatchReading(
            patch.name, triple(mean), matrix(noise), triple(error), float(sum(patch.count for patch in told)),
            triple(np.max([patch.clipped for patch in told], axis=0)),
            float(np.average(glare[use, k], weights=weight)), False, (),
            triple(_correlated(members, k, noise, weight_by_channel, alone[use, k], (shared * scales)[use, k],
                               always[use, k])),
            float(rounded_share(rounded[use, k].mean(axis=0)[None], weight_by_channel[:, None], error[None])[0])))
    light_stops = float(np.mean([frame.light_stops for frame in frames]))
    return Merge(Reading(tuple(patches), first.corners, None, light_stops),
                 max(1.0, float(np.median(gains))) if gains else 1.0)
