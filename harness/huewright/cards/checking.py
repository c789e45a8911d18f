"""What a card file lacks, contradicts or can't do, in sentences; and the schema of such files."""

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
from huewright.models.schema import schemas

SMALL_PATCH = 0.002                                     # of the card's area: 10 pixels square on a card 220 wide
LEVEL_APART_IRE = 5.0    # a third of a stop at middle grey; no source
HUE_APART_DEG = 60.0     # between two bars of BT.709 there are 53 to 72 degrees


@dataclass(frozen=True)
class CardCheck:
    """``notes`` are sentences about what the card can't do; empty if it can do all."""

    card: Card
    notes: tuple[str, ...]
    picture: Path | None


def card_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a card file's content, as TOML tables are JSON objects."""
    return schemas()["card"]


def card_notes(card: Card) -> list[str]:
    """Sentences about what ``card`` can't do, or what in it contradicts itself; none if it is good."""
    notes = []
    bars, chips = card.of_role("bar"), card.of_role("chip")
    if len(card.patches) < 6:
        notes.append("Fewer than six patches: too few to be found in a picture; corners must be given by hand.")
    if len(bars) < 3:
        notes.append(f"{len(bars)} bars: three (black, middle, white) are needed to set levels.")
    if any(bar.level_ire is None and bar.xyz is None and not bar.reflectance for bar in bars):
        notes.append("A bar has neither a level nor a reference colour; it can't be used.")
    missing = [hue for hue in HUES if hue not in {chip.hue for chip in chips}]
    if missing:
        notes.append(f"No chip for {', '.join(missing)}: these hues are only interpolated.")
    for hue in HUES:
        same = [chip.name for chip in chips if chip.hue == hue]
        if len(same) > 1:
            notes.append(f"{' and '.join(same)} are both chips for {hue}: each pulls that hue its own way.")
    stray = [patch.name for patch in card.patches if patch.hue is not None and patch.role != "chip"]
    if stray:
        notes.append(f"A hue is given for {', '.join(stray)}, no chip: it has no effect there.")
    notes += _unknown_light(card) or _contradictions(card)
    smallest = min(card.patches, key=_area)
    if _area(smallest) < SMALL_PATCH * card.size[0] * card.size[1]:
        notes.append(f"{smallest.name} is so small that few frames will show it in enough pixels.")
    if not card.of_role("check"):
        notes.append("No check patches: the proof then shows only what the solve has seen.")
    colourless = [patch.name for patch in card.patches if patch.xyz is None and not patch.reflectance]
    if colourless:
        notes.append(f"No reference colour for {', '.join(colourless)}: no colour difference can be proved there.")
    if not card.marks:
        notes.append("No marks (ground, lines): a reflection that lies evenly over a patch is harder to see.")
    notes += [f"{a} and {b} overlap." for a, b in _overlaps(card)]
    return notes


def _area(patch: Patch) -> float:
    x, y = np.array(patch.polygon).T
    return abs(float(x @ np.roll(y, -1) - np.roll(x, -1) @ y)) / 2


def _unknown_light(card: Card) -> list[str]:
    """Of the illuminant and the observer of the card's XYZ, those that colour-science has no tables of."""
    import colour

    whites = colour.CCS_ILLUMINANTS
    if card.observer not in whites:
        known = "CIE 1931 2 Degree Standard Observer or CIE 1964 10 Degree Standard Observer"
        return [f"Its observer {card.observer!r} is unknown; write {known}."]
    if card.illuminant not in whites[card.observer]:
        close = difflib.get_close_matches(card.illuminant, list(whites[card.observer]), 3, 0.4)
        return [f"Its illuminant {card.illuminant!r} is unknown" + (f"; near it are {', '.join(close)}." if close
                                                                     else "; D50 and D65 are usual.")]
    return []


def _contradictions(card: Card) -> list[str]:
    """Chips whose declared hue is not that of their own reference colour, or of their own name; bars whose declared
    level is not that of theirs.

    Levels are Y' and hues angles in Y'CbCr of ITU-R BT.709-6, as a vectorscope shows them.
    """
    vectors, luma = bar_vectors(), display_luma("bt709")
    try:
        coloured = {name: to_ycbcr(rgb, luma) for name, rgb in reference_rgb(card).items()}
    except InputError as error:
        return [f"Its reference colours can't be used: {error}."]
    notes = []
    for bar in card.of_role("bar"):
        if bar.level_ire is None or bar.name not in coloured:
            continue
        level = 100 * float(coloured[bar.name][0])
        if abs(level - bar.level_ire) > LEVEL_APART_IRE:
            notes.append(f"Bar {bar.name!r} is declared {bar.level_ire:g} IRE, but its reference colour is of "
                         f"{level:.1f} IRE: correct its level or its colour.")
    for chip in card.of_role("chip"):
        if chip.hue is None:
            continue
        named = f"Chip {chip.name!r} is declared {chip.hue}"
        misnamed = [f"{named}: correct its name or its hue."] if chip.name in HUES and chip.name != chip.hue else []
        if chip.name not in coloured:
            notes += misnamed
            continue
        _, cb, cr = coloured[chip.name]
        away = {hue: abs(float(hue_difference_deg(hue_deg(cb, cr), hue_deg(*vectors[hue])))) for hue in HUES}
        nearest = min(away, key=lambda hue: away[hue])
        if nearest != chip.hue or away[chip.hue] > HUE_APART_DEG:
            notes.append(f"{named}, but its reference colour lies "
                         f"{away[chip.hue]:.0f} degrees from that bar on the vectorscope and is nearest to {nearest}'s "
                         f"({away[nearest]:.0f} degrees): correct its hue or its colour.")
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
