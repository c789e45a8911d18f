"""Exports a correction as .cube, CLF or ASC CDL, and measures each file against the render by applying it with
OpenColorIO. What each takes is the take's file code values (0..1 of full scale), as the camera recorded them;
what it gives is the full-range display signal. Both are written into the file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.ops import HueSectors

from huewright.colorimetry.cdl import cdl_text, fit_cdl
from huewright.colorimetry.clf import CLF_FORMAT, clf_transforms, described
from huewright.colorimetry.cube import cube_text, shaped_cube_text
from huewright.colorimetry.deviation import cdl_deviation, table_deviation
from huewright.colorimetry.lattice import code_lattice
from huewright.errors import InputError
from huewright.files import refuse_existing, whole_file
from huewright.models import cautions
from huewright.models.cautions import Caution
from huewright.models.correction import Correction, edited_by_hand

KINDS = {"cube": (".cube",), "shaped-cube": (".cube",), "clf": (".clf",), "cdl": (".cdl", ".cc", ".ccc")}
_CDL_FORMATS = {".cdl": "ColorDecisionList", ".cc": "ColorCorrection", ".ccc": "ColorCorrectionCollection"}
TARGET_MEAN = 2e-3
# Beyond these a file gets a caution; common practice for what is seen in a picture, no source.
WORST_IN_GAMUT = 0.02
WORST_BEYOND_GAMUT = 0.05


@dataclass(frozen=True)
class ExportSummary:
    """What was written and how far it is from the render.

    Errors are absolute differences of single channels, of full scale, after both results are limited to 0..1 as an
    integer picture holds them. ``mean_error`` and ``worst_error`` are over picture-like colours (a wide neutral range
    with small departures, code values) and uniformly random ones together; ``measured`` has them apart:
    ``natural_mean``, ``natural_worst``, ``random_mean``, ``random_worst``; and the worst of all colours that the
    render puts inside the display's gamut (each channel in 0..1), ``in_gamut_worst``, and of the picture-like ones
    that it puts beyond, ``natural_beyond_gamut_worst``; for a .cube, which programs interpolate
    either way, ``tetrahedral_mean`` and ``tetrahedral_worst``; for a CDL the same against the correction without its
    hues, ``natural_mean_of_primaries`` and ``natural_worst_of_primaries``.

    worst_code      the code values at which the worst error lies
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


def export_correction(correction: Correction, path: Path | str, *, size: int = 65, kind: str | None = None,
                      overwrite: bool = False) -> ExportSummary:
    """Writes ``correction`` to ``path`` in the form of its suffix (or of ``kind``, one of :data:`KINDS`).

    ``size`` is the number of points along each axis of a 3D lattice. ``kind="shaped-cube"`` puts a 1D table ahead of
    the lattice: nearer to the render, and read by fewer programs. A CDL carries the primaries only: it goes onto the
    code values, ahead of the same transform to display that an uncorrected picture gets.
    Raises :class:`InputError` for an unknown suffix or kind, a bad size, or an existing file.
    """
    path = Path(path)
    kind = _checked(path, size, kind, overwrite=overwrite)
    if kind == "cdl":
        return _export_cdl(correction, path, overwrite=overwrite)
    takes, gives = footage_words(correction), display_words(correction)
    comments = _comments(correction, takes, gives)
    title = "Huewright correction"
    if kind == "clf":
        group = described(clf_transforms(correction.operations, size), title, correction.operations, comments, takes,
                          gives)
        text = group.write(CLF_FORMAT, ocio.Config.CreateRaw())
    elif kind == "cube":
        text = cube_text(code_lattice(correction.operations, size), title, comments)
    else:
        text = shaped_cube_text(correction.operations, size, title, comments)
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    found = table_deviation(path, correction.operations, either_way=kind == "cube")
    lattice = kind != "clf" or any(isinstance(item, HueSectors) for item in correction.operations)
    return ExportSummary(str(path), kind, size if lattice else None, takes, gives, found.mean, found.worst,
                         found.worst_code, found.measured, (), _cautions(correction, kind, found.measured))


def export_all(correction: Correction, paths: Sequence[Path | str], *, size: int = 65,
               overwrite: bool = False) -> list[ExportSummary]:
    """:func:`export_correction` for each of ``paths``, if all of them can be made; else none is written."""
    check_exports(correction, paths, size=size, overwrite=overwrite)
    return [export_correction(correction, path, size=size, overwrite=overwrite) for path in paths]


def check_exports(correction: Correction, paths: Sequence[Path | str], *, size: int = 65,
                  overwrite: bool = False) -> None:
    """Raises what :func:`export_correction` would raise for any of ``paths``, and for one that is named twice, before
    any of them is written."""
    for number, path in enumerate(map(Path, paths)):
        if path.absolute() in {Path(other).absolute() for other in paths[:number]}:
            raise InputError(f"{path}: named twice; give each export a name of its own")
        if _checked(path, size, None, overwrite=overwrite) == "clf":
            clf_transforms(correction.operations, size)     # refuses a size that its lattice can't be made in


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


def _cautions(correction: Correction, kind: str, measured: dict[str, float]) -> tuple[Caution, ...]:
    said = _edited(correction)
    limits: tuple[tuple[cautions.Colours, str, float], ...] = (
        ("picture-like", "natural_mean", TARGET_MEAN), ("random", "random_mean", TARGET_MEAN),
        ("in-gamut", "in_gamut_worst", WORST_IN_GAMUT),
        ("beyond-gamut", "natural_beyond_gamut_worst", WORST_BEYOND_GAMUT))
    beyond = tuple(cautions.Beyond(colours, measured[key]) for colours, key, limit in limits if measured[key] > limit)
    if beyond:
        said.append(cautions.ExportOff(beyond, TARGET_MEAN, WORST_IN_GAMUT, WORST_BEYOND_GAMUT, kind == "clf"))
    if kind in ("cube", "shaped-cube"):
        said.append(cautions.CubeLimitsCodes())
    if kind == "shaped-cube":
        said.append(cautions.CubeHasShaper())
    if correction.footage.range == "legal":
        said.append(cautions.LegalCodesTaken())
    return tuple(said)


def _edited(correction: Correction) -> list[Caution]:
    return [cautions.Edited()] if edited_by_hand(correction) else []


def _export_cdl(correction: Correction, path: Path, *, overwrite: bool) -> ExportSummary:
    cdl = fit_cdl(correction.operations, correction.neutral_operations)
    takes = footage_words(correction)
    gives = "the same code values with the primaries corrected; the usual transform to display comes after"
    left_out = tuple(_left_out(correction))
    text = cdl_text(cdl, _CDL_FORMATS[path.suffix.lower()], "huewright-primaries",
                    [f"takes: {takes}", f"gives: {gives}", *(f"leaves out {what}" for what in left_out)])
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    found = cdl_deviation(path, correction.operations, correction.neutral_operations)
    caution = cautions.CdlLeavesOut(left_out, found.measured["natural_mean"], found.measured["natural_worst"])
    return ExportSummary(str(path), "cdl", None, takes, gives, found.mean, found.worst, found.worst_code,
                         found.measured, left_out, (*_edited(correction), caution))


def _left_out(correction: Correction) -> list[str]:
    words = []
    if any(isinstance(item, HueSectors) for item in correction.operations):
        words.append("every rotation and gain of hues")
    words.append("whatever of exposure, balance and tone three numbers a channel cannot follow")
    words.append("the transform to display itself")
    return words


__all__ = ["KINDS", "Caution", "ExportSummary", "check_exports", "export_all", "export_correction"]
