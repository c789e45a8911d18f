"""`huewright solve`: from a survey to one correction."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from huewright.cli import options

if TYPE_CHECKING:
    from rich.table import Table

    from huewright.steps.solve import Correction, MethodResult


def patch_table(correction: Correction) -> Table:
    """Each patch against what was asked of it, as the solve predicts it."""
    from huewright.cli.show import number, table
    from huewright.words import reason_words

    rows = [[p.name, p.role if p.used else f"{p.role}, not used", number(p.level_error_ire),
             number(p.hue_error_deg), number(p.radius_ratio, 3), number(p.delta_e_before), number(p.delta_e_after),
             reason_words(p.reasons)] for p in correction.patches]
    grid = table("Predicted on the reading", ["patch", "role", "level error IRE", "hue error deg", "radius ratio",
                                              "dE2000 before", "after", "note"], rows)
    grid.columns[-1].justify = "left"
    return grid


def method_table(methods: Iterable[MethodResult]) -> Table:
    """Each method's figures on the same reading, and what is to be known of it."""
    from huewright.cli.show import number, table
    from huewright.words import method_note

    figures = ("worst_hue_error_deg", "worst_radius_error", "worst_level_error_ire", "chip_delta_e", "left_out_delta_e",
               "check_delta_e_mean", "check_delta_e_worst", "worst_local_gain", "noise_gain_db", "folded_fraction")
    return table("Methods on the same reading", ["method", *figures, "note"],
                 [[row.method, *(number(getattr(row, name), 3) for name in figures), method_note(row)]
                  for row in methods])


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright solve survey.json --card card.toml --out correction.json")
    def solve(
        survey: Annotated[Path, typer.Argument(help="A survey file from `huewright survey`.", show_default=False)],
        card: options.CardFile,
        out: Annotated[Path, typer.Option("--out", help="The correction file to write.")] = Path("correction.json"),
        targets: options.Targets = "vectorscope",
        fraction: options.Fraction = 0.5,
        chip_fraction: options.ChipFraction = None,
        level: options.Level = None,
        strength: options.Strength = None,
        display: options.Display = "bt709",
        method: options.Method = "sectors",
        trust_encoding: options.TrustEncoding = False,
        compare: Annotated[bool, typer.Option("--compare", help="Also solve by the other methods and compare.")]
        = False,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Solve exposure, balance, tone and every hue at once; write one correction file."""
        from huewright.cli.show import caution, number, say, table
        from huewright.steps.inputs import card_from, named_numbers, settings_from, strength_named, survey_from
        from huewright.steps.outputs import refuse_outputs, save, write_figures
        from huewright.steps.solve import solve_survey

        refuse_outputs(out, json_file, overwrite=overwrite)
        settings = settings_from(targets=targets, fraction=fraction, display=display, method=method,
                                 trust_encoding=trust_encoding,
                                 levels_ire=named_numbers(level or (), "--level", "middle=41"),
                                 fractions=named_numbers(chip_fraction or (), "--chip-fraction", "red=0.55"),
                                 strength=strength_named(strength or ()))
        result = solve_survey(survey_from(survey), card_from(card), settings, card_path=card)
        save(result, out, overwrite=overwrite)
        write_figures(json_file, result, overwrite=overwrite)
        part = "" if result.strength.full else " at full strength"
        say(table(f"Solved{part}", ["parameter", "value", "standard error"],
                  [[name, number(value, 4), number(error, 4)] for name, (value, error) in result.parameters.items()]),
            patch_table(result))
        if compare:
            from huewright.steps.solve import compare_survey

            say(method_table(compare_survey(survey_from(survey), card_from(card), settings)))
        for one in result.cautions:
            caution(one)
        say(f"wrote {out}")
