"""Clips in a folder: movies, and pictures of one name whose numbers differ, also in folders of it."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

from huewright.errors import InputError
from huewright.frames.sequence import MOVIE_SUFFIXES, PICTURE_SUFFIXES

_NUMBER = re.compile(r"^(.*?)(\d+)(\D*)$", re.DOTALL)


def clips_in(folder: Path, leave_out: frozenset[str] = frozenset()) -> tuple[str, ...]:
    """What :func:`huewright.frames.opening.open_take` takes for each clip, in the order of their names. Hidden files
    are passed over, and so are folders that hold a file of a name in ``leave_out``, with all that is in them.

    Raises :class:`InputError` where there is no such folder."""
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder; give the folder that the clips lie in")
    return tuple(clip for place, names in _walk(folder, leave_out) for clip in _clips_of(place, names))


def files_in(folder: Path, suffixes: tuple[str, ...], leave_out: frozenset[str] = frozenset()) -> tuple[Path, ...]:
    """The files of these ``suffixes``, in small letters, where :func:`clips_in` looks."""
    return tuple(place / name for place, names in _walk(folder, leave_out) for name in names
                 if Path(name).suffix.lower() in suffixes)


def _walk(folder: Path, leave_out: frozenset[str]) -> Iterator[tuple[Path, list[str]]]:
    """Each folder with the names of its files, in order."""
    for place, folders, names in os.walk(folder):
        if leave_out & set(names):
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        yield Path(place), sorted(name for name in names if not name.startswith("."))


def _clips_of(place: Path, names: list[str]) -> list[str]:
    found: dict[tuple[str, str], list[str]] = {}
    movies = {Path(name).stem for name in names if Path(name).suffix.lower() in MOVIE_SUFFIXES}
    for name in names:
        path = Path(name)
        suffix = path.suffix.lower()
        if suffix in MOVIE_SUFFIXES:
            found[name, ""] = []
        elif suffix in PICTURE_SUFFIXES and path.stem not in movies:      # else it is a picture of that movie
            match = _NUMBER.match(path.stem)
            if match is None:
                found[name, ""] = []
            else:
                found.setdefault((match[1], match[3] + path.suffix), []).append(match[2])
    clips = []
    for (prefix, suffix), numbers in found.items():
        if not numbers:
            clips.append(str(place / prefix))
        else:
            clips.append(str(place / f"{prefix}{'#' * min(map(len, numbers))}{suffix}"))
    return clips


__all__ = ["clips_in", "files_in"]
