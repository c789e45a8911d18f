"""Who renders and compares a take's frames: this process's own threads, or others (:mod:`huewright.rendering.farm`)."""

from __future__ import annotations

import filecmp
import hashlib
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

import numpy as np

from huewright.errors import InputError
from huewright.files import sha256, workspace
from huewright.frames.picture import read_frame
from huewright.frames.take import Take
from huewright.progress import Progress
from huewright.rendering.frame import render_frame
from huewright.rendering.job import Job, Tally, for_all

Act = Literal["render", "compare"]
"""To render a frame to its file, or to render it beside the file that is there and compare the two."""
State = Literal["rendered", "same", "cut short", "unlike"]


@dataclass(frozen=True)
class Done:
    """What came of one frame: its ``state``, what was seen on the way, the seconds that it took where it was rendered,
    the SHA-256 of its file, and the hash of its source ("": nobody asked, or the source changed meanwhile)."""

    state: State
    tally: Tally = field(default_factory=Tally)
    seconds: float = 0.0
    sha256: str = ""
    source: str = ""


Seen = Callable[[int, Done], None]


class Hands(Protocol):
    """Do what is asked with each of some frames; ``seen`` is called with each as it is done, one call at a time, on
    whatever thread. On an error or an interrupt no further frame is begun, and those begun are finished."""

    @property
    def name(self) -> str: ...

    def each(self, act: Act, numbers: tuple[int, ...], seen: Seen, progress: Progress) -> None: ...


WHAT = {"render": "rendering", "compare": "checking"}


@dataclass(frozen=True)
class Here:
    """This process: ``workers`` frames at a time. ``hashed``: files' hashes are wanted;
    ``remembered``: those of their sources, too."""

    job: Job
    take: Take
    outputs: dict[int, Path]
    size: tuple[int, int]
    workers: int
    overwrite: bool
    hashed: bool = False
    remembered: bool = False

    @property
    def name(self) -> str:
        return self.job.compute.name

    def each(self, act: Act, numbers: tuple[int, ...], seen: Seen, progress: Progress) -> None:
        telling = threading.Lock()

        def one(number: int) -> None:
            done = frame_done(act, self.job, self.take, number, self.outputs[number], self.size,
                              overwrite=self.overwrite, hashed=self.hashed, remembered=self.remembered)
            with telling:
                seen(number, done)

        for_all(one, numbers, self.workers, progress, WHAT[act])


def frame_done(act: Act, job: Job, take: Take, number: int, out: Path, size: tuple[int, int], *, overwrite: bool,
               hashed: bool, remembered: bool = False) -> Done:
    """``act`` done with frame ``number`` of ``take`` and its file ``out``."""
    before = _state(take, number) if remembered else None
    source = source_hash(take, number) if remembered else ""
    state: State = "rendered"
    seconds = 0.0
    if act == "compare":
        state, tally = compared(job, take, number, out, size)
    else:
        began = time.perf_counter()
        tally = render_frame(job, take, out, number, overwrite=overwrite)
        seconds = time.perf_counter() - began
    if remembered and _state(take, number) != before:
        source = ""
    good = state in ("rendered", "same")
    return Done(state, tally, seconds, sha256(out) if hashed and good else "", source if good else "")


def source_hash(take: Take, number: int) -> str:
    """Of all that a frame is read from: its own bytes (of a movie its decoded codes), and what its take says of it."""
    told = (take.identity(number), take.tags, take.rate, take.timecode(number), take.pixel_aspect,
            sorted(take.who.items()))
    return hashlib.sha256(repr(told).encode()).hexdigest()


def _state(take: Take, number: int) -> tuple[int, int]:
    found = take.file(number).stat()
    return found.st_size, found.st_mtime_ns


def compared(job: Job, take: Take, number: int, out: Path, size: tuple[int, int]) -> tuple[State, Tally]:
    """Whether the file that is there is whole, and just what would be rendered now.

    It is rendered again from its own source, for nothing else tells a frame of another correction, of a source
    replaced since, or with half its picture lost from the right one.
    """
    if not is_whole(out, size):
        return "cut short", Tally()
    with tempfile.TemporaryDirectory(dir=workspace()) as folder:
        again = Path(folder) / f"again{out.suffix}"
        tally = render_frame(job, take, again, number, overwrite=False)
        return ("same", tally) if same_picture(out, again) else ("unlike", Tally())


def same_picture(one: Path, other: Path) -> bool:
    if filecmp.cmp(one, other, shallow=False):
        return True
    there, now = read_frame(one), read_frame(other)     # a library's other version may pack the same picture otherwise
    return (there.pixels.dtype == now.pixels.dtype and there.bits == now.bits
            and np.array_equal(there.pixels, now.pixels, equal_nan=now.pixels.dtype.kind == "f"))


def is_whole(path: Path, size: tuple[int, int]) -> bool:
    """Whether the file is there, of this size, and can be read to its end."""
    if not path.exists():
        return False
    try:
        frame = read_frame(path)
    except InputError:
        return False
    return (frame.width, frame.height) == size


__all__ = ["Act", "Done", "Hands", "Here", "Seen", "compared", "frame_done", "is_whole", "source_hash"]
