"""What a card file lacks, contradicts or can't do, in words."""

from __future__ import annotations

from huewright.models import card_notes
from huewright.words.sentence import sentence


@sentence.register
def _(item: card_notes.FewPatches) -> str:
    least = {6: "six"}.get(item.least, str(item.least))
    return f"Fewer than {least} patches: too few to be found in a picture; corners must be given by hand."


@sentence.register
def _(item: card_notes.FewBars) -> str:
    return f"{item.bars} bars: three (black, middle, white) are needed to set levels."


@sentence.register
def _(item: card_notes.BarWithoutLevel) -> str:
    return f"No level and no reference colour for the bar {' and '.join(item.bars)}: it can't be used."


@sentence.register
def _(item: card_notes.HuesWithoutChip) -> str:
    return f"No chip for {', '.join(item.hues)}: these hues are only interpolated."


@sentence.register
def _(item: card_notes.HueTwice) -> str:
    return f"{' and '.join(item.chips)} are both chips for {item.hue}: each pulls that hue its own way."


@sentence.register
def _(item: card_notes.HueWithoutEffect) -> str:
    return f"A hue is given for {', '.join(item.patches)}, no chip: it has no effect there."


@sentence.register
def _(item: card_notes.UnknownObserver) -> str:
    return (f"Its observer {item.observer!r} is unknown; write CIE 1931 2 Degree Standard Observer or CIE 1964 10 "
            "Degree Standard Observer.")


@sentence.register
def _(item: card_notes.UnknownIlluminant) -> str:
    near = f"near it are {', '.join(item.near)}" if item.near else "D50 and D65 are usual"
    return f"Its illuminant {item.illuminant!r} is unknown; {near}."


@sentence.register
def _(item: card_notes.ColoursUnusable) -> str:
    return f"Its reference colours can't be used: {item.why}."


@sentence.register
def _(item: card_notes.LevelNotOfColour) -> str:
    return (f"Bar {item.bar!r} is declared {item.declared_ire:g} IRE, but its reference colour is of "
            f"{item.colour_ire:.1f} IRE: correct its level or its colour.")


@sentence.register
def _(item: card_notes.HueNotOfName) -> str:
    return f"Chip {item.chip!r} is declared {item.hue}: correct its name or its hue."


@sentence.register
def _(item: card_notes.HueNotOfColour) -> str:
    return (f"Chip {item.chip!r} is declared {item.hue}, but its reference colour lies {item.away_deg:.0f} degrees "
            f"from that bar on the vectorscope and is nearest to {item.nearest}'s ({item.nearest_deg:.0f} degrees): "
            "correct its hue or its colour.")


@sentence.register
def _(item: card_notes.SmallPatch) -> str:
    return f"{item.patch} is so small that few frames will show it in enough pixels."


@sentence.register
def _(item: card_notes.NoChecks) -> str:
    return "No check patches: the proof then shows only what the solve has seen."


@sentence.register
def _(item: card_notes.ColoursMissing) -> str:
    return f"No reference colour for {', '.join(item.patches)}: no colour difference can be proved there."


@sentence.register
def _(item: card_notes.NoColours) -> str:
    return ("No reference colours: bars and chips can be brought to where the trade wants such, but no colour "
            "difference can be proved, the card itself can't be checked, and --encoding roughly at most: camera log "
            "taken for a picture is seen as a rule, one log taken for another is not.")


@sentence.register
def _(item: card_notes.NoMarks) -> str:
    return "No marks (ground, lines): a reflection that lies evenly over a patch is harder to see."


@sentence.register
def _(item: card_notes.Overlap) -> str:
    return f"{item.one} and {item.other} overlap."
