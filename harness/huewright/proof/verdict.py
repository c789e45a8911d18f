"""The proof as a whole: summary, verdict, what it stands on, and what must be said with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from huewright.colorimetry.declare import THROUGH_LOOK
from huewright.colorimetry.display import display_luma, to_ycbcr
from huewright.colorimetry.excursions import RangeTally
from huewright.files import sha256
from huewright.frames.sequence import FrameSequence
from huewright.models import cautions
from huewright.models.card import Card
from huewright.models.cautions import Caution
from huewright.models.coded import has
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.models.proof import PatchProof, Proof
from huewright.models.reasons import Usable
from huewright.models.settings import SolveSettings
from huewright.models.survey import FrameGrade, Survey
from huewright.proof.likeness import CONTRADICTED, shot_words, traits_of, unlike
from huewright.proof.match import RenderMatch
from huewright.proof.measurement import Measurement
from huewright.proof.shots import shot_cautions
from huewright.provenance.takes import take_name
from huewright.solver.declaration import AGAINST, DOUBTED, UNCHECKED

NOISE_CAUTION_DB = 6.0
TRUE_DELTA_E = 2.0      # mean CIEDE2000 of check patches that the verdict passes over: about twice what is just visible
LIGHT_CAUTION_STOPS = 0.05
PREFERRED_TOLERANCE_PERCENT = 1.0       # EBU R 103 v3.0 (2020): errors in up to 1 % of the pixels pass
DISPLAY_WORDS = {"bt709": "ITU-R BT.709 display", "bt1886": "ITU-R BT.1886 display, BT.709 primaries",
                 "srgb": "sRGB screen (IEC 61966-2-1)", "bt2020": "ITU-R BT.2020 display",
                 "pq": "ITU-R BT.2100 PQ display", "hlg": "ITU-R BT.2100 HLG display"}


def whole_proof(correction: Correction, survey: Survey, patches: tuple[PatchProof, ...],
                methods: tuple[dict[str, Any], ...], sides: dict[str, Measurement], tally: RangeTally,
                match: RenderMatch, grades: list[FrameGrade], settings: SolveSettings) -> Proof:
    """The proof of the card take, measured on ``grades``' frames; without shots, pictures and title."""
    summary = _summary(correction, patches, sides, tally, match, len(grades))
    passed, verdict = _verdict(summary, settings, in_part=has(correction.cautions, cautions.DoneInPart))
    declaration = str(correction.diagnostics.get("declaration", UNCHECKED))
    verdict = f"{verdict} {declaration_words(correction)}".rstrip()
    if passed:
        verdict = f"{verdict} {uncertainty_words(correction)}".rstrip()
    if taken_off(survey) is not None:
        verdict += " The bars stand where they do because a veil was taken off the card: see the cautions."
    frames = {"chosen": list(survey.chosen),
              "usable": [grade.frame for grade in survey.grades if grade.verdict == "usable"],
              "refused": [{"frame": grade.frame, "verdict": grade.verdict, "reasons": grade.reasons}
                          for grade in survey.grades if grade.verdict not in ("chosen", "usable")],
              "measured": sorted(grade.frame for grade in grades)}
    said = _cautions(correction, survey, summary, tally, match)
    return Proof(verdict, passed, patches, summary, methods, said, frames,
                 basis=_basis(settings, len(grades), match.near is not None), display=correction.display,
                 work=_work(correction), declaration=declaration,
                 limits={"hue_deg": settings.hue_limit_deg, "radius": settings.radius_limit,
                         "level_ire": settings.level_limit_ire})


def with_likeness(proof: Proof, take: FrameSequence, shots: Sequence[FrameSequence], records: list[dict[str, Any]],
                  footage: Footage) -> Proof:
    """``proof`` with what the files of ``shots`` say against the card ``take``'s in its verdict; not passed where that
    contradicts the shots' being of one camera and its settings. ``records`` are of :func:`look_through`."""
    if not shots:
        return proof
    own = traits_of(take, footage)
    beyond = _lost_percent(proof.summary)
    said: list[str] = []
    strange: list[str] = []
    for shot, record in zip(shots, records, strict=True):
        points, signs = unlike(own, traits_of(shot, footage), beyond, _lost_percent(record))
        said.append(shot_words(record["name"], points, signs))
        strange += [record["name"]] if points >= CONTRADICTED else []
    return replace(proof, passed=proof.passed and not strange, strange_shots=tuple(strange),
                   verdict=" ".join(filter(None, (proof.verdict, *said))))


def _lost_percent(record: dict[str, Any]) -> float:
    """Of the rendered pixels, what floating numbers hold outside -5 to 105 % or whole numbers cut off."""
    return sum(float(record.get(f"pixels_{where}_percent") or 0.0) for where in ("beyond_preferred", "at_end_stops"))


