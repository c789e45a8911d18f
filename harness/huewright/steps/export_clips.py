"""A correction's files under the names of the clips that they are for, so that programs which pair them by name do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from huewright.errors import InputError
from huewright.files import whole_file
from huewright.frames.take import Take
from huewright.handover.clips import clip_name
from huewright.models.correction import Correction
from huewright.progress import Progress, silent
from huewright.steps.export import ExportSummary, Over, check_exports, export_all

KINDS = ("cube", "clf", "cdl")


def export_for_clips(correction: Correction, folder: Path | str, clips: Sequence[str], *,
                     kinds: Sequence[str] = KINDS, size: int = 65, error: float | None = None, over: Over = "cube",
                     frames: Take | None = None, overwrite: bool = False,
                     progress: Progress = silent) -> list[ExportSummary]:
    """Writes ``CLIPNAME.cube`` and so on into ``folder`` for each of ``clips``, named as people name them (a movie,
    ``a.####.exr``, a folder of frames): made and measured once, and copied to the other names.

    kinds   of :data:`KINDS`; the rest as in :func:`huewright.steps.export.export_correction`
    Raises :class:`InputError` for an unknown kind, for clips that are called alike, and where any of the files exists,
    before anything is written.
    """
    strange = next((kind for kind in kinds if kind not in KINDS), None)
    if strange is not None or not kinds:
        raise InputError(f"files for clips are of the kinds {', '.join(KINDS)}, not {strange or 'none'!r}")
    names = [clip_name(clip) for clip in clips]
    for number, name in enumerate(names):
        first = next(at for at, other in enumerate(names) if other.casefold() == name.casefold())
        if first != number:
            raise InputError(f"{clips[first]} and {clips[number]} are both called {name}, so their files would be one; "
                             "export them into folders of their own")
    if Path(folder).exists() and not Path(folder).is_dir():
        raise InputError(f"{folder} is no folder; with --for name the folder that the clips' files go into")
    places = [[Path(folder) / f"{name}.{kind}" for kind in dict.fromkeys(kinds)] for name in names]
    check_exports(correction, [path for row in places for path in row], size=size, overwrite=overwrite)
    made = export_all(correction, places[0], size=size, error=error, over=over, frames=frames, overwrite=overwrite,
                      progress=progress)
    summaries = list(made)
    for row in places[1:]:
        for source, path, summary in zip(places[0], row, made, strict=True):
            with whole_file(path, overwrite=overwrite) as temporary:
                temporary.write_bytes(source.read_bytes())
            summaries.append(replace(summary, path=str(path)))
    return summaries
