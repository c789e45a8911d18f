"""What is there already when a render is resumed: whole or not, and what would be rendered now or not."""

from __future__ import annotations

import filecmp
import tempfile
from pathlib import Path

import numpy as np

from huewright.errors import InputError
from huewright.files import workspace
from huewright.frames.picture import read_frame, read_header
from huewright.frames.take import Take, number_list
from huewright.progress import Progress
from huewright.rendering.frame import render_frame
from huewright.rendering.job import Job, Tally, for_all

FIRST_COMPARED = 8


def in_two_goes(outputs: dict[int, Path]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Of the frames that are there a few, spread over all, and the others.

    The few are compared before anything is rendered: they tell a folder of another correction. Were all of them, a
    render that is stopped again and again would get no further than that, the longer the more is there.
    """
    there = tuple(number for number, path in outputs.items() if path.exists())
    if len(there) <= FIRST_COMPARED:
        return there, ()
    few = {there[round(k * (len(there) - 1) / (FIRST_COMPARED - 1))] for k in range(FIRST_COMPARED)}
    return tuple(sorted(few)), tuple(number for number in there if number not in few)


def kept_frames(job: Job, take: Take, outputs: dict[int, Path], size: tuple[int, int], workers: int,
                progress: Progress) -> dict[int, Tally]:
    """The frames of ``outputs`` that are there, whole, and just what would be rendered now: what was seen of each, by
    number.

    Each is rendered again from its own source and compared, for nothing else tells a frame of another correction, of a
    source replaced since, or with half its picture lost from the right one. Those cut short are not kept.
    :class:`InputError` names all that are whole and differ; nothing is written.
    """
    there = tuple(number for number, path in outputs.items() if path.exists())
    kept: dict[int, Tally] = {}
    unlike: set[int] = set()

    def check(number: int) -> Tally:
        path = outputs[number]
        if not is_whole(path, size):
            return Tally()
        with tempfile.TemporaryDirectory(dir=workspace()) as folder:
            again = Path(folder) / f"again{path.suffix}"
            tally = render_frame(job, take, again, number, overwrite=False)
            if not _same(path, again):
                unlike.add(number)
                return Tally()
        kept[number] = tally
        return Tally()

    if there:
        for_all(check, there, workers, progress, "checking")
    if unlike:
        first = outputs[min(unlike)]
        named = f"{first}" if len(unlike) == 1 else f"{first} (and of this take in all {number_list(sorted(unlike))})"
        raise InputError(_other_render(named, "was" if len(unlike) == 1 else "were"))
    return kept


def refuse_other_corrections(job: Job, outputs: dict[int, Path]) -> None:
    """Raises :class:`InputError` where a file that is there names another correction in its header, as EXR can."""
    for path in outputs.values():
        if path.suffix.lower() == ".exr" and path.exists():
            try:
                carried = read_header(path).correction
            except InputError:     # cut short: it will be rendered again
                continue
            if carried and carried != job.digest:
                raise InputError(_other_render(str(path), "was"))


def _same(one: Path, other: Path) -> bool:
    if filecmp.cmp(one, other, shallow=False):
        return True
    there, now = read_frame(one), read_frame(other)     # a library's other version may pack the same picture otherwise
    return (there.pixels.dtype == now.pixels.dtype and there.bits == now.bits
            and np.array_equal(there.pixels, now.pixels, equal_nan=now.pixels.dtype.kind == "f"))


def _other_render(what: str, verb: str) -> str:
    return (f"{what} {verb} rendered with another correction, or from other frames or settings, or harmed since; give "
            "--overwrite instead of --resume, or another folder")


def is_whole(path: Path, size: tuple[int, int]) -> bool:
    """Whether the file is there, of this size, and can be read to its end."""
    if not path.exists():
        return False
    try:
        frame = read_frame(path)
    except InputError:
        return False
    return (frame.width, frame.height) == size
