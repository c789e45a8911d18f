"""What is kept of each rendered frame, on request: hashes of its source, of what was done, and of its file.

A resumed render takes a frame for kept where all three are as they were, without rendering it again. The notes lie in
one hidden file beside the frames, a line of JSON each, appended whole; a line that can't be read is none, and a frame
without one is compared as ever. Whoever can write the frames can write the notes: they guard against mistakes, not
against will.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path

from huewright.colorimetry.excursions import RangeTally
from huewright.errors import InputError
from huewright.files import sha256
from huewright.frames.take import Take
from huewright.models.cautions import AnyCaution
from huewright.models.record import Sha256, from_record, to_record
from huewright.rendering.hands import Done, source_hash
from huewright.rendering.job import Tally, for_all

NAME = ".huewright-rendered.jsonl"


@dataclass(frozen=True)
class Remembered:
    """A rendered frame: its ``file``'s name and ``sha256``, its ``source`` (:func:`source_hash`), what was ``done`` (a
    hash of the chain, the settings and the program), and what was seen on the way."""

    file: str
    frame: int
    done: Sha256
    source: Sha256
    sha256: Sha256
    range: dict[str, int]
    notes: tuple[AnyCaution, ...] = ()
    came_broken: bool = False
    became_broken: bool = False

    @property
    def tally(self) -> Tally:
        return Tally(RangeTally(**{**self.range, "integers": bool(self.range["integers"])}),  # type: ignore[arg-type]
                     dict.fromkeys(self.notes), {self.frame} if self.came_broken else set(),
                     {self.frame} if self.became_broken else set())


def done_hash(*what: object) -> str:
    """Of what is done with each frame."""
    return hashlib.sha256(repr(what).encode()).hexdigest()


@dataclass
class Notes:
    """The notes beside a render's ``outputs``; ``done`` is the hash of what is done now. ``writing``: new frames are
    noted too."""

    take: Take
    outputs: dict[int, Path]
    done: str
    writing: bool
    _known: dict[Path, Remembered] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        for folder in dict.fromkeys(path.parent for path in self.outputs.values()):
            with suppress(OSError, UnicodeDecodeError):
                for line in (folder / NAME).read_text(encoding="utf-8").splitlines():
                    with suppress(ValueError, RecursionError):
                        one = from_record(json.loads(line), Remembered)
                        self._known[folder / one.file] = one      # a later one counts

    def kept(self, numbers: Iterable[int], workers: int) -> dict[int, Done]:
        """Of ``numbers`` those whose file, source and what is done are just as they were."""
        found: dict[int, Done] = {}

        def look(number: int) -> None:
            path, one = self.outputs[number], self._known.get(self.outputs[number])
            if one is None or one.done != self.done or one.frame != number:
                return
            with suppress(OSError, InputError, TypeError, KeyError):
                if sha256(path) == one.sha256 and source_hash(self.take, number) == one.source:
                    found[number] = Done("same", one.tally, sha256=one.sha256)

        wanted = tuple(number for number in numbers if self.outputs[number] in self._known)
        if wanted:
            for_all(look, wanted, workers, lambda *more: None, "")
        return found

    def note(self, number: int, done: Done) -> None:
        """Appends a line for a frame just rendered or compared."""
        if not self.writing or not done.source:
            return
        path = self.outputs[number]
        one = Remembered(path.name, number, self.done, done.source, done.sha256 or sha256(path),
                         {name: int(value) for name, value in asdict(done.tally.range).items()},
                         tuple(done.tally.notes), bool(done.tally.came_broken), bool(done.tally.became_broken))
        # On a line of its own whatever another writer, that was stopped, has left before it.
        line = ("\n" + json.dumps(to_record(one), separators=(",", ":")) + "\n").encode()
        with self._lock:
            handle = os.open(path.parent / NAME, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
            try:
                os.write(handle, line)
            finally:
                os.close(handle)


__all__ = ["NAME", "Notes", "Remembered", "done_hash"]
