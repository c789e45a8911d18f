"""Exports a correction as .cube, CLF or ASC CDL, and measures each file against the render by applying it with
OpenColorIO. What each takes is the take's file code values (0..1 of full scale), as the camera recorded them;
what it gives is the full-range display signal. Both are written into the file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from huewright_kernels.ops import HueSectors

from huewright.colorimetry.cdl import cdl_text, fit_cdl
from huewright.colorimetry.clf import clf_transforms
from huewright.colorimetry.deviation import cdl_deviation, cdl_way, over_frames
from huewright.colorimetry.forms import LutForm, Shaper
from huewright.errors import InputError, NoAnswerError
from huewright.files import refuse_existing, whole_file
from huewright.frames.take import Take
from huewright.handover.lutfile import Bound, Measured, Over, Words, measure_lut, within, write_lut
from huewright.handover.seen import FrameColours, frame_colours
from huewright.models import cautions
from huewright.models.cautions import Caution
from huewright.models.correction import Correction, edited_by_hand
from huewright.progress import Progress, silent

KINDS = {"cube": (".cube",), "shaped-cube": (".cube",), "clf": (".clf",), "cdl": (".cdl", ".cc", ".ccc")}
_CDL_FORMATS = {".cdl": "ColorDecisionList", ".cc": "ColorCorrection", ".ccc": "ColorCorrectionCollection"}
TARGET_MEAN = 2e-3
# Beyond these a file gets a caution; common practice for what is seen in a picture, no source.
WORST_IN_GAMUT = 0.02
WORST_BEYOND_GAMUT = 0.05
MANY_POINTS = 65
"""Common practice, no source: lattices beyond that are refused by many programs."""
OVER: tuple[Over, ...] = ("cube", "gamut", "frames")


@dataclass(frozen=True)
class ExportSummary:
    """What was written and how far it is from the render.

    Errors are absolute differences of single channels, of full scale, after both results are limited to 0..1 as an
    integer picture holds them. ``mean_error`` is over picture-like colours (a wide neutral range
    with small departures, code values) and uniformly random ones together; ``worst_error`` is the worst that could be
    found over all code values in 0..1, and lies at ``worst_code``; ``measured`` has them apart:
    ``natural_mean``, ``natural_worst``, ``random_mean``, ``random_worst``; the worst of all colours that the
    render puts inside the display's gamut (each channel in 0..1), ``in_gamut_worst``, and of the picture-like ones
    that it puts beyond, ``natural_beyond_gamut_worst``; for a .cube, which programs interpolate
    either way, ``tetrahedral_mean``, ``tetrahedral_worst`` and ``tetrahedral_in_gamut_worst``; for a CDL the same
    against the correction without its hues, ``natural_mean_of_primaries`` and ``natural_worst_of_primaries``.

    size            points along each axis of the lattice; None: there is none
    shaper          what lies ahead of it: "none", a table by where the correction "bends", or one to the "display"
                    signal; None without a lattice
    frames          of the frames given: how many, ``frames_mean`` and ``frames_worst`` over all of their pixels, in
                    whichever interpolation is worse
    asked, over     the error that was asked for, and over what
    left_out        what a form cannot carry, in words
    """

    path: str
    kind: str
    size: int | None
    takes: str
    gives: str
    mean_error: float
    worst_error: float
    worst_code: tuple[float, float, float]
    measured: dict[str, float] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()
    shaper: Shaper | None = None
    frames: int = 0
    frames_mean: float | None = None
    frames_worst: float | None = None
    asked: float | None = None
    over: Over = "cube"


def export_correction(correction: Correction, path: Path | str, *, size: int = 65, kind: str | None = None,
                      error: float | None = None, over: Over = "cube", frames: Take | None = None,
                      overwrite: bool = False, progress: Progress = silent) -> ExportSummary:
    """Writes ``correction`` to ``path`` in the form of its suffix (or of ``kind``, one of :data:`KINDS`).

    ``size`` is the number of points along each axis of a 3D lattice. ``kind="shaped-cube"`` puts a 1D table ahead of
    the lattice: nearer to the render, and read by fewer programs. With ``error`` size and table are chosen instead: the
    first form, of those that most programs read, whose worst error is no more than that ``over`` the whole cube, over
    the colours that the render puts inside the display's gamut, or over ``frames`` alone; over ``frames``, where given,
    in each case. A CDL carries the primaries only: it goes onto the
    code values, ahead of the same transform to display that an uncorrected picture gets.
    Raises :class:`InputError` for an unknown suffix or kind, a bad size, or an existing file;
    :class:`NoAnswerError`, with what was reached, where no form keeps within ``error``.
    """
    summary, = _export([(correction, Path(path), kind)], size, _bound(error, over, frames), frames,
                       overwrite=overwrite, progress=progress)
    return summary


def export_all(correction: Correction, paths: Sequence[Path | str], *, size: int = 65, error: float | None = None,
               over: Over = "cube", frames: Take | None = None, overwrite: bool = False,
               progress: Progress = silent) -> list[ExportSummary]:
    """:func:`export_correction` for each of ``paths``, if all of them can be made; else none is written."""
    check_exports(correction, paths, size=size, overwrite=overwrite)
    return _export([(correction, Path(path), None) for path in paths], size, _bound(error, over, frames), frames,
                   overwrite=overwrite, progress=progress)


def check_exports(correction: Correction, paths: Sequence[Path | str], *, size: int = 65,
                  overwrite: bool = False) -> None:
    """Raises what :func:`export_correction` would raise for any of ``paths``, and for one that is named twice, before
    any of them is written."""
    for number, path in enumerate(map(Path, paths)):
        if path.absolute() in {Path(other).absolute() for other in paths[:number]}:
            raise InputError(f"{path}: named twice; give each export a name of its own")
        if _checked(path, size, None, overwrite=overwrite) == "clf":
            clf_transforms(correction.operations, size)     # refuses a size that its lattice can't be made in


def _bound(error: float | None, over: Over, frames: Take | None) -> Bound | None:
    if over not in OVER:
        raise InputError(f"the error is over one of {', '.join(OVER)}, not {over!r}")
    if over == "frames" and frames is None:
        raise InputError("--over frames takes --frames, the frames that the error is over")
    if error is None:
        if over != "cube":
            raise InputError("--over takes --error, the error that is to be kept")
        return None
    if not 0 < error < 1:
        raise InputError(f"--error is a share of full scale between 0 and 1, such as 0.002, not {error:g}")
    return Bound(error, over)


def _export(files: Sequence[tuple[Correction, Path, str | None]], size: int, bound: Bound | None, frames: Take | None,
            *, overwrite: bool, progress: Progress) -> list[ExportSummary]:
    """All files or none: they get their names when the last one is made."""
    kinds = [_checked(path, size, kind, overwrite=overwrite) for _, path, kind in files]
    seen = None if frames is None else frame_colours(frames, progress)
    with ExitStack() as waiting:
        return [_made(correction, path, kind, waiting.enter_context(whole_file(path, overwrite=overwrite)), size, bound,
                      seen, progress)
                for (correction, path, _), kind in zip(files, kinds, strict=True)]


def _made(correction: Correction, path: Path, kind: str, temporary: Path, size: int, bound: Bound | None,
          seen: FrameColours | None, progress: Progress) -> ExportSummary:
    if kind == "cdl":
        return _cdl_made(correction, path, temporary, bound, seen, progress)
    takes, gives = footage_words(correction), display_words(correction)
    words = Words("Huewright correction", _comments(correction, takes, gives), takes, gives)
    form_kind = "clf" if kind == "clf" else "cube"

    def write(form: LutForm) -> Measured:
        write_lut(temporary, form_kind, form, correction.operations, words, seen)
        return measure_lut(temporary, form_kind, form, correction.operations, seen, progress)

    if bound is None:
        found, kept = write(LutForm("none" if kind == "cube" else "display", size)), True
    else:
        found, kept = within(form_kind, correction.operations, bound, seen, write, progress)
    if bound is not None and not kept:
        raise NoAnswerError(_not_reached(path, found, bound))
    shaper = None if found.form is None else found.form.shaper
    return ExportSummary(
        str(path), kind, None if found.form is None else found.form.size, takes, gives, found.deviation.mean,
        found.deviation.worst, found.deviation.worst_code, found.deviation.measured, (),
        _cautions(correction, form_kind, found, bound), shaper, **_over_frames(found, seen), **_asked(bound))


def _over_frames(found: Measured, seen: FrameColours | None) -> dict[str, Any]:
    if found.frames is None or seen is None:
        return {}
    return {"frames": len(seen.take), "frames_mean": found.frames.mean, "frames_worst": found.frames.worst}


def _asked(bound: Bound | None) -> dict[str, Any]:
    return {} if bound is None else {"asked": bound.error, "over": bound.over}


def _not_reached(path: Path, found: Measured, bound: Bound) -> str:
    """What was reached instead, and what to do."""
    form, dev = found.form, found.deviation
    made = ("a CDL" if path.suffix.lower() in _CDL_FORMATS else "its nodes alone" if form is None else
            f"a lattice of {form.size} points along each axis" + (
                "" if form.shaper == "none" or path.suffix.lower() == ".clf" else ", with a table ahead of it"))
    frames = "" if found.frames is None else f", {_up(found.frames.worst)} over the frames"
    code = ", ".join(f"{value:.4g}" for value in dev.worst_code)
    better = "" if bound.over != "cube" else "; --over gamut asks it only of colours that the display can show"
    return (f"{path}: no form keeps within {bound.error:g}; the nearest, {made}, is {_up(found.worst('cube'))} off "
            f"over the cube (at code values {code}), {_up(found.worst('gamut'))} over colours inside the display's "
            f"gamut{frames}; nothing was written: render instead, or ask for what can be reached{better}")


def _up(error: float) -> str:
    """Two digits, rounded up, so that what is said is kept."""
    if error <= 0:
        return "0"
    step = 10.0 ** (math.floor(math.log10(error)) - 1)
    return f"{math.ceil(error / step - 1e-9) * step:.2g}"


def _checked(path: Path, size: int, kind: str | None, *, overwrite: bool) -> str:
    """The kind of export at ``path``, if it can be made."""
    kind = _kind(path, kind)
    if not 2 <= size <= 129:
        raise InputError(f"--size is the points along each axis of a 3D LUT, 2 to 129, not {size}")
    refuse_existing(path, overwrite=overwrite)
    return kind


def footage_words(correction: Correction) -> str:
    """What the LUT takes, for people: the take's code values and what they mean."""
    footage = correction.footage
    levels = f"legal-range code values of {footage.bits} bits" if footage.range == "legal" else "full-range code values"
    kinds = {"display": "a display picture", "linear": "linear light"}
    return f"{levels}, 0..1 of full scale, as recorded: {kinds.get(footage.encoding, f'log {footage.encoding}')}"


