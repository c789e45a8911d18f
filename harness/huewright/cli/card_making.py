"""`huewright card new` and `card trace`: a card file for a card that nobody described, and what to do with it next."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from huewright.cli import options
from huewright.errors import InputError

if TYPE_CHECKING:
    from huewright.steps.card import CardCheck

Out = Annotated[Path, typer.Option("--out", help="The card file to write.")]
Picture = Annotated[Path | None, typer.Option("--picture", help="Where to draw it (PNG or PDF); beside the card file "
                                              "if not given.")]
Size = Annotated[str | None, typer.Option("--size", metavar="WxH", help="The card's width and height in units of your "
                                          "own, such as 280x200.")]


def register(group: typer.Typer) -> None:
    @group.command(epilog="Example: huewright card new --columns 6 --rows 4 --bar 19=95 --bar 22=41 --bar 24=9 "
                          "--chip red=15 --chip green=14 --chip blue=13")
    def new(
        out: Out = Path("card.toml"),
        columns: Annotated[int | None, typer.Option("--columns", min=1, help="Patches side by side. They are numbered "
                                                    "row by row, 1 at the top left.")] = None,
        rows: Annotated[int, typer.Option("--rows", min=1, help="Patches one above the other.")] = 1,
        gap: Annotated[float, typer.Option("--gap", help="Between patches and around, in patch widths.")] = 0.2,
        aspect: Annotated[float, typer.Option("--aspect", help="A patch's width over its height.")] = 1.0,
        shape: Annotated[list[str] | None, typer.Option("--shape", help="Instead of a grid, once a patch: 'NAME: rect "
                                                        "X Y WIDTH HEIGHT', 'NAME: circle X Y RADIUS' or 'NAME: "
                                                        "polygon X,Y X,Y X,Y'; needs --size.")] = None,
        size: Size = None,
        bar: Annotated[list[str] | None, typer.Option("--bar", help="A grey bar, its level in IRE, as 19=95.")] = None,
        chip: Annotated[list[str] | None, typer.Option("--chip", help="A coloured chip by its hue, as red=15.")] = None,
        picture: Picture = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Describe a card: rows and columns, or a few shapes; which are bars and chips. Asks where nothing is given."""
        from huewright.cli.show import say
        from huewright.steps.card import grid_places, new_card, shape_places

        bars, chips = _pairs(bar or [], "--bar takes a patch and its level, as 19=95"), _pairs(
            chip or [], "--chip takes a hue and its patch, as red=15")
        if columns is None and not shape:
            columns, rows, bars, chips = _asked()
        if shape:
            if size is None:
                raise InputError("--shape needs --size: the card's width and height in the same units, as 280x200")
            places, extent = shape_places(shape), _size(size)
        else:
            places, extent = grid_places(columns or 1, rows, gap=gap, aspect=aspect)
        result = new_card(out, places, extent, bars={key: _level(key, text) for key, text in bars.items()}, chips=chips,
                          picture=picture, overwrite=overwrite)
        say(*_made(out, result), *_next_steps(out, result))

    @group.command(epilog="Example: huewright card trace photo.jpg --out card.toml")
    def trace(
        photo: Annotated[Path, typer.Argument(help="A straight-on, evenly lit picture of the card: JPEG, PNG or TIFF.",
                                              show_default=False)],
        out: Out = Path("card.toml"),
        corners: options.Corners = None,
        cropped: Annotated[bool, typer.Option("--cropped", help="The picture is cut to the card, nothing else is on "
                                              "it.")] = False,
        size: Size = None,
        picture: Picture = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Propose a card file from one picture of the card: finds its patches, guesses what they are, draws both."""
        from huewright.cli.show import say
        from huewright.steps.card import trace_photo

        if cropped and corners:
            raise InputError("--corners and --cropped contradict each other; give one of them")
        traced, result = trace_photo(photo, out, picture=picture, corners=options.corners_from(corners), whole=cropped,
                                     size=None if size is None else _size(size), overwrite=overwrite)
        where = " ".join(f"{x:.0f},{y:.0f}" for x, y in traced.corners)
        say(*_made(out, result))
        if not traced.by_hand:
            say(f"The card's outline was taken to be --corners {where}, dashed in the picture; if it isn't, give the "
                "right ones (the picture's rim counts pixels) with --overwrite.")
        if traced.slanted:
            say("The picture looks slanted: patches far from the camera may have been missed; take one from straight "
                "above.")
        say(*_unknown(result, traced.off_deg), *_next_steps(out, result))


def _made(out: Path, result: CardCheck) -> list[str]:
    from huewright.words import sentence
    from huewright.words.sentence import counted

    card = result.card
    counts = ", ".join(counted(len(card.of_role(role)), role) for role in ("bar", "chip", "check"))
    return [f"wrote {out} and {result.picture}: {counted(len(card.patches), 'patch').replace('patchs', 'patches')} "
            f"({counts})", *map(sentence, result.notes)]


def _unknown(result: CardCheck, off_deg: dict[str, float]) -> list[str]:
    """What a photograph can't tell."""
    card, told = result.card, []
    levels = ", ".join(f"{bar.name} {bar.level_ire:g}" for bar in card.of_role("bar") if bar.level_ire is not None)
    if levels:
        told.append(f"Levels are what the trade sets such bars to ({levels} IRE), not this card's: if its maker states "
                    "reflectances or levels, write them into the card file.")
    if off_deg:
        worst = max(off_deg, key=lambda name: abs(off_deg[name]))
        told.append("Chips are taken to be meant for the 75 % bars of their names. In the photo they point up to "
                    f"{abs(off_deg[worst]):.0f} degrees beside them ({worst}), which may be the phone's doing or the "
                    "card's: make a chip that was not meant so a check, or its hue is turned by as much.")
    elif card.of_role("bar"):
        told.append("No chips: too few strong colours point at the 75 % bars' hues, so they are all checks. Exposure, "
                    "balance and tone can be set, hues can't.")
    return told


def _next_steps(out: Path, result: CardCheck) -> list[str]:
    card, name = result.card, str(out)
    bars, chips = card.of_role("bar"), card.of_role("chip")
    steps = [f"Look at the picture. Names, roles and levels stand in {name}, one [[patch]] a patch: role is bar, "
             f"chip or check. Then: huewright card check {name} --picture checked.png"]
    if len(bars) < 2:
        return ["Next:", *_numbered([*steps, "Make two grey patches bars at least, each with its level_ire: without "
                                             "them nothing can be solved."])]
    method = "" if chips else " --method balance"
    steps += [
        f"huewright run FOOTAGE --card {name} --encoding display{method} --out job (FOOTAGE is a movie, or frames by "
        "their folder)",
        "If the footage looks grey and flat it is camera log: in step 2 put the name of its curve in place of display "
        "(huewright run --encoding list prints the names; whoever shot it, or the camera's menu, tells which), or "
        "--encoding through-look --look THE.cube where you only have the LUT that shows it.",
        "Open job/proof/proof.html. If no card was found, give its corners in one frame with --corners."]
    if all(patch.xyz is None and not patch.reflectance for patch in card.patches):
        steps.append("With measured colours (CGATS or a table: name and L a b, X Y Z or spectra) more can be proved: "
                     f"huewright card import MEASURED --layout {name} --by position --out measured.toml")
    return ["Next:", *_numbered(steps)]


def _numbered(steps: list[str]) -> list[str]:
    return [f"  {number}. {step}" for number, step in enumerate(steps, 1)]


def _asked() -> tuple[int, int, dict[str, str], dict[str, str]]:
    """What `card new` asks for; :class:`InputError` where nobody answers."""
    try:
        columns = typer.prompt("Patches side by side", type=int, err=True)
        rows = typer.prompt("Rows of patches", type=int, err=True)
        print(f"They are numbered row by row: 1 is at the top left, {columns * rows} at the bottom right.",
              file=sys.stderr)
        bars = typer.prompt("Grey bars with their levels in IRE, such as 19=95 22=41 24=9 (usual: white 90 to 100, "
                            "middle 41, black 0 to 10)", default="", show_default=False, err=True)
        chips = typer.prompt("Coloured chips by hue, such as red=15 green=14 (red, yellow, green, cyan, blue, magenta)",
                             default="", show_default=False, err=True)
    except typer.Abort:
        raise InputError("card new was not told the card's layout: give --columns and --rows, or --shape and --size"
                         ) from None
    return columns, rows, _pairs(bars.split(), "bars are written as 19=95"), _pairs(chips.split(),
                                                                                    "chips are written as red=15")


def _pairs(texts: list[str], wanted: str) -> dict[str, str]:
    pairs = {}
    for text in texts:
        key, equals, value = text.partition("=")
        if not (equals and key.strip() and value.strip()):
            raise InputError(f"{wanted}, not {text!r}")
        if key.strip() in pairs:
            raise InputError(f"{key.strip()} is given twice; give it once")
        pairs[key.strip()] = value.strip()
    return pairs


def _level(key: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(f"bar {key!r}: its level is a number in IRE, such as 41, not {text!r}") from None


def _size(text: str) -> tuple[float, float]:
    try:
        width, height = (float(one) for one in text.lower().split("x"))
    except ValueError:
        width, height = 0.0, 0.0
    if not (0 < width <= 1e6 and 0 < height <= 1e6):
        raise InputError(f"--size takes a width and a height, as 280x200, not {text}")
    return width, height
