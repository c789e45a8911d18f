"""What a card file lacks, contradicts or can't do: codes and figures."""

from __future__ import annotations

from huewright.models.coded import Coded
from huewright.models.record import Count, Name, Number, Positive


class CardNote(Coded, frozen=True):
    """Something that the card can't do, or that contradicts itself in it."""


class FewPatches(CardNote, frozen=True):
    """Too few, under ``least``, to be found in a picture."""

    least: Count


class FewBars(CardNote, frozen=True):
    """Under three."""

    bars: Count


class BarWithoutLevel(CardNote, frozen=True):
    """Bars with neither a level nor a reference colour."""

    bars: tuple[Name, ...]


class HuesWithoutChip(CardNote, frozen=True):
    hues: tuple[Name, ...]


class HueTwice(CardNote, frozen=True):
    """Several ``chips`` for one hue."""

    hue: Name
    chips: tuple[Name, ...]


class HueWithoutEffect(CardNote, frozen=True):
    """A hue is given for these, which are no chips."""

    patches: tuple[Name, ...]


class UnknownObserver(CardNote, frozen=True):
    observer: str


class UnknownIlluminant(CardNote, frozen=True):
    """``near`` it are those of like names."""

    illuminant: str
    near: tuple[str, ...] = ()


class ColoursUnusable(CardNote, frozen=True):
    """The reference colours can't be used; ``why`` as colour-science or the reader of colours says."""

    why: str


class LevelNotOfColour(CardNote, frozen=True):
    """The bar is declared ``declared_ire``, its reference colour is of ``colour_ire``."""

    bar: Name
    declared_ire: Number
    colour_ire: Number


class HueNotOfName(CardNote, frozen=True):
    """A chip that is called after another hue than its own."""

    chip: Name
    hue: Name


class HueNotOfColour(CardNote, frozen=True):
    """The chip's reference colour lies ``away_deg`` from the bar of its hue and nearest to ``nearest``'s."""

    chip: Name
    hue: Name
    away_deg: Positive
    nearest: Name
    nearest_deg: Positive


class SmallPatch(CardNote, frozen=True):
    """So small that few frames will show it in enough pixels."""

    patch: Name


class NoChecks(CardNote, frozen=True):
    """No check patches."""


class ColoursMissing(CardNote, frozen=True):
    """Patches without a reference colour."""

    patches: tuple[Name, ...]


class NoColours(CardNote, frozen=True):
    """No patch at all has a reference colour."""


class NoMarks(CardNote, frozen=True):
    """No ground or lines on which a reflection that lies evenly over a patch would show."""


class Overlap(CardNote, frozen=True):
    one: Name
    other: Name
