"""The proof as a whole: summary, verdict, what it stands on, and what must be said with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from huewright.colorimetry.display import display_luma, to_ycbcr
from huewright.colorimetry.excursions import RangeTally
from huewright.frames.take import Take
from huewright.models import cautions
from huewright.models.card import Card
from huewright.models.cautions import Caution
from huewright.models.coded import has
from huewright.models.correction import Correction
from huewright.models.footage import Standing
from huewright.models.methods import MethodResult
from huewright.models.proof import (
    FAILED,
    FramePassedOver,
    FramesRead,
    LeftOut,
    PatchProof,
    Proof,
    Subject,
    Summary,
    Verdict,
    Work,
)
from huewright.models.provenance import FrameHashes, Origin, ProofProvenance
from huewright.models.reasons import Usable
from huewright.models.settings import SolveSettings
from huewright.models.shots import ShotProof
from huewright.models.survey import FrameGrade, Survey
from huewright.proof.match import RenderMatch
from huewright.proof.measurement import Measurement
from huewright.proof.shots import shot_cautions
from huewright.solver.declaration import AGAINST, DOUBTED
from huewright.solver.results import limits_of

NOISE_CAUTION_DB = 6.0
LIGHT_CAUTION_STOPS = 0.05
PREFERRED_TOLERANCE_PERCENT = 1.0       # EBU R 103 v3.0 (2020): errors in up to 1 % of the pixels pass


def whole_proof(correction: Correction, survey: Survey, card: Card, take: Take,
                patches: tuple[PatchProof, ...], methods: tuple[MethodResult, ...], summary: Summary,
                match: RenderMatch, grades: list[FrameGrade], settings: SolveSettings,
                shots: tuple[ShotProof, ...], of_files: Sequence[Caution]) -> Proof:
    """The proof of the card ``take``, measured on ``grades``' frames, without pictures and title. ``of_files`` is what
    must be said of the files: the shots', and what renders and exports found."""
    limits = limits_of(settings)
    declaration = correction.diagnostics.declaration
    screened = any(shot.flashes is not None for shot in shots)
    said = (*_cautions(correction, survey, summary, match), *of_files, cautions.SameLight(),
            *(caution for shot in shots for caution in shot_cautions(shot)),
            cautions.Screened() if screened else cautions.NotScreened())
    said = tuple(dict.fromkeys(said))
    verdict = verdict_of(summary, limits, declaration, said, shots)
    frames = FramesRead(
        survey.chosen, tuple(grade.frame for grade in survey.grades if grade.verdict == "usable"),
        tuple(FramePassedOver(grade.frame, grade.verdict, grade.reasons) for grade in survey.grades
              if grade.verdict not in ("chosen", "usable")), tuple(sorted(grade.frame for grade in grades)))
    return Proof(verdict, verdict not in FAILED, patches, summary, limits, correction.display, declaration, said,
                 shots, methods, frames, _work(correction), subject(correction, survey, card, take))


def verdict_of(summary: Summary, limits: cautions.Limits, declaration: Standing, said: Sequence[Caution],
               shots: Sequence[ShotProof]) -> Verdict:
    """The first that holds, in the order of :data:`huewright.models.proof.Verdict`."""
    old, new = summary.mean_check_delta_e_before, summary.mean_check_delta_e_after
    holds: tuple[tuple[bool, Verdict], ...] = (
        (any(shot.strange for shot in shots), "shot-of-another-camera"),
        (not _within(summary, limits), "outside-limits"), (declaration == AGAINST, "declaration-contradicted"),
        (declaration == DOUBTED or has(said, cautions.ColoursSaidOtherwise), "declaration-in-doubt"),
        (old is not None and new is not None and new >= old, "checks-worse"),
        (any(one.refused for one in said if isinstance(one, cautions.FramesByHand)), "refused-frames-taken-in"),
        (has(said, cautions.DoneInPart), "done-in-part"),
        (has(said, cautions.CardUnmeasured), "card-unmeasured"),
        (has(said, cautions.Uncertain), "uncertain"), (True, "within-limits"))
    return next(verdict for true, verdict in holds if true)


def _within(summary: Summary, limits: cautions.Limits) -> bool:
    """Whether every used patch is within the limits."""
    return all(value is None or value <= limit for value, limit in (
        (summary.worst_hue_error_after_deg, limits.hue_deg),
        (summary.worst_radius_error_after_percent, 100 * limits.radius),
        (summary.worst_level_error_after_ire, limits.level_ire)))


def _work(correction: Correction) -> Work:
    left_out = {row.name: LeftOut(row.leave_one_out_hue_deg, row.leave_one_out_radius) for row in correction.patches
                if row.leave_one_out_hue_deg is not None}
    return Work(correction.method, correction.parameters, left_out, correction.diagnostics)


