"""Cautions of the survey and of what was declared of files."""

from __future__ import annotations

from typing import Literal

from huewright.models.cautions.base import Caution
from huewright.models.record import Count


class LegalRangeOfFloats(Caution, frozen=True):
    """Legal range is declared for files of floating numbers, which are written with full range as a rule."""


class FilesUnlike(Caution, frozen=True):
    """The files of ``shot`` are of another ``kind`` than the card take's, ``card_kind``."""

    shot: str
    kind: str
    card_kind: str


TagDoubt = Literal["range missing", "range and codes", "matrix missing", "matrix and size", "matrix and primaries",
                   "transfer and primaries", "uneven", "alpha", "lost"]


class MovieDoubted(Caution, frozen=True):
    """A movie's tags leave ``about`` open or say it improbably: what they say, and what was taken."""

    movie: str
    about: TagDoubt
    said: str = ""
    taken: str = ""


class LookedSparsely(Caution, frozen=True):
    """Of a long take's ``frames`` so many were ``looked`` at: about every ``step``-th, and more where the card was
    ``found``."""

    looked: Count
    frames: Count
    step: Count
    found: bool
