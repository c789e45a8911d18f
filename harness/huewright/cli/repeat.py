"""`huewright repeat`: do a correction again from its recorded inputs and compare."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright repeat correction.json")
    def repeat(
        correction: Annotated[Path, typer.Argument(help="A correction file.", show_default=False)],
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Solve again from the recorded inputs and settings, and compare byte for byte."""
        from huewright.cli.show import say
        from huewright.errors import NoAnswerError
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.repeat import repeat as repeat_step
        from huewright.words import repeat_words

        refuse_outputs(json_file, overwrite=overwrite)
        result = repeat_step(correction)
        write_figures(json_file, result, overwrite=overwrite)
        say(repeat_words(result.path, result.same, result.size, result.lines_differ, result.changed))
        if not result.same:
            raise NoAnswerError("the correction could not be repeated byte for byte")
