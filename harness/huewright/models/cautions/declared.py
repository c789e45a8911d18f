"""Cautions of the declared encoding, range, primaries and look."""

from __future__ import annotations

import msgspec

from huewright.models.cautions.base import Caution
from huewright.models.footage import Range, SaidBy
from huewright.models.record import Name, Number, Positive, Share


class Nearest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A declaration that would fit: another ``encoding``, another ``range``, or both; None: the declared one.
    ``likelihood`` is its share among all tried."""

    encoding: str | None
    range: Range | None
    likelihood: Share


class PrimariesAssumed(Caution, frozen=True):
    """Nobody said which primaries the light has: ``assumed`` are taken, while the declared ``encoding`` is published
    with the colour spaces ``implied``."""

    encoding: str
    assumed: str
    implied: tuple[str, ...]


class ColoursSaidOtherwise(Caution, frozen=True):
    """The files say, ``by`` a profile or the like, that their colours are other than declared: of other ``primaries``
    (x and y of red, green, blue and white; empty: of no others), ``name`` where a standard has them, or of another
    ``transfer`` ("": of no other).

    declared, encoding  the primaries and the transfer that were taken: of the light, or, ``shown``, of the display that
                        the picture is said to be made for, and its name
    """

    by: SaidBy
    name: str
    primaries: tuple[float, ...]
    transfer: str
    declared: str
    encoding: str
    shown: bool


class DeclarationDoubted(Caution, frozen=True):
    """The bars' light doubts or contradicts the declared encoding and range.

    bar, off    the bar furthest from its place, and by what share of its light
    bent_ire    the most that a bar's signal is off, with nothing explained away
    misfit      deviance; ``usual`` up to which it says nothing
    veil        of white's light, that fits best
    picture     declared as a display picture, which a camera's own rendering may be
    rough       the card has no reference values: what its bars reflect is known from a photograph or a level alone
    """

    contradicted: bool
    bar: Name
    off: Number
    bent_ire: Positive
    misfit: Positive
    usual: Positive
    veil: Share
    picture: bool = False
    nearest: tuple[Nearest, ...] = ()
    rough: bool = False


class LookSampled(Caution, frozen=True):
    """The look's file holds a step that isn't computed here; a table stands for it, off by ``error`` at worst (relative
    above 1)."""

    error: Positive


class LookWaysApart(Caution, frozen=True):
    """The look's lattice names no interpolation and is read tetrahedrally; trilinearly it would be up to ``apart`` off
    that."""

    apart: Positive


class OnlyThroughLook(Caution, frozen=True):
    """All that is known of the footage is the look LUT, after which exposure and balance then act."""
