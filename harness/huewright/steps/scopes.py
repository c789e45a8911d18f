"""Scopes of any frame: as it is, or before and after a correction."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from huewright_kernels.executor import compile_chain, run

from huewright.files import refuse_existing
from huewright.frames.take import Take
from huewright.models.cautions import Caution, Edited
from huewright.models.correction import Correction, edited_by_hand
from huewright.models.footage import Footage
from huewright.progress import Progress, silent
from huewright.provenance.takes import kind_cautions
from huewright.report.scopes import DRAWN, frame_scopes

AS_IT_IS = ("as it is",)


@dataclass(frozen=True)
class ScopesSummary:
    """``files`` are those drawn, in ``out``; ``display`` is the display whose signal they show."""

    out: str
    files: tuple[str, ...]
    display: str
    cautions: tuple[Caution, ...] = ()


def draw_scopes(take: Take, out_dir: Path | str, *, correction: Correction | None = None,
                range_: str | None = None, bits: int | None = None, display: str = "bt709", overwrite: bool = False,
                progress: Progress = silent) -> ScopesSummary:
    """Waveform, parade and vectorscope of each frame of ``take`` as PNG, named after the frame's file.

    With a ``correction`` they stand side by side, before and after, on its display. Without one the file's code values
    are the signal of ``display``, in ``range_`` of ``bits`` (None: a movie's own; full of pictures). Raises
    :class:`InputError` where a picture exists.
    """
    out = Path(out_dir)
    names = {number: f"{Path(take.file_name(number)).stem}-" for number in take.numbers}
    for prefix in names.values():
        for kind in DRAWN:
            refuse_existing(out / f"{prefix}{kind}.png", overwrite=overwrite)
    if correction is None:
        chains = [compile_chain(Footage(range=range_ or take.code_range, bits=bits or take.code_bits).to_code_float())]
    else:
        display = correction.display
        chains = [compile_chain(correction.neutral_operations), compile_chain(correction.operations)]
    files: list[str] = []
    for done, (number, prefix) in enumerate(names.items()):
        progress(done, len(names), "drawing")
        codes = np.ascontiguousarray(take.frame(number).rgb_float())
        pictures = [np.asarray(run(chain, codes)) for chain in chains]
        labels = {} if correction is not None else {"names": AS_IT_IS}
        drawn = frame_scopes(pictures, display=display, out_dir=out, prefix=prefix, overwrite=overwrite, **labels)
        files += drawn.values()
    progress(len(names), len(names), "drawing")
    said: list[Caution] = []
    if correction is not None:
        said += [Edited()] if edited_by_hand(correction) else []
        said += kind_cautions(take, correction.provenance.files_kind or "")
    return ScopesSummary(str(out), tuple(files), display, tuple(said))
