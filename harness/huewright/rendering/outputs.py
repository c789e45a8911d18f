"""Where a render's frames go, checked before any is computed."""

from __future__ import annotations

from pathlib import Path

from huewright.errors import InputError
from huewright.files import refuse_existing
from huewright.frames.conversion import output_depth
from huewright.frames.picture import depths_of, read_header
from huewright.frames.sequence import FrameSequence, number_list, output_paths, pattern_of


def checked_outputs(sequence: FrameSequence, out_text: str | Path, bits: int | None, *,
                    overwrite: bool, alone: bool = False) -> tuple[dict[int, Path], tuple[int, int], int]:
    """(outputs, (width, height), the outputs' depth), or :class:`InputError`; nothing is written."""
    sequence.require_complete()
    outputs = output_paths(out_text, sequence)
    for path in outputs.values():
        depths_of(path)
        refuse_existing(path, overwrite=overwrite)
    _refuse_stale(sequence, outputs, alone)
    first, *others = outputs
    header = read_header(sequence.path(first))
    depth = output_depth(header, sequence.path(first), outputs[first], bits)
    for number in others:
        found = read_header(sequence.path(number))
        if (found.width, found.height) != (header.width, header.height):
            raise InputError(f"{sequence.path(number)} is {found.width}x{found.height} pixels, but the take begins "
                             f"with {header.width}x{header.height}; render takes of one size, or a range")
    return outputs, (header.width, header.height), depth


def _refuse_stale(sequence: FrameSequence, outputs: dict[int, Path], alone: bool) -> None:
    """Raises :class:`InputError` where frames under the outputs' names lie beside them that are none of the take's:
    they are of an earlier, longer render, and whoever opens the folder takes them for this one's. (``alone``: all that
    are not rendered now.)"""
    pattern = pattern_of(outputs)
    if pattern is None or sequence.pattern.digits is None:
        return
    strange = sorted(set(pattern.numbers()) - set(outputs) - (set() if alone else set(sequence.pattern.numbers())))
    if strange:
        word = "frame" if len(strange) == 1 else "frames"
        raise InputError(f"{pattern.folder} also holds {word} {number_list(strange)} of the same name, which "
                         "are not rendered now: an earlier render's; remove them, or choose another folder")
