"""`huewright solve`: from a survey to one correction."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options


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
        nudge: options.Nudge = None,
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
        from huewright.cli.show import cautions, say
        from huewright.cli.tables import method_lines, method_table, parameter_table, patch_table
        from huewright.steps.inputs import card_from, named_numbers, settings_from, strength_named, survey_from
        from huewright.steps.outputs import refuse_outputs, save, write_figures
        from huewright.steps.solve import solve_survey

        refuse_outputs(out, json_file, overwrite=overwrite)
        settings = settings_from(targets=targets, fraction=fraction, display=display, method=method,
                                 trust_encoding=trust_encoding,
                                 levels_ire=named_numbers(level or (), "--level", "middle=41"),
                                 fractions=named_numbers(chip_fraction or (), "--chip-fraction", "red=0.55"),
                                 nudges_deg=named_numbers(nudge or (), "--nudge", "red=+1.5"),
                                 strength=strength_named(strength or ()))
        result = solve_survey(survey_from(survey), card_from(card), settings, card_path=card)
        save(result, out, overwrite=overwrite)
        write_figures(json_file, result, overwrite=overwrite)
        say(parameter_table(result), patch_table(result))
        if compare:
            from huewright.steps.solve import compare_survey

            methods = compare_survey(survey_from(survey), card_from(card), settings)
            say(method_table(methods), *method_lines(methods))
        cautions(result.cautions, f"in {out}")
        say(f"wrote {out}")
