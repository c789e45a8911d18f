"""A first scene file from a folder of clips: which hold the card, whose they are, which take came before which shot.

What can't be told is asked in the file, and left out of what would be done.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from huewright.errors import InputError, NoAnswerError
from huewright.files import write_text
from huewright.frames.found import clips_in, files_in
from huewright.frames.opening import open_take
from huewright.frames.tags import Tags
from huewright.frames.take import number_list
from huewright.handover.edit import clips_found
from huewright.models import drafted
from huewright.models.card import Card, load_card
from huewright.models.drafted import Drafted, DraftedCamera, DraftedClip, DraftedEdit, EncodingFrom, OrderFrom, Question
from huewright.models.scene import NOT_GIVEN, Scene, SceneCamera, SceneShot, SceneTake, fault_of
from huewright.models.scene_file import SceneFile, load_scene
from huewright.progress import Progress, silent
from huewright.steps.scene.grouping import Found, Group, camera_names, grouped
from huewright.steps.scene.page import PAGE
from huewright.steps.scene.serving import Clip, clip_of, served
from huewright.steps.sparsely import glance

_NO_FOOTAGE = frozenset({PAGE})     # what a scene made lies beside its page


def draft_scene(path: Path | str, folder: Path | str, card: Path | str, *, encoding: str | None = None,
                progress: Progress = silent) -> Drafted:
    """Writes the scene file ``path`` of the clips in ``folder``, and returns what stands in it. A few frames of each
    clip are looked at for the ``card``.

    encoding  of all cameras; None: what a movie's tags say, else one that the person has to fill in

    Raises :class:`InputError` where ``path`` exists, or there is no folder, card or clip; :class:`NoAnswerError` where
    no clip shows the card; then nothing is written.
    """
    from huewright.report.scene_draft import draft_text

    path, folder = Path(path), Path(folder)
    if path.is_dir():
        raise InputError(f"{path} is a folder; give the name of the scene file to write, such as {path / 'scene.toml'}")
    if path.exists():
        raise InputError(f"{path} exists already, and a draft replaces no scene file; give another name, or move it "
                         "away")
    model = load_card(card)
    if encoding is not None:
        _declarable(encoding)
    found, unread = _found(folder, path.parent, model, progress)
    if not any(clip.card for clip in found):
        raise NoAnswerError(f"{folder}: the card is in none of the frames that were looked at, in {len(found)} "
                            f"clip{'' if len(found) == 1 else 's'}; check --card, or name the take yourself "
                            "(`huewright survey TAKE` looks closer)")
    groups = grouped(found)
    names = camera_names(groups)
    cameras = tuple(_camera(group, name, encoding) for group, name in zip(groups, names, strict=True))
    takes, shots = _clips(groups, names)
    title = folder.resolve().name
    takes, shots = _serving(path, cameras, takes, shots)
    edits, others = _edits(folder, path.parent, [row.row.path for row, _ in shots if row.used])
    made = Drafted(title, _from(path.parent, Path(card)), cameras, tuple(row for row, _ in takes),
                   tuple(row for row, _ in shots), (*unread, *others), edits)
    _check(made)
    write_text(path, draft_text(made))
    if made.complete:
        load_scene(path)
    return made


def _declarable(encoding: str) -> None:
    from huewright.colorimetry.declare import THROUGH_LOOK, declare_footage

    if encoding.strip().casefold() == THROUGH_LOOK:
        raise InputError(f"--encoding {THROUGH_LOOK} needs a LUT file, which a draft doesn't name; leave it out here "
                         "and write encoding and look into the scene file")
    declare_footage(encoding=encoding)


def _from(base: Path, path: Path) -> str:
    """``path`` as a file in ``base`` names it."""
    try:
        return Path(os.path.relpath(path.resolve(), base.resolve())).as_posix()
    except ValueError:      # another drive
        return str(path.resolve())


def _found(folder: Path, base: Path, card: Card, progress: Progress
           ) -> tuple[list[Found], tuple[tuple[str, str], ...]]:
    texts = clips_in(folder, _NO_FOOTAGE)
    found, unread = [], []
    for done, text in enumerate(texts):
        progress(done, len(texts), "looking for the card")
        named = _from(base, Path(text))
        try:
            named.encode()
            take = open_take(text)
            kept = _complete(named, take.missing, take.numbers)
            found.append(Found(kept, Path(os.path.relpath(text, folder)), take, glance(take, card)))
        except UnicodeEncodeError:
            unread.append((repr(named), "Its name is no text (UTF-8); give it another."))
        except InputError as error:
            unread.append((named, str(error)))
    if not found:
        raise InputError(f"{folder}: there is no clip that can be read"
                         + (f" ({unread[0][1]})" if unread else "") + "; give the folder that the clips lie in")
    return found, tuple(unread)


def _complete(text: str, missing: tuple[int, ...], numbers: tuple[int, ...]) -> str:
    """``text`` with the frames that are there, where some between them are missing."""
    if not missing:
        return text
    kept = number_list(numbers).replace(", ", ",")
    if " more" in kept:
        raise InputError(f"Its frames are many single ones ({number_list(numbers)}), so it is no clip; name it "
                         "yourself if it is.")
    return f"{text}:{kept}"


def _edits(folder: Path, base: Path, shots: Sequence[str]
           ) -> tuple[tuple[DraftedEdit, ...], tuple[tuple[str, str], ...]]:
    """Edits in the ``folder`` and beside the scene file."""
    whole = [os.path.normpath(base.absolute() / text) for text in shots]
    places = {path.resolve(): path for path in (*files_in(folder, (".otio",), _NO_FOOTAGE), *sorted(
        path for path in base.iterdir() if path.suffix.lower() == ".otio" and path.is_file()))}
    found, unread = [], []
    for path in places.values():
        named = _from(base, path)
        try:
            named.encode()
            noted = clips_found(path, whole, replace=True)
            ours = [one for one in noted if one.named is not None]
            found.append(DraftedEdit(named, len(noted), len(ours), sum(one.clip.graded for one in ours)))
        except UnicodeEncodeError:
            unread.append((repr(named), "Its name is no text (UTF-8); give it another."))
        except InputError as error:
            unread.append((named, str(error)))
    return tuple(found), tuple(unread)


# ---------------------------------------------------------------- cameras

def _camera(group: Group, name: str, encoding: str | None) -> DraftedCamera:
    asked: list[Question] = []
    card = any(clip.card for clip in group.clips)
    where: EncodingFrom = "given"
    primaries = None
    tags = next((clip.take.tags for clip in group.clips if clip.take.tags is not None), None)
    said = encoding or ("" if tags is None else _tagged(tags))
    if encoding is None:
        where = "tags" if said else "nothing"
        if not said:
            said = NOT_GIVEN
            asked += [drafted.EncodingNotGiven(name)] if card else []
        elif tags is not None:
            primaries = "ITU-R BT.2020" if said in ("pq", "hlg") and tags.primaries == "bt2020" else None
            asked += [drafted.EncodingByTags(name, tags.transfer, said)] if said == "display" else []
    if not card:
        asked.append(drafted.NoCardOfCamera(name))
    if not group.named and len(group.clips) > 1:
        asked.append(drafted.NothingNamesCamera(name, group.apart))
    return DraftedCamera(SceneCamera(name, said, primaries=primaries), group.told, where, card, tuple(asked))


def _tagged(tags: Tags) -> str:
    """The encoding that goes with a transfer characteristic of ITU-T H.273, or ""."""
    if tags.transfer in ("pq", "hlg", "linear"):
        return tags.transfer
    return "display" if tags.transfer else ""


# ---------------------------------------------------------------- takes and shots

Row = tuple[DraftedClip, Found]


def _clips(groups: Sequence[Group], names: Sequence[str]) -> tuple[list[Row], list[Row]]:
    takes: list[Row] = []
    shots: list[Row] = []
    taken: set[str] = set()
    count = Counter(clip.name.casefold() for group in groups for clip in group.clips)
    for group, camera in zip(groups, names, strict=True):
        for clip in group.clips:
            row: SceneTake | SceneShot
            name = _own_name(clip, count[clip.name.casefold()] == 1, taken)
            row = SceneTake(camera, clip.text, name) if clip.card else SceneShot(camera, clip.text, name)
            frames, rate = clip.take, clip.take.rate
            asked: list[Question] = []
            if clip.take.missing:
                asked.append(drafted.FramesMissing(name, number_list(clip.take.missing)))
            seen = sum(clip.seen.values())
            if clip.card and 2 * seen < len(clip.seen):
                asked.append(drafted.CardInPart(name, seen, len(clip.seen)))
            (takes if clip.card else shots).append((DraftedClip(
                row, len(frames), frames.timecode(frames.numbers[0]) or "",
                None if rate is None else (frames.numbers[-1] - frames.numbers[0] + 1) / float(rate),
                len(clip.seen), seen, questions=tuple(asked)), clip))
    return takes, shots


def _own_name(clip: Found, single: bool, taken: set[str]) -> str:
    """What the clip is called, with its folder unless no other one is called so; fit for files' names."""
    plain, parents = clip.name, [part for part in clip.place.parent.parts if part != "."]
    wanted = ["-".join([*parents[-depth:], plain]) for depth in range(1, len(parents) + 1)]
    wanted = [plain] if single or not wanted else wanted
    wanted = [re.sub(r'[\\/:*?"<>|\n\r\t]', "-", name)[-90:].strip(". ") or "clip" for name in wanted]
    name = next((name for name in wanted if name.casefold() not in taken), "")
    count = 1
    while not name:
        count += 1
        again = f"{wanted[-1]}-{count}"
        name = "" if again.casefold() in taken else again
    taken.add(name.casefold())
    return name


