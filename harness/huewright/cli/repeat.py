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
        from huewright.cli.show import plain, say
        from huewright.errors import NoAnswerError
        from huewright.files import refuse_existing, write_json
        from huewright.steps.repeat import repeat as repeat_step

        if json_file is not None:
            refuse_existing(json_file, overwrite=overwrite)
        result = repeat_step(correction)
        if json_file is not None:
            write_json(json_file, plain(result), overwrite=overwrite)
        say(result.sentence)
        if not result.same:
            raise NoAnswerError("the correction could not be repeated byte for byte")
