"""`huewright bench`: the kernels beside their peers, in one run."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright bench --quick --json bench.json --picture bench.png")
    def bench(
        frames: Annotated[str | None, typer.Argument(help="Time reading, computing and writing of these frames "
                                                     "instead.", show_default=False)] = None,
        quick: Annotated[bool, typer.Option("--quick", help="Fewer repeats and sizes: under a minute.")] = False,
        picture: Annotated[Path | None, typer.Option("--picture", help="Also draw the ratios as bars (PNG).")] = None,
        threads: options.Threads = None,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Time each operation and the chain beside OpenColorIO, NumPy and a memory copy, interleaved."""
        from huewright.cli.show import progress_line
        from huewright.files import refuse_existing
        from huewright.steps.bench import run_bench

        for path in (picture, json_file):
            if path is not None:
                refuse_existing(path, overwrite=overwrite)
        with progress_line() as progress:
            result = run_bench(quick=quick, threads=threads, frames=frames, progress=progress)
        _show(result, picture, json_file, overwrite)


def _show(result: object, picture: Path | None, json_file: Path | None, overwrite: bool) -> None:
    raise NotImplementedError
