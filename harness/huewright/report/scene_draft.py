"""A scene file's draft as text: tables that can be run, and comments that say on what they rest and what they ask."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import replace

from huewright.models.drafted import CardInPart, Drafted, DraftedClip, Question
from huewright.models.scene import SceneShot, SceneTake, called
from huewright.models.scene_file import FORMAT, table_lines
from huewright.words import counted, sentence
from huewright.words.drafted import told_words
from huewright.words.scene import after_words
from huewright.words.sentence import duration_words

COLUMNS = 100


def draft_text(drafted: Drafted) -> str:
    """The TOML text of the scene file."""
    asked = len(drafted.questions)
    lines = [f"format = {json.dumps(FORMAT)}", f"title = {_text(drafted.title)}", f"card = {_text(drafted.card)}", "",
             *_comment("Drafted from what lies in the folder; what may stand here: `huewright help scene-file`. "
                       + (f"It asks {counted(asked, 'question')}: look for \"# ?\"." if asked else ""))]
    lines += ["", *_out_lines(drafted)]
    used = [camera.row.name for camera in drafted.cameras if camera.used]
    for camera in drafted.cameras:
        lines += ["", *_comment(f"Taken for one camera by: {told_words(camera.told)}."), *_questions(camera.questions),
                  *(table_lines(camera.row) if camera.used else _out(table_lines(camera.row)))]
        if camera.used and camera.row.name != used[0]:
            lines += _out([f"follows = {_text(used[0])}  # brings it to that camera's picture, not to the card's "
                           "targets"])
    for take in drafted.takes:
        lines += ["", *_comment(f"{_clip(take)}; the card is in {take.seen} of {take.looked} frames looked at."),
                  *_questions(take.questions), *table_lines(_plain(take.row))]
        if any(isinstance(one, CardInPart) for one in take.questions):
            row = _plain(take.row)
            lines += _out(table_lines(SceneShot(row.camera, row.path, row.name, served_by=take.row.name)))
    for shot in drafted.shots:
        lines += ["", *_comment(f"{_clip(shot)}; {_served(shot)}."), *_questions(shot.questions),
                  *(table_lines(_plain(shot.row)) if shot.used else _out(table_lines(_plain(shot.row))))]
    for path, why in drafted.unread:
        lines += ["", *_comment(f"Left out: {path}. {why}")]
    return "\n".join(lines) + "\n"


def _out_lines(drafted: Drafted) -> list[str]:
    """What can be had beside frames, LUT files and the page, as comments."""
    known = [edit for edit in drafted.edits if edit.known]
    lines = ["[out]", 'config = "ocio"  # for programs that read OpenColorIO: all cameras and corrections in one']
    if known:
        names = ", ".join(_text(edit.path) for edit in known)
        lines += [f"# {edit.known} of the {counted(edit.clips, 'clip')} in {_text(edit.path)} are of shots here"
                  for edit in known]
        lines.append(f"edit = {names if len(known) == 1 else f'[{names}]'}  # with each clip's CDL and LUT noted")
    graded = sum(edit.graded for edit in known)
    if graded:
        lines.append(f"replace_cdl = true  # of these, {graded} {'has' if graded == 1 else 'have'} a CDL already")
    return [*_comment("For other programs, if you take the \"# \" off [out] and what you want of it:"), *_out(lines)]


def _plain(row: SceneTake | SceneShot) -> SceneTake | SceneShot:
    """Without its name, where its files are called so anyway."""
    return replace(row, name="") if called(row.path) == row.name else row


def _clip(clip: DraftedClip) -> str:
    begins = f"From {clip.begins}" if clip.begins else "Without time code"
    lasts = f"{clip.lasts_s:.1f} s" if clip.lasts_s is not None and clip.lasts_s < 10 else (
        None if clip.lasts_s is None else duration_words(clip.lasts_s))
    return f"{begins}, {counted(clip.frames, 'frame')}" + (f", {lasts}" if lasts else "")


def _served(shot: DraftedClip) -> str:
    if not shot.served:
        return "no take serves it yet"
    if shot.order == "names":
        return f"take {shot.served} by the order of names"
    return f"take {shot.served}, {after_words(shot.after_s)}"


def _questions(asked: Sequence[Question]) -> list[str]:
    return [line for one in asked for line in _comment("? " + sentence(one))]


def _comment(text: str) -> list[str]:
    plain = "".join(letter if letter.isprintable() else " " for letter in text)
    return textwrap.wrap(plain, COLUMNS, initial_indent="# ", subsequent_indent="# ", break_long_words=False,
                         break_on_hyphens=False)


def _out(lines: Sequence[str]) -> list[str]:
    return [f"# {line}" for line in lines]


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


__all__ = ["draft_text"]