def display_words(correction: Correction) -> str:
    return f"display signal {correction.display}, full range, 0..1"


def _kind(path: Path, kind: str | None) -> str:
    suffix = path.suffix.lower()
    if kind is None:
        kind = next((name for name, suffixes in KINDS.items() if suffix in suffixes), None)
        if kind is None:
            raise InputError(f"{path}: no export ends in {suffix or 'nothing'}; use .cube, .clf, .cdl, .cc or .ccc")
    elif kind not in KINDS:
        raise InputError(f"no export is called {kind!r}; known: {', '.join(KINDS)}")
    elif suffix not in KINDS[kind]:
        raise InputError(f"{path}: a {kind} file ends in {' or '.join(KINDS[kind])}")
    return kind


def _comments(correction: Correction, takes: str, gives: str) -> list[str]:
    return [f"takes: {takes}", f"gives: {gives}", "put it straight onto the camera's code values, with no other "
            "transform to display before or after", f"solved by huewright ({correction.method})"]


def _cautions(correction: Correction, kind: str, found: Measured, bound: Bound | None) -> tuple[Caution, ...]:
    said, measured = _edited(correction), found.deviation.measured
    limits: tuple[tuple[cautions.Colours, str, float], ...] = (
        ("picture-like", "natural_mean", TARGET_MEAN), ("random", "random_mean", TARGET_MEAN),
        ("in-gamut", "in_gamut_worst", WORST_IN_GAMUT),
        ("beyond-gamut", "natural_beyond_gamut_worst", WORST_BEYOND_GAMUT))
    beyond = tuple(cautions.Beyond(colours, measured[key]) for colours, key, limit in limits if measured[key] > limit)
    if beyond:
        said.append(cautions.ExportOff(beyond, TARGET_MEAN, WORST_IN_GAMUT, WORST_BEYOND_GAMUT, kind == "clf"))
    if kind == "cube":
        said.append(cautions.CubeLimitsCodes(*found.domain))
    if kind == "cube" and found.form is not None and found.form.shaper != "none":
        said.append(cautions.CubeHasShaper())
    if found.form is not None and found.form.size > MANY_POINTS:
        said.append(cautions.LatticeLarge(found.form.size, MANY_POINTS))
    if correction.footage.range == "legal":
        said.append(cautions.LegalCodesTaken())
    return tuple(said)


