"""A session's answers as plain data for the page: figures, names and sentences, nothing that the page must work out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from huewright.colorimetry.targets import LEVELS_IRE, MOST_NUDGE_DEG, Target, bar_vectors, reference_rgb, targets_for
from huewright.desk.choices import Choices
from huewright.desk.session import Answer, Look, Session
from huewright.frames.take import Take
from huewright.models.card import Card, Patch
from huewright.models.correction import Correction
from huewright.models.record import to_record
from huewright.models.settings import SolveSettings
from huewright.models.survey import FrameGrade, LightKnown, Survey
from huewright.report.draw import EXTENT
from huewright.report.graticule import HIGH, LOW
from huewright.solver.hues import miss
from huewright.solver.light_known import light_known
from huewright.solver.quality import landing_ycbcr
from huewright.solver.results import INTERVAL
from huewright.words import in_order, percent_unsure, reason_words, sentence

SWATCHES = {"red": "#b5534a", "yellow": "#c9b24a", "green": "#5d9460", "cyan": "#5aa0a6", "blue": "#5268a8",
            "magenta": "#a9609b"}


def opened(session: Session) -> dict[str, Any]:
    """All that doesn't change while the page is open, and the choices that it was last left with."""
    card, settings = session.card, session.opened_with
    return {
        "take": session.takes[0].text, "display": settings.display, "method": settings.method, "mode": settings.mode,
        "footage": {"encoding": session.footage.encoding, "range": session.footage.range,
                    "primaries": session.footage.primaries},
        "takes": [_take(take) for take in session.takes],
        "card": {"name": card.name, "corners": list(map(list, card.corners)),
                 "patches": [_patch(patch, card, settings) for patch in card.patches]},
        "choices": to_record(session.choices), "usual": to_record(Choices()),
        "limits": {"level": list(LEVELS_IRE), "nudge": MOST_NUDGE_DEG},
        "on_target": {"hue_deg": settings.hue_limit_deg, "radius_percent": 100 * settings.radius_limit,
                      "level_ire": settings.level_limit_ire},
        "scopes": {"low": LOW, "high": HIGH, "extent": EXTENT,
                   "bars": {name: list(place) for name, place in bar_vectors(settings.display).items()}},
        "whole_only": settings.method.startswith("polynomial"),
        "files": [session.named.survey_file, session.named.out]}


def _take(take: Take) -> dict[str, Any]:
    return {"name": take.name, "numbers": list(take.numbers)}


def _patch(patch: Patch, card: Card, settings: SolveSettings) -> dict[str, Any]:
    rgb = reference_rgb(card, "bt709").get(patch.name)
    colour = SWATCHES.get(patch.hue or "", "#8a8a8a")
    if rgb is not None:
        colour = "#" + "".join(f"{round(255 * float(np.clip(value, 0, 1))):02x}" for value in rgb)
    level = patch.level_ire
    if patch.role == "bar" and level is None:
        usual = targets_for(card, mode=settings.mode).get(patch.name)
        level = None if usual is None or usual.luma is None else round(100 * usual.luma, 1)
    return {"name": patch.name, "role": patch.role, "hue": patch.hue, "colour": colour, "level": level,
            "polygon": [list(map(float, point)) for point in patch.polygon]}


def surveyed(session: Session, survey: Survey, choices: Choices) -> dict[str, Any]:
    """Every frame's grade and the merged reading."""
    commands = session.commands(choices)
    return {"usable": survey.usable, "advice": _said(sentence(survey.advice)),
            "frames": [_frame(grade, choices) for grade in survey.grades], "merged": list(survey.chosen),
            "gain": survey.merge_gain, "size": [survey.width, survey.height],
            "reading": _reading(survey),
            "cautions": [_said(sentence(caution)) for caution in in_order(survey.cautions)], "commands": commands}


def _frame(grade: FrameGrade, choices: Choices) -> dict[str, Any]:
    by_hand = choices.by_hand
    hand = "in" if grade.frame in by_hand.taken_in else "out" if grade.frame in by_hand.left_out else None
    return {"frame": grade.frame, "verdict": grade.verdict, "hand": hand, "reasons": _said(reason_words(grade.reasons)),
            "placed": by_hand.corners_in(grade.frame) is not None, "corners": [list(point) for point in grade.corners],
            "figures": [
                {"name": "reflection", "value": f"{grade.glare:.2f}", "unit": "score, 0 to 1"},
                {"name": "clipped", "value": f"{100 * grade.clipped:.1f}", "unit": "%"},
                {"name": "blur", "value": f"{grade.edge_width_px:.1f}", "unit": "px"},
                {"name": "movement", "value": f"{grade.motion_px:.1f}", "unit": "px"},
                {"name": "smallest patch", "value": f"{grade.patch_px:.0f}", "unit": "px"},
                {"name": "tilt", "value": f"{grade.tilt_deg:.0f}", "unit": "°"},
                {"name": "uneven light", "value": f"{grade.light_stops:.2f}", "unit": "stops"}]
            if grade.verdict != "no card" else []}


