"""One frame of a render done in another process, which may be another machine's: what travels there, and what is done.

What travels is plain: names of files, the correction as its file holds it, numbers of frames and settings. The other
side opens the take and writes the frame itself, with this same code, so that the bytes are those of a render here.
"""

from __future__ import annotations

import hashlib
import json
import threading
import time
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

import huewright_kernels

from huewright.device.compute import Processor
from huewright.errors import InputError
from huewright.files import sha256
from huewright.frames.opening import open_take
from huewright.frames.take import Take
from huewright.models.correction import correction_from_dict
from huewright.provenance.digests import operations_digest
from huewright.rendering.hands import Act, Done, compared, frame_done
from huewright.rendering.job import Job, prepared
from huewright.version import __version__

MARK_S = 5.0        # a network's file system may take its time to show a new file
SAME_TIME_S = 2.0   # file systems keep times to 2 s at worst


@dataclass(frozen=True)
class Order:
    """What all frames of a render have in common.

    builds   what renders, by :func:`builds`, which must be the same there
    take     to be opened again, with the whole path
    correction, digest     the correction's JSON; the hash of its operations
    mark     a file beside the outputs that is there while the render runs: who sees it shares the folder
    """

    builds: tuple[tuple[str, str], ...]
    take: str
    correction: str
    digest: str
    mark: str
    size: tuple[int, int]
    range: str
    bits: int
    dither: bool
    suffix: str
    chromaticities: tuple[float, ...]
    overwrite: bool
    hashed: bool
    remembered: bool = False


@dataclass(frozen=True)
class Source:
    """The file that a frame is read from, as it was seen where the render was begun: bytes, and when it was written
    (seconds)."""

    bytes: int
    written_s: float


@dataclass(frozen=True)
class Refused:
    """A frame that was not done, and why, in a sentence; ``other`` says which program there is another one."""

    words: str
    other: str = ""


def source_of(path: Path) -> Source:
    state = path.stat()
    return Source(state.st_size, state.st_mtime)


@lru_cache(1)
def builds() -> tuple[tuple[str, str], ...]:
    """What a frame's bytes follow from beside its source and its correction: this program, by its version and a hash
    of its sources, and the libraries that read and write files."""
    told = hashlib.sha256()
    for folder in (Path(__file__).parents[1], Path(str(huewright_kernels.__file__)).parent):
        for path in sorted(folder.rglob("*.py")):
            told.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return (("huewright", f"{__version__} ({told.hexdigest()[:8]})"),
            *((name, version(name)) for name in ("OpenImageIO", "av")))


def differing(found: tuple[tuple[str, str], ...], wanted: tuple[tuple[str, str], ...]) -> str:
    """What of ``found`` is not as ``wanted``; "" if nothing."""
    there = dict(found)
    return ", ".join(f"{name} {there.get(name, 'of no version')} where {needed} is needed" for name, needed in wanted
                     if there.get(name) != needed)


def as_given(order: Order) -> Order:
    """``order``, so that it travels once to each process and not with each frame."""
    return order


def do_frame(order: Order, act: Act, number: int, source: Source, out: str) -> Done | Refused:
    """``act`` done here with frame ``number`` and its file ``out``."""
    other = differing(builds(), order.builds)
    if other:
        return Refused("", other)
    try:
        with _opening:
            take, job = _opened(order)
        found = source_of(take.file(number)) if take.file(number).exists() else None
        if found is None or found.bytes != source.bytes or abs(found.written_s - source.written_s) > SAME_TIME_S:
            return Refused(f"{take.file(number)} is {'not there' if found is None else 'another file'}")
        return _done(order, act, take, job, number, Path(out))
    except InputError as error:
        return Refused(str(error))


def _done(order: Order, act: Act, take: Take, job: Job, number: int, out: Path) -> Done:
    try:
        return frame_done(act, job, take, number, out, order.size, overwrite=order.overwrite, hashed=order.hashed,
                          remembered=order.remembered)
    except InputError:
        # One that was lost, or taken for lost, had finished the frame and didn't come to say so.
        if act == "render" and not order.overwrite and out.exists():
            state, tally = compared(job, take, number, out, order.size)
            if state == "same":
                return Done("rendered", tally, sha256=sha256(out) if order.hashed else "")
        raise


_opening = threading.Lock()


@lru_cache(2)
def _opened(order: Order) -> tuple[Take, Job]:
    until = time.monotonic() + MARK_S
    while not Path(order.mark).exists():
        if time.monotonic() > until:
            raise InputError(f"the folder {Path(order.mark).parent} is not the one that the render writes into")
        time.sleep(0.1)
    correction = correction_from_dict(json.loads(order.correction))
    if operations_digest(correction.operations) != order.digest:
        raise InputError("the correction that arrived is not the one that was sent")
    job = prepared(correction.operations, order.range, order.bits, order.dither, Processor(1), order.suffix,
                   lambda line: None, order.size, order.chromaticities)
    return open_take(order.take), job
