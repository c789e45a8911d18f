"""What a step of a scene was made from and what it wrote, and by that whether it is due.

A step's record is written, not finished, before its first file and finished after its last. So whatever a killed run
leaves under a step's places is that step's own and is done again; files that no record knows are never touched.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import sha256
from huewright.frames.take import Take
from huewright.models.record import to_record
from huewright.models.scene_made import (
    Differs,
    FileMade,
    FilesAltered,
    FilesGone,
    Input,
    Kind,
    LeftBehind,
    Made,
    NeverMade,
    NotFinished,
    Same,
    Why,
    load_made,
    save_made,
)
from huewright.provenance.digests import digest
from huewright.provenance.takes import clip_of

FOLDER = "record"


class Hashes:
    """SHA-256 of files, each read once a run as long as its size and time stay."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, int, int], str] = {}

    def of(self, path: Path) -> str:
        state = path.stat()
        key = (str(path), state.st_size, state.st_mtime_ns)
        if key not in self._known:
            self._known[key] = sha256(path)
        return self._known[key]


def stamp_of(take: Take) -> str:
    """Hash of what ``take`` is called, its frames' numbers, and its files' sizes and times."""
    told = hashlib.sha256(f"{take.text}\n{take.numbers}\n".encode())
    for path in _files(take):
        state = path.stat()
        told.update(f"{path.resolve()} {state.st_size} {state.st_mtime_ns}\n".encode())
    return told.hexdigest()


def content_of(take: Take, hashes: Hashes) -> str:
    """Hash of what is in the take's frames: its numbers, what a movie is taken for, and every file's bytes."""
    clip = clip_of(take)
    told = None if clip is None else {name: value for name, value in to_record(clip).items() if name != "name"}
    return digest([list(take.numbers), told, [hashes.of(path) for path in _files(take)]])


def _files(take: Take) -> list[Path]:
    return list(dict.fromkeys(take.file(number) for number in take.numbers))


def record_name(kind: Kind, name: str) -> str:
    """Where a step's record lies in the scene's folder."""
    return f"{FOLDER}/{kind}-{name}.json"


@dataclass(frozen=True)
class Asked:
    """What a step shall be made from: hashes, and its source frames, if any, whose bytes are one of the inputs.

    ``places`` are the files that it will write, in the scene's folder.
    """

    kind: Kind
    name: str
    inputs: dict[Input, Any]
    places: tuple[str, ...]
    source: Take | None = None

    @property
    def file(self) -> str:
        return record_name(self.kind, self.name)


