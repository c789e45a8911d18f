"""`huewright export`: the correction for whatever program finishes the picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from huewright.cli import options

if TYPE_CHECKING:
    from huewright.steps.export import Caution, ExportSummary


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright export correction.json look.cube look.clf primaries.cdl")
    def export(
        correction: Annotated[Path, typer.Argument(help="A correction file.", show_default=False)],
        out: Annotated[list[Path], typer.Argument(help="Files to write: .cube, .clf, .cdl, .cc or .ccc.",
                                                  show_default=False)],
        size: Annotated[int, typer.Option("--size", min=2, max=129, help="Points along each axis of a 3D LUT.")] = 65,
        strength: options.Strength = None,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Export the correction as LUTs, and measure how far each is from the render."""
        from huewright.cli.show import caution, say
        from huewright.errors import InputError
        from huewright.steps.export import export_all
        from huewright.steps.inputs import at_strength, correction_from, strength_named
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        if json_file in out:
            raise InputError(f"{json_file}: named twice; give the figures a file of their own")
        model = at_strength(correction_from(correction), strength_named(strength or ()))
        summaries = export_all(model, out, size=size, overwrite=overwrite)
        write_figures(json_file, summaries, overwrite=overwrite)
        for summary in summaries:
            say(f"wrote {summary.path}: off the render, of full scale, {_figures(summary)}")
        for one, paths in _by_caution(summaries).items():
            caution(one, "" if len(paths) == len(summaries) > 1 else f"{', '.join(paths)}: ")


def _figures(summary: ExportSummary) -> str:
    """The errors, each with the colours that it is over."""
    worst = summary.measured
    return (f"mean {summary.mean_error:.2e} over picture-like and random colours together "
            f"({worst['natural_mean']:.2e} and {worst['random_mean']:.2e} apart); worst {worst['in_gamut_worst']:.2e} "
            f"inside the display's gamut, {summary.worst_error:.2e} anywhere")


def _by_caution(summaries: list[ExportSummary]) -> dict[Caution, list[str]]:
    """Each caution with the files that it is about."""
    found: dict[Caution, list[str]] = {}
    for summary in summaries:
        for one in summary.cautions:
            found.setdefault(one, []).append(summary.path)
    return found
