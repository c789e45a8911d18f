"""`huewright demo`: the whole job on an invented shoot, against its known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from huewright.cli import options


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright demo --out huewright-demo")
    def demo(
        out: Annotated[Path, typer.Option("--out", help="The folder to write everything into.")]
        = Path("huewright-demo"),
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Generate an invented two-camera shoot, do the whole job on it, and compare with its known truth.

        Exits with 1 where a camera's proof is not within its limits; everything is written all the same.
        """
        from huewright.cli.show import caution, progress_line, say
        from huewright.errors import NoAnswerError
        from huewright.steps.demo import run_demo
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        with progress_line() as progress:
            summary = run_demo(out, overwrite=overwrite, progress=progress)
        write_figures(json_file, summary, overwrite=overwrite)
        for name, camera in summary["cameras"].items():
            _show(name, camera)
            for one in camera["cautions"]:
                caution(one, f"camera {name}: ")
        say(summary["note"], f"{summary['seconds']['total']:.0f} s; everything is in {out}: open "
            f"{out / 'camera-a' / 'proof' / 'proof.html'}")
        missed = [name for name, camera in summary["cameras"].items() if not camera["passed"]]
        if missed:
            raise NoAnswerError(f"off target on camera {' and '.join(missed)}; see {out / 'summary.json'}")


def _show(name: str, camera: dict[str, Any]) -> None:
    from huewright.cli.show import number, say, table

    refused = [row for row in camera["refused"] if row["verdict"] == "refused"]
    absent = len(camera["refused"]) - len(refused)
    say(f"Camera {name}: frames {', '.join(map(str, camera['chosen']))} chosen, {len(refused)} refused, {absent} "
        f"without a card; chosen with a reflection in them: {len(camera['chosen_with_reflections'])}")
    rows = []
    for what, side in (("the solve's targets", "against_targets"), ("the known truth", "against_truth")):
        before, after = camera[side]["before"], camera[side]["after"]
        rows.append([what, *(f"{number(before[key], digits)} > {number(after[key], digits)}" for key, digits in
                             (("worst_chip_hue_error_deg", 2), ("worst_chip_radius_error", 4),
                              ("worst_bar_error_ire", 2), ("mean_check_delta_e", 2), ("worst_check_delta_e", 2)))])
    say(table("Before > after, on rendered and re-read frames, against",
              ["", "worst chip hue deg", "radius", "worst bar IRE", "check dE2000 mean", "worst"], rows))
    luts = camera["luts"]
    apart = [f".{kind} mean {luts[kind]['mean']:.1e}, worst {luts[kind]['worst']:.1e}" for kind in ("cube", "clf")]
    say("LUTs through OpenColorIO against the render: " + ", ".join(apart), camera["verdict"])
