"""What the job made of the invented shoot, compared with what the generator knows of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from huewright.colorimetry.display import display_luma, hue_deg, hue_difference_deg, to_ycbcr
from huewright.colorimetry.luts import apply_with_opencolorio
from huewright.colorimetry.targets import delta_e
from huewright.frames import open_take, parse_sequence, read_frame
from huewright.frames.take import Take
from huewright.models.card import Card
from huewright.models.correction import Correction
from huewright.models.demo import (
    AgainstTargets,
    AgainstTruth,
    BeforeAfter,
    FramesCompared,
    LutError,
    LutErrors,
    PatchCompared,
    Worst,
)
from huewright.models.proof import FramePassedOver, Proof
from huewright.models.survey import Survey
from huewright.reference import apply_chain
from huewright_kernels.ops import Operation

# Share of a patch's width that is averaged when the rendered frames are measured at the generator's own corners.
INNER = 0.7
# A patch with less chroma than this has no hue to speak of.
LEAST_CHROMA = 0.01


def frames_against_truth(survey: Survey, truth: dict[str, Any]) -> FramesCompared:
    """The survey's choice beside what the generator knows of each frame."""
    known = {row["frame"]: row for row in truth["frames"]}
    errors = {grade.frame: np.linalg.norm(np.subtract(grade.corners, known[grade.frame]["corners"]), axis=1).max()
              for grade in survey.grades if len(grade.corners) == 4}
    return FramesCompared(
        survey.chosen, tuple(FramePassedOver(grade.frame, grade.verdict, grade.reasons) for grade in survey.grades
                             if grade.verdict in ("refused", "no card")),
        tuple(number for number in survey.chosen if known[number]["reflections"]),
        tuple(grade.frame for grade in survey.grades
              if grade.verdict == "usable" and known[grade.frame]["reflections"]),
        tuple(number for number in errors if known[number]["card"] == "none"),
        max((float(errors[number]) for number in survey.chosen if number in errors), default=None))


def patches_against_truth(survey: Survey, correction: Correction, proof: Proof, card: Card, truth: dict[str, Any],
                          take: str, folder: Path) -> tuple[PatchCompared, ...]:
    """Every patch before and after, against the solve's own targets (the proof's measurement) and the truth."""
    display, chosen = correction.display, survey.chosen
    before = _measured(card, truth, chosen, take, correction.neutral_operations)
    after = _measured(card, truth, chosen, _files(folder / "take", take), None)
    true = {row["name"]: np.array(row["rgb"]) for row in truth["true"]}
    rows = []
    for patch in proof.patches:
        own = AgainstTargets(
            patch.hue_error_before_deg, patch.hue_error_after_deg, patch.radius_ratio_before, patch.radius_ratio_after,
            patch.level_before_ire, patch.level_after_ire, patch.delta_e_before, patch.delta_e_after,
            patch.level_target_ire)
        known = [_against(value, true[patch.name], display) for value in (before[patch.name], after[patch.name])]
        pairs = {f"{key}_{when}": side[key] for when, side in zip(("before", "after"), known, strict=True)
                 for key in side}
        rows.append(PatchCompared(patch.name, patch.role, own, AgainstTruth(
            **pairs, level_true_ire=float(100 * to_ycbcr(true[patch.name], display_luma(display))[0]))))
    return tuple(rows)


def _against(signal: np.ndarray, true: np.ndarray, display: str) -> dict[str, Any]:
    (y, cb, cr), (true_y, true_cb, true_cr) = to_ycbcr(np.stack([signal, true]), display_luma(display))
    turn = hue_difference_deg(hue_deg(cb, cr), hue_deg(true_cb, true_cr))
    coloured = np.hypot(true_cb, true_cr) > LEAST_CHROMA
    return {"hue_error_deg": float(turn) if coloured else None,
            "radius_ratio": float(np.hypot(cb, cr) / np.hypot(true_cb, true_cr)) if coloured else None,
            "level_ire": float(100 * y), "level_error_ire": float(100 * (y - true_y)),
            "chroma_ire": float(100 * np.hypot(cb - true_cb, cr - true_cr)),
            "delta_e": float(delta_e(signal, true, display))}


