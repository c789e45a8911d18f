"""Who writes a set of files just now: of two that would at once, the second is refused before it begins.

A claim is a lock (POSIX record locks, which the system lets go with the process) on bytes of an empty hidden file
beside the outputs, a byte a frame, so that parts of a shot can be rendered into one folder at a time. The file goes
with the last claim on it; one that a killed process left is taken by the next. Where there are no such locks (no POSIX,
or a file system without them) nobody is found to write; files are still only named when they are whole.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from huewright.errors import InputError

try:
    import fcntl
except ImportError:
    fcntl = None  # type: ignore[assignment]

SUFFIX = ".claim"


@contextmanager
def claimed(outputs: Mapping[int, Path]) -> Iterator[None]:
    """The frames ``outputs`` (their files by number) are ours while the block runs.

    Raises :class:`InputError` where another process has claimed one of them. A claim of the same process is not seen.
    """
    first = next(iter(outputs.values()))
    alike = re.sub(r"\d+(?=\D*$)", "#", first.name)
    with _claim(first.parent / f".{alike[:200]}{SUFFIX}", first, _ranges(outputs)):
        yield


@contextmanager
def claimed_whole(place: Path | str, *, folder: bool) -> Iterator[None]:
    """:func:`claimed` of one file, or of a ``folder`` with all that lies in it; it need not be there yet."""
    place = Path(place)
    file = place / f".huewright{SUFFIX}" if folder else place.with_name(f".{place.name[:200]}{SUFFIX}")
    with _claim(file, place, [(0, 0)]):
        yield


def is_claim(path: Path) -> bool:
    return path.name.startswith(".") and path.name.endswith(SUFFIX)


@contextmanager
def _claim(file: Path, called: Path, ranges: list[tuple[int, int]]) -> Iterator[None]:
    made = not file.parent.exists()
    handle = _taken(file, called, ranges)
    try:
        yield
    finally:
        if handle is not None:
            _let_go(file, handle)
        if made:
            with suppress(OSError):      # where nothing came of it
                file.parent.rmdir()


def _taken(file: Path, called: Path, ranges: list[tuple[int, int]]) -> int | None:
    """The open file, locked; None where nothing can be locked."""
    if fcntl is None:
        return None
    while True:
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
        except OSError:      # whoever can't write here is told so by what writes
            return None
        try:
            for begin, length in ranges:
                fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, length, begin)
        except (BlockingIOError, PermissionError):      # what POSIX lets a system answer where another has it
            os.close(handle)
            raise InputError(f"{called} is being written by another huewright just now; wait until that is done, end "
                             "it, or choose another place") from None
        except OSError:
            os.close(handle)
            return None
        with suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(handle), os.stat(file)):
                return handle
        os.close(handle)     # its last owner removed it in the moment before it was locked


def _let_go(file: Path, handle: int) -> None:
    with suppress(OSError):
        fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)     # fails where another has a part of it: it stays then
        file.unlink()
    os.close(handle)


def _ranges(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """(first byte, how many) of runs of ``numbers``; those below 0 share the byte 0."""
    runs: list[tuple[int, int]] = []
    for number in sorted({max(number, 0) for number in numbers}):
        if runs and number == sum(runs[-1]):
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((number, 1))
    return runs


__all__ = ["claimed", "claimed_whole", "is_claim"]