@dataclass
class Records:
    """The records in the scene's folder ``out``."""

    out: Path
    overwrite: bool = False
    hashes: Hashes = field(default_factory=Hashes)

    def found(self, asked: Asked) -> Made | None:
        path = self.out / asked.file
        return load_made(path) if path.exists() else None

    def why(self, asked: Asked) -> Why:
        """Whether ``asked`` is due; nothing is written."""
        made = self.found(asked)
        if made is None:
            return NeverMade()
        if not made.finished:
            return NotFinished()
        inputs, _ = self._inputs(asked, made)
        differing = sorted(key for key in {*inputs, *made.inputs} if inputs.get(key) != made.inputs.get(key))
        if differing:
            return Differs(tuple(differing))
        if made.places != asked.places:
            return Differs(("form",))
        gone = [name for name in made.files if not (self.out / name).exists()]
        if gone:
            return FilesGone(len(gone), gone[0])
        altered = self._altered(made)
        return FilesAltered(len(altered), altered[0]) if altered else Same()

    def _inputs(self, asked: Asked, made: Made | None) -> tuple[dict[Input, str], str | None]:
        """Hashes of the inputs, and the stamp of the source; its bytes are read only where the stamp isn't the
        record's."""
        inputs: dict[Input, str] = {key: digest(to_record(value)) for key, value in asked.inputs.items()}
        if asked.source is None:
            return inputs, None
        stamp = stamp_of(asked.source)
        known = None if made is None or made.stamp != stamp else made.inputs.get("files")
        inputs["files"] = known or content_of(asked.source, self.hashes)
        return inputs, stamp

    def _altered(self, made: Made) -> list[str]:
        """Files that are there, but not as the step wrote them."""
        found = []
        for name, was in made.files.items():
            path = self.out / name
            if not path.exists():
                continue
            state = path.stat()
            if (state.st_size, state.st_mtime_ns) != (was.size, was.mtime_ns) and self.hashes.of(path) != was.sha256:
                found.append(name)
        return found

    def begin(self, asked: Asked) -> Made:
        """Marks the step as begun and takes away what it wrote before. :class:`InputError` where files lie at its
        places that it didn't write, or that were changed since, unless they may be overwritten."""
        made = self.found(asked)
        if not self.overwrite:
            self._refuse(asked, made)
        before = () if made is None else (*made.places, *made.files)
        for name in dict.fromkeys(before):
            with suppress(FileNotFoundError):
                (self.out / name).unlink()
        inputs, stamp = self._inputs(asked, made if made is not None and made.finished else None)
        begun = Made(asked.kind, asked.name, False, inputs, stamp, asked.places)
        save_made(begun, self.out / asked.file)
        return begun

    def _refuse(self, asked: Asked, made: Made | None) -> None:
        altered = self._altered(made) if made is not None and made.finished else []
        if altered:
            raise InputError(f"{self.out / altered[0]} was changed since it was written"
                             + (f", as {len(altered) - 1} more were" if len(altered) > 1 else "")
                             + "; move it away, or add --overwrite to replace it")
        own = set() if made is None else {*made.places, *made.files}
        strange = next((name for name in asked.places if name not in own and (self.out / name).exists()), None)
        if strange is not None:
            raise InputError(f"{self.out / strange} exists already and was not made for this scene; move it away, add "
                             "--overwrite to replace it, or name another folder in [out]")

    def finish(self, asked: Asked, begun: Made, **results: Any) -> Made:
        """The record of the step that is done. :class:`InputError` where its source changed meanwhile."""
        if asked.source is not None and stamp_of(asked.source) != begun.stamp:
            raise InputError(f"{asked.source.text}: its files changed while they were read; start again when they are "
                             "whole")
        files = {}
        for name in asked.places:
            path = self.out / name
            state = path.stat()
            files[name] = FileMade(state.st_size, state.st_mtime_ns, self.hashes.of(path))
        made = replace(begun, finished=True, files=files, **results)
        save_made(made, self.out / asked.file)
        return made

    def keep(self, asked: Asked) -> Made:
        """The record of a step that isn't due, with its files' and its source's times as they are now."""
        made = self.found(asked)
        assert made is not None
        stamp = None if asked.source is None else stamp_of(asked.source)
        files = {name: self._now(name, was) for name, was in made.files.items()}
        if (stamp, files) != (made.stamp, made.files):
            made = replace(made, stamp=stamp, files=files)
            save_made(made, self.out / asked.file)
        return made

    def left_behind(self, asked: Collection[tuple[Kind, str]]) -> tuple[LeftBehind, ...]:
        """What steps made that are not among those ``asked`` for, as far as it is there."""
        found = []
        for made in _all_made(self.out):
            there = [name for name in dict.fromkeys((*made.files, *made.places)) if (self.out / name).exists()]
            if (made.kind, made.name) not in asked and there:
                found.append(LeftBehind(made.kind, made.name, len(there), there[0]))
        return tuple(found)

    def _now(self, name: str, was: FileMade) -> FileMade:
        state = (self.out / name).stat()
        return FileMade(state.st_size, state.st_mtime_ns, was.sha256)


def kept_words(out: Path) -> str:
    """What a stopped run has left, and how to go on."""
    made = _all_made(out)
    done = sum(each.finished for each in made)
    begun = [f"{each.kind} of {each.name}" for each in made if not each.finished]
    if not made:
        return "nothing was written; start the command again"
    return (f"kept in {out}: {done} finished step{'s' * (done != 1)}"
            + (f"; {', '.join(begun)} will be done again" if begun else "") + "; the same command goes on")


def _all_made(out: Path) -> list[Made]:
    """Every record that can be read."""
    made = []
    for path in sorted((out / FOLDER).glob("*.json")) if (out / FOLDER).is_dir() else []:
        with suppress(InputError):
            made.append(load_made(path))
    return made


__all__ = ["FOLDER", "Asked", "Hashes", "Records", "content_of", "kept_words", "record_name", "stamp_of"]