def change(patches: tuple[PatchCompared, ...], side: Literal["against_targets", "against_truth"]) -> BeforeAfter:
    """Worst chip hue and radius, worst bar level, mean and worst CIEDE2000 of the check patches."""
    aim = "level_target_ire" if side == "against_targets" else "level_true_ire"

    def worst(when: str) -> Worst:
        chips, bars, checks = ([getattr(patch, side) for patch in patches if patch.role == role]
                               for role in ("chip", "bar", "check"))
        colours = [value for check in checks if (value := getattr(check, f"delta_e_{when}")) is not None]
        return Worst(max(abs(getattr(chip, f"hue_error_deg_{when}")) for chip in chips),
                     max(abs(getattr(chip, f"radius_ratio_{when}") - 1) for chip in chips),
                     max(abs(getattr(bar, f"level_ire_{when}") - getattr(bar, aim)) for bar in bars),
                     float(np.mean(colours)) if colours else None, max(colours, default=None))

    before, after = worst("before"), worst("after")
    first, last = before.mean_check_delta_e, after.mean_check_delta_e
    return BeforeAfter(before, after, first / last if first and last else None)


def _measured(card: Card, truth: dict[str, Any], chosen: tuple[int, ...], pattern: str,
              operations: tuple[Operation, ...] | None) -> dict[str, np.ndarray]:
    """Mean display signal of each patch over the chosen frames, at the generator's corners, with no help from the
    finder or the masks. ``operations`` are applied to the pixels first (in float64), or the file is a display picture.
    """
    corners = {row["frame"]: np.array(row["corners"], np.float32) for row in truth["frames"]}
    return measured(card, corners, chosen, open_take(pattern), operations)


def measured(card: Card, corners: dict[int, np.ndarray], chosen: tuple[int, ...], take: Take,
             operations: tuple[Operation, ...] | None) -> dict[str, np.ndarray]:
    """The same of frames ``chosen`` of ``take``, whose ``corners`` (4, 2) float32 px the generator knows by number."""
    sums: dict[str, list[np.ndarray]] = {patch.name: [] for patch in card.patches}
    for number in chosen:
        rgb = take.frame(number).rgb_float()
        to_px = cv2.getPerspectiveTransform(np.array(card.corners, np.float32), corners[number])
        for patch in card.patches:
            polygon = np.array(patch.polygon)
            inner = polygon.mean(0) + INNER * (polygon - polygon.mean(0))
            where = cv2.perspectiveTransform(inner[None], to_px)[0]
            (x0, y0), (x1, y1) = np.floor(where.min(0)).astype(int), np.ceil(where.max(0)).astype(int)
            mask = np.zeros((y1 - y0 + 1, x1 - x0 + 1), np.uint8)
            # OpenCV's pixel centres lie at whole numbers, the truth's at halves.
            cv2.fillConvexPoly(mask, np.round(where - 0.5 - (x0, y0)).astype(np.int32), 1)
            pixels = rgb[y0:y1 + 1, x0:x1 + 1][mask > 0].astype(float)
            sums[patch.name].append((apply_chain(operations, pixels) if operations else pixels).mean(0))
    return {name: np.mean(values, axis=0) for name, values in sums.items()}


def _files(folder: Path, source: str) -> str:
    return str(folder / Path(source).name)


def luts_against_render(survey: Survey, take: str, folder: Path) -> LutErrors:
    """The exported LUTs, applied by OpenColorIO to a chosen camera frame, against that frame's render."""
    number = survey.chosen[0]
    source = read_frame(parse_sequence(take).path(number)).rgb_float()
    frame = read_frame(parse_sequence(_files(folder / "take", take)).path(number))
    rendered = frame.rgb_float()
    inside = ((source >= 0) & (source <= 1)).all(-1)

    def error(name: str) -> LutError:
        through = apply_with_opencolorio(folder / name, source, tetrahedral=True)
        if frame.pixels.dtype.kind == "u":
            through = np.clip(through, 0, 1)   # as the integer file had to
        apart = np.abs(through - rendered).max(-1)
        return LutError(float(apart.mean()), float(apart.max()), float(apart[inside].max()))

    return LutErrors(number, error("correction.cube"), error("correction.clf"))


def tidy(value: Any) -> Any:
    """Plain numbers, rounded to what they are worth."""
    if isinstance(value, dict):
        return {key: tidy(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [tidy(item) for item in value]
    if isinstance(value, (float, np.floating)):
        return float(f"{float(value):.6g}")
    if isinstance(value, np.integer):
        return int(value)
    return value