def _serving(path: Path, cameras: Sequence[DraftedCamera], takes: list[Row], shots: list[Row]
             ) -> tuple[list[Row], list[Row]]:
    """Each shot with the take that serves it, as a run of the scene will have it."""
    scene = Scene("", tuple(camera.row for camera in cameras), tuple(_take(row) for row, _ in takes),
                  tuple(_shot(row) for row, _ in shots))
    took = [clip_of(row, found.take) for row, (_, found) in zip(scene.takes, takes, strict=True)]
    shot = [clip_of(row, found.take) for row, (_, found) in zip(scene.shots, shots, strict=True)]
    return takes, [(_served(SceneFile(path, scene), index, took, shot, row, found, takes), found)
                   for index, (row, found) in enumerate(shots)]


def _served(file: SceneFile, index: int, takes: Sequence[Clip], shots: Sequence[Clip], row: DraftedClip, found: Found,
            rows: Sequence[Row]) -> DraftedClip:
    own = [take for take in takes if take.row.camera == row.row.camera]
    if not own:
        return replace(row, order="nothing", used=False)
    try:
        by = served(file, index, takes, shots)
        return replace(row, served=by.takes[0], after_s=by.after_s)
    except InputError:
        pass
    unknown = next((clip for clip in (shots[index], *own) if clip.when is None), None)
    first, second = (unknown.name, "") if unknown is not None else _at_once(
        [*own, *(each for each in shots if each.row.camera == row.row.camera)])
    taken = _by_name(found, [(clip, at) for clip, at in rows if clip.row.camera == row.row.camera])
    order: OrderFrom = "names" if taken else "nothing"
    shot = replace(_shot(row), served_by=taken) if taken else _shot(row)
    return replace(row, row=shot, served=taken, order=order, used=bool(taken), questions=(
        *row.questions, drafted.OrderNotTold(row.row.name, first, second, taken)))


