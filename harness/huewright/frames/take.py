"""A take: frames by number, wherever they lie. Files named by number and a movie are both one.

All that works on footage takes a :class:`Take` and asks it for frames, names and times; nothing asks what it is. How
one is opened from what a person typed: :func:`huewright.frames.opening.open_take`.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Self

from huewright.errors import InputError

if TYPE_CHECKING:
    from huewright.frames.colours_said import Said
    from huewright.frames.dpx import DpxPicture
    from huewright.frames.frame import Frame
    from huewright.frames.picture import Header
    from huewright.frames.tags import Tags


class Take(ABC):
    """Frames that exist.

    text     what the person typed; opened again it gives the same take
    numbers  of the frames, ascending
    missing  numbers between the first and the last (or of the range that was asked for) that can't be had
    """

    text: str
    numbers: tuple[int, ...]
    missing: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.numbers)

    # ------------------------------------------------------------------ frames

    @abstractmethod
    def frame(self, number: int, payload: DpxPicture | None = None) -> Frame:
        """The frame, whole. ``payload`` is what :meth:`payload` gave for it: then only channels beyond the third have
        values. Any thread may call; one after another is fast, far apart costs a search in some takes.

        Raises :class:`InputError` with one sentence where it is missing or damaged."""

    @abstractmethod
    def header(self, number: int) -> Header:
        """What is known of the frame without decoding it; raises as :meth:`frame`."""

    def payload(self, number: int) -> DpxPicture | None:
        """The frame's numbers as they lie on disk, where the kernels read them so, else None."""
        return None

    @abstractmethod
    def called(self, number: int) -> str:
        """What the frame is called in a sentence: its file, or the movie and the number."""

    @abstractmethod
    def identity(self, number: int) -> str:
        """SHA-256 of what the frame was read from: the same for the same frame, here and tomorrow."""

    # ------------------------------------------------------------------ the take as a whole

    @property
    @abstractmethod
    def name(self) -> str:
        """What the take is called where nobody named it: its folder and its files."""

    @property
    @abstractmethod
    def kind(self) -> str:
        """Of its files, in words: "10-bit DPX", "10-bit 4:2:2 HEVC MOV"."""

    @property
    @abstractmethod
    def file_pattern(self) -> str:
        """For naming frames made of these, such as ``shot.####.dpx``."""

    def file_name(self, number: int) -> str:
        """The frame's own file name, or one made of :attr:`file_pattern`."""
        return re.sub("#+", lambda place: f"{number:0{len(place[0])}d}", self.file_pattern, count=1)

    @abstractmethod
    def file(self, number: int) -> Path:
        """Where the frame's bytes lie; of a movie the movie."""

    @abstractmethod
    def whole_numbers(self) -> frozenset[int]:
        """Numbers of the whole take that lies there, also beyond a range that was asked for."""

    @property
    def picked(self) -> bool:
        """Whether its frames were named one by one, so that others of their names say nothing."""
        return False

    @property
    def counted(self) -> bool:
        """Whether its frames have no numbers of their own and are counted from 0."""
        return False

    @abstractmethod
    def only(self, numbers: Iterable[int]) -> Self:
        """The same take cut to ``numbers``, which were chosen, so that what lies between is no hole.

        Raises ``ValueError`` for a number that isn't in it."""

    def entries(self) -> tuple[int, ...]:
        """Of ``numbers`` those that can be had without reading others first: where to look if few are wanted."""
        return self.numbers

    @property
    def tags(self) -> Tags | None:
        """What its files say of range, matrix, primaries, transfer and times; None where they have no such tags."""
        return None

    @property
    def who(self) -> dict[str, str]:
        """What its files say of the camera, by the names of :data:`huewright.frames.attributes.WHO`."""
        return {}

    @property
    def colours_said(self) -> Said | None:
        """What its files say of their own colours; None where they say nothing."""
        return None

    @property
    def pixel_aspect(self) -> float:
        """A pixel's width over its height, as the take says for all its frames; files say it each for itself."""
        return 1.0

    @property
    def code_range(self) -> str:
        """"legal" where its tags say so (or let it be taken), else "full"."""
        return "full"

    @property
    def code_bits(self) -> int:
        """The depth that :attr:`code_range` refers to."""
        return 10

    # ------------------------------------------------------------------ times

    @property
    def rate(self) -> Fraction | None:
        """Frames a second; the mean where :attr:`even` is false; None where nothing says it."""
        return None

    @property
    def even(self) -> bool:
        """Whether all frames last as long."""
        return True

    def time_s(self, number: int) -> float | None:
        """When the frame begins, in seconds from the take's own beginning; None without a rate."""
        return None if self.rate is None else float((number - min(self.whole_numbers())) / self.rate)

    def timecode(self, number: int) -> str | None:
        """As ``01:00:04:00`` (SMPTE ST 12-1; ``;`` before the frames where some numbers are dropped), or None."""
        return None

    def sound_span(self) -> tuple[float, float] | None:
        """Where in the time of the frames' own file sound that goes with them begins and ends, in seconds; None where
        it has no sound."""
        return None

    # ------------------------------------------------------------------ while it is being written

    def again(self) -> Take:
        """The take as it lies there now. Raises :class:`InputError` for one that can't be followed."""
        raise InputError(f"{self.text}: a movie can't be followed while it is written; survey it when it is whole")

    def settle(self, number: int, until: float) -> None:
        """Waits, until the time ``until`` (of ``time.monotonic``) at most, for a frame that is still being written."""
        return

    def require_complete(self) -> Self:
        """Itself; :class:`InputError` names the holes if there are any."""
        if self.missing:
            count = len(self.missing)
            raise InputError(f"{self.text}: frame{'s' if count > 1 else ''} {number_list(self.missing)} "
                             f"{'are' if count > 1 else 'is'} missing; supply {'them' if count > 1 else 'it'} or give "
                             "a range without the hole, such as NAME:FIRST-LAST")
        return self


def number_list(numbers: Iterable[int]) -> str:
    """``3, 7-9, 12``: runs joined, at most eight of them."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    words = [f"{a}" if a == b else f"{a}-{b}" for a, b in runs]
    return ", ".join(words) if len(words) <= 8 else ", ".join(words[:8]) + f" and {len(words) - 8} more"
