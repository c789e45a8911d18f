"""A card file from what a person says of a card: a plain grid, or a few shapes; which are bars and chips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from huewright.cards.own import regular
from huewright.errors import InputError
from huewright.models.card import HUES, Card, Patch, Polygon

CIRCLE_SIDES = 24
SHAPES = "'NAME: rect X Y WIDTH HEIGHT', 'NAME: circle X Y RADIUS' or 'NAME: polygon X,Y X,Y X,Y'"
_BARS = {1: ("white",), 2: ("white", "black"), 3: ("white", "middle", "black")}


@dataclass(frozen=True)
class Place:
    """``key`` is what the patch is called by when roles are given: its number in a grid, its name among shapes."""

    key: str
    polygon: Polygon


def grid_places(columns: int, rows: int, *, gap: float = 0.2, aspect: float = 1.0) -> tuple[list[Place],
                                                                                           tuple[float, float]]:
    """``columns`` times ``rows`` equal patches and the card's size, in widths of a patch; ``gap`` between them and
    around, ``aspect`` a patch's width over its height. Numbered from 1, row by row from the top left."""
    if columns < 1 or rows < 1:
        raise InputError("a card has one column and one row at least")
    if not 0 <= gap <= 10 or not 0.05 <= aspect <= 20:
        raise InputError("the gap lies between 0 and 10 patch widths, a patch's width over its height between 0.05 and "
                         "20")
    height = 1 / aspect
    places = []
    for k in range(columns * rows):
        x, y = gap + (k % columns) * (1 + gap), gap + (k // columns) * (height + gap)
        corners = ((x, y), (x + 1, y), (x + 1, y + height), (x, y + height))
        places.append(Place(str(k + 1), tuple((round(a, 4), round(b, 4)) for a, b in corners)))
    return places, (round(gap + columns * (1 + gap), 4), round(gap + rows * (height + gap), 4))


def shape_places(texts: Sequence[str]) -> list[Place]:
    """Patches from texts such as :data:`SHAPES` says."""
    return [_shape(text) for text in texts]


def _shape(text: str) -> Place:
    name, _, rest = text.partition(":")
    words = rest.split()
    try:
        if not name.strip():
            raise ValueError
        kind, *given = words
        if kind == "polygon":
            points = tuple((float(x), float(y)) for x, y in (one.split(",") for one in given))
            if len(points) < 3:
                raise ValueError
            return Place(name.strip(), points)
        numbers = [float(one) for one in given]
        if kind == "rect":
            x, y, width, height = numbers
            return Place(name.strip(), ((x, y), (x + width, y), (x + width, y + height), (x, y + height)))
        if kind == "circle":
            x, y, radius = numbers
            return Place(name.strip(), regular(x, y, radius, CIRCLE_SIDES))
        raise ValueError
    except ValueError:
        raise InputError(f"{text!r} is no shape; write {SHAPES}, in the card's own units") from None


def card_of(places: Sequence[Place], size: tuple[float, float], *, bars: Mapping[str, float],
            chips: Mapping[str, str], name: str = "new card") -> Card:
    """``bars`` are level in IRE by key, ``chips`` key by hue; the rest are checks. Raises :class:`InputError` for keys
    that there aren't, and roles given twice."""
    keys = {place.key: place for place in places}
    for key in (*bars, *chips.values()):
        if key not in keys:
            there = f"1 to {len(places)}" if all(one.isdigit() for one in keys) else ", ".join(keys)
            raise InputError(f"there is no patch {key!r}; there are {there}")
    unknown = [hue for hue in chips if hue not in HUES]
    if unknown:
        raise InputError(f"{unknown[0]!r} is no chip's hue; they are {', '.join(HUES)}")
    given = [*bars, *chips.values()]
    twice = {key for key in given if given.count(key) > 1}
    if twice:
        raise InputError(f"patch {min(twice)!r} is given two roles; give it one")
    wrong = [key for key, level in bars.items() if not 0 <= level <= 109]
    if wrong:
        raise InputError(f"bar {wrong[0]!r}: a level is in IRE, 0 (black) to 100 (white), not {bars[wrong[0]]:g}")
    numbered = all(key.isdigit() for key in keys)
    called = _names(bars) if numbered else {}
    hues = {key: hue for hue, key in chips.items()}
    patches = []
    for place in places:
        role = "bar" if place.key in bars else "chip" if place.key in hues else "check"
        plain = f"patch-{place.key}" if numbered else place.key
        label = called.get(place.key) or (hues.get(place.key) if numbered else None) or plain
        patches.append(Patch(label, role, place.polygon, bars.get(place.key), hues.get(place.key)))
    try:
        return Card(name, size, tuple(patches), description="Described by hand, no reference colours.")
    except ValueError as error:
        raise InputError(str(error)) from None


def _names(bars: Mapping[str, float]) -> dict[str, str]:
    order = sorted(bars, key=lambda key: -bars[key])
    names = _BARS.get(len(order)) or tuple(f"bar-{bars[key]:g}-ire" for key in order)
    return dict(zip(order, names, strict=True)) if len(set(names)) == len(order) else {
        key: f"bar-{key}" for key in order}
