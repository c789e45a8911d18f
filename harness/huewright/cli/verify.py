"""`huewright verify`: the accuracy table for a colour scientist."""

from __future__ import annotations

from typing import Annotated

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright verify --json accuracy.json")
    def verify(
        frames: Annotated[str | None, typer.Argument(help="Also check the kernels on these frames.",
                                                     show_default=False)] = None,
        device: options.Device = "cpu",
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Check the kernels against float64 references and published values: worst error, and where."""
        from huewright.cli.show import progress_line, say
        from huewright.cli.tables import accuracy_table
        from huewright.errors import InputError, NoAnswerError
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.verify import SPACING_MEANS, run_verify

        refuse_outputs(json_file, overwrite=overwrite)
        if device != "cpu" and frames is not None:
            raise InputError("--device compares the device's bits with the processor's, which needs no frames; leave "
                             "the frames or --device out")
        with progress_line() as progress:
            result = run_verify(frames=frames, device=device, progress=progress)
        write_figures(json_file, result, overwrite=overwrite)
        say(accuracy_table(result))
        if device == "cpu":
            say(f"Errors are absolute where no unit is named. {SPACING_MEANS}.")
        else:
            say(f"{result.machine}: any NaN counts as equal to any other; all else must be the same bit for bit.")
        failed = [c.check for c in result.checks if not c.passed]
        say(f"{len(result.checks) - len(failed)} of {len(result.checks)} checks within tolerance")
        if failed:
            raise NoAnswerError(f"outside its tolerance: {', '.join(failed)}")
