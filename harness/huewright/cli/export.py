"""`huewright export`: the correction for whatever program finishes the picture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright export correction.json look.cube look.clf primaries.cdl")
    def export(
        correction: Annotated[Path, typer.Argument(help="A correction file.", show_default=False)],
        out: Annotated[list[Path], typer.Argument(help="Files to write: .cube, .clf, .cdl, .cc or .ccc.",
                                                  show_default=False)],
        size: Annotated[int, typer.Option("--size", min=2, max=129, help="Points along each axis of a 3D LUT.")] = 65,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Export the correction as LUTs, and measure how far each is from the render."""
        from huewright.cli.show import caution, plain, say
        from huewright.files import refuse_existing, write_json
        from huewright.models.correction import load_correction
        from huewright.steps.export import export_correction

        for path in [*out, *([json_file] if json_file else [])]:
            refuse_existing(path, overwrite=overwrite)
        model = load_correction(correction)
        summaries = [export_correction(model, path, size=size, overwrite=overwrite) for path in out]
        if json_file is not None:
            write_json(json_file, plain(summaries), overwrite=overwrite)
        for summary in summaries:
            say(f"wrote {summary.path}: against the render, mean {summary.mean_error:.2e}, "
                f"worst {summary.worst_error:.2e} of full scale")
            for sentence in summary.cautions:
                caution(sentence)
