"""What a person decides of single frames of a take, against or beside the survey's own judgement."""

from __future__ import annotations

from dataclasses import dataclass

from huewright.errors import InputError
from huewright.models.record import Frame, Point


@dataclass(frozen=True)
class Placed:
    """The card's ``corners`` in one frame, in pixels, clockwise from the card's own top left."""

    frame: Frame
    corners: tuple[Point, Point, Point, Point]


@dataclass(frozen=True)
class ByHand:
    """What a person decided of single frames; by their numbers, ascending.

    taken_in   are merged whatever their grade; the best of the others fill up what is left
    left_out   are no part of the take but for their own grade
    placed     where the card lies in frames, instead of where it was found

    Raises :class:`InputError` for a frame that is both taken in and left out, or placed twice.
    """

    taken_in: tuple[Frame, ...] = ()
    left_out: tuple[Frame, ...] = ()
    placed: tuple[Placed, ...] = ()

    def __post_init__(self) -> None:
        both = sorted(set(self.taken_in) & set(self.left_out))
        if both:
            raise InputError(f"frame {both[0]} is both taken in and left out; name it once")
        frames = [placed.frame for placed in self.placed]
        twice = next((frame for frame in frames if frames.count(frame) > 1), None)
        if twice is not None:
            raise InputError(f"frame {twice} has corners twice; give them once")
        object.__setattr__(self, "taken_in", tuple(sorted(set(self.taken_in))))
        object.__setattr__(self, "left_out", tuple(sorted(set(self.left_out))))
        object.__setattr__(self, "placed", tuple(sorted(self.placed, key=lambda placed: placed.frame)))

    @property
    def frames(self) -> tuple[int, ...]:
        """All that are named."""
        return tuple(sorted({*self.taken_in, *self.left_out, *(placed.frame for placed in self.placed)}))

    def corners_in(self, frame: int) -> tuple[Point, ...] | None:
        return next((placed.corners for placed in self.placed if placed.frame == frame), None)
