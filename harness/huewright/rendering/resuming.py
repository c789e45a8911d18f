"""What is there already when a render is resumed: what would be rendered now, or not."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from huewright.errors import InputError
from huewright.frames.picture import read_header
from huewright.frames.take import number_list
from huewright.progress import Progress
from huewright.rendering.hands import Done, Hands
from huewright.rendering.job import Tally

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


def kept_frames(hands: Hands, outputs: dict[int, Path], progress: Progress,
                seen: Callable[[int, Done], None], known: dict[int, Done] | None = None) -> dict[int, Tally]:
    """The frames of ``outputs`` that are there, whole, and just what would be rendered now: what was seen of each, by
    number; ``seen`` is called with each of them.

    ``known`` are those of them that were told by their hashes (:mod:`huewright.rendering.remembered`); the others are
    compared. Those cut short are not kept. :class:`InputError` names all that are whole and differ; nothing is written.
    """
    kept: dict[int, Done] = dict(known or {})
    there = tuple(number for number, path in outputs.items() if path.exists() and number not in kept)
    unlike: set[int] = set()

    def note(number: int, done: Done) -> None:
        if done.state == "same":
            kept[number] = done
        elif done.state == "unlike":
            unlike.add(number)

    if there:
        hands.each("compare", there, note, progress)
    if unlike:
        first = outputs[min(unlike)]
        named = f"{first}" if len(unlike) == 1 else f"{first} (and of this take in all {number_list(sorted(unlike))})"
        raise InputError(_other_render(named, "was" if len(unlike) == 1 else "were"))
    for number in sorted(kept):
        seen(number, kept[number])
    return {number: done.tally for number, done in kept.items()}


def refuse_other_corrections(digest: str, outputs: dict[int, Path]) -> None:
    """Raises :class:`InputError` where a file that is there names another correction in its header, as EXR can."""
    for path in outputs.values():
        if path.suffix.lower() == ".exr" and path.exists():
            try:
                carried = read_header(path).correction
            except InputError:     # cut short: it will be rendered again
                continue
            if carried and carried != digest:
                raise InputError(_other_render(str(path), "was"))


def _other_render(what: str, verb: str) -> str:
    return (f"{what} {verb} rendered with another correction, or from other frames or settings, or harmed since; give "
            "--overwrite instead of --resume, or another folder")
