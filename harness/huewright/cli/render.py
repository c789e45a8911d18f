"""`huewright render`: one correction over any number of frames."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright render correction.json 'shot/b.####.dpx' 'true/b.####.dpx'")
    def render(
        correction: Annotated[Path, typer.Argument(help="A correction file.", show_default=False)],
        shot: options.Take,
        out: Annotated[str, typer.Argument(help="Where the frames go: a pattern or a folder; the suffix says the "
                                           "format (.exr, .dpx, .tif, .png).", show_default=False)],
        strength: options.Strength = None,
        out_range: Annotated[str, typer.Option("--out-range", help="Code range to write: full or legal.")] = "full",
        out_bits: Annotated[int | None, typer.Option("--out-bits", help="Bit depth to write; the source's if not "
                                                     "given.")] = None,
        dither: Annotated[bool, typer.Option(help="Dither integer outputs; seeded by frame number, so that the "
                                             "same frame always gets the same bytes.")] = True,
        resume: Annotated[bool, typer.Option("--resume", help="Go on where an interrupted render left off.")] = False,
        frames: Annotated[str | None, typer.Option("--frames", help="Only these frames of the shot, say 3,7-9.",
                                                   show_default=False)] = None,
        skip_missing: Annotated[bool, typer.Option("--skip-missing", help="Render what is there of a shot that has "
                                                   "holes.")] = False,
        threads: options.Threads = None,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Render the correction over a shot, frame by frame, whole frames only."""
        from huewright.cli.show import caution, counted, progress_line, say
        from huewright.steps.inputs import at_strength, correction_from, frames_of, strength_named, take_from
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.render import EDITED_BY_HAND, edited_by_hand, render_take

        refuse_outputs(json_file, overwrite=overwrite)
        model = at_strength(correction_from(correction), strength_named(strength or ()))
        if edited_by_hand(model):
            caution(EDITED_BY_HAND)
        sequence = frames_of(take_from(shot), frames, skip_missing=skip_missing)
        with progress_line() as progress:
            summary = render_take(model, sequence, out, range_=out_range, bits=out_bits, dither=dither,
                                  overwrite=overwrite, resume=resume, threads=threads, progress=progress)
        write_figures(json_file, summary, overwrite=overwrite)
        for one in summary.cautions:
            caution(one)
        say(f"rendered {counted(len(summary.frames), 'frame')} in {summary.seconds:.1f} s to {out}")
