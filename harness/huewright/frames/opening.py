"""A take from what a person typed: frames by number, a folder, a file, or a movie; with a range or without."""

from __future__ import annotations

from pathlib import Path

from huewright.frames.sequence import PICTURE_SUFFIXES, parse_sequence
from huewright.frames.take import Take

_PLAIN = tuple(PICTURE_SUFFIXES)


def open_take(text: Path | str) -> Take:
    """The take that ``text`` names: notations of :mod:`huewright.frames.sequence`, or a movie as in
    :mod:`huewright.frames.movie`.

    Raises :class:`~huewright.errors.InputError` in one sentence where nothing is there or it can't be read.
    """
    text = str(text)
    if not text.lower().partition(":")[0].endswith(_PLAIN) and not Path(text).is_dir():
        from huewright.frames.movie import open_movie, split_name  # brings FFmpeg's libraries in

        named = split_name(text)
        if named is not None:
            path, overrides, range_text = named
            return open_movie(path, overrides, range_text, text)
    return parse_sequence(text)


__all__ = ["open_take"]