def with_shots(proof: Proof, records: list[dict[str, Any]], unlike: list[Caution]) -> Proof:
    """``proof`` with what was found in the shots (records of :func:`look_through`) and must be said of them."""
    said: list[Caution] = [*unlike, cautions.SameLight()]
    said += [caution for record in records for caution in shot_cautions(record)]
    screened = any(record["flashes"] is not None for record in records)
    said.append(cautions.Screened() if screened else cautions.NotScreened())
    return replace(proof, shots=tuple(records), cautions=(*proof.cautions, *said))


def _work(correction: Correction) -> dict[str, Any]:
    """What the correction does, with standard errors, and what a colour scientist asks of it."""
    return {"parameters": {name: list(pair) for name, pair in correction.parameters.items()},
            "left_out": {row.name: [row.leave_one_out_hue_deg, row.leave_one_out_radius] for row in correction.patches
                         if row.leave_one_out_hue_deg is not None},
            "diagnostics": {key: value for key, value in correction.diagnostics.items()
                            if not isinstance(value, dict | list | tuple)}}


def subject(correction: Correction, survey: Survey, card: Card, before: FrameSequence) -> dict[str, str]:
    """What the proof is about, in words for its page."""
    footage = correction.footage
    declared = [footage.encoding, f"{footage.range} range" + (f" of {footage.bits} bits" if footage.range == "legal"
                                                              else ""), footage.primaries]
    if footage.encoding == "display":
        declared[0] = "already a display picture"
    elif footage.encoding == THROUGH_LOOK:
        declared[0] = "known only through its look LUT"
    if footage.look:
        declared.append(f"through a look LUT given {footage.look_input}")
    numbers = sorted(before.numbers)
    return {"take": f"{take_name(before)}, frames {numbers[0]} to {numbers[-1]}", "card": card.name,
            "footage": ", ".join(declared), "made for": DISPLAY_WORDS[correction.display],
            "picture": f"{survey.width} x {survey.height} pixels"}


def _summary(correction: Correction, patches: tuple[PatchProof, ...], sides: dict[str, Measurement], tally: RangeTally,
             match: RenderMatch, frames: int) -> dict[str, Any]:
    summary: dict[str, Any] = {}
    for when in ("before", "after"):
        used = [row for row in patches if row.used]
        hues = [abs(value) for row in used if (value := getattr(row, f"hue_error_{when}_deg")) is not None]
        radii = [abs(value - 1) for row in used if (value := getattr(row, f"radius_ratio_{when}")) is not None]
        levels = [abs(value - row.level_target_ire) for row in used if row.level_target_ire is not None
                  and (value := getattr(row, f"level_{when}_ire")) is not None]
        checks = [value for row in patches if row.role == "check"
                  and (value := getattr(row, f"delta_e_{when}")) is not None]
        summary |= {f"worst_hue_error_{when}_deg": max(hues, default=None),
                    f"worst_radius_error_{when}_percent": 100 * max(radii) if radii else None,
                    f"worst_level_error_{when}_ire": max(levels, default=None),
                    f"mean_check_delta_e_{when}": float(np.mean(checks)) if checks else None,
                    f"worst_check_delta_e_{when}": max(checks, default=None)}
    as_lit = {name: 100 * to_ycbcr(value, display_luma(correction.display))[0]
              for name, value in zip(sides["after"].names, sides["after"].as_lit, strict=True)}
    off = [abs(as_lit[row.name] - row.level_target_ire) for row in patches
           if row.used and row.level_target_ire is not None]
    summary["worst_level_error_as_lit_ire"] = float(max(off)) if off else None
    summary["patches_not_used"] = sum(not row.used for row in patches if row.role != "check")
    lifted = [np.trace(sides[side].noise, axis1=1, axis2=2).mean() for side in ("before", "after")]
    summary |= {"noise_lifted_db": float(10 * np.log10(lifted[1] / lifted[0])) if min(lifted) > 0 else None,
                **{key: value for key, value in tally.record().items() if key.startswith("pixels_")},
                "render_against_chain_mean": match.mean,
                "render_against_chain_worst": match.worst,
                "frames_measured": frames, "method": correction.method, "display": correction.display}
    return {key: float(f"{value:.5g}") if isinstance(value, float) else value for key, value in summary.items()}


