"""What a survey of a traced take is worth, against the diffuse light that is known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from huewright.colorimetry.display import to_ycbcr
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import targets_for
from huewright.errors import NoAnswerError
from huewright.finding.light import LinearLight
from huewright.models.settings import SolveSettings
from huewright.models.survey import Survey
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.words import sentence
from huewright_kernels.ops import Transfer

from traced.take import Take, Truth

LUMA = (0.2126, 0.0722)
CONTAMINATED, CLEAN = 0.01, 0.0025


def true_codes(take: Take, truths: Sequence[Truth]) -> tuple[np.ndarray, np.ndarray]:
    """(patches, 3) code values, and linear light, of the diffuse light alone: geometric mean over frames of each
    channel's level, as a merge sets them equal."""
    linear = np.array([truth.linear for truth in truths])
    white = np.array([truth.white for truth in truths])
    usual = np.exp(np.log(white).mean(axis=0))
    mean = (linear / white[:, None] * usual).mean(axis=0)
    return codes_of(take, mean), mean


def codes_of(take: Take, linear: np.ndarray) -> np.ndarray:
    if take.footage.encoding == "display":
        return np.asarray(apply_chain((Transfer(curve="bt709", direction="encode"),), linear))
    return np.asarray(apply_chain(inverse_operations(take.footage.decode), linear))


def figures(take: Take, survey: Survey, truths: Sequence[Truth]) -> dict[str, Any]:
    """A row for the tables. Errors of bars in IRE, chips in degrees and shares of the radius, all of the true light
    sent through the correction that was solved from the reading."""
    one, card = take.shot, take.card
    row: dict[str, Any] = {"take": one.number, "kind": take.scene.kind, "way": one.way, "layout": one.layout,
                           "camera": one.camera, "veil": one.veil, "flare": one.flare,
                           "usable": survey.usable, "chosen": list(survey.chosen), "advice": sentence(survey.advice)}
    added = np.array([truth.added / truth.linear.clip(1e-6) for truth in truths]).max(axis=2)
    of_white = np.array([(truth.added / truth.white).mean(axis=1) for truth in truths])
    row["added_of_white"] = of_white.mean(axis=1).round(5).tolist()
    row["added_least"] = of_white.min(axis=1).round(5).tolist()
    refused = {grade.frame: grade.reasons for grade in survey.grades if grade.verdict in ("refused", "no card")}
    clean = [k for k in range(len(truths)) if added[k].max() < 0.02 or of_white[k].max() < CLEAN]
    row["clean"] = len(clean)
    row["clean_refused"] = [(k, sentence(refused[k][0])) for k in clean if k in refused]
    row["refused"] = {str(k): sentence(reasons[0]) for k, reasons in refused.items()}
    if survey.reading is None:
        return row
    chosen = list(survey.chosen)
    read = survey.reading
    excluded = np.array([patch.excluded for patch in read.patches])
    true, true_linear = true_codes(take, [truths[k] for k in chosen])
    mean = np.array([patch.mean for patch in read.patches])
    error = np.array([patch.standard_error for patch in read.patches])
    off = mean - true
    row["off"], row["error"], row["excluded"] = off.tolist(), error.tolist(), excluded.tolist()
    light = LinearLight(take.footage)
    share = np.abs(light.to_linear(mean) - true_linear) / np.maximum(true_linear, 0.002)
    dirty = added[chosen] > CONTAMINATED
    row["contaminated"] = int(((added > CONTAMINATED)).sum())
    grades = {grade.frame: grade for grade in survey.grades}
    kept = np.array([[patch.name not in grades[k].excluded_patches for patch in card.patches] for k in chosen])
    # Accepted are those that went into the merge and are still off by more than that and by more than they say.
    still = (share.max(axis=1) > CONTAMINATED) & (np.abs(off) > 2.5 * error).any(axis=1)
    row["accepted"] = int((dirty & kept).sum())
    row["accepted_off"] = int((dirty & kept & still & ~excluded).sum())
    settings = SolveSettings(mode="colorimetric") if one.layout == "iso" else SolveSettings()
    try:
        correction = solve(read, card, take.footage, settings)
    except NoAnswerError as refusal:
        row["no_answer"] = str(refusal)
        return row
    row["cautions"] = [sentence(one) for one in correction.cautions]
    row |= _landing(take, correction, settings, true, excluded)
    return row


def _landing(take: Take, correction: Any, settings: SolveSettings, true: np.ndarray,
             excluded: np.ndarray) -> dict[str, Any]:
    card = take.card
    after = to_ycbcr(apply_chain(correction.operations, true), LUMA)
    targets = targets_for(card, mode=settings.mode, fraction=settings.fraction, display=settings.display,
                          adaptation=settings.adaptation)
    bars, hues, radii = [], [], []
    for k, patch in enumerate(card.patches):
        target = targets[patch.name]
        if patch.role == "bar" and target.luma is not None:
            bars.append(100 * (after[k, 0] - target.luma))
        elif patch.role == "chip" and not excluded[k]:
            turn = np.degrees(np.arctan2(after[k, 2], after[k, 1]) - np.arctan2(target.cr, target.cb))
            hues.append((turn + 180) % 360 - 180)
            radii.append(np.hypot(*after[k, 1:]) / np.hypot(target.cb, target.cr) - 1)
    return {"bars_ire": np.round(bars, 3).tolist(), "hues_deg": np.round(hues, 3).tolist(),
            "radii": np.round(radii, 4).tolist()}
