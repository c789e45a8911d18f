"""What a render does to every frame of a take, and how many are under way at a time."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import FIRST_EXCEPTION, Future, wait
from dataclasses import dataclass, field

from huewright_kernels.executor import Program, compile_chain, warm_up
from huewright_kernels.ops import Matrix, Operation
from huewright_kernels.threads import default_threads

from huewright.colorimetry.excursions import RangeTally
from huewright.device.compute import Compute, Processor
from huewright.errors import InputError
from huewright.frames.conversion import is_float
from huewright.models.cautions import Caution
from huewright.models.footage import legal_levels
from huewright.progress import Progress
from huewright.provenance.digests import operations_digest
from huewright.workers import Workers

WAITING = 4     # frames beyond the threads that may be under way


@dataclass
class Tally:
    """Of the frames done: what left the range, what must be said of their files, and the numbers of those that hold
    values which are no numbers or infinite: ``came_broken`` from the camera's files, ``became_broken`` in rendering."""

    range: RangeTally = field(default_factory=RangeTally)
    notes: dict[Caution, None] = field(default_factory=dict)
    came_broken: set[int] = field(default_factory=set)
    became_broken: set[int] = field(default_factory=set)

    def add(self, other: Tally) -> None:
        self.range.merge(other.range)
        self.notes.update(other.notes)
        self.came_broken |= other.came_broken
        self.became_broken |= other.became_broken


@dataclass(frozen=True)
class Job:
    """What each frame needs: programs are None to read and write only. ``compute`` runs them."""

    program: Program | None
    display_program: Program | None
    bits: int
    dither: bool
    encode_slope: float
    encode_offset: float
    compute: Compute
    digest: str = ""     # of the chain, for files that can carry it
    size: tuple[int, int] | None = None     # every frame's width and height, where they were looked at before
    chromaticities: tuple[float, ...] = ()     # of the display, for files that named the camera's


def workers_for(threads: int | None, frames: int) -> tuple[int, int]:
    """(frames at a time, threads a frame). Whole frames go to each thread, and twice as many as there are threads, up
    to ``WAITING`` more, are under way, so that those which wait for the storage leave no processor idle; fewer frames
    share the threads. (Where each reading and each writing waited 30 ms, four at a time on two busy processors took
    50 ms a frame, three 58, six no less than four.)"""
    threads = default_threads() if threads is None else threads
    if threads < 1:
        raise InputError("a render needs at least one thread")
    workers = min(threads + (min(threads, WAITING) if threads > 1 else 0), frames)
    return workers, max(1, threads // workers)


def prepared(chain: tuple[Operation, ...], range_: str, depth: int, dither: bool, compute: Compute, suffix: str,
             notify: Callable[[str], None], size: tuple[int, int], chromaticities: tuple[float, ...] = ()) -> Job:
    """The job of rendering ``chain`` over frames of ``size`` into files that end in ``suffix``, compiled."""
    slope, offset = 1.0, 0.0
    written = chain
    if range_ == "legal":
        black, white = legal_levels(10 if is_float(suffix, depth) else depth)
        slope, offset = white - black, black
        written = (*chain, Matrix(((slope, 0, 0), (0, slope, 0), (0, 0, slope)), (offset,) * 3))
    if isinstance(compute, Processor):
        warm_up(notify)
    return Job(compile_chain(written), compile_chain(chain), depth, dither, slope, offset, compute,
               operations_digest(chain), size, chromaticities)


def for_all(one: Callable[[int], None], numbers: tuple[int, ...], workers: int, progress: Progress, what: str) -> None:
    """``one`` for each number; on an error or an interrupt no further frame is begun, and those begun are finished (see
    :class:`Workers`)."""
    progress(0, len(numbers), what)
    with Workers(workers) as pool:
        pending: set[Future[None]] = {pool.submit(one, number) for number in numbers}
        while pending:
            done, pending = wait(pending, timeout=0.25, return_when=FIRST_EXCEPTION)
            for future in done:
                future.result()
            progress(len(numbers) - len(pending), len(numbers), what)
