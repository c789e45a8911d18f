"""`huewright export`: the correction for whatever program finishes the picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from huewright.cli import options

if TYPE_CHECKING:
    from huewright.steps.export import Caution, ExportSummary


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright export correction.json look.cube look.clf primaries.cdl")
    def export(
        correction: Annotated[Path, typer.Argument(help="A correction file.", show_default=False)],
        out: Annotated[list[Path] | None, typer.Argument(
            help="Files to write: .cube, .clf, .cdl, .cc or .ccc; with --for one folder; with --config further "
            "correction files.", show_default=False)] = None,
        for_: Annotated[list[str] | None, typer.Option(
            "--for", metavar="CLIP", help="Write files of this clip's name into the folder OUT; as often as there are "
            "clips: movies, frames such as 'a.####.exr', or their folders.")] = None,
        kinds: Annotated[str, typer.Option("--kinds", help="Which files --for writes of each clip.")] = "cube,clf,cdl",
        config: Annotated[Path | None, typer.Option(
            "--config", metavar="FOLDER", help="Write an OpenColorIO configuration into this folder: each camera a "
            "colour space, each correction a view and a look. Corrections may be given as NAME=FILE, "
            "several of one camera as CAMERA:NAME=FILE.", show_default=False)] = None,
        size: Annotated[int, typer.Option("--size", min=2, max=129, help="Points along each axis of a 3D LUT.")] = 65,
        error: Annotated[float | None, typer.Option(
            "--error", metavar="SHARE", help="Choose the LUT's size, and a table ahead of its lattice where one helps, "
            "so that it is nowhere further off the render than this share of full scale, say 0.002.")] = None,
        over: Annotated[str, typer.Option(
            "--over", help="What --error is over: 'cube', every code value from 0 to 1; 'gamut', those that the render "
            "puts inside the display's range; 'frames', those in --frames alone.")] = "cube",
        frames: Annotated[str | None, typer.Option(
            "--frames", metavar="TAKE", help="Frames over whose every pixel the error is measured too, and which "
            "--error holds for as well.")] = None,
        strength: options.Strength = None,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Export the correction as LUTs, and measure how far each is from the render."""
        from huewright.cli.show import caution, progress_line, say
        from huewright.errors import InputError
        from huewright.steps.export import export_all
        from huewright.steps.export_clips import export_for_clips
        from huewright.steps.inputs import at_strength, correction_from, strength_named, take_from
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        if config is not None:
            if for_:
                raise InputError("--config writes a configuration and --for files by clips' names; give one of them")
            _config([str(path) for path in (correction, *(out or ()))], config, strength or (), json_file, size=size,
                    error=error, over=over, frames=None if frames is None else take_from(frames), overwrite=overwrite)
            return
        if not out:
            raise InputError("no file was named to write; name a .cube, .clf or .cdl after the correction, or --config "
                             "and a folder")
        if json_file in out:
            raise InputError(f"{json_file}: named twice; give the figures a file of their own")
        model = at_strength(correction_from(correction), strength_named(strength or ()))
        take = None if frames is None else take_from(frames)
        with progress_line() as progress:
            if for_:
                if len(out) != 1:
                    raise InputError(f"with --for name one folder for the clips' files, not {len(out)}")
                summaries = export_for_clips(
                    model, out[0], for_, kinds=[kind.strip() for kind in kinds.split(",")], size=size, error=error,
                    over=over, frames=take, overwrite=overwrite, progress=progress)  # type: ignore[arg-type]
            else:
                summaries = export_all(model, out, size=size, error=error, over=over,  # type: ignore[arg-type]
                                       frames=take, overwrite=overwrite, progress=progress)
        write_figures(json_file, summaries, overwrite=overwrite)
        for summary in summaries:
            say(f"wrote {summary.path}{_form(summary)}: off the render, of full scale, {_figures(summary)}")
        for one, paths in _by_caution(summaries).items():
            caution(one, "" if len(paths) == len(summaries) > 1 else f"{', '.join(paths)}: ")


def _config(named: list[str], folder: Path, strength: Sequence[str], json_file: Path | None, *, overwrite: bool,
            **how: Any) -> None:
    from huewright.cli.show import caution, progress_line, say
    from huewright.steps.export_config import export_config, named_corrections
    from huewright.steps.inputs import at_strength, correction_from, strength_named
    from huewright.steps.outputs import write_figures
    from huewright.words.handed import config_lines

    files, cameras = named_corrections(named)
    models = {name: at_strength(correction_from(file), strength_named(strength)) for name, file in files.items()}
    with progress_line() as progress:
        summary = export_config(models, folder, cameras=cameras, overwrite=overwrite, progress=progress, **how)
    write_figures(json_file, summary, overwrite=overwrite)
    for one in summary.corrections:
        say(*config_lines(one))
    for said, paths in _by_caution(list(summary.exports)).items():
        caution(said, "" if len(paths) == len(summary.exports) > 1 else f"{', '.join(paths)}: ")
    say(f"wrote {summary.config} and {len(summary.files)} files in {Path(summary.config).parent / 'luts'}")


def _form(summary: ExportSummary) -> str:
    """What the file holds, where a lattice is in it."""
    if summary.size is None:
        return "" if summary.kind == "cdl" else " (no lattice: every step has a node of its own)"
    tables = {"none": "", "bends": ", behind a table that lays its planes close where the correction bends",
              "display": ", behind a table to the display signal"}
    return f" ({summary.size} points along each axis{tables[summary.shaper or 'none']})"


def _figures(summary: ExportSummary) -> str:
    """The errors, each with the colours that it is over."""
    worst = summary.measured
    either = ("" if "tetrahedral_worst" not in worst else
              f" ({worst['tetrahedral_in_gamut_worst']:.2e} and {worst['tetrahedral_worst']:.2e} where a program "
              "interpolates tetrahedrally)")
    frames = ("" if summary.frames_worst is None else
              f"; over every pixel of {summary.frames} frame{'s' if summary.frames > 1 else ''} mean "
              f"{summary.frames_mean:.2e}, worst {summary.frames_worst:.2e}")
    over = {"cube": "over the cube", "gamut": "inside the display's gamut", "frames": "over the frames"}[summary.over]
    asked = "" if summary.asked is None else f"; asked: {summary.asked:g} {over}"
    return (f"mean {summary.mean_error:.2e} over picture-like and random colours together "
            f"({worst['natural_mean']:.2e} and {worst['random_mean']:.2e} apart); worst {worst['in_gamut_worst']:.2e} "
            f"inside the display's gamut, {summary.worst_error:.2e} anywhere in the cube{either}{frames}{asked}")


def _by_caution(summaries: list[ExportSummary]) -> dict[Caution, list[str]]:
    """Each caution with the files that it is about."""
    found: dict[Caution, list[str]] = {}
    for summary in summaries:
        for one in summary.cautions:
            found.setdefault(one, []).append(summary.path)
    return found