def _verdict(summary: dict[str, Any], settings: SolveSettings, *, in_part: bool = False) -> tuple[bool, str]:
    """Whether every used patch is within the settings' limits of what was asked, and one sentence."""
    parts, passed = [], True
    for key, limit, unit in (("worst_hue_error_after_deg", settings.hue_limit_deg, "° in hue"),
                             ("worst_radius_error_after_percent", 100 * settings.radius_limit, " % in saturation"),
                             ("worst_level_error_after_ire", settings.level_limit_ire, " IRE in level")):
        value = summary[key]
        if value is not None:
            passed &= bool(value <= limit)
            parts.append(("under 0.01" if value < 0.01 else f"{value:.2f}") + unit)
    left_out = summary["patches_not_used"]
    which = "Chips and bars are" if not left_out else "The chips and bars that could be used are"
    off = ", ".join(parts[:-1]) + f" and {parts[-1]}" if len(parts) > 1 else "".join(parts)
    where = "where the strength asked for leaves them, not on their targets" if in_part else "on their targets"
    head = (f"{which} {where}" if passed else "NOT within the limits") + f": off by at most {off}"
    if left_out:
        head += f"; {left_out} more could not be used"
    old, new = summary["mean_check_delta_e_before"], summary["mean_check_delta_e_after"]
    if old is None or new is None:
        return passed, f"{head}; the card has no check patches, so nothing shows how other colours fare."
    moved = "improve" if new < old else "WORSEN"
    left = f", which is no true colour yet (over {TRUE_DELTA_E:g})" if new > TRUE_DELTA_E else ""
    return passed, (f"{head}; check patches, which the solve never saw, {moved} from {old:.1f} to {new:.1f} ΔE "
                    f"(CIEDE2000){left}.")


def uncertainty_words(correction: Correction) -> str:
    """A sentence of the verdict where what is known of a patch reaches beyond the limits; else empty."""
    misses = [miss for caution in correction.cautions if isinstance(caution, cautions.Uncertain)
              for miss in caution.misses]
    units = {"hue_deg": (1.0, "° in hue"), "radius": (100.0, " % in saturation"), "level_ire": (1.0, " IRE in level")}
    worst = [f"{factor * max(miss.by for miss in misses if miss.quantity == quantity):.2f}{unit}"
             for quantity, (factor, unit) in units.items() if any(miss.quantity == quantity for miss in misses)]
    if not worst:
        return ""
    return f"It is known no better than to {', '.join(worst)} (95 % interval), which is more than the limits."


def taken_off(survey: Survey) -> cautions.VeilTakenOff | None:
    """The veil that the survey took off, where it is large enough to be told."""
    advice = survey.advice
    if not isinstance(advice, Usable) or advice.veil is None or advice.veil_error is None:
        return None
    return cautions.VeilTakenOff(advice.veil, advice.veil_error)


def declaration_words(correction: Correction) -> str:
    """A sentence of the verdict where the bars don't fit what was declared of the footage; else empty."""
    return {AGAINST: "But the bars contradict the declared encoding or range (see the cautions), which was trusted at "
                     "the word of the person (--trust-encoding).",
            DOUBTED: "But the declared encoding or range is in doubt: see the cautions."}.get(
                str(correction.diagnostics.get("declaration")), "")


def _basis(settings: SolveSettings, frames: int, near: bool) -> str:
    which = "frames that were" if frames != 1 else "frame that was"
    how = "rendered with what is near this correction (see below)" if near else "rendered with this correction"
    return (f"Measured on {frames} {which} {how} and read back from disk. Limits: "
            f"{settings.hue_limit_deg:g}° in hue, {100 * settings.radius_limit:g} % in saturation, "
            f"{settings.level_limit_ire:g} IRE in level.")


def _cautions(correction: Correction, survey: Survey, summary: dict[str, Any], tally: RangeTally,
              match: RenderMatch) -> tuple[Caution, ...]:
    said: list[Caution] = list(correction.cautions)
    veil = taken_off(survey)
    if veil is not None:
        said.append(veil)
    if match.near is not None:
        said.append(cautions.RenderedNear(match.near))
    if match.not_finite:
        said.append(cautions.NotFinite(match.not_finite))
    if tally.over + tally.under > 0:
        said.append(cautions.SignalBeyond(summary["pixels_over_range_percent"] / 100,
                                          summary["pixels_under_range_percent"] / 100))
    beyond = summary["pixels_beyond_preferred_percent"]
    if beyond > PREFERRED_TOLERANCE_PERCENT:
        said.append(cautions.BeyondPreferred(beyond / 100))
    stopped = summary["pixels_at_end_stops_percent"]
    if stopped > 0:
        said.append(cautions.AtEndStops(stopped / 100))
    lifted = summary["noise_lifted_db"]
    if lifted is not None and lifted > NOISE_CAUTION_DB and not has(said, cautions.NoiseLifted):
        said.append(cautions.NoiseMeasured(lifted))
    light = survey.reading.light_stops if survey.reading is not None else 0.0
    if light > LIGHT_CAUTION_STOPS:
        said.append(cautions.LightFallsOff(light))
    return tuple(dict.fromkeys(said))


def proof_provenance(correction: Correction, before: FrameSequence, after: FrameSequence,
                     grades: list[FrameGrade]) -> dict[str, Any]:
    """What the correction records of itself, and hashes of the frames measured."""
    recorded = {key: value for key, value in correction.provenance.items() if key != "inputs"}
    return {**recorded, "before": before.text, "after": after.text,
            "frames_sha256": {f"{side} {grade.frame}": sha256(take.path(grade.frame))
                              for side, take in (("before", before), ("after", after)) for grade in grades}}