def _reading(survey: Survey) -> list[dict[str, Any]]:
    """``light``: how far the light behind a channel's code value may be off, in % of itself, where it isn't known to
    within 1 %; else empty."""
    if survey.reading is None:
        return []
    known = {patch.name: patch for patch in light_known(survey.reading, survey.footage)}
    return [{"name": patch.name, "mean": [f"{100 * value:.2f}" for value in patch.mean],
             "error": [f"{100 * INTERVAL * value:.2f}" for value in patch.standard_error],
             "light": _light(known.get(patch.name)), "excluded": patch.excluded,
             "reasons": _said(reason_words(patch.reasons))} for patch in survey.reading.patches]


def _light(known: LightKnown | None) -> list[str]:
    return [""] * 3 if known is None else ["" if within else percent_unsure(value) for value, within
                                           in zip(known.percent, known.within_one, strict=True)]


def seen(look: Look, session: Session) -> dict[str, Any]:
    """What goes with the pictures: sizes, outlines, and where the patches land."""
    return {"size": list(look.size), "pixel_aspect": look.pixel_aspect,
            "outlines": {name: np.round(polygon, 2).tolist() for name, polygon in look.outlines.items()},
            "patches": [] if look.answer is None else _landing(look.answer, look.operations or (), session.luma)}


def _landing(answer: Answer, operations: tuple[Any, ...], luma: tuple[float, float]) -> list[dict[str, Any]]:
    samples = answer.problem.samples
    places = landing_ycbcr(operations, samples, luma)
    unused = answer.problem.evidence.unused
    rows = []
    for sample, place in zip(samples, places, strict=True):
        row: dict[str, Any] = {"name": sample.name, "role": sample.role, "used": sample.name not in unused,
                               "place": np.round(place, 5).tolist(), "target": _target(sample.target)}
        if sample.role == "chip":
            hue, ratio = miss(place, sample.target)
            row |= {"hue_deg": round(hue, 3), "radius_percent": round(100 * (ratio - 1), 3)}
        elif sample.role == "bar" and sample.target.luma is not None:
            row |= {"level_ire": round(100 * (float(place[0]) - sample.target.luma), 3)}
        rows.append(row)
    return rows


def _target(target: Target) -> list[float | None]:
    return [None if value is None else round(value, 5) for value in (target.luma, target.cb, target.cr)]


def figured(correction: Correction) -> dict[str, Any]:
    """The full solve: what is known of each patch, and what must be known of the whole."""
    return {"patches": [_known(row) for row in correction.patches],
            "cautions": [_said(sentence(caution)) for caution in in_order(correction.cautions)]}


def _known(row: Any) -> dict[str, Any]:
    def interval(value: float | None, factor: float) -> str | None:
        return None if value is None else f"{factor * INTERVAL * value:.2f}"

    return {"name": row.name, "role": row.role, "used": row.used, "reasons": _said(reason_words(row.reasons)),
            "hue_pm": interval(row.hue_standard_error_deg, 1.0),
            "radius_pm": interval(row.radius_standard_error, 100.0),
            "level_pm": interval(row.level_standard_error_ire, 1.0),
            "delta_e": None if row.delta_e_after is None else [f"{row.delta_e_before:.1f}", f"{row.delta_e_after:.1f}"]}


def _said(words: str) -> str:
    words = words.strip()
    return words[:1].upper() + words[1:] + ("" if not words or words[-1] in ".!?" else ".")


def parts_of(look: Look) -> list[tuple[Mapping[str, Any], bytes]]:
    """The pictures and scopes as (what it is, bytes)."""
    parts: list[tuple[Mapping[str, Any], bytes]] = [
        ({"name": name, "kind": "jpeg"}, content) for name, content in look.pictures.items()]
    for picture, inks in look.inks.items():
        parts += [({"name": f"{scope}_{picture}", "kind": "ink", "shape": list(ink.ink.shape)}, ink.ink.tobytes())
                  for scope, ink in inks.items()]
    return parts
