"""What a survey of a traced take is worth, against the diffuse light that is known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from huewright.colorimetry.display import from_ycbcr, to_ycbcr
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import delta_e, reference_rgb
from huewright.errors import NoAnswerError
from huewright.finding.grade import Judged
from huewright.finding.light import LinearLight
from huewright.models.cautions import OffTarget, Uncertain
from huewright.models.coded import has
from huewright.models.correction import Correction
from huewright.models.reasons import FrameReason, PatchesLost, VeiledCard
from huewright.models.settings import SolveSettings
from huewright.models.survey import Survey
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.words import sentence
from huewright_kernels.ops import Transfer

from traced.take import HEIGHT, WIDTH, Shooting, Truth

LUMA = (0.2126, 0.0722)
# Mirror light or flare over this share of a patch's own channel contaminates it; a frame is clean where there is less
# on every patch, or less than this share of white anywhere.
CONTAMINATED, CLEAN_WHITE = 0.01, 0.0025


def true_codes(take: Shooting, truths: Sequence[Truth]) -> np.ndarray:
    """(patches, 3) code values of the diffuse light alone: geometric mean over frames of each channel's level, as a
    merge sets them equal."""
    linear = np.array([truth.linear for truth in truths])
    white = np.array([truth.white for truth in truths])
    usual = np.exp(np.log(white).mean(axis=0))
    return codes_of(take, (linear / white[:, None] * usual).mean(axis=0))


def codes_of(take: Shooting, linear: np.ndarray) -> np.ndarray:
    if take.footage.encoding == "display":
        return np.asarray(apply_chain((Transfer(curve="bt709", direction="encode"),), linear))
    return np.asarray(apply_chain(inverse_operations(take.footage.decode), linear))


def figures(take: Shooting, survey: Survey, judged: Sequence[Judged], truths: Sequence[Truth]) -> dict[str, Any]:
    """A row for the tables. Errors of bars in IRE, chips in degrees and shares of the radius, all of the true light
    sent through the correction that was solved from the reading; ``held`` whether 95 % intervals hold them."""
    one = take.shot
    row: dict[str, Any] = {"take": one.number, "kind": take.scene.kind, "way": one.way, "layout": one.layout,
                           "camera": one.camera, "veil": one.veil, "flare": one.flare, "usable": survey.usable,
                           "chosen": list(survey.chosen), "advice": sentence(survey.advice)}
    row |= _frames(take, survey, judged, truths)
    if survey.reading is None:
        return row
    read = survey.reading
    excluded = np.array([patch.excluded for patch in read.patches])
    true = true_codes(take, [truths[k] for k in survey.chosen])
    off = np.array([patch.mean for patch in read.patches]) - true
    error = np.array([patch.standard_error for patch in read.patches])
    row["off"], row["error"], row["excluded"] = off.tolist(), error.tolist(), excluded.tolist()
    row["held_reading"] = (np.abs(off) <= 1.96 * error)[~excluded].ravel().tolist()
    light = LinearLight(take.footage)
    linear, wanted = light.to_linear(true + off), light.to_linear(true)
    share = np.abs(linear - wanted) / np.maximum(np.abs(wanted), 0.002)
    row["merged"] = int((~excluded).sum())
    row["merged_left"] = int(((share > CONTAMINATED).any(axis=1) & ~excluded).sum())
    row["merged_unsaid"] = int((((share > CONTAMINATED) & (np.abs(off) > 1.96 * error)).any(axis=1) & ~excluded).sum())
    row |= _known(survey, share) | _readings(take, survey, judged, truths)
    settings = settings_of(take)
    try:
        correction = solve(read, take.card, take.footage, settings)
    except NoAnswerError as refusal:
        row["no_answer"] = str(refusal)
        return row
    row["cautions"] = [sentence(one) for one in correction.cautions]
    row["said"] = "off" if has(correction.cautions, OffTarget) else (
        "uncertain" if has(correction.cautions, Uncertain) else "good")
    return row | _landing(take, correction, settings, true)


def settings_of(take: Shooting) -> SolveSettings:
    return SolveSettings(mode="colorimetric") if take.shot.layout == "iso" else SolveSettings()


def _frames(take: Shooting, survey: Survey, judged: Sequence[Judged], truths: Sequence[Truth]) -> dict[str, Any]:
    """Refused frames: how many of the clean ones, and whether what is named is there."""
    share = np.array([truth.added / truth.linear.clip(1e-6) for truth in truths]).max(axis=2)
    white = np.array([(truth.added / truth.white).mean(axis=1) for truth in truths])
    refused = {grade.frame: grade.reasons for grade in survey.grades if grade.verdict in ("refused", "no card")}
    clean = [k for k in range(len(truths)) if share[k].max() < CONTAMINATED or white[k].max() < CLEAN_WHITE]
    by_number = {frame.reading.frame: frame for frame in judged}
    causes = [(k, sentence(why[0]), _is_cause(why[0], take, by_number[k], share[k], white[k], truths[k]),
               names_two(why[0])) for k, why in refused.items() if why and k in by_number]
    return {"frames": len(truths), "added_of_white": white.mean(axis=1).round(5).tolist(), "clean": len(clean),
            "clean_refused": [(k, text, good) for k, text, good, _ in causes if k in clean], "causes": causes}


def _is_cause(reason: FrameReason, take: Shooting, frame: Judged, share: np.ndarray, white: np.ndarray,
              truth: Truth) -> bool:
    """Whether what ``reason`` says is so; of one that names two causes, whether either is. Nothing lies over these
    cards; what blurs is seen in the edges' width.

    ``share`` (p,) is mirror light and flare over the patch's own light in its worst channel, ``white`` (p,) that over
    white.
    """
    names = [patch.name for patch in frame.reading.patches]
    bars = ([names.index(name) for name in reason.bars] if isinstance(reason, PatchesLost) and reason.bars
            else list(range(len(names))))
    if isinstance(reason, VeiledCard):
        # All over the card, and about as much as is said.
        return bool(white.mean() > max(0.01, reason.share / 2))
    if reason.kind == "glare" or names_two(reason):
        # On every bar that is named, by its own channel; of the other patches on as many as are said to be lost.
        few = len(bars) if not isinstance(reason, PatchesLost) or reason.bars else reason.count
        return bool((share[bars] > CONTAMINATED).sum() >= few)
    if reason.kind == "clipped":
        # Only display pictures have ends here, and what lies at them is counted pixel by pixel.
        seen = frame.raw.observed
        ends = (np.abs(seen.clipped_at[bars]) < 0.002) | (np.abs(seen.clipped_at[bars] - 1) < 0.002)
        return bool(take.footage.encoding == "display" and ((seen.clipped[bars] > 0.01) & ends).any())
    if reason.kind == "uneven":
        return truth.light_stops > 1.8
    if reason.kind == "hidden":
        # A patch is given up where over a tenth of its inner part lies outside; with its margin that is more.
        return bool((outside_picture(take, truth)[bars] > 0.1).all())
    if reason.kind == "blurred":
        return frame.edge_width_px > 2.5
    if reason.kind == "small":
        return frame.patch_px < 10
    return reason.kind in ("noisy", "tilted")


def outside_picture(take: Shooting, truth: Truth) -> np.ndarray:
    """(p,) share of each patch, where the card truly lies, that is outside the picture."""
    to_pixels = cv2.getPerspectiveTransform(np.array(take.card.corners, np.float32), truth.corners.astype(np.float32))
    share = []
    for patch in take.card.patches:
        outline = np.array(patch.polygon) * 4      # quarters of a millimetre
        low = outline.min(axis=0)
        mask = np.zeros(np.ceil(np.ptp(outline, axis=0)[::-1]).astype(int), np.uint8)
        cv2.fillConvexPoly(mask, np.round(outline - low).astype(np.int32), 1)
        points = (np.argwhere(mask)[:, ::-1] + 0.5 + low) / 4
        x, y = cv2.perspectiveTransform(points[None].astype(np.float32), to_pixels)[0].T
        share.append(float(((x < 0) | (x > WIDTH) | (y < 0) | (y > HEIGHT)).mean()))
    return np.array(share)


def names_two(reason: FrameReason) -> bool:
    """Whether ``reason`` leaves open which of two causes it is."""
    return isinstance(reason, PatchesLost) and reason.or_mirroring


def _known(survey: Survey, share: np.ndarray) -> dict[str, int]:
    """Of what the survey says is known to within 1 % of its own light, channels and whole patches, how much is farther
    off; ``share`` (p, 3) by how much of itself each is off."""
    assert survey.reading is not None
    names = [patch.name for patch in survey.reading.patches]
    rows = [names.index(patch.name) for patch in survey.light_known]
    within = np.array([patch.within_one for patch in survey.light_known], bool).reshape(-1, 3)
    off = share[rows] > CONTAMINATED
    whole = within.all(axis=1)
    return {"known_channels": int(within.sum()), "known_channels_off": int((within & off).sum()),
            "known_patches": int(whole.sum()), "known_patches_off": int((whole & off.any(axis=1)).sum())}


def _readings(take: Shooting, survey: Survey, judged: Sequence[Judged], truths: Sequence[Truth]) -> dict[str, Any]:
    """Contaminated readings, those accepted into the merge, and those of them that are still off by over 1 % of their
    own channel (``left``), and beyond what their interval says (``unsaid``)."""
    light = LinearLight(take.footage)
    by_number = {grade.frame: grade for grade in survey.grades}
    count = accepted = left = unsaid = reads = 0
    for frame in judged:
        number = frame.reading.frame
        assert number is not None
        truth = truths[number]
        dirty = (truth.added / truth.linear.clip(1e-6)).max(axis=1) > CONTAMINATED
        count += int(dirty.sum())
        grade = by_number[number]
        if grade.verdict != "chosen":
            continue
        kept = np.array([patch.name not in grade.excluded_patches for patch in take.card.patches])
        reads += int(kept.sum())
        accepted += int((dirty & kept).sum())
        # The level of a frame is free: the merge sets it equal.
        ratio = np.log(np.maximum(frame.raw.linear, 1e-6) / truth.linear.clip(1e-6))
        bright = truth.linear.mean(axis=1) > np.median(truth.linear.mean(axis=1))
        off = np.abs(ratio - np.median(ratio[bright & kept], axis=0))
        sure = frame.raw.error * light.slope(frame.raw.code) / truth.linear.clip(1e-6)
        beyond = (off > CONTAMINATED + 2 * frame.raw.tail_error[:, None] * light.slope(frame.raw.code)
                  / truth.linear.clip(1e-6)).any(axis=1) & dirty & kept
        left += int(beyond.sum())
        unsaid += int((beyond & (off > 2.5 * sure).any(axis=1)).sum())
    return {"reads": reads, "contaminated": count, "accepted": accepted, "accepted_left": left,
            "accepted_unsaid": unsaid}


def _landing(take: Shooting, correction: Correction, settings: SolveSettings, true: np.ndarray) -> dict[str, Any]:
    luma = LUMA
    after = to_ycbcr(apply_chain(correction.operations, true), luma)
    before = to_ycbcr(apply_chain(correction.neutral_operations, true), luma)
    names = [patch.name for patch in take.card.patches]
    reference = reference_rgb(take.card, settings.display)
    bars, hues, radii, gained = [], [], [], []
    scores: dict[str, list[float]] = {"bar": [], "hue": [], "radius": []}     # errors in standard errors
    reach: dict[str, list[float]] = {"bar": [], "hue": [], "radius": []}      # how far off the 95 % intervals reach
    said = []
    for patch in correction.patches:
        k = names.index(patch.name)
        luma_target, cb, cr = patch.target
        if patch.role == "bar" and patch.used and luma_target is not None:
            bars.append(100 * (after[k, 0] - luma_target))
            scores["bar"].append((bars[-1] - (patch.level_error_ire or 0)) / (patch.level_standard_error_ire or 1e-9))
            reach["bar"].append(_reach(patch.level_error_ire, patch.level_standard_error_ire))
        elif patch.role == "chip" and patch.used and cb is not None and cr is not None:
            turn = np.degrees(np.arctan2(after[k, 2], after[k, 1]) - np.arctan2(cr, cb))
            hues.append((turn + 180) % 360 - 180)
            radii.append(np.hypot(*after[k, 1:]) / np.hypot(cb, cr) - 1)
            scores["hue"].append((hues[-1] - (patch.hue_error_deg or 0)) / (patch.hue_standard_error_deg or 1e-9))
            reach["hue"].append(_reach(patch.hue_error_deg, patch.hue_standard_error_deg))
            reach["radius"].append(_reach((patch.radius_ratio or 0) - 1, patch.radius_standard_error))
            scores["radius"].append((radii[-1] + 1 - (patch.radius_ratio or 0)) / (patch.radius_standard_error or 1e-9))
        elif patch.name in reference and patch.role == "check" and not patch.reasons and (
                patch.delta_e_after is not None):
            wanted = np.array([reference[patch.name]])
            sides = [float(delta_e(from_ycbcr(side[[k]], luma), wanted, settings.display)[0])
                     for side in (before, after)]
            gained.append(sides[0] - sides[1])
            said.append((patch.delta_e_before or 0) - patch.delta_e_after)
    row: dict[str, Any] = {"bars_ire": np.round(bars, 3).tolist(), "hues_deg": np.round(hues, 3).tolist(),
                           "radii": np.round(radii, 4).tolist(), "scores": scores, "reach": reach,
                           "held": {kind: [abs(value) <= 1.96 for value in values] for kind, values in scores.items()}}
    if gained:
        row["check_gain"], row["check_gain_said"] = float(np.mean(gained)), float(np.mean(said))
        if correction.diagnostics.check_delta_e_gain_standard_error is not None:
            row["check_gain_error"] = correction.diagnostics.check_delta_e_gain_standard_error
    return row


def _reach(off: float | None, error: float | None) -> float:
    return abs(off or 0.0) + 1.96 * (error or 0.0)
