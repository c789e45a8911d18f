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
        device: options.Device = "cpu",
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Time each operation and the chain beside OpenColorIO, NumPy and a memory copy, interleaved."""
        from huewright.cli.show import cautions, counted, number, progress_line, say, table
        from huewright.cli.tables import bench_table, card_table
        from huewright.steps.bench import draw_bench, least_times, run_bench
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(picture, json_file, overwrite=overwrite)
        with progress_line() as progress:
            result = run_bench(quick=quick, threads=threads, frames=frames, device=device, progress=progress)
        write_figures(json_file, result.to_dict(), overwrite=overwrite)
        if picture is not None:
            draw_bench(result, picture, overwrite=overwrite)
        say(result.machine)
        if result.stages:
            whole = sum(row.median_ms for row in result.stages)
            say(table("A frame of yours, in its file's own numbers, milliseconds",
                      ["stage", "frames", "ms", "share", "spread"],
                      [[row.stage, str(row.frames), number(row.median_ms, 1), f"{row.median_ms / whole:.0%}",
                        f"{row.spread:.0%}" + ("" if row.reliable else " unreliable")] for row in result.stages]))
            least, alone = least_times(result)
            say(f"On {counted(result.threads, 'thread')} a render of these takes {number(least, 1)} ms a frame at the "
                f"least, however well its stages overlap; reading and writing alone take {number(alone, 1)} "
                "(and longer where the storage is slower than memory).")
            say("Computing is the whole chain of the table below, on one thread; reading and writing are the picture "
                "library's, with the threads that it starts itself (EXR), and files read before come from memory.")
        say(bench_table(result) if device == "cpu" else card_table(result))
        cautions(result.cautions)
