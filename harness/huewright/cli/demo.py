"""`huewright demo`: the whole job on an invented shoot, against its known truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from huewright.cli import options

if TYPE_CHECKING:
    from rich.table import Table

    from huewright.steps.demo import CameraSummary


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright demo --out huewright-demo")
    def demo(
        out: Annotated[Path, typer.Option("--out", help="The folder to write everything into.")]
        = Path("huewright-demo"),
        movies: Annotated[bool, typer.Option("--movies", help="Make movies of the shoot (camera A 10 bits, 4:2:2; "
                          "camera B 8 bits, 4:2:0) and one scene file, and bring the cameras together by it.")] = False,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Generate an invented two-camera shoot, do the whole job on it, and compare with its known truth.

        Exits with 1 where a camera's proof says no, or where the cameras of --movies stay apart; everything is written
        all the same.
        """
        from huewright.cli.show import cautions, progress_line, say
        from huewright.errors import NoAnswerError
        from huewright.steps.demo import run_demo
        from huewright.steps.outputs import refuse_outputs, write_figures
        from huewright.words import verdict_words

        refuse_outputs(json_file, overwrite=overwrite)
        if movies:
            _movies(out, json_file, overwrite)
            return
        with progress_line() as progress:
            result = run_demo(out, overwrite=overwrite, progress=progress)
        summary = result.summary
        write_figures(json_file, summary, overwrite=overwrite)
        for name, camera in summary.cameras.items():
            _show(name, camera, verdict_words(result.proofs[name]))
            cautions(camera.cautions, f"in {out / f'camera-{name.lower()}' / 'proof' / 'proof.html'}",
                     f"camera {name}: ")
        say(summary.note, f"{summary.seconds['total']:.0f} s; everything is in {out}: open "
            f"{out / 'camera-a' / 'proof' / 'proof.html'}")
        missed = [name for name, camera in summary.cameras.items() if not camera.passed]
        if missed:
            raise NoAnswerError(f"off target on camera {' and '.join(missed)}; see {out / 'summary.json'}")


def _show(name: str, camera: CameraSummary, verdict: str) -> None:
    from huewright.cli.show import say

    frames = camera.frames
    refused = [row for row in frames.refused if row.verdict == "refused"]
    absent = len(frames.refused) - len(refused)
    say(f"Camera {name}: frames {', '.join(map(str, frames.chosen))} chosen, {len(refused)} refused, {absent} "
        f"without a card; chosen with a reflection in them: {len(frames.chosen_with_reflections)}")
    say(changes_table(camera))
    apart = [f".{kind} mean {lut.mean:.1e}, worst {lut.worst:.1e}"
             for kind, lut in (("cube", camera.luts.cube), ("clf", camera.luts.clf))]
    say("LUTs through OpenColorIO against the render: " + ", ".join(apart), verdict)


def changes_table(camera: CameraSummary) -> Table:
    """What the job changed, a row a figure: held against the solve's targets and against the shoot's known truth."""
    from huewright.cli.show import number, table

    changes = (camera.against_targets, camera.against_truth)
    rows = [[what, *(number(getattr(at, key), digits) for change in changes for at in (change.before, change.after))]
            for what, key, digits in (("hue of the worst chip, degrees", "worst_chip_hue_error_deg", 2),
                                      ("radius of the worst chip", "worst_chip_radius_error", 4),
                                      ("level of the worst bar, IRE", "worst_bar_error_ire", 2),
                                      ("check patches, mean CIEDE2000", "mean_check_delta_e", 2),
                                      ("the worst of them", "worst_check_delta_e", 2))]
    return table("Off on rendered and re-read frames",
                 ["", "targets\nbefore", "\nafter", "known truth\nbefore", "\nafter"], rows)


def _movies(out: Path, json_file: Path | None, overwrite: bool) -> None:
    from huewright.cli.scene import conclude
    from huewright.cli.show import number, progress_line, say, table
    from huewright.errors import NoAnswerError
    from huewright.steps.demo_movies import WITHIN, run_movies_demo
    from huewright.steps.outputs import write_figures

    with progress_line(one=True) as progress:
        result = run_movies_demo(out, overwrite=overwrite, progress=progress)
    summary = result.summary
    write_figures(json_file, summary, overwrite=overwrite)
    for name, movie in summary.movies.items():
        say(f"Camera {name}: {movie.kind}, {movie.came_mbit_s:.0f} Mbit/s ({movie.asked_mbit_s:.0f} asked)")
    rows = [("cameras against each other, as read, each patch left out in turn", summary.between),
            ("the same at the known corners, as rendered", summary.between_known),
            *((f"camera {name} against the known truth", apart) for name, apart in summary.truth.items())]
    say(table("Check patches, CIEDE2000", ["", "mean\nbefore", "\nafter", "worst\nbefore", "\nafter"],
              [[what, *(number(value, 2) for value in (each.mean_before, each.mean_after, each.worst_before,
                                                       each.worst_after))] for what, each in rows]))
    conclude(result.scene, False)
    say(summary.note, f"{summary.seconds['total']:.0f} s; the scene file is {result.scene_file}")
    if max(summary.between.mean_after, summary.between_known.mean_after) > WITHIN:
        raise NoAnswerError(f"the cameras stay more than {WITHIN:g} CIEDE2000 apart in the mean of check patches; see "
                            f"{result.scene.page}")
