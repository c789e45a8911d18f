"""A movie under the numbers of what it was made from: its own count from 0, whatever range was rendered into it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from huewright.errors import InputError
from huewright.frames.colours_said import Said
from huewright.frames.dpx import DpxPicture
from huewright.frames.frame import Frame
from huewright.frames.picture import Header
from huewright.frames.tags import Tags
from huewright.frames.take import Take
from huewright.frames.timecode import count_of


def numbered_as(made: Take, source: Take) -> Take:
    """``made`` with the numbers of ``source``, which it was rendered from, where it is a movie and counts from 0.

    By time code where both say it; else the movie holds as many frames as ``source``, one after another, and begins
    where that does. Where neither tells, numbers are what they are. Raises :class:`InputError` where the movie is as
    long as the range but begins at another time.
    """
    if not made.counted:
        return made
    first = source.numbers[0]
    alike = len(made) == len(source) == source.numbers[-1] - first + 1 == made.numbers[-1] + 1
    by = _apart(made, source)
    if by is not None and alike and by != first:
        raise InputError(f"{made.text} begins at {made.timecode(0)}, and {source.text} at {source.timecode(first)}: it "
                         "is not the render of that range; give the range that was rendered")
    if by is None:
        by = first if alike else 0
    return made if by == 0 else Renumbered(made.text, tuple(number + by for number in made.numbers),
                                           tuple(number + by for number in made.missing), made, by)


def _apart(made: Take, source: Take) -> int | None:
    """The number in ``source`` of the first frame of ``made``, by time code."""
    number = source.numbers[0]
    a, b, rate = made.timecode(0), source.timecode(number), source.rate
    if a is None or b is None or rate is None or rate != made.rate or not (made.even and source.even):
        return None
    at, there = count_of(a, rate), count_of(b, rate)
    return None if at is None or there is None else at - there + number


@dataclass(frozen=True, eq=False)
class Renumbered(Take):
    """``take``, each of whose numbers is less by ``by``."""

    text: str
    numbers: tuple[int, ...]
    missing: tuple[int, ...]
    take: Take
    by: int

    def frame(self, number: int, payload: DpxPicture | None = None) -> Frame:
        return self.take.frame(number - self.by, payload)

    def header(self, number: int) -> Header:
        return self.take.header(number - self.by)

    def payload(self, number: int) -> DpxPicture | None:
        return self.take.payload(number - self.by)

    def called(self, number: int) -> str:
        return self.take.called(number - self.by)

    def identity(self, number: int) -> str:
        return self.take.identity(number - self.by)

    @property
    def name(self) -> str:
        return self.take.name

    @property
    def kind(self) -> str:
        return self.take.kind

    @property
    def file_pattern(self) -> str:
        return self.take.file_pattern

    def file(self, number: int) -> Path:
        return self.take.file(number - self.by)

    def whole_numbers(self) -> frozenset[int]:
        return frozenset(number + self.by for number in self.take.whole_numbers())

    def only(self, numbers: Iterable[int]) -> Renumbered:
        chosen = self.take.only(number - self.by for number in numbers)
        return Renumbered(self.text, tuple(number + self.by for number in chosen.numbers), (), chosen, self.by)

    def entries(self) -> tuple[int, ...]:
        return tuple(number + self.by for number in self.take.entries())

    @property
    def tags(self) -> Tags | None:
        return self.take.tags

    @property
    def who(self) -> dict[str, str]:
        return self.take.who

    @property
    def colours_said(self) -> Said | None:
        return self.take.colours_said

    @property
    def pixel_aspect(self) -> float:
        return self.take.pixel_aspect

    @property
    def code_range(self) -> str:
        return self.take.code_range

    @property
    def code_bits(self) -> int:
        return self.take.code_bits

    @property
    def rate(self) -> Fraction | None:
        return self.take.rate

    @property
    def even(self) -> bool:
        return self.take.even

    def time_s(self, number: int) -> float | None:
        return self.take.time_s(number - self.by)

    def timecode(self, number: int) -> str | None:
        return self.take.timecode(number - self.by)

    def sound_span(self) -> tuple[float, float] | None:
        return self.take.sound_span()


__all__ = ["Renumbered", "numbered_as"]
