"""A run's folder: what the run was begun with, so that it can go on after it was stopped, and what the folder holds."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from huewright.claims import is_claim
from huewright.errors import InputError
from huewright.files import refuse_existing
from huewright.frames.sequence import PICTURE_SUFFIXES
from huewright.frames.take import Take, number_list
from huewright.models.by_hand import ByHand
from huewright.models.card import Card
from huewright.models.footage import Footage
from huewright.models.job import Asked, FilesAsked, Job, load_job, save_job
from huewright.models.record import Point, to_record
from huewright.models.settings import SolveSettings
from huewright.provenance.digests import card_sha256, digest
from huewright.version import __version__

FILE = "job.json"
REMEDY = "start again with --overwrite, or choose another folder"
_CALLED = {"take": "the take's files", "card_sha256": "the card", "footage_sha256": "what was declared of the footage",
           "settings": "the settings of the solve", "corners": "the corners",
           "by_hand": "the frames taken in, left out or placed by hand", "shots": "the shots or their files",
           "version": "huewright's version"}


def asked_of(take: Take, card: Card, footage: Footage, settings: SolveSettings,
             corners: Sequence[Point] | None, shots: dict[str, Take], by_hand: ByHand | None = None) -> Asked:
    """What a run is begun with."""
    return Asked(__version__, _files(take), card_sha256(card), digest(to_record(footage)), settings,
                 None if corners is None else tuple((float(x), float(y)) for x, y in corners),
                 {name: _files(shot) for name, shot in shots.items()}, by_hand or ByHand())


def _files(sequence: Take) -> FilesAsked:
    told = hashlib.sha256()
    for number in sequence.numbers:
        path = sequence.file(number)
        state = path.stat()
        told.update(f"{number} {path.resolve()} {state.st_size} {state.st_mtime_ns}\n".encode())
    return FilesAsked(sequence.text, number_list(sequence.numbers), told.hexdigest())


def require_unchanged(asked: Asked, take: Take, shots: dict[str, Take]) -> None:
    """:class:`InputError` where files that the run read are others than when it was begun."""
    for clip, was in ((take, asked.take), *((shot, asked.shots[name]) for name, shot in shots.items())):
        try:
            same = _files(clip) == was
        except FileNotFoundError:
            same = False
        if not same:
            raise InputError(f"{clip.text}: its files changed while they were read; {REMEDY}, when they are whole")


def begin(out: Path, asked: Asked, *, overwrite: bool, resume: bool) -> None:
    """Writes the job file of a run that is not finished. With ``resume`` the one that is there must have been begun
    with the same; :class:`InputError` says what differs, or that there is none, or which shots of an earlier run lie
    beside this one's."""
    path = out / FILE
    if resume and path.exists():
        was = load_job(path).asked
        differ = [words for key, words in _CALLED.items() if was is None or getattr(was, key) != getattr(asked, key)]
        if differ:
            raise InputError(f"{out} was begun with something else: not the same are {', '.join(differ)}; {REMEDY}")
    elif resume and out.is_dir() and not all(map(is_claim, out.iterdir())):
        raise InputError(f"{out} holds files, but no {FILE} that says what they were begun with; {REMEDY}")
    else:
        refuse_existing(path, overwrite=overwrite)
    _refuse_strange_shots(out, list(asked.shots))
    save_job(Job(asked=asked), path, overwrite=overwrite or resume)


def finish(out: Path, job: Job) -> None:
    """The job file of a finished run: ``job`` with the names of the files that lie in its folder."""
    files = sorted({path.relative_to(out).as_posix() for path in out.rglob("*")
                    if path.is_file() and not is_claim(path)} - {FILE})
    save_job(replace(job, files=tuple(files)), out / FILE, overwrite=True)


def _refuse_strange_shots(out: Path, names: Sequence[str]) -> None:
    """A folder is one run's."""
    folder = out / "shots"
    strange = sorted(each.name for each in folder.iterdir() if each.name not in names) if folder.is_dir() else []
    if strange:
        raise InputError(f"{folder} also holds {', '.join(strange[:8])}, which {'is' if len(strange) == 1 else 'are'} "
                         "not rendered now: an earlier run's; remove them, or choose another folder")


def kept_words(out: Path) -> str:
    """What a stopped run has left in ``out``, and how to go on."""
    if not out.is_dir():
        return "nothing was written; start the command again"
    files = [path for path in out.rglob("*") if path.is_file()]
    named = [name for name in ("survey.json", "correction.json") if (out / name).exists()]
    frames = sum(path.suffix.lower() in PICTURE_SUFFIXES for path in files if path.parent not in (out, out / "proof"))
    if frames:
        named.append(f"{frames} rendered frame{'s' * (frames != 1)}")
    kept = ", ".join(named) or "no result yet"
    return f"kept in {out}, all whole: {kept}; the same command with --resume goes on"
