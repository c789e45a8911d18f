"""What the correction costs: noise, folds, small differences stretched, few patches."""

from __future__ import annotations

from huewright.models import cautions as c
from huewright.words.cautions.group import Group

COST = Group("What the correction costs")


@COST.says(
    c.TableTooFarOff, "A polynomial that no table of this size holds: compared, never rendered.")
def _(item: c.TableTooFarOff) -> str:
    return "its table is too far off to render"


@COST.says(
    c.ColoursFolded, "Neighbouring colours change places. Gradients through them break.")
def _(item: c.ColoursFolded) -> str:
    return f"{100 * item.share:.2f} % of a LUT's cells are turned inside out: colours there change order"


@COST.says(
    c.NoiseLifted, "Predicted from the reading's noise: look at shadows and strong blues.")
def _(item: c.NoiseLifted) -> str:
    return (f"noise is lifted by {item.all_db:.1f} dB ({item.chroma_db:.1f} dB in colour); look at the shadows")


@COST.says(
    c.NoiseMeasured, "The same, measured on the patches of the rendered frames.")
def _(item: c.NoiseMeasured) -> str:
    return f"noise is lifted by {item.lifted_db:.1f} dB, measured on the patches; look at the shadows"


@COST.says(
    c.SmallDifferencesStretched, "Somewhere in the display's cube small differences grow that much: banding and "
    "blotchy skin are where to look.")
def _(item: c.SmallDifferencesStretched) -> str:
    return (f"somewhere in the cube small differences are stretched {item.times:.1f} times; look at gradients and skin")


@COST.says(
    c.ChipFarFromOthers, "Had the others alone decided, this chip would be far off: between chips, hues are less "
    "certain than the chips themselves.")
def _(item: c.ChipFarFromOthers) -> str:
    return (f"chip {item.chip!r} would miss by {item.hue_deg:.0f} degrees if the others alone drove the hues: hues "
            "between chips are less certain than the chips themselves")


@COST.says(
    c.MatrixOfFewChips, "Colours unlike the chips rest on nothing.")
def _(item: c.MatrixOfFewChips) -> str:
    return (f"the matrix is fitted to {item.chips} chip{'s' * (item.chips > 1)} and the greys: colours unlike them are "
            "unsupported")


@COST.says(
    c.PolynomialTable, "The polynomial is rendered from a table that is off by as much, and clamps above its top.")
def _(item: c.PolynomialTable) -> str:
    return (f"the root polynomial is rendered from a {item.size}-cubed table: its signal is off by up to "
            f"{item.worst:.4f} and {item.mean:.5f} on average over the display's cube, and light above {item.top:g} "
            "times white is clamped")


@COST.says(
    c.PolynomialOfFewPatches, "About as many unknowns as patches: it fits those and strays between them.")
def _(item: c.PolynomialOfFewPatches) -> str:
    return (f"{item.terms} terms a channel are fitted to {item.patches} patches: expect it to fit those and to stray "
            "between them")


@COST.says(
    c.LightFallsOff, "Allowed for in solve and proof; the picture keeps it.")
def _(item: c.LightFallsOff) -> str:
    return (f"light falls off over the card by {item.stops:.2f} stops: solve and proof allow for it, the picture shows "
            "it as it is")
