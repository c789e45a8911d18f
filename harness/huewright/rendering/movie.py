"""A take rendered into a movie: frames computed side by side, coded in order, a few of them in memory at a time."""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future
from fractions import Fraction
from pathlib import Path

import numpy as np

from huewright.errors import InputError
from huewright.files import refuse_existing
from huewright.frames.conversion import kernel_source
from huewright.frames.encoding import Written, movie_writer, planes_for, stamp_of, written_as
from huewright.frames.take import Take
from huewright.models.cautions import ReviewMovie
from huewright.progress import Progress
from huewright.rendering.frame import computed, note_losses
from huewright.rendering.job import Job, Tally
from huewright.workers import Workers

Planes = tuple[np.ndarray, np.ndarray, np.ndarray]


def checked_movie(take: Take, out: Path, codec: str | None, bits: int | None, range_: str | None, display: str,
                  rate: str | None, *, overwrite: bool, resume: bool) -> tuple[Written, Fraction, tuple[int, int]]:
    """(how it is written, frames a second, (width, height)), or :class:`InputError`; nothing is written."""
    take.require_complete()
    if resume and out.exists():
        raise InputError(f"{out} is there: a movie is written whole or not at all, so there is nothing to resume; give "
                         "--overwrite to write it anew, or choose another name")
    refuse_existing(out, overwrite=overwrite)
    if out.resolve() == take.file(take.numbers[0]).resolve():
        raise InputError(f"{out} is the take itself; camera files are never written over, choose another place")
    header = take.header(take.numbers[0])
    size = (header.width, header.height)
    for number in take.numbers[1:]:
        found = take.header(number)
        if (found.width, found.height) != size:
            raise InputError(f"{take.called(number)} is {found.width}x{found.height} pixels, but the take begins with "
                             f"{size[0]}x{size[1]}; render takes of one size, or a range")
    try:
        said = take.rate if rate is None else Fraction(rate)
    except (ValueError, ZeroDivisionError):
        raise InputError(f"--rate is frames a second, as 25 or 24000/1001, not {rate!r}") from None
    if said is None or not 1 <= said <= 1000:
        raise InputError(f"{take.text}: nothing says how many frames a second a movie of it has; say it with --rate")
    return written_as(out, codec, bits, range_, display, size), said, size


def render_movie(job: Job, take: Take, out: Path, made: Written, rate: Fraction, size: tuple[int, int], workers: int,
                 progress: Progress, *, overwrite: bool) -> Tally:
    """Renders ``take`` into the movie ``out``; what was seen on the way."""
    numbers, tally = take.numbers, Tally()
    progress(0, len(numbers), "rendering")
    aspect = take.frame(numbers[0]).pixel_aspect
    with movie_writer(out, take, made, rate, size, aspect, overwrite=overwrite) as writer:
        with Workers(workers) as pool:
            waiting: deque[tuple[int, Future[tuple[Tally, Planes]]]] = deque()
            left = iter(numbers)
            for done in range(len(numbers)):
                while len(waiting) < workers + 1 and (number := next(left, None)) is not None:
                    waiting.append((number, pool.submit(_planes, job, take, number, out, made)))
                number, future = waiting.popleft()
                seen, planes = future.result()
                tally.add(seen)
                writer.add(planes, stamp_of(take, number, rate))
                progress(done + 1, len(numbers), "rendering")
    tally.notes[ReviewMovie(made.codec, made.bits, made.pixel_format[3:6])] = None
    return tally


def _planes(job: Job, take: Take, number: int, out: Path, made: Written) -> tuple[Tally, Planes]:
    payload = take.payload(number)
    frame = take.frame(number, payload)
    view = payload.kernel_view() if payload is not None else kernel_source(frame)
    channels = 4 if frame.premultiplied else 3
    pixels = np.empty((frame.height, frame.width, channels), np.float32)
    if channels == 4:
        pixels[..., 3] = frame.pixels[..., 3]
    tally = computed(job, view, pixels, number, frame.premultiplied)
    note_losses(tally, frame, out)
    return tally, planes_for(np.ascontiguousarray(pixels[..., :3]), made)


__all__ = ["checked_movie", "render_movie"]
