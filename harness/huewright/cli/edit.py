"""`huewright edit`: the corrections of its clips noted in an edit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from huewright.cli import options

if TYPE_CHECKING:
    from huewright.steps.edit import EditSummary


def register(app: typer.Typer) -> None:
    @app.command(epilog="Example: huewright edit scene.otio graded/scene.otio --for 'a.####.exr=correction.json'")
    def edit(
        source: Annotated[Path, typer.Argument(metavar="EDIT", help="An edit as OpenTimelineIO writes it: .otio.",
                                               show_default=False)],
        out: Annotated[Path, typer.Argument(help="The edit to write, .otio; CDL and LUT files go beside it.",
                                            show_default=False)],
        for_: Annotated[list[str] | None, typer.Option(
            "--for", metavar="CLIP=CORRECTION", help="The correction of one clip: its movie, frames such as "
            "'a.####.exr' or their folder; as often as there are clips.")] = None,
        correction: Annotated[Path | None, typer.Option(
            "--correction", help="The correction of every clip with media that no --for names.",
            show_default=False)] = None,
        lut: Annotated[str, typer.Option("--lut", help="What LUT goes beside the CDL: cube or clf.")] = "cube",
        size: Annotated[int, typer.Option("--size", min=2, max=129, help="Points along each axis of a 3D LUT.")] = 65,
        error: Annotated[float | None, typer.Option(
            "--error", metavar="SHARE", help="Choose the LUT's size so that it is nowhere further off the render than "
            "this share of full scale.")] = None,
        replace_cdl: Annotated[bool, typer.Option("--replace-cdl", help="Replace CDLs that clips have.")] = False,
        json_file: options.JsonFile = None,
        overwrite: options.Overwrite = False,
    ) -> None:
        """Note corrections in an edit: each clip's CDL and LUT, and which clips have none.

        Nothing else in the edit changes. A CDL can't hold all of a correction; how far it and the LUT are from the
        render is printed and noted beside them.
        """
        from huewright.cli.show import caution, progress_line, say
        from huewright.errors import InputError
        from huewright.steps.edit import hand_to_edit
        from huewright.steps.outputs import refuse_outputs, write_figures

        refuse_outputs(json_file, overwrite=overwrite)
        pairs: dict[str, Path] = {}
        for text in for_ or ():
            clip, equals, path = text.rpartition("=")
            if not equals or not clip or not path:
                raise InputError(f"--for takes a clip and its correction, such as --for 'a.####.exr=correction.json', "
                                 f"not {text!r}")
            if clip in pairs:
                raise InputError(f"--for names {clip} twice; give it one correction")
            pairs[clip] = Path(path)
        with progress_line() as progress:
            summary = hand_to_edit(source, out, pairs, correction, lut=lut, size=size, error=error,
                                   replace_cdl=replace_cdl, overwrite=overwrite, progress=progress)
        write_figures(json_file, summary, overwrite=overwrite)
        for line in _lines(summary):
            say(line)
        for made in summary.exports:
            inside = made.measured["in_gamut_worst"]
            say(f"wrote {made.path}: off the render, of full scale, mean {made.mean_error:.2e}, worst "
                f"{made.worst_error:.2e} over the cube, {inside:.2e} inside the display's gamut")
            for one in made.cautions:
                caution(one, f"{made.path}: ")
        say(f"wrote {summary.edit}: {_count(summary)}")
        for one in summary.cautions:
            caution(one)


def _lines(summary: EditSummary) -> list[str]:
    """What each clip is and has."""
    from huewright.words.handed import BY, could_be_words

    lines = []
    for one in summary.clips:
        clip = one.clip
        span = f", {clip.first} to {clip.last} at {clip.rate:g} a second" if clip.rate else ""
        media = "no media" if clip.media is None else clip.media.name
        if one.named is not None:
            has = f"corrected as {one.named}, {BY[one.how or 'path']}" if one.named else "corrected as all others"
        elif one.several:
            has = could_be_words(one.several)
        else:
            has = "no correction"
        lines.append(f"{clip.track or 'video'}: {clip.name or 'without a name'} ({media}{span}): {has}")
    return lines


def _count(summary: EditSummary) -> str:
    with_one = sum(one.named is not None for one in summary.clips)
    without = len(summary.clips) - with_one
    return f"{with_one} clip{'s' * (with_one != 1)} with a correction, {without} without"
