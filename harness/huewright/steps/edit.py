"""Notes corrections in an edit: a CDL and a LUT file of each, and the edit that names them at its clips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from huewright.errors import InputError
from huewright.files import refuse_existing, write_text
from huewright.handover.edit import Handed, Noted, Stated, clips_found, note_corrections
from huewright.models.cautions import Caution, EditMediaRelative
from huewright.models.correction import load_correction
from huewright.progress import Progress, silent
from huewright.steps.export import ExportSummary, check_exports, export_all

LUTS = ("cube", "clf")


@dataclass(frozen=True)
class EditSummary:
    """``edit`` is the file written; ``clips`` are those that it uses, in its order; ``exports`` the files made, a CDL
    and a LUT for each correction that a clip has; ``cautions`` are about the edit itself."""

    edit: str
    clips: tuple[Noted, ...]
    exports: tuple[ExportSummary, ...] = ()
    cautions: tuple[Caution, ...] = ()


def edit_with(edit: Path | str, out: Path | str, handed: Mapping[str, Handed], others: Handed | None = None, *,
              replace_cdl: bool = False, overwrite: bool = False) -> tuple[Noted, ...]:
    """Writes ``edit`` to ``out`` with what ``handed`` says noted at its clips: clip -> correction, CDL file, LUT file.

    Raises as :func:`huewright.handover.edit.note_corrections`, and where ``out`` exists.
    """
    refuse_existing(out, overwrite=overwrite)
    text, noted = note_corrections(edit, handed, others, beside=Path(out).absolute().parent, replace=replace_cdl)
    write_text(out, text, overwrite=overwrite)
    return noted


def hand_to_edit(edit: Path | str, out: Path | str, corrections: Mapping[str, Path], others: Path | None = None, *,
                 lut: str = "cube", size: int = 65, error: float | None = None, replace_cdl: bool = False,
                 overwrite: bool = False, progress: Progress = silent) -> EditSummary:
    """Makes a CDL and a LUT of every correction that a clip of ``edit`` has, beside ``out``, and writes the edit there.

    corrections   clip (a movie, ``a.####.exr``, a folder) -> correction file
    others        correction file for every clip with media that is none of those
    lut           "cube" or "clf"; ``size``, and ``error`` over the cube, as in
                  :func:`huewright.steps.export.export_correction`
    Raises :class:`InputError` for an edit or a correction that can't be read, where no clip has a correction, and where
    a file exists, before anything is written.
    """
    out = Path(out)
    if lut not in LUTS:
        raise InputError(f"a LUT in an edit is one of {', '.join(LUTS)}, not {lut!r}")
    if out.suffix.lower() != ".otio":
        raise InputError(f"{out}: an edit is written in OpenTimelineIO's own form; end its name in .otio")
    refuse_existing(out, overwrite=overwrite)
    if not corrections and others is None:
        raise InputError("no correction was named; give --for CLIP=CORRECTION, or --correction for all clips")
    noted = clips_found(edit, list(corrections), others=others is not None, replace=replace_cdl)
    keys = dict.fromkeys(one.named for one in noted if one.named is not None)
    if not keys:
        raise InputError(f"{edit}: none of its clips has a correction; they are {_clip_list(noted)}, and corrections "
                         f"were named for {', '.join(corrections) or 'others with media'}")
    files = {key: others if key == "" and others is not None else corrections[key] for key in keys}
    models = {file: load_correction(file) for file in dict.fromkeys(files.values())}
    places = {file: (out.parent / f"{name}.cdl", out.parent / f"{name}.{lut}")
              for file, name in _names(list(models)).items()}
    for file, model in models.items():
        check_exports(model, places[file], size=size, overwrite=overwrite)
    handed, exports = {}, []
    for file, model in models.items():
        cdl, = export_all(model, places[file][:1], overwrite=overwrite, progress=progress)
        table, = export_all(model, places[file][1:], size=size, error=error, overwrite=overwrite, progress=progress)
        exports += [cdl, table]
        handed[file] = Handed(str(file), *places[file], _stated(cdl), _stated(table), cdl.left_out)
    edit_with(edit, out, {key: handed[file] for key, file in files.items() if key},
              handed[files[""]] if "" in files else None, replace_cdl=replace_cdl, overwrite=overwrite)
    return EditSummary(str(out), noted, tuple(exports), edit_cautions(edit, out, noted))


def edit_cautions(edit: Path | str, out: Path | str, noted: Sequence[Noted]) -> tuple[Caution, ...]:
    """Of ``edit`` written to ``out``."""
    relative = sum(one.clip.beside for one in noted)
    moved = Path(edit).absolute().parent.resolve() != Path(out).absolute().parent.resolve()
    return (EditMediaRelative(relative),) if relative and moved else ()


def _stated(summary: ExportSummary) -> Stated:
    return Stated(summary.mean_error, summary.worst_error)


def _names(files: Sequence[Path]) -> dict[Path, str]:
    """What each correction's files are called: as it is, with its folder's name where several are called alike."""
    found: dict[Path, str] = {}
    for file in files:
        alike = sum(other.stem.casefold() == file.stem.casefold() for other in files) > 1
        name = f"{file.absolute().parent.name}-{file.stem}" if alike else file.stem
        number = 2
        whole = name
        while whole.casefold() in {other.casefold() for other in found.values()}:
            whole, number = f"{name}-{number}", number + 1
        found[file] = whole
    return found


def _clip_list(noted: Sequence[Noted]) -> str:
    names = list(dict.fromkeys(one.clip.name or str(one.clip.media or "a clip without a name") for one in noted))
    return "none" if not names else ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
