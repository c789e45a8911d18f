"""Bench: each operation and the chain beside those who do the same, interleaved in one run, and how far to trust it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from huewright.errors import InputError
from huewright.frames.opening import open_take
from huewright.frames.take import Take
from huewright.models.cautions import Caution, RowsUnreliable
from huewright.progress import Progress, silent
from huewright.version import versions_of

if TYPE_CHECKING:
    from huewright.timing import rows
    from huewright.timing.rows import BenchResult

ROUNDS, QUICK_ROUNDS = 7, 5
FRAMES = 12
VERSIONED = ("numpy", "numba", "llvmlite", "scipy", "opencolorio", "colour-science")


def run_bench(*, quick: bool = False, threads: int | None = None, sizes: Sequence[str] | None = None,
              frames: str | None = None, device: str = "cpu", progress: Progress = silent) -> rows.BenchResult:
    """Times every operation and the chain (float32 RGBA, from one picture to another) on one thread and on all.

    quick     HD only and fewer rounds: under a minute
    threads   what "all" means; None is every processor this process may use
    sizes     "HD" and "UHD"; None is both, or HD alone if quick, or UHD alone on a GPU, whose caches hold HD
    frames    a sequence in any notation: its first frame's picture is used instead of ours, and reading, computing
              and writing of up to twelve of its frames are timed apart

    device    "cuda" or "cuda:N" times that GPU's kernels, beside a copy on the card and, where PyTorch is installed,
              its grid_sample; and frames' whole way there and back, beside their transfers alone

    Raises :class:`InputError` for unknown sizes and for frames that aren't there or can't be read.
    """
    from huewright_kernels.executor import warm_up
    from huewright_kernels.threads import default_threads

    from huewright.device.choosing import require_device
    from huewright.timing import clock, rows, work

    started = time.perf_counter()
    if device != "cpu":
        require_device(device)
    everyone = default_threads() if threads is None else threads
    if everyone < 1:
        raise InputError("a bench needs at least one thread")
    cautions = clock.busy_cautions()
    names = sizes if sizes is not None else ("UHD",) if device != "cpu" else ("HD",) if quick else ("HD", "UHD")
    for name in names:
        if name not in work.SIZES:
            raise InputError(f"unknown size {name!r}; choose from {', '.join(work.SIZES)}")
    if device != "cpu":
        return _on_card(device, names, QUICK_ROUNDS if quick else ROUNDS, frames, started, progress)
    take = None if frames is None else _picked(frames)
    warm_up(lambda what: progress(0, 1, what))
    rounds = QUICK_ROUNDS if quick else ROUNDS
    stages = () if take is None else tuple(rows.stage_rows(take, progress))
    measured: list[rows.BenchRow] = []
    for size, pictures in ([rows.own_picture(take)] if take is not None else
                           [(name, {key: make(*work.SIZES[name]) for key, make in work.PICTURES.items()})
                            for name in names]):
        measured += rows.operation_rows(size, pictures, sorted({1, everyone}), rounds, progress)
    cautions += _loose(measured, stages)
    return rows.BenchResult(tuple(measured), stages, clock.machine(), versions_of(*VERSIONED),
                            time.perf_counter() - started, tuple(cautions), everyone)


def _on_card(device: str, sizes: Sequence[str], rounds: int, frames: str | None, started: float,
             progress: Progress) -> rows.BenchResult:
    from huewright.device.cards import Cards
    from huewright.device.driver import named
    from huewright.timing import clock, rows, work
    from huewright.timing.cards import card_rows

    if frames is not None:
        raise InputError("a bench on a GPU times pictures of its own; leave the frames or --device out")
    compute = Cards(named(device)[:1], 1, lambda line: progress(0, 0, line))
    measured: list[rows.BenchRow] = []
    for name in sizes:
        pictures = {key: make(*work.SIZES[name]) for key, make in work.PICTURES.items()}
        measured += card_rows(compute, name, pictures, rounds, progress)
    return rows.BenchResult(tuple(measured), (), f"{compute.name} beside {clock.machine()}",
                            versions_of(*VERSIONED, "cuda-bindings"), time.perf_counter() - started,
                            tuple(_loose(measured, ())))


def _loose(measured: Sequence[rows.BenchRow], stages: Sequence[rows.StageRow]) -> list[Caution]:
    from huewright.timing.clock import UNRELIABLE

    loose = sum(not row.reliable for row in measured) + sum(not stage.reliable for stage in stages)
    return [RowsUnreliable(loose, UNRELIABLE)] if loose else []


def least_times(result: rows.BenchResult) -> tuple[float, float]:
    """Milliseconds that a frame takes at the least, all threads busy all the time: rendered, and only read and written.

    The stages' processor time over the threads, which nothing overlaps away. Where the storage takes longer than that,
    it bounds both.
    """
    times = {row.stage: row.processor_ms for row in result.stages}
    return sum(times.values()) / result.threads, (times["read"] + times["write"]) / result.threads


def draw_bench(result: rows.BenchResult, path: Path | str, *, overwrite: bool = False) -> None:
    """The result as bars: see :func:`huewright.timing.bars.draw_bench`."""
    from huewright.timing import bars

    bars.draw_bench(result, path, overwrite=overwrite)


def _picked(frames: str) -> Take:
    """Up to twelve frames, spread over those that are named."""
    take = open_take(frames).require_complete()
    return take.only(take.numbers[::max(1, len(take.numbers) // FRAMES)][:FRAMES])


__all__ = ["BenchResult", "draw_bench", "least_times", "run_bench"]
