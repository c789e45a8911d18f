"""A take's frames one after another, read ahead; also of a take that is still being written."""

from __future__ import annotations

import time
from collections.abc import Generator
from concurrent.futures import Future

import numpy as np

from huewright.errors import InputError
from huewright.frames.sequence import LOOK_EVERY_S
from huewright.frames.take import Take
from huewright.workers import Workers

READ_AHEAD = 3
QUIET_S = 5.0       # following a take that is being written: how long without a new frame ends it

Picture = tuple[np.ndarray, float, bool]
"""Code values (h, w, 3) float32, a pixel's width over its height, and whether the file holds integers."""


def pictures(take: Take, *, follow: bool, quiet_s: float) -> Generator[tuple[int, int, Picture]]:
    """(number, frames so far, picture) in order, read ahead on two threads."""
    with Workers(2) as pool:
        seen: set[int] = set()
        while True:
            numbers = [number for number in take.numbers if number not in seen]
            waiting: list[tuple[int, Future[Picture]]] = []
            for number in numbers:
                waiting.append((number, pool.submit(_read, take, number, follow, quiet_s)))
                if len(waiting) >= READ_AHEAD:
                    first, future = waiting.pop(0)
                    yield first, len(take.numbers), future.result()
            for first, future in waiting:
                yield first, len(take.numbers), future.result()
            seen.update(numbers)
            if not follow:
                return
            grown = _grown(take, seen, quiet_s)
            if grown is None:
                return
            take = grown


def _read(take: Take, number: int, follow: bool, patience_s: float) -> Picture:
    """(code values, pixel aspect, whether they are integers); a frame that is still being written is waited for."""
    until = time.monotonic() + patience_s
    if follow:
        take.settle(number, until)
    while True:
        try:
            frame = take.frame(number)
            return frame.rgb_float(), frame.pixel_aspect, frame.integers
        except InputError:
            if not follow or time.monotonic() > until:
                raise
            time.sleep(LOOK_EVERY_S)


def _grown(take: Take, seen: set[int], quiet_s: float) -> Take | None:
    """The take once it has new frames, or None when ``quiet_s`` seconds have brought none."""
    until = time.monotonic() + quiet_s
    while time.monotonic() < until:
        again = take.again()
        if any(number not in seen for number in again.numbers):
            return again
        time.sleep(LOOK_EVERY_S)
    return None
