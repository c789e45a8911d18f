"""Frame sequences in the usual notations: ``shot.%04d.exr``, ``shot.####.dpx``, ``shot.@@@@.exr``, a folder, a file.

Frame numbers may follow: ``shot.####.exr:1001-1040`` (ends included), ``shot.####.exr:1001``, or several such,
``shot.####.exr:1001,1010-1012``. A name with ``*``, ``?`` or ``[...]`` takes whatever files it matches.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import sha256
from huewright.frames import photos
from huewright.frames.attributes import code_said, rate_said, who_said
from huewright.frames.colours_said import Said, said_in_attributes
from huewright.frames.dpx import DpxPicture, read_dpx
from huewright.frames.frame import Frame
from huewright.frames.picture import Header, frame_around, read_attributes, read_frame, read_header
from huewright.frames.take import Take
from huewright.frames.timecode import count_of, text_of

# What a folder is searched for; anything that OpenImageIO reads may be named by a pattern.
PICTURE_SUFFIXES = frozenset({".exr", ".dpx", ".tif", ".tiff", ".png", ".cin", ".jpg", ".jpeg", *photos.SUFFIXES})
MOVIE_SUFFIXES = frozenset({".mov", ".mp4", ".m4v", ".mkv", ".webm", ".mxf", ".avi", ".ts", ".mts", ".m2ts", ".mpg",
                            ".mpeg", ".vob", ".3gp", ".3g2", ".ogv", ".wmv", ".asf", ".flv", ".f4v", ".nut", ".y4m",
                            ".dv", ".gxf"})
_PLACE = re.compile(r"%(0?)(\d*)d|#+|@+")
_RANGE = re.compile(r":(-?\d+(?:-(?:-?\d+))?(?:,-?\d+(?:-(?:-?\d+))?)*)$")
MOST_FRAMES = 10_000_000       # of a range: five days of 24 frames a second
_PART = re.compile(r"(-?\d+)(?:-(-?\d+))?")
_WILD = re.compile(r"[*?]|\[[^\]]+\]")
# Following a take that is being written: how often to look, and how long a file must rest (seconds).
LOOK_EVERY_S = 0.25
SETTLED_S = 1.0
_LAST_NUMBER = re.compile(r"^(.*?)(\d+)(\D*)$", re.DOTALL)


@dataclass(frozen=True)
class Pattern:
    """Where frames lie: ``folder / (prefix + number + suffix)``; ``digits`` None is one fixed file name (prefix), or
    pictures picked one by one, ``picked``, which count from 1."""

    folder: Path
    prefix: str
    suffix: str = ""
    digits: int | None = None
    picked: tuple[Path, ...] = ()

    def path(self, number: int) -> Path:
        if self.picked:
            return self.picked[number - 1]
        if self.digits is None:
            return self.folder / self.prefix
        return self.folder / f"{self.prefix}{number:0{max(self.digits, 1)}d}{self.suffix}"

    def number_of(self, name: str) -> int | None:
        """The frame number in the file name, or None if ``name`` isn't one of this pattern's."""
        body = name[len(self.prefix):len(name) - len(self.suffix)]
        if self.digits is None or not re.fullmatch(r"-?\d+", body):
            return None
        return int(body) if self.path(int(body)).name == name else None

    def numbers(self) -> list[int]:
        """Of the frames that lie there now, ascending."""
        return _matching(self, (entry.name for entry in self.folder.iterdir())) if self.folder.is_dir() else []


@dataclass(frozen=True)
class FrameSequence(Take):
    """Frames in files of their own. ``text`` is what the person typed; ``numbers`` ascend; ``missing`` are the holes,
    which lie between the first and the last frame (of the range, if one was asked for)."""

    text: str
    pattern: Pattern
    numbers: tuple[int, ...]
    missing: tuple[int, ...] = ()

    def path(self, number: int) -> Path:
        return self.pattern.path(number)

    def file(self, number: int) -> Path:
        return self.path(number)

    def frame(self, number: int, payload: DpxPicture | None = None) -> Frame:
        path = self.path(number)
        return read_frame(path) if payload is None else frame_around(path, payload)

    def file_name(self, number: int) -> str:
        return self.path(number).name

    @property
    def picked(self) -> bool:
        return self.pattern.digits is None

    def header(self, number: int) -> Header:
        return read_header(self.path(number))

    def payload(self, number: int) -> DpxPicture | None:
        path = self.path(number)
        return read_dpx(path) if path.suffix.lower() == ".dpx" else None

    def called(self, number: int) -> str:
        return str(self.path(number))

    def identity(self, number: int) -> str:
        return sha256(self.path(number))

    @property
    def name(self) -> str:
        folder = self.path(self.numbers[0]).parent.name
        return f"{folder}/{self.file_pattern}" if folder else self.file_pattern

    @cached_property
    def kind(self) -> str:
        path = self.path(self.numbers[0])
        header = read_header(path)
        depth = f"{header.bits}-bit" if header.dtype.kind == "u" else "half float" if header.bits == 16 else "float"
        suffix = path.suffix.lower().lstrip(".")
        return f"{depth} {'TIFF' if suffix in ('tif', 'tiff') else suffix.upper()}"

    def whole_numbers(self) -> frozenset[int]:
        return frozenset(self.numbers if self.pattern.digits is None else self.pattern.numbers())

    @cached_property
    def _said(self) -> tuple[Fraction | None, str, bool]:
        """(rate, the first frame's time code or "", whether it drops numbers) as the first file says it."""
        return rate_said(self._attributes), *code_said(self._attributes)

    @cached_property
    def _attributes(self) -> dict[str, Any]:
        return read_attributes(self.path(self.numbers[0]))

    @property
    def who(self) -> dict[str, str]:
        return who_said(self._attributes)

    @property
    def colours_said(self) -> Said | None:
        return said_in_attributes(self._attributes)

    @property
    def rate(self) -> Fraction | None:
        return self._said[0]

    def timecode(self, number: int) -> str | None:
        rate, first, drop = self._said
        start = count_of(first, rate) if rate is not None and first else None
        if rate is None or start is None:
            return None
        return text_of(start + number - self.numbers[0], rate, drop=drop)

    def again(self) -> FrameSequence:
        return parse_sequence(self.text)

    def settle(self, number: int, until: float) -> None:
        """A writer may claim its room first and fill it later, so that a file that can be read isn't whole yet."""
        path = self.path(number)
        while time.monotonic() < until:
            before = path.stat()
            if abs(time.time() - before.st_mtime) > SETTLED_S:
                return
            time.sleep(LOOK_EVERY_S)
            after = path.stat()
            if (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns):
                return

    @property
    def file_pattern(self) -> str:
        """The files' own naming without folder or range, such as ``shot.####.dpx``: good for naming outputs."""
        if self.pattern.picked:
            return f"picked.####{self.pattern.picked[0].suffix}"
        if self.pattern.digits is None:
            return self.pattern.prefix
        return f"{self.pattern.prefix}{'#' * max(self.pattern.digits, 1)}{self.pattern.suffix}"

    def only(self, numbers: Iterable[int]) -> FrameSequence:
        """The same take cut to ``numbers``, which were chosen, so that what lies between is no hole.

        Raises ``ValueError`` for a number that isn't in it.
        """
        chosen = tuple(sorted(set(numbers)))
        strange = [number for number in chosen if number not in self.numbers]
        if strange:
            raise ValueError(f"frame {strange[0]} isn't one of {self.text}")
        return replace(self, numbers=chosen, missing=())


def parse_sequence(text: str | Path) -> FrameSequence:
    """The frames that ``text`` names and that exist; :class:`InputError` if there are none or it is ambiguous."""
    text = str(text)
    bare, ranges = _split_range(text)
    path = Path(bare)
    if path.is_dir():
        pattern, found = _folder(path)
    elif path.is_file():
        pattern, found = _single(path, ranged=bool(ranges))
    elif _WILD.search(path.name):
        return _matched(text, path, ranged=bool(ranges))
    elif not _PLACE.search(path.name):
        pattern, found = _single(path, ranged=bool(ranges))
    else:
        pattern = _pattern(path)
        if not pattern.folder.is_dir():
            raise InputError(f"{text}: there is no folder {pattern.folder}; check the path")
        found = _matching(pattern, (entry.name for entry in pattern.folder.iterdir()))
    if not found:
        raise InputError(f"{text}: no file matches; check the path and the number of digits")
    return _within(text, pattern, found, ranges)


def _matched(text: str, path: Path, *, ranged: bool) -> FrameSequence:
    """The pictures that a name with wildcards matches. They were picked, so that none is missing; they keep their
    numbers if their names differ in nothing else."""
    if ranged:
        raise InputError(f"{text}: a range needs a name with a place for the frame number, such as shot.####.exr:1-24")
    paths = tuple(sorted(entry for entry in path.parent.glob(path.name)
                         if entry.is_file() and not entry.name.startswith(".")
                         and entry.suffix.lower() in PICTURE_SUFFIXES))
    if not paths:
        raise InputError(f"{text}: no picture file matches; check the path")
    match = _LAST_NUMBER.match(paths[0].stem)
    if match is not None:
        pattern = Pattern(path.parent, match[1], match[3] + paths[0].suffix, len(match[2]))
        numbers = [pattern.number_of(entry.name) if entry.name.startswith(pattern.prefix)
                   and entry.name.endswith(pattern.suffix) else None for entry in paths]
        known = [number for number in numbers if number is not None]
        if len(known) == len(paths):
            return FrameSequence(text, pattern, tuple(sorted(known)))
    return FrameSequence(text, Pattern(path.parent, path.name, picked=paths), tuple(range(1, len(paths) + 1)))


def frame_numbers(text: str) -> tuple[int, ...]:
    """The numbers in ``3,7-9``, ascending; :class:`InputError` where it says something else."""
    if not re.fullmatch(_PART.pattern + r"(?:," + _PART.pattern + ")*", text):
        raise InputError(f"{text!r} are no frame numbers; write them as 3,7-9")
    numbers: set[int] = set()
    for first, last in _ranges(text):
        numbers.update(range(first, last + 1))
    return tuple(sorted(numbers))


def output_paths(text: str | Path, take: Take) -> dict[int, Path]:
    """Where each frame of ``take`` goes when the person typed ``text`` for the output; nothing need exist.

    A folder (ends in ``/``, exists, or has no suffix) takes the frames under their own names; one file name
    serves a single frame only. :class:`InputError` if the text can't hold the frames, or an output is an input.
    """
    text = str(text)
    path = Path(text)
    if text.endswith(("/", "\\")) or path.is_dir() or not path.suffix:
        if _PLACE.search(path.name) and not path.is_dir():
            raise InputError(f"{text}: say which format to write by a suffix, such as {path.name}.exr")
        paths = {number: path / take.file_name(number) for number in take.numbers}
    elif _PLACE.search(path.name):
        pattern = _pattern(path)
        paths = {number: pattern.path(number) for number in take.numbers}
    elif len(take) == 1:
        paths = {take.numbers[0]: path}
    else:
        raise InputError(f"{text}: {len(take)} frames need a place for the frame number, "
                         f"such as {path.stem}.####{path.suffix}")
    for number, out in paths.items():
        if out.resolve() == take.file(number).resolve():
            raise InputError(f"{out} is the take itself; camera files are never written over, choose another place")
    return paths


def pattern_of(paths: dict[int, Path]) -> Pattern | None:
    """The pattern of files by frame number, or None where one file has no place for a number in its name."""
    number, path = next(iter(paths.items()))
    for match in reversed(list(re.finditer(r"\d+", path.name))):
        pattern = Pattern(path.parent, path.name[:match.start()], path.name[match.end():], len(match[0]))
        if int(match[0]) == number and all(pattern.path(n) == other for n, other in paths.items()):
            return pattern
    return None


def _split_range(text: str) -> tuple[str, list[tuple[int, int]]]:
    match = _RANGE.search(text)
    if match is None or Path(text).exists():
        return text, []
    return text[:match.start()], _ranges(match[1])


def _ranges(text: str) -> list[tuple[int, int]]:
    found = []
    for part in _PART.finditer(text):
        first = int(part[1])
        last = first if part[2] is None else int(part[2])
        if last < first:
            raise InputError(f"{text}: the range runs backwards; write the lower frame number first")
        if last - first >= MOST_FRAMES:
            raise InputError(f"{text}: these are more frames than a take has; write a smaller range")
        found.append((first, last))
    return found


def _pattern(path: Path) -> Pattern:
    places = list(_PLACE.finditer(path.name))
    if len(places) != 1:
        raise InputError(f"{path}: {len(places)} places for a frame number in one name; leave one")
    place = places[0]
    if place[0].startswith("%"):
        digits = int(place[2] or 1) if place[1] else 1
        if place[2] and not place[1] and int(place[2]) > 1:
            raise InputError(f"{path}: {place[0]} pads with spaces; write %0{place[2]}d")
    else:
        digits = len(place[0])
    return Pattern(path.parent, path.name[:place.start()], path.name[place.end():], digits)


def _matching(pattern: Pattern, names: Iterable[str]) -> list[int]:
    found = []
    for name in names:
        if name.startswith(pattern.prefix) and name.endswith(pattern.suffix):
            number = pattern.number_of(name)
            if number is not None:
                found.append(number)
    return sorted(found)


def _single(path: Path, *, ranged: bool) -> tuple[Pattern, list[int]]:
    if ranged:
        raise InputError(f"{path}: a range needs a name with a place for the frame number, such as shot.####.exr:1-24")
    if not path.exists():
        raise InputError(f"{path}: there is no such file or folder; check the path")
    match = _LAST_NUMBER.match(path.stem)
    return Pattern(path.parent, path.name), [int(match[2]) if match else 1]


def _folder(folder: Path) -> tuple[Pattern, list[int]]:
    names = sorted(entry.name for entry in folder.iterdir()
                   if entry.is_file() and not entry.name.startswith(".") and entry.suffix.lower() in PICTURE_SUFFIXES)
    if not names:
        raise InputError(f"{folder}: no picture files in this folder; give the folder that holds the frames")
    suffixes = sorted({Path(name).suffix for name in names})
    if len(suffixes) > 1:
        raise InputError(f"{folder}: files of different kinds ({', '.join(suffixes)}) lie in this folder; "
                         f"name the frames, such as {folder / 'shot.####'}{suffixes[0]}")
    groups: dict[tuple[str, str], list[str]] = {}
    for name in names:
        match = _LAST_NUMBER.match(Path(name).stem)
        if match is None:
            if len(names) == 1:
                return Pattern(folder, name), [1]
            raise InputError(f"{folder}: {name} has no frame number in its name; name the frames, "
                             f"such as {folder / 'shot.####'}{suffixes[0]}")
        groups.setdefault((match[1], match[3] + suffixes[0]), []).append(match[2])
    if len(groups) > 1:
        (a, a_end), (b, b_end) = list(groups)[:2]
        raise InputError(f"{folder}: more than one take lies in this folder; name the one meant, "
                         f"such as {folder}/{a}#{a_end} or {folder}/{b}#{b_end} with a # for each digit")
    (prefix, suffix), digits = next(iter(groups.items()))
    width = min(len(text) for text in digits)
    if any(len(text) > width and text.startswith("0") for text in digits):
        raise InputError(f"{folder}: frame numbers here have different numbers of digits; make them alike")
    pattern = Pattern(folder, prefix, suffix, width)
    return pattern, sorted(int(text) for text in digits)


def _within(text: str, pattern: Pattern, found: list[int], ranges: list[tuple[int, int]]) -> FrameSequence:
    numbers = found
    if ranges:
        numbers = [number for number in found if any(first <= number <= last for first, last in ranges)]
        if not numbers:
            raise InputError(f"{text}: none of these frames exists; the take has {found[0]} to {found[-1]}")
    present = set(numbers)
    # A take numbered by time of day can span millions: holes are named only up to a bound on the work.
    missing = {number for first, last in ranges or [(found[0], found[-1])]
               for number in range(first, min(last + 1, first + MOST_FRAMES)) if number not in present}
    return FrameSequence(text, pattern, tuple(numbers), tuple(sorted(missing)))
