"""What a card file lacks, contradicts or can't do; and the schema of such files."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from huewright.colorimetry.display import display_luma, hue_deg, hue_difference_deg, to_ycbcr
from huewright.colorimetry.targets import bar_vectors, reference_rgb
from huewright.errors import InputError
from huewright.models.card import HUES, Card, Patch
from huewright.models.card_notes import (
    BarWithoutLevel,
    CardNote,
    ColoursMissing,
    ColoursUnusable,
    FewBars,
    FewPatches,
    HueNotOfColour,
    HueNotOfName,
    HuesWithoutChip,
    HueTwice,
    HueWithoutEffect,
    LevelNotOfColour,
    NoChecks,
    NoColours,
    NoMarks,
    Overlap,
    SmallPatch,
    UnknownIlluminant,
    UnknownObserver,
)
from huewright.models.schema import schemas

LEAST_PATCHES = 6        # fewer are not told from other things in a picture
SMALL_PATCH = 0.002                                     # of the card's area: 10 pixels square on a card 220 wide
LEVEL_APART_IRE = 5.0    # a third of a stop at middle grey; no source
HUE_APART_DEG = 60.0     # between two bars of BT.709 there are 53 to 72 degrees


@dataclass(frozen=True)
class CardCheck:
    """``notes`` say what the card can't do; empty if it can do all."""

    card: Card
    notes: tuple[CardNote, ...]
    picture: Path | None


def card_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a card file's content, as TOML tables are JSON objects."""
    return schemas()["card"]


def card_notes(card: Card) -> list[CardNote]:
    """What ``card`` can't do, or what in it contradicts itself; nothing if it is good."""
    notes: list[CardNote] = []
    bars, chips = card.of_role("bar"), card.of_role("chip")
    if len(card.patches) < LEAST_PATCHES:
        notes.append(FewPatches(LEAST_PATCHES))
    if len(bars) < 3:
        notes.append(FewBars(len(bars)))
    useless = tuple(bar.name for bar in bars if bar.level_ire is None and bar.xyz is None and not bar.reflectance)
    if useless:
        notes.append(BarWithoutLevel(useless))
    missing = [hue for hue in HUES if hue not in {chip.hue for chip in chips}]
    if missing:
        notes.append(HuesWithoutChip(tuple(missing)))
    for hue in HUES:
        same = [chip.name for chip in chips if chip.hue == hue]
        if len(same) > 1:
            notes.append(HueTwice(hue, tuple(same)))
    stray = [patch.name for patch in card.patches if patch.hue is not None and patch.role != "chip"]
    if stray:
        notes.append(HueWithoutEffect(tuple(stray)))
    notes += _unknown_light(card) or _contradictions(card)
    smallest = min(card.patches, key=_area)
    if _area(smallest) < SMALL_PATCH * card.size[0] * card.size[1]:
        notes.append(SmallPatch(smallest.name))
    if not card.of_role("check"):
        notes.append(NoChecks())
    colourless = [patch.name for patch in card.patches if patch.xyz is None and not patch.reflectance]
    if colourless:
        notes.append(ColoursMissing(tuple(colourless)) if len(colourless) < len(card.patches) else NoColours())
    if not card.marks:
        notes.append(NoMarks())
    notes += [Overlap(a, b) for a, b in _overlaps(card)]
    return notes


def _area(patch: Patch) -> float:
    x, y = np.array(patch.polygon).T
    return abs(float(x @ np.roll(y, -1) - np.roll(x, -1) @ y)) / 2


def _unknown_light(card: Card) -> list[CardNote]:
    """Of the illuminant and the observer of the card's XYZ, those that colour-science has no tables of."""
    import colour

    whites = colour.CCS_ILLUMINANTS
    if card.observer not in whites:
        return [UnknownObserver(card.observer)]
    if card.illuminant not in whites[card.observer]:
        close = difflib.get_close_matches(card.illuminant, list(whites[card.observer]), 3, 0.4)
        return [UnknownIlluminant(card.illuminant, tuple(close))]
    return []


def _contradictions(card: Card) -> list[CardNote]:
    """Chips whose declared hue is not that of their own reference colour, or of their own name; bars whose declared
    level is not that of theirs.

    Levels are Y' and hues angles in Y'CbCr of ITU-R BT.709-6, as a vectorscope shows them.
    """
    vectors, luma = bar_vectors(), display_luma("bt709")
    try:
        coloured = {name: to_ycbcr(rgb, luma) for name, rgb in reference_rgb(card).items()}
    except InputError as error:
        return [ColoursUnusable(str(error))]
    notes: list[CardNote] = []
    for bar in card.of_role("bar"):
        if bar.level_ire is None or bar.name not in coloured:
            continue
        level = 100 * float(coloured[bar.name][0])
        if abs(level - bar.level_ire) > LEVEL_APART_IRE:
            notes.append(LevelNotOfColour(bar.name, bar.level_ire, level))
    for chip in card.of_role("chip"):
        if chip.hue is None:
            continue
        misnamed = [HueNotOfName(chip.name, chip.hue)] if chip.name in HUES and chip.name != chip.hue else []
        if chip.name not in coloured:
            notes += misnamed
            continue
        _, cb, cr = coloured[chip.name]
        away = {hue: abs(float(hue_difference_deg(hue_deg(cb, cr), hue_deg(*vectors[hue])))) for hue in HUES}
        nearest = min(away, key=lambda hue: away[hue])
        if nearest != chip.hue or away[chip.hue] > HUE_APART_DEG:
            notes.append(HueNotOfColour(chip.name, chip.hue, away[chip.hue], nearest, away[nearest]))
        else:
            notes += misnamed
    return notes


def _overlaps(card: Card) -> list[tuple[str, str]]:
    import cv2

    found = []
    for i, a in enumerate(card.patches):
        for b in card.patches[i + 1:]:
            area, _ = cv2.intersectConvexConvex(np.array(a.polygon, np.float32), np.array(b.polygon, np.float32))
            if area > 1e-3:
                found.append((a.name, b.name))
    return found
