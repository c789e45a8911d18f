"""`huewright scopes`: waveform, parade and vectorscope of any frame."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright scopes scene/a.0101.exr --correction correction.json --out scopes")
    def scopes(
        frame: options.Take,
        correction: Annotated[Path | None, typer.Option("--correction", help="Show the frame before and after this "
                                                        "correction.", show_default=False)] = None,
        strength: options.Strength = None,
        out: Annotated[Path, typer.Option("--out", help="The folder to draw into; the pictures are named after the "
                                          "frame.")] = Path("scopes"),
        code_range: Annotated[str | None, typer.Option("--range", help="Code range of a frame without a correction: "
                                                       "full or legal; if not given, a movie's own, and full for "
                                                       "pictures.")] = None,
        bits: options.Bits = None,
        display: options.Display = "bt709",
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Draw waveform, parade and vectorscope of any frame, as it is or before and after a correction.

        With a correction its own range, encoding and display count. Without one the file's code values are taken for
        a display signal, so a log frame shows its log.
        """
        from huewright.cli.show import cautions, counted, progress_line, say
        from huewright.errors import InputError
        from huewright.steps.inputs import at_strength, correction_from, strength_named, take_from
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.scopes import draw_scopes

        refuse_outputs(json_file, overwrite=overwrite)
        if strength and correction is None:
            raise InputError("--strength is of a correction; name it with --correction")
        model = None
        if correction is not None:
            model = at_strength(correction_from(correction), strength_named(strength or ()))
        with progress_line() as progress:
            summary = draw_scopes(take_from(frame), out, correction=model, range_=code_range, bits=bits,
                                  display=display, overwrite=overwrite, progress=progress)
        write_figures(json_file, summary, overwrite=overwrite)
        cautions(summary.cautions)
        say(f"drew {counted(len(summary.files), 'picture')} into {out}: {', '.join(summary.files[:6])}"
            + (f" and {len(summary.files) - 6} more" if len(summary.files) > 6 else ""))
