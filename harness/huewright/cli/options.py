"""Options that several verbs share, in one wording."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Take = Annotated[str, typer.Argument(help="Frames: shot.%04d.exr, 'shot.####.dpx', a folder, one file, or a movie. "
                                     "'shot.####.exr:10-90,120' takes part of a sequence, 'stills/*.exr' what matches; "
                                     "clip.mov:100-240 (counted from 0) and clip.mov:01:00:04:00-01:00:10:00 part of a "
                                     "movie, clip.mov:range=full,matrix=bt601 with other tags than its own.",
                                show_default=False)]
CardFile = Annotated[Path, typer.Option("--card", help="The card file (TOML) that describes your card.",
                                        show_default=False)]
JsonFile = Annotated[Path | None, typer.Option("--json", help="Also write the result to this file as JSON.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace files that exist already.")]


def _list_encodings(value: str) -> str:
    """Prints what `--encoding` takes and stops, where a person asks for the list."""
    if value.strip().casefold() == "list":
        from huewright.steps.inputs import encoding_names

        print("\n".join(encoding_names()))
        raise typer.Exit()
    return value


Encoding = Annotated[str, typer.Option(
    "--encoding", show_default=False, is_eager=True, callback=_list_encodings,
    help="What the code values mean: the name of a camera log curve (say ACEScct), 'linear', 'display' for footage "
    "that already looks right, or 'through-look' where --look is all that you know. Six numbers work too: "
    "'base=10,log_side_slope=0.25,...'. 'list' prints the names.")]
CodeRange = Annotated[str | None, typer.Option("--range", help="Code range of the files: full or legal; if not given, "
                                                "what a movie's tags say, and full for pictures.")]
Bits = Annotated[int | None, typer.Option("--bits", help="Bit depth that a legal range refers to: 8, 10, 12 or 16; if "
                                          "not given, a movie's, and 10 for pictures.")]
Primaries = Annotated[str | None, typer.Option("--primaries", help="RGB primaries of the camera's linear light, by the "
                                               "name that colour-science knows; BT.709's if not given.")]
Look = Annotated[str | None, typer.Option("--look", help="A LUT file to use instead of the display transfer.")]
LookInput = Annotated[str, typer.Option("--look-input", help="What the look LUT expects: log or linear.")]
OcioConfig = Annotated[str | None, typer.Option("--ocio-config", help="An OpenColorIO config; then --encoding names "
                                              "one of its colour spaces.")]
Display = Annotated[str, typer.Option("--display", help="Display target: bt709, bt2020, pq or hlg.")]
Targets = Annotated[str, typer.Option("--targets", help="Where chips shall land: 'vectorscope' (towards the 75 % "
                                      "bar of their name) or 'colorimetric' (the card's reference colours).")]
Fraction = Annotated[float, typer.Option("--fraction", help="How far towards its 75 % bar a "
                                         "chip shall land (common practice: half-way).")]
Level = Annotated[list[str] | None, typer.Option("--level", metavar="BAR=IRE", help="Put this grey bar at this level "
                                                 "instead of the card's, say middle=41; as often as there are bars.")]
ChipFraction = Annotated[list[str] | None, typer.Option(
    "--chip-fraction", metavar="CHIP=SHARE", help="--fraction for one chip, by its name or its hue's, say red=0.55.")]
Nudge = Annotated[list[str] | None, typer.Option(
    "--nudge", metavar="CHIP=DEGREES", help="Turn a chip's target on the vectorscope, counter-clockwise, by its name "
    "or its hue's, say red=+1.5; the proof holds the chip against the turned target and says so.")]
Strength = Annotated[list[str] | None, typer.Option(
    "--strength", metavar="[hues=|levels=]SHARE", help="Do only a share of the correction, 0 to 1: of the hues, of the "
    "levels (exposure, balance, tone), or of both. Chips and bars then stop on the way to their targets.")]
Method = Annotated[str, typer.Option("--method", help="sectors, matrix-sectors (a matrix first, for a "
                                     "sensor's own colours), spectral-sectors (both fitted to more things than the "
                                     "card), balance, matrix, polynomial-2 or polynomial-3.")]
TrustEncoding = Annotated[bool, typer.Option(
    "--trust-encoding", help="Go on where the card's bars contradict --encoding or --range; the correction and the "
    "page record that it was at your word.")]
Corners = Annotated[tuple[str, str, str, str] | None, typer.Option(
    "--corners", metavar="X,Y X,Y X,Y X,Y", help="The card's four corners in pixels, clockwise from the card's own top "
    "left. Corners given by hand win over finding.")]
EveryFrame = Annotated[bool, typer.Option("--every-frame", help="Look at each frame of a long take, not only where the "
                                          "card is.")]
TakeIn = Annotated[str | None, typer.Option(
    "--take-in", metavar="FRAMES", help="Merge these frames whatever their grade, say 1003,1010-1012; the best of the "
    "others fill up what is left.")]
LeaveOut = Annotated[str | None, typer.Option("--leave-out", metavar="FRAMES", help="Leave these frames out of the "
                                              "merge, and of all that frames are compared by.")]
CornersAt = Annotated[list[str] | None, typer.Option(
    "--corners-at", metavar="'FRAME=X,Y X,Y X,Y X,Y'", help="The card's four corners in one frame, as --corners gives "
    "them for all; as often as there are such frames.")]
Threads = Annotated[int | None, typer.Option("--threads", min=1, help="Threads to use; all cores if not given.")]

Device = Annotated[str, typer.Option("--device", help="What computes: cpu; cuda, every NVIDIA GPU there is; or cuda:N, "
                                     "one of them. The bytes are the same; nothing is taken that was not named.")]

On = Annotated[str | None, typer.Option("--on", metavar="tcp://HOST:PORT", help="Render over the workers of the Dask "
                                        "scheduler at this address, which you trust and whose workers see the same "
                                        "paths (`huewright help several-machines`). The bytes are the same.")]


def corners_from(texts: tuple[str, str, str, str] | None) -> tuple[tuple[float, float], ...] | None:
    """Four corners from four 'x,y' texts, or None; :class:`InputError` if they are not that."""
    from huewright.errors import InputError

    if not texts:
        return None
    try:
        points = tuple((float(x), float(y)) for x, y in (text.split(",") for text in texts))
    except ValueError:
        points = ()
    if len(points) != 4:
        raise InputError(f"--corners takes four points x,y in pixels, clockwise from the card's own top left, as "
                         f"--corners 90,80 820,95 810,600 85,590; not {' '.join(texts)}")
    return points