def subject(correction: Correction, survey: Survey, card: Card, take: Take) -> Subject:
    footage = correction.footage
    numbers = sorted(take.numbers)
    return Subject(take.name, numbers[0], numbers[-1], card.name, footage.encoding, footage.range, footage.bits,
                   footage.primaries, bool(footage.look), footage.look_input, survey.width, survey.height)


def summary_of(correction: Correction, patches: tuple[PatchProof, ...], sides: dict[str, Measurement],
               tally: RangeTally, match: RenderMatch, frames: int) -> Summary:
    figures: dict[str, float | None] = {}
    for when in ("before", "after"):
        used = [row for row in patches if row.used]
        hues = [abs(value) for row in used if (value := getattr(row, f"hue_error_{when}_deg")) is not None]
        radii = [abs(value - 1) for row in used if (value := getattr(row, f"radius_ratio_{when}")) is not None]
        levels = [abs(value - row.level_target_ire) for row in used if row.level_target_ire is not None
                  and (value := getattr(row, f"level_{when}_ire")) is not None]
        checks = [value for row in patches if row.role == "check"
                  and (value := getattr(row, f"delta_e_{when}")) is not None]
        figures |= {f"worst_hue_error_{when}_deg": max(hues, default=None),
                    f"worst_radius_error_{when}_percent": 100 * max(radii) if radii else None,
                    f"worst_level_error_{when}_ire": max(levels, default=None),
                    f"mean_check_delta_e_{when}": float(np.mean(checks)) if checks else None,
                    f"worst_check_delta_e_{when}": max(checks, default=None)}
    as_lit = {name: 100 * to_ycbcr(value, display_luma(correction.display))[0]
              for name, value in zip(sides["after"].names, sides["after"].as_lit, strict=True)}
    off = [abs(as_lit[row.name] - row.level_target_ire) for row in patches
           if row.used and row.level_target_ire is not None]
    lifted = [np.trace(sides[side].noise, axis1=1, axis2=2).mean() for side in ("before", "after")]
    figures |= {"worst_level_error_as_lit_ire": float(max(off)) if off else None,
                "noise_lifted_db": float(10 * np.log10(lifted[1] / lifted[0])) if min(lifted) > 0 else None,
                "render_against_chain_mean": match.mean, "render_against_chain_worst": match.worst}
    rounded = {key: None if value is None else float(f"{value:.5g}") for key, value in figures.items()}
    counted = Summary(
        patches_not_used=sum(not row.used for row in patches if row.role != "check"), frames_measured=frames,
        pixels_over_range_percent=tally.percent(tally.over), pixels_under_range_percent=tally.percent(tally.under),
        pixels_beyond_preferred_percent=tally.percent(tally.beyond),
        pixels_at_end_stops_percent=tally.percent(tally.stopped))
    return replace(counted, **rounded)  # type: ignore[arg-type]


def taken_off(survey: Survey) -> cautions.VeilTakenOff | None:
    """The veil that the survey took off, where it is large enough to be told."""
    advice = survey.advice
    if not isinstance(advice, Usable) or advice.veil is None or advice.veil_error is None:
        return None
    return cautions.VeilTakenOff(advice.veil, advice.veil_error)


def _cautions(correction: Correction, survey: Survey, summary: Summary, match: RenderMatch) -> tuple[Caution, ...]:
    said: list[Caution] = [*survey.cautions, *correction.cautions]
    veil = taken_off(survey)
    if veil is not None:
        said.append(veil)
    if match.near is not None:
        said.append(cautions.RenderedNear(match.near))
    if match.not_finite:
        said.append(cautions.NotFinite(match.not_finite))
    over, under = summary.pixels_over_range_percent, summary.pixels_under_range_percent
    if over + under > 0:
        said.append(cautions.SignalBeyond(over / 100, under / 100))
    beyond = summary.pixels_beyond_preferred_percent
    if beyond > PREFERRED_TOLERANCE_PERCENT:
        said.append(cautions.BeyondPreferred(beyond / 100))
    stopped = summary.pixels_at_end_stops_percent
    if stopped > 0:
        said.append(cautions.AtEndStops(stopped / 100))
    lifted = summary.noise_lifted_db
    if lifted is not None and lifted > NOISE_CAUTION_DB and not has(said, cautions.NoiseLifted):
        said.append(cautions.NoiseMeasured(lifted))
    light = survey.reading.light_stops if survey.reading is not None else 0.0
    if light > LIGHT_CAUTION_STOPS:
        said.append(cautions.LightFallsOff(light))
    return tuple(dict.fromkeys(said))


def proof_provenance(correction: Correction, before: Take, after: Take,
                     grades: list[FrameGrade]) -> ProofProvenance:
    """What the correction records of itself, and hashes of the frames measured."""
    recorded = {name: getattr(correction.provenance, name) for name in Origin.__struct_fields__}
    return ProofProvenance(**recorded, before=before.text, after=after.text, frames_sha256=tuple(
        FrameHashes(grade.frame, before.identity(grade.frame), after.identity(grade.frame))
        for grade in grades))
