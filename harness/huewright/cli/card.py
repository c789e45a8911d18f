"""`huewright card`: check a card file, print a card of our own, make a card file from measurements. What makes one from
what a person says or a picture shows is beside this, in card_making.py."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import card_making, options


def register(app: typer.Typer) -> None:
    group = typer.Typer(no_args_is_help=True,
                        help="Card files: describe a card, trace one from a photo, attach measurements, check, print.")
    app.add_typer(group, name="card")
    card_making.register(group)

    @group.command(epilog="Example: huewright card check card.toml --picture card.png")
    def check(
        card: Annotated[Path, typer.Argument(help="The card file (TOML).", show_default=False)],
        picture: Annotated[Path | None, typer.Option("--picture", help="Draw the card to this PNG or PDF.")] = None,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Check a card file, say what it can't do, and draw it."""
        from huewright.cli.show import say
        from huewright.steps.card import check_card
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.words import sentence

        refuse_outputs(json_file, overwrite=overwrite)
        result = check_card(card, picture=picture, overwrite=overwrite)
        write_figures(json_file, {"card": result.card.name, "patches": len(result.card.patches),
                                   "notes": result.notes}, overwrite=overwrite)
        counts = ", ".join(f"{len(result.card.of_role(role))} {role}{'' if role == 'check' else 's'}"
                           for role in ("bar", "chip", "check"))
        say(f"{card}: {result.card.name}, {len(result.card.patches)} patches ({counts})", *map(sentence, result.notes),
            *([f"wrote {picture}"] if picture else []), "A good card file." if not result.notes else "")

    @group.command(name="print", epilog="Example: huewright card print card.pdf")
    def print_(
        out: Annotated[Path, typer.Argument(help="The page to write: .pdf or .png, A4.", show_default=False)],
        overwrite: options.Overwrite = False,
    ) -> None:
        """Write our own card as a page to print, and its card file beside it."""
        from huewright.cli.show import say
        from huewright.steps.card import CAUTION, make_printable

        make_printable(out, overwrite=overwrite)
        say(f"wrote {out} and {out.with_suffix('.toml')}", CAUTION)

    @group.command(epilog="Example: huewright card schema card.schema.json")
    def schema(
        out: Annotated[Path, typer.Argument(help="The JSON Schema file to write.", show_default=False)],
        overwrite: options.Overwrite = False,
    ) -> None:
        """Write the JSON Schema of card files, for an editor or a validator."""
        from huewright.cli.show import say
        from huewright.steps.card import write_schema

        write_schema(out, overwrite=overwrite)
        say(f"wrote {out}")

    @group.command(name="import", epilog="Example: huewright card import measured.txt --out card.toml --columns 6")
    def import_(
        measured: Annotated[Path, typer.Argument(help="CGATS.17 (ISO 28178) text, or a table (CSV) "
                                                 "with a head line: spectral, XYZ or Lab data.",
                                                 show_default=False)],
        out: Annotated[Path, typer.Option("--out", help="The card file to write.")] = Path("card.toml"),
        layout: Annotated[Path | None, typer.Option("--layout", help="A card file: its geometry and roles are "
                                                    "kept.")] = None,
        by: Annotated[str, typer.Option("--by", help="With --layout: samples go to patches by name, or by position (in "
                                        "the card file's order).")] = "name",
        columns: Annotated[int | None, typer.Option("--columns", min=1, help="Instead: the samples fill a plain grid "
                                                    "row by row, this many to a row.")] = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Make a card file from measured colours."""
        from huewright.cli.show import say
        from huewright.steps.card import card_from_measurements

        card = card_from_measurements(measured, out, layout=layout, columns=columns, by=by, overwrite=overwrite)
        say(f"wrote {out}: {len(card.patches)} patches, {card.illuminant}", card.description)
