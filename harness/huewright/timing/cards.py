"""Rows of the bench on a GPU: kernels beside a copy on the card, and pictures' whole way beside their transfers alone.

The first card that was named is timed. Pictures are float32 RGBA; a UHD one is larger than any card's caches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import numpy as np
from huewright_kernels import ptx
from huewright_kernels.executor import compile_chain
from huewright_kernels.ops import Lut3D

from huewright.device.cards import Cards, Lane, launch
from huewright.device.driver import call
from huewright.progress import Progress
from huewright.timing import work
from huewright.timing.clock import UNRELIABLE, Timed, interleaved, summary
from huewright.timing.rows import BenchRow

EACH, FRAMES, LANES = 10, 12, 3
"""Launches between two events; frames and lanes of a whole way."""
COPY, TRANSFERS, GRID_SAMPLE = "device copy", "transfers alone", "PyTorch grid_sample"
PIXELS = ptx.Pixels("float32", 4)


def card_rows(compute: Cards, size: str, pictures: dict[str, np.ndarray], rounds: int,
              progress: Progress) -> Iterator[BenchRow]:
    """Every operation and the chain on every picture, then the chain's whole way."""
    card = compute.cards[0]
    lanes = [card.lane() for _ in range(LANES)]
    total, done = len(pictures) * (len(work.OPERATIONS) + 1), 0
    for name, picture in pictures.items():
        _fill(lanes, picture)
        for operation in work.OPERATIONS:
            progress(done, total, f"timing {size} on the GPU")
            done += 1
            yield from _operation_rows(lanes[0], operation, size, name, picture, rounds)
        progress(done, total, f"timing {size} on the GPU")
        done += 1
        yield _whole_way(lanes, size, name, picture, rounds)
    progress(total, total, f"timing {size} on the GPU")
    for lane in lanes:
        lane.close()


def _fill(lanes: list[Lane], picture: np.ndarray) -> None:
    for lane in lanes:
        lane.given.array(picture.nbytes)[:] = picture.reshape(-1).view(np.uint8)
        lane.taken.at_least(picture.nbytes)
        lane.target.at_least(picture.nbytes)
        call("cuMemcpyHtoD", lane.source.at_least(picture.nbytes), lane.given.address, picture.nbytes)


def _launcher(lane: Lane, operation: str, picture: np.ndarray) -> Callable[[], None]:
    program = compile_chain(work.OPERATIONS[operation])
    kernel, header = ptx.kernel_of(program, PIXELS, PIXELS)
    height, width = picture.shape[:2]
    return partial(launch, lane.card.function(kernel), kernel, header, lane.stream, lane.source.address,
                   lane.target.address, lane.tables(program), width, height)


def _operation_rows(lane: Lane, operation: str, size: str, name: str, picture: np.ndarray,
                    rounds: int) -> Iterator[BenchRow]:
    contenders: dict[str, Callable[[], Any]] = {
        "ours": _launcher(lane, operation, picture),
        COPY: lambda: call("cuMemcpyDtoDAsync", lane.target.address, lane.source.address, picture.nbytes, lane.stream)}
    table = work.OPERATIONS[operation][0] if len(work.OPERATIONS[operation]) == 1 else None
    if isinstance(table, Lut3D):
        peer = _grid_sample(lane, table, picture)
        if peer is not None:
            contenders[GRID_SAMPLE] = peer
    times = _on_stream(lane.stream, contenders, rounds)
    for peer_name in list(contenders)[1:]:
        yield _row(operation, size, name, times["ours"], peer_name, times[peer_name], times[COPY],
                   "trilinear" if peer_name == GRID_SAMPLE else "")


def _on_stream(stream: Any, contenders: dict[str, Callable[[], Any]], rounds: int) -> dict[str, Timed]:
    """Each contender :data:`EACH` times in a row, once a round, after one round that doesn't count; a contender only
    queues its work on ``stream``. Times of one, in milliseconds, by the card's own clock."""
    events = [call("cuEventCreate", 0) for _ in range(2)]
    times: dict[str, list[float]] = {name: [] for name in contenders}
    for k in range(rounds + 1):
        for name, contender in contenders.items():
            call("cuEventRecord", events[0], stream)
            for _ in range(EACH):
                contender()
            call("cuEventRecord", events[1], stream)
            call("cuEventSynchronize", events[1])
            if k:
                times[name].append(float(call("cuEventElapsedTime", *events)) / EACH)
    for event in events:
        call("cuEventDestroy", event)
    return {name: summary(values) for name, values in times.items()}


def _whole_way(lanes: list[Lane], size: str, name: str, picture: np.ndarray, rounds: int) -> BenchRow:
    """Frames from page-locked memory to the card and back, computed there or not; milliseconds a frame."""
    launchers = [_launcher(lane, "chain", picture) for lane in lanes]

    def frames(computed: bool) -> None:
        for k in range(FRAMES):
            lane = lanes[k % len(lanes)]
            call("cuMemcpyHtoDAsync", lane.source.address, lane.given.address, picture.nbytes, lane.stream)
            if computed:
                launchers[k % len(lanes)]()
            call("cuMemcpyDtoHAsync", lane.taken.address, lane.target.address, picture.nbytes, lane.stream)
        for lane in lanes:
            call("cuStreamSynchronize", lane.stream)

    times = {key: Timed(timed.median_ms / FRAMES, timed.spread) for key, timed in interleaved(
        {"ours": lambda: frames(True), TRANSFERS: lambda: frames(False)}, rounds).items()}
    return _row("chain, there and back", size, name, times["ours"], TRANSFERS, times[TRANSFERS], times[TRANSFERS], "")


def _row(operation: str, size: str, picture: str, ours: Timed, peer: str, theirs: Timed, copy: Timed,
         note: str) -> BenchRow:
    return BenchRow(operation, size, picture, 0, ours.median_ms, peer, theirs.median_ms,
                    theirs.median_ms / ours.median_ms, copy.median_ms, ours.spread, theirs.spread,
                    max(ours.spread, theirs.spread) <= UNRELIABLE, note)


def _grid_sample(lane: Lane, table: Lut3D, picture: np.ndarray) -> Callable[[], Any] | None:
    """What many use for a LUT on a GPU, where PyTorch is installed; colours were laid out for it before."""
    try:
        import torch
    except ImportError:
        return None
    if not torch.cuda.is_available():
        return None
    place = f"cuda:{lane.card.number}"
    lattice = torch.from_numpy(np.ascontiguousarray(table.table.transpose(3, 2, 1, 0)))[None].to(place)
    grid = torch.from_numpy(picture[None, None, ..., :3] * np.float32(2) - np.float32(1)).to(place)
    stream = torch.cuda.ExternalStream(int(lane.stream), device=place)
    torch.cuda.synchronize(place)

    def run() -> None:
        with torch.cuda.stream(stream):
            torch.nn.functional.grid_sample(lattice, grid, mode="bilinear", padding_mode="border", align_corners=True)
    return run