def _edited(correction: Correction) -> list[Caution]:
    return [cautions.Edited()] if edited_by_hand(correction) else []


def _cdl_made(correction: Correction, path: Path, temporary: Path, bound: Bound | None, seen: FrameColours | None,
              progress: Progress) -> ExportSummary:
    cdl = fit_cdl(correction.operations, correction.neutral_operations)
    takes = footage_words(correction)
    gives = "the same code values with the primaries corrected; the usual transform to display comes after"
    left_out = tuple(_left_out(correction))
    text = cdl_text(cdl, _CDL_FORMATS[path.suffix.lower()], "huewright-primaries",
                    [f"takes: {takes}", f"gives: {gives}", *(f"leaves out {what}" for what in left_out)])
    temporary.write_text(text, encoding="utf-8", newline="\n")
    off = cdl_deviation(temporary, correction.operations, correction.neutral_operations)
    frames = None if seen is None else over_frames([cdl_way(temporary, correction.neutral_operations)],
                                                   correction.operations, seen.frames(progress))
    found = Measured(None, off, frames)
    if bound is not None and found.worst(bound.over) > bound.error:
        raise NoAnswerError(_not_reached(path, found, bound))
    caution = cautions.CdlLeavesOut(left_out, off.measured["natural_mean"], off.measured["natural_worst"])
    return ExportSummary(str(path), "cdl", None, takes, gives, off.mean, off.worst, off.worst_code, off.measured,
                         left_out, (*_edited(correction), caution), **_over_frames(found, seen), **_asked(bound))


def _left_out(correction: Correction) -> list[str]:
    words = []
    if any(isinstance(item, HueSectors) for item in correction.operations):
        words.append("every rotation and gain of hues")
    words.append("whatever of exposure, balance and tone three numbers a channel cannot follow")
    words.append("the transform to display itself")
    return words


__all__ = ["KINDS", "OVER", "Caution", "ExportSummary", "Over", "check_exports", "export_all", "export_correction"]
