"""Pictures without the card, ordinary and hard: what a finder is most likely to mistake for it.

Half of them are natural pictures and procedural clutter; the other half each hold one thing made to mislead, among
them the card's own layout with the wrong colours, and its mirror image.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from huewright.models.card import Card, Patch, Point

from testset import backgrounds
from testset.backgrounds import background, place
from testset.draw import conditions
from testset.scene import Conditions, insert

TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
OBJECTS = {"swatches": "swatch_board", "checkerboard": "checkerboard", "keyboard": "keyboard", "books": "shelf",
           "poster": "poster", "mosaic": "tiles", "windows": "window", "test bars": "colour_bars"}
CARDS = ("another chart", "round chart", "honeycomb of other colours", "mirrored card", "colours moved",
         "grey card", "colours faded")
ORDINARY = ("anything", "natural", "clutter")
EMPTY_KINDS = tuple(kind for pair in zip(ORDINARY * 5, (*OBJECTS, *CARDS), strict=True) for kind in pair)


def empty_scene(rng: np.random.Generator, card: Card, kind: str, width: int,
                height: int) -> tuple[np.ndarray, Conditions, str]:
    """A linear scene of ``kind`` (one of :data:`EMPTY_KINDS`) that does not hold ``card``, the conditions to see it
    in, and what it shows."""
    lens = str(rng.choice(["plain", "rolled", "log", "under", "over", "cast", "noise"]))
    c = conditions(rng, card, lens, width=width, height=height)
    scene, label = background(rng, width, height, kind if kind in ("natural", "clutter") else None)
    if kind in OBJECTS:
        place(rng, scene, getattr(backgrounds, OBJECTS[kind]), size=float(rng.uniform(0.4, 1.3)), even=True)
    elif kind in CARDS:
        shape = str(rng.choice(["plain", "rolled", "tilted", "large", "small"]))
        held = conditions(rng, card, shape, width=width, height=height)
        insert(scene, misleading_card(rng, card, kind), held)
    return scene, c, f"{kind} ({label}; {lens})"


def misleading_card(rng: np.random.Generator, card: Card, kind: str) -> Card:
    """A card that is not ``card``."""
    if kind == "another chart":
        return grid_chart(rng)
    if kind == "round chart":
        return round_chart(rng)
    if kind == "mirrored card":
        width = card.size[0]
        return replace(card, patches=tuple(
            replace(patch, polygon=tuple((width - x, y) for x, y in reversed(patch.polygon)))
            for patch in card.patches))
    if kind == "colours moved":
        order = rng.permutation(len(card.patches))
        return _painted(card, [card.patches[k].xyz for k in order])
    if kind == "honeycomb of other colours":
        return _painted(card, [TO_XYZ @ (rng.uniform(0.02, 0.9) * rng.uniform(0.1, 1.0, 3)) for _ in card.patches])
    if kind == "grey card":
        return _painted(card, [TO_XYZ @ np.full(3, 0.9 * 0.02 ** rng.uniform(0, 1)) for _ in card.patches])
    if kind == "colours faded":
        # The same layout with every colour as light as it was, but grey: a photocopy of the card.
        return _painted(card, [TO_XYZ @ np.full(3, patch.xyz[1] if patch.xyz else 0.2) for patch in card.patches])
    raise ValueError(kind)


def _painted(card: Card, colours: list) -> Card:  # type: ignore[type-arg]
    patches = (replace(patch, xyz=(float(x), float(y), float(z)))
               for patch, (x, y, z) in zip(card.patches, colours, strict=True))
    return replace(card, patches=tuple(patches))


def grid_chart(rng: np.random.Generator) -> Card:
    """A chart of equal squares with a row of greys; colours drawn at random."""
    columns, rows = int(rng.integers(4, 8)), int(rng.integers(3, 6))
    patches = []
    for k in range(columns * rows):
        x, y = 12.0 * (k % columns) + 2, 12.0 * (k // columns) + 2
        last = k // columns == rows - 1
        rgb = np.full(3, 0.9 * 0.5 ** (k % columns)) if last else rng.uniform(0.03, 0.7, 3)
        patches.append(_patch(f"p{k}", ((x, y), (x + 10, y), (x + 10, y + 10), (x, y + 10)), rgb))
    return Card("grid", (12.0 * columns + 2, 12.0 * rows + 2), tuple(patches))


def round_chart(rng: np.random.Generator) -> Card:
    """Discs and hexagons around a grey middle; colours drawn at random."""
    def disc(x: float, y: float, radius: float, sides: int) -> tuple[Point, ...]:
        angles = 2 * np.pi * np.arange(sides) / sides
        return tuple((float(x + radius * np.cos(a)), float(y + radius * np.sin(a))) for a in angles)

    sides = int(rng.choice([6, 24]))
    patches = [_patch("middle", disc(50, 50, 12, sides), np.full(3, 0.18))]
    for k in range(8):
        angle = np.pi / 4 * k
        patches.append(_patch(f"c{k}", disc(50 + 33 * np.cos(angle), 50 + 33 * np.sin(angle), 10, sides),
                              rng.uniform(0.03, 0.8, 3)))
    for k, (x, y) in enumerate(((8, 8), (92, 8), (92, 92), (8, 92))):
        patches.append(_patch(f"g{k}", disc(x, y, 7, sides), np.full(3, 0.9 * 0.25**k)))
    return Card("round", (100.0, 100.0), tuple(patches))


def _patch(name: str, polygon: tuple[Point, ...], rgb: np.ndarray) -> Patch:
    x, y, z = TO_XYZ @ rgb
    return Patch(name, "check", polygon, xyz=(float(x), float(y), float(z)))
