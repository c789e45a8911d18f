"""A take's frames one after another, read ahead; also of a take that is still being written."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np

from huewright.errors import InputError
from huewright.frames.picture import read_frame
from huewright.frames.sequence import FrameSequence, parse_sequence

READ_AHEAD = 3
# Following a take that is being written: how often to look, and how long without a new frame ends it (seconds).
LOOK_EVERY_S = 0.25
QUIET_S = 5.0
SETTLED_S = 1.0

Picture = tuple[np.ndarray, float, bool]
"""Code values (h, w, 3) float32, a pixel's width over its height, and whether the file holds integers."""


def pictures(sequence: FrameSequence, *, follow: bool, quiet_s: float) -> Iterator[tuple[int, int, Picture]]:
    """(number, frames so far, picture) in order, read ahead on two threads."""
    with ThreadPoolExecutor(2) as pool:
        seen: set[int] = set()
        while True:
            numbers = [number for number in sequence.numbers if number not in seen]
            waiting: list[tuple[int, Future[Picture]]] = []
            for number in numbers:
                waiting.append((number, pool.submit(_read, sequence.path(number), follow, quiet_s)))
                if len(waiting) >= READ_AHEAD:
                    first, future = waiting.pop(0)
                    yield first, len(sequence.numbers), future.result()
            for first, future in waiting:
                yield first, len(sequence.numbers), future.result()
            seen.update(numbers)
            if not follow:
                return
            grown = _grown(sequence, seen, quiet_s)
            if grown is None:
                return
            sequence = grown


def _read(path: Path, follow: bool, patience_s: float) -> Picture:
    """(code values, pixel aspect, whether they are integers); a frame that is still being written is waited for."""
    until = time.monotonic() + patience_s
    if follow:
        _settle(path, until)
    while True:
        try:
            frame = read_frame(path)
            return frame.rgb_float(), frame.pixel_aspect, frame.pixels.dtype.kind == "u"
        except InputError:
            if not follow or time.monotonic() > until:
                raise
            time.sleep(LOOK_EVERY_S)


def _settle(path: Path, until: float) -> None:
    """Waits until a file that was just written to doesn't change any more: a writer may claim its room first and fill
    it later, so that a file that can be read isn't whole yet."""
    while time.monotonic() < until:
        before = path.stat()
        if abs(time.time() - before.st_mtime) > SETTLED_S:
            return
        time.sleep(LOOK_EVERY_S)
        after = path.stat()
        if (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns):
            return


def _grown(sequence: FrameSequence, seen: set[int], quiet_s: float) -> FrameSequence | None:
    """The take once it has new frames, or None when ``quiet_s`` seconds have brought none."""
    until = time.monotonic() + quiet_s
    while time.monotonic() < until:
        again = parse_sequence(sequence.text)
        if any(number not in seen for number in again.numbers):
            return again
        time.sleep(LOOK_EVERY_S)
    return None
