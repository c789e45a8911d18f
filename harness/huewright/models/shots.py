"""A rendered shot as the proof saw it: range, flashing, and whether its files are of the card take's camera."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal, Union

import msgspec

from huewright.models.coded import Coded
from huewright.models.record import Count, Frame, Name, Positive

Percent = Annotated[float, msgspec.Meta(ge=0, le=100)]


class Sign(Coded, frozen=True):
    """Something in a shot's files against its being of the card take's camera and settings."""


What = Literal["make", "model", "serial number", "white balance", "sensitivity", "encoding"]


class NamedOtherwise(Sign, frozen=True):
    """Its files name another ``what`` than the card take's."""

    what: What
    shot: str
    take: str


class OtherKind(Sign, frozen=True):
    """Files of another kind ("10-bit DPX")."""

    shot: str
    take: str


class BelowBlack(Sign, frozen=True):
    """Pixels below the declared encoding's black."""

    percent: Percent


class LeansElsewhere(Sign, frozen=True):
    """The picture leans to another colour."""

    stops: Positive


class DrivenOut(Sign, frozen=True):
    """Pixels that the correction drives out of range, and of the card take's."""

    percent: Percent
    take_percent: Percent


if TYPE_CHECKING:
    AnySign = Sign
else:
    AnySign = Union[tuple(Sign.__subclasses__())]  # noqa: UP007


@dataclass(frozen=True)
class ShotProof:
    """What was found in a rendered shot.

    shown              number of the frame that the page shows
    frames_per_second  as the files say, where ``rate_declared``
    integers           the files hold whole numbers, so that nothing can lie beyond their range
    not_finite         pixels without a finite number
    pixels_*_percent   outside the display's range, beyond what EBU R 103 prefers, at an end of the files' codes
    flashes, red_flashes   most within a second; None where frames are missing, so that nothing can be said, as
                       ``flashes_too_many`` then is; ``flashes_frames`` the first and last frame of the worst second
    signs              what its files say against its being of the card take's camera and settings; ``strange`` where
                       that contradicts it
    """

    name: Name
    frames: Count
    shown: Frame
    frames_per_second: Positive
    rate_declared: bool
    integers: bool
    not_finite: Count
    pixels_over_range_percent: Percent
    pixels_under_range_percent: Percent
    pixels_beyond_preferred_percent: Percent
    pixels_at_end_stops_percent: Percent
    flashes: Count | None = None
    red_flashes: Count | None = None
    flashes_too_many: bool | None = None
    flashes_frames: tuple[Frame, Frame] | None = None
    signs: tuple[AnySign, ...] = ()
    strange: bool = False
