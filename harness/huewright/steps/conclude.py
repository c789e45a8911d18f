"""From frames that were looked at and judged, each by itself, to the survey of the take."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from huewright.errors import InputError
from huewright.files import sha256
from huewright.finding.advice import unusable_advice, usable_advice
from huewright.finding.choose import choose, compare_frames, merge
from huewright.finding.grade import Judged, judge
from huewright.finding.light import LinearLight
from huewright.models.by_hand import ByHand
from huewright.models.card import Card
from huewright.models.cautions import FramesByHand
from huewright.models.footage import Footage
from huewright.models.reasons import (
    AllWhite,
    FrameReason,
    LeftOutByHand,
    NoCard,
    PlacedByHand,
    TakenInByHand,
    WashedOut,
    WithoutPatches,
)
from huewright.models.survey import FrameGrade, Survey, Verdict
from huewright.provenance.digests import card_layout_sha256, card_sha256
from huewright.solver.declaration import judge_reading
from huewright.solver.light_known import light_known
from huewright.version import __version__

MOST_MERGED = 8


def concluded(card: Card, card_path: Path | str | None, footage: Footage, light: LinearLight, judged: list[Judged],
              empty: list[int], size: tuple[int, int], max_frames: int = MOST_MERGED,
              by_hand: ByHand | None = None, washed: Mapping[int, WashedOut | AllWhite] | None = None) -> Survey:
    """The survey of frames that were ``judged`` each by itself, and of those ``empty`` of a card, some of them
    ``washed`` out; without the take's name. Raises :class:`InputError` for frames named ``by_hand`` that have no card
    or were not looked at, and where none is left."""
    by_hand = by_hand or ByHand()
    judged = sorted(judged, key=lambda frame: frame.frame)
    _refuse_impossible(by_hand, judged, empty)
    left_out = [frame for frame in judged if frame.frame in by_hand.left_out]
    alone = [frame for frame in judged if frame.frame not in by_hand.left_out]
    frames = []
    for frame, extra in zip(alone, compare_frames(alone, light), strict=True):
        if extra.any():
            frame = replace(judge(frame.raw, card, frame.found, frame.frame, extra_glare=extra),
                            motion_px=frame.motion_px)
        frames.append(frame)
    chosen, remarks = choose(frames, max_frames, light, by_hand.taken_in)
    merged = merge(chosen, light, card, [frame for frame in frames if not frame.reasons]) if chosen else None
    advice = (usable_advice(chosen, merged.reading, merged.gain) if merged is not None
              else unusable_advice(frames, len(frames) + len(empty), card, light))
    picked = {frame.frame for frame in chosen}
    grades = [_grade(frame, frame.frame in picked, remarks.get(frame.frame), by_hand)
              for frame in (*frames, *left_out)]
    grades += [FrameGrade(number, "no card", ((washed or {}).get(number, NoCard()),)) for number in empty]
    grades.sort(key=lambda grade: grade.frame)
    of_card = (card.name, card_sha256(card)) if card_path is None else (str(card_path), sha256(card_path))
    survey = Survey("", *of_card, footage, size[0], size[1], tuple(grades),
                    None if merged is None else merged.reading, merged is not None, advice,
                    1.0 if merged is None else merged.gain, __version__, card_layout_sha256(card),
                    cautions=_said(by_hand, frames),
                    light_known=() if merged is None else light_known(merged.reading, footage))
    return _with_declaration(survey, card)


def _refuse_impossible(by_hand: ByHand, judged: list[Judged], empty: list[int]) -> None:
    looked = {frame.frame for frame in judged}
    if looked and looked <= set(by_hand.left_out):
        raise InputError("every frame with a card is left out; leave one of them in")
    for number in by_hand.frames:
        if number in looked or number in empty and number in by_hand.left_out:
            continue
        if number in empty:
            raise InputError(f"no card was found in frame {number}, so it can't be taken in; say where it lies with "
                             f"--corners-at '{number}=X,Y X,Y X,Y X,Y', or take another frame in")
        raise InputError(f"frame {number} was not looked at; name frames that the take has, or add --every-frame to a "
                         "survey of a long take")


def _said(by_hand: ByHand, frames: list[Judged]) -> tuple[FramesByHand, ...]:
    """What is said of frames that a person decided on, where that changed what would have been merged or read."""
    if not by_hand.frames:
        return ()
    refused = {frame.frame for frame in frames if frame.reasons}
    return (FramesByHand(by_hand.taken_in, tuple(number for number in by_hand.taken_in if number in refused),
                         by_hand.left_out, tuple(placed.frame for placed in by_hand.placed)),)


def _with_declaration(survey: Survey, card: Card) -> Survey:
    """``survey`` with what its reading says of the declared footage."""
    if survey.reading is None:
        return survey
    judgement = judge_reading(survey.reading, card, survey.footage)
    said = survey.cautions if judgement.caution is None else (judgement.caution, *survey.cautions)
    return replace(survey, declaration=judgement.standing, cautions=said)


def _grade(frame: Judged, chosen: bool, remark: FrameReason | None, by_hand: ByHand) -> FrameGrade:
    number = frame.frame
    verdict: Verdict = "chosen" if chosen else "refused" if frame.reasons else "usable"
    reasons: tuple[FrameReason, ...] = frame.reasons
    if not reasons and frame.excluded:
        reasons = (WithoutPatches(frame.excluded),)
    if remark is not None:
        reasons = (*reasons, remark)
    if by_hand.corners_in(number) is not None:
        reasons = (PlacedByHand(), *reasons)
    if number in by_hand.taken_in:
        reasons = (TakenInByHand(), *reasons)
    if number in by_hand.left_out:
        verdict, reasons = "refused", (LeftOutByHand(), *reasons)
    return FrameGrade(number, verdict, reasons, frame.glare, frame.clipped, frame.edge_width_px, frame.motion_px,
                      frame.patch_px, frame.tilt_deg, frame.light_stops, frame.noise, frame.corners,
                      frame.excluded, frame.veil, frame.veil_error if np.isfinite(frame.veil_error) else None)


__all__ = ["MOST_MERGED", "concluded"]
