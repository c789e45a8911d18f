"""What a bench says: contenders timed in turn, as rows, and the stages of a person's own frames."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from huewright_kernels.executor import compile_chain, run
from huewright_kernels.ops import Operation

from huewright.frames.dpx import write_dpx
from huewright.frames.picture import write_frame
from huewright.frames.take import Take
from huewright.models.cautions import Caution
from huewright.models.record import to_record
from huewright.progress import Progress
from huewright.timing import peers, work
from huewright.timing.clock import UNRELIABLE, Timed, interleaved, summary
from huewright.timing.peers import Peer


@dataclass(frozen=True)
class BenchRow:
    """Medians over the rounds. ``ratio`` is peer_ms / ours_ms. ``note`` says where the peer does a like job otherwise.

    spread and peer_spread are quartile to quartile over the median; ``reliable`` is false where either is large.
    """

    operation: str
    size: str
    picture: str
    threads: int
    ours_ms: float
    peer: str
    peer_ms: float
    ratio: float
    copy_ms: float
    spread: float
    peer_spread: float
    reliable: bool
    note: str = ""


@dataclass(frozen=True)
class StageRow:
    """One stage of a render over the person's own frames: milliseconds a frame, and those of processor time, waiting
    left out. Computing on one thread; reading and writing with those that the picture library starts itself."""

    stage: str
    frames: int
    median_ms: float
    spread: float
    reliable: bool
    processor_ms: float = 0.0


@dataclass(frozen=True)
class BenchResult:
    """``rows`` as measured; ``stages`` only where frames were given; ``cautions`` say how far to trust them;
    ``threads`` is what "all" of them were."""

    rows: tuple[BenchRow, ...]
    stages: tuple[StageRow, ...]
    machine: str
    versions: dict[str, str]
    seconds: float
    cautions: tuple[Caution, ...] = ()
    threads: int = 1

    def to_dict(self) -> dict[str, Any]:
        return {"machine": self.machine, "versions": self.versions, "seconds": self.seconds,
                "threads": self.threads, "rows": [asdict(row) for row in self.rows],
                "stages": [asdict(row) for row in self.stages], "cautions": to_record(self.cautions)}


def operation_rows(size: str, pictures: dict[str, np.ndarray], threads: list[int], rounds: int,
          progress: Progress) -> Iterator[BenchRow]:
    rivals = {name: [peer for find in (peers.opencolorio, peers.numpy, peers.colour_science)
                     if (peer := find(name)) is not None] for name in work.OPERATIONS}
    done, total = 0, len(pictures) * len(threads) * len(work.OPERATIONS)
    for picture_name, picture in pictures.items():
        for count in threads:
            for name, operations in work.OPERATIONS.items():
                progress(done, total, f"timing {size}")
                done += 1
                # NumPy and colour-science keep to one thread, whatever is asked.
                beside = [peer for peer in rivals[name] if count == 1 or peer.name == "OpenColorIO"]
                if beside:
                    times = _race(picture, operations, beside, count, rounds)
                    yield from (_row(name, size, picture_name, count, peer, times) for peer in beside)
    progress(done, total, f"timing {size}")


def _race(picture: np.ndarray, operations: Sequence[Operation], beside: list[Peer], threads: int,
          rounds: int) -> dict[str, Timed]:
    program = compile_chain(operations)
    target, other = np.empty_like(picture), np.empty_like(picture)
    contenders: dict[str, Callable[[], Any]] = {
        "ours": lambda: run(program, picture, target, threads=threads),
        "copy": lambda: peers.copy(picture, other, threads)}
    for peer in beside:
        contenders[peer.name] = partial(peer.run, picture, other, threads)
    return interleaved(contenders, rounds)


def _row(name: str, size: str, picture: str, threads: int, peer: Peer, times: dict[str, Timed]) -> BenchRow:
    ours, theirs = times["ours"], times[peer.name]
    return BenchRow(name, size, picture, threads, ours.median_ms, peer.name, theirs.median_ms,
                    theirs.median_ms / ours.median_ms, times["copy"].median_ms, ours.spread, theirs.spread,
                    max(ours.spread, theirs.spread) <= UNRELIABLE, peer.note)


def own_picture(take: Take) -> tuple[str, dict[str, np.ndarray]]:
    first = take.numbers[0]
    frame = take.frame(first)
    picture = np.ones((frame.height, frame.width, 4), np.float32)
    picture[..., :3] = frame.rgb_float()
    return f"{frame.width}x{frame.height}", {take.file_name(first): picture}


def stage_rows(take: Take, progress: Progress) -> Iterator[StageRow]:
    """Reading, computing the chain in the file's own numbers on one thread, and writing, one after another."""
    program = compile_chain(work.OPERATIONS["chain"])
    times: dict[str, list[float]] = {"read": [], "compute": [], "write": []}
    worked: dict[str, list[float]] = {stage: [] for stage in times}
    numbers = take.numbers
    with tempfile.TemporaryDirectory(prefix="huewright-bench-") as folder:
        for k, number in enumerate([numbers[0], *numbers]):  # the first one twice: the first time doesn't count
            progress(k, len(numbers) + 1, "reading, computing, writing")
            marks = [_clocks()]
            packed = take.payload(number)
            frame = take.frame(number) if packed is None else None
            marks.append(_clocks())
            view = frame.pixels if frame is not None else packed.kernel_view()  # type: ignore[union-attr]
            run(program, view, view, threads=1)
            marks.append(_clocks())
            out = Path(folder) / take.file_name(number)
            if packed is not None:
                write_dpx(out, packed, overwrite=True)
            else:
                write_frame(out, frame, overwrite=True)  # type: ignore[arg-type]
            marks.append(_clocks())
            if k > 0:
                for stage, begin, end in zip(times, marks, marks[1:], strict=False):
                    times[stage].append((end[0] - begin[0]) * 1e3)
                    worked[stage].append((end[1] - begin[1]) * 1e3)
            out.unlink()
    progress(len(numbers) + 1, len(numbers) + 1, "reading, computing, writing")
    for stage, values in times.items():
        timed = summary(values)
        yield StageRow(stage, len(values), timed.median_ms, timed.spread, timed.spread <= UNRELIABLE,
                       float(np.median(worked[stage])))


def _clocks() -> tuple[float, float]:
    """Seconds passed, and seconds of processor time that this process took on all its threads."""
    return time.perf_counter(), time.process_time()