def _at_once(clips: Sequence[Clip]) -> tuple[str, str]:
    """The first two clips whose time codes overlap."""
    spans = sorted(((clip.when, clip.name) for clip in clips if clip.when is not None), key=lambda row: row[0].begin_s)
    return next(((one, other) for (span, one), (then, other) in zip(spans, spans[1:], strict=False)
                 if span.overlaps(then) or span.begin_s == then.begin_s), (spans[0][1], spans[-1][1]))


def _by_name(shot: Found, takes: Sequence[Row]) -> str:
    """The last take before ``shot`` in the same folder whose name differs in its last number only; "" for none."""
    def key(clip: Found) -> tuple[str, str, int] | None:
        match = re.match(r"(.*?)(\d+)\D*$", clip.name)
        return None if match is None else (str(clip.place.parent), match[1], int(match[2]))

    own = key(shot)
    before = [(at[2], row.row.name) for row, clip in takes if own is not None and (at := key(clip)) is not None
              and at[:2] == own[:2] and at[2] < own[2]]
    return max(before)[1] if before else ""


def _take(clip: DraftedClip) -> SceneTake:
    assert isinstance(clip.row, SceneTake)
    return clip.row


def _shot(clip: DraftedClip) -> SceneShot:
    assert isinstance(clip.row, SceneShot)
    return clip.row


def _check(made: Drafted) -> None:
    """Raises ``ValueError`` where the file could not be read back once its encodings are filled in."""
    fault = fault_of(Scene(
        made.card, tuple(replace(camera.row, encoding="display") for camera in made.cameras if camera.used),
        tuple(_take(row) for row in made.takes), tuple(_shot(row) for row in made.shots if row.used)))
    if fault is not None:
        raise ValueError(fault[2])


__all__ = ["draft_scene"]
