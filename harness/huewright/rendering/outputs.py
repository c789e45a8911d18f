"""Where a render's frames go, checked before any is computed."""

from __future__ import annotations

from pathlib import Path

from huewright.errors import InputError
from huewright.files import refuse_existing
from huewright.frames.conversion import output_depth
from huewright.frames.picture import depths_of
from huewright.frames.sequence import output_paths, pattern_of
from huewright.frames.take import Take, number_list


def checked_outputs(take: Take, out_text: str | Path, bits: int | None, *,
                    overwrite: bool, alone: bool = False) -> tuple[dict[int, Path], tuple[int, int], int]:
    """(outputs, (width, height), the outputs' depth), or :class:`InputError`; nothing is written."""
    take.require_complete()
    outputs = output_paths(out_text, take)
    for path in outputs.values():
        depths_of(path)
        refuse_existing(path, overwrite=overwrite)
    _refuse_stale(take, outputs, alone)
    first, *others = outputs
    header = take.header(first)
    depth = output_depth(header, take.file(first), outputs[first], bits)
    for number in others:
        found = take.header(number)
        if (found.width, found.height) != (header.width, header.height):
            raise InputError(f"{take.called(number)} is {found.width}x{found.height} pixels, but the take begins "
                             f"with {header.width}x{header.height}; render takes of one size, or a range")
    return outputs, (header.width, header.height), depth


def _refuse_stale(take: Take, outputs: dict[int, Path], alone: bool) -> None:
    """Raises :class:`InputError` where frames under the outputs' names lie beside them that are none of the take's:
    they are of an earlier, longer render, and whoever opens the folder takes them for this one's. (``alone``: all that
    are not rendered now.)"""
    pattern = pattern_of(outputs)
    if pattern is None or take.picked:
        return
    strange = sorted(set(pattern.numbers()) - set(outputs) - (set() if alone else take.whole_numbers()))
    if strange:
        word = "frame" if len(strange) == 1 else "frames"
        raise InputError(f"{pattern.folder} also holds {word} {number_list(strange)} of the same name, which "
                         "are not rendered now: an earlier render's; remove them, or choose another folder")
