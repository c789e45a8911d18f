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
                                           "format (.exr, .dpx, .tif, .png), or a movie (.mov, .mp4, .mkv, .mxf), "
                                           "with the shot's sound.", show_default=False)],
        strength: options.Strength = None,
        out_range: Annotated[str | None, typer.Option("--out-range", help="Code range to write: full or legal; full "
                                                      "files and legal movies if not given.")] = None,
        out_bits: Annotated[int | None, typer.Option("--out-bits", help="Bit depth to write; the source's if not "
                                                     "given.")] = None,
        dither: Annotated[bool, typer.Option(help="Dither integer outputs; seeded by frame number, so that the "
                                             "same frame always gets the same bytes.")] = True,
        codec: Annotated[str | None, typer.Option("--codec", help="Of a movie: h264 or h265 to look at, vc3 or rdd36 "
                                                  "(10-bit 4:2:2) or ffv1 (loses nothing) to work on.")] = None,
        rate: Annotated[str | None, typer.Option("--rate", help="Frames a second of a movie made of files that don't "
                                                 "say it: 25, 24000/1001.")] = None,
        resume: Annotated[bool, typer.Option("--resume", help="Go on where an interrupted render left off "
                                              "(files; a movie is written whole or not at all).")] = False,
        remember: Annotated[bool, typer.Option("--remember", help="Note hashes of each frame, its source and what is "
                                               "done in a hidden file beside the frames: --resume then compares hashes "
                                               "instead of rendering kept frames again.")] = False,
        check_kept: Annotated[bool, typer.Option("--check-kept", help="With --resume: render kept frames again to "
                                                 "compare, whatever was noted of them.")] = False,
        frames: Annotated[str | None, typer.Option("--frames", help="Only these frames of the shot, say 3,7-9.",
                                                   show_default=False)] = None,
        skip_missing: Annotated[bool, typer.Option("--skip-missing", help="Render what is there of a shot that has "
                                                   "holes.")] = False,
        dry_run: Annotated[bool, typer.Option("--dry-run", help="Check everything and say what would be rendered; "
                                              "write nothing.")] = False,
        threads: options.Threads = None,
        device: options.Device = "cpu",
        on: options.On = None,
        json_lines: Annotated[bool, typer.Option("--json-lines", help="On stdout one line of JSON for each frame as "
                                                 "it is done, and nothing else: frame, file, sha256, seconds, kept, "
                                                 "cautions.")] = False,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Render the correction over a shot, frame by frame, whole frames only.

        A folder of shots, or a name with wildcards that stands for several, goes into one folder each, named after
        the shot.
        """
        import sys

        from huewright.cli.show import cautions, counted, json_line, progress_line, say, says_what_is_kept
        from huewright.cli.tables import plan_words
        from huewright.steps.inputs import at_strength, correction_from, frames_of, strength_named
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.steps.render import EDITED_BY_HAND, edited_by_hand, plan_render, render_take
        from huewright.steps.shots import places_for, shots_from

        refuse_outputs(json_file, overwrite=overwrite)
        model = at_strength(correction_from(correction), strength_named(strength or ()))
        if edited_by_hand(model):
            cautions([EDITED_BY_HAND])
        shots = [frames_of(each, frames, skip_missing=skip_missing) for each in shots_from(shot)]
        places = places_for(out, shots)
        if dry_run:
            plans = [plan_render(model, sequence, place, range_=out_range, bits=out_bits, overwrite=overwrite,
                                 resume=resume, codec=codec, rate=rate, device=device, threads=threads, on=on)
                     for sequence, place in zip(shots, places, strict=True)]
            write_figures(json_file, plans[0] if len(plans) == 1 else plans, overwrite=overwrite)
            say(*(plan_words(plan) for plan in plans))
            return
        summaries = []
        kept = f"the frames that were finished are whole and kept in {out}; the same command with --resume goes on"
        with says_what_is_kept(lambda: kept), progress_line() as progress:
            for sequence, place in zip(shots, places, strict=True):
                summaries.append(render_take(model, sequence, place, range_=out_range, bits=out_bits, dither=dither,
                                             overwrite=overwrite, resume=resume, threads=threads, codec=codec,
                                             rate=rate, device=device, on=on, remember=remember, check_kept=check_kept,
                                             each=json_line if json_lines else None, progress=progress))
        write_figures(json_file, summaries[0] if len(summaries) == 1 else summaries, overwrite=overwrite)
        cautions(one for summary in summaries for one in summary.cautions)
        for summary in summaries:
            line = (f"rendered {counted(len(summary.frames), 'frame')} in {summary.seconds:.1f} s to {summary.out}"
                    + (f", on {summary.device}" if summary.device != "cpu" else ""))
            if json_lines:
                print(line, file=sys.stderr)
            else:
                say(line)
