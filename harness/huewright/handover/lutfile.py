"""A correction as a LUT file: its form chosen, the file written, read back by OpenColorIO and measured."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import Operation

from huewright.colorimetry.clf import CLF_FORMAT, clf_transforms, described
from huewright.colorimetry.cube import cube_text
from huewright.colorimetry.deviation import (
    Apply,
    Deviation,
    OverFrames,
    natural_codes,
    over_frames,
    random_codes,
    table_deviation,
    table_ways,
)
from huewright.colorimetry.forms import LutForm, clf_sizes, cube_forms, has_lattice, tables_of
from huewright.colorimetry.luts import apply_with_opencolorio
from huewright.handover.seen import FrameColours
from huewright.progress import Progress, silent

Over = Literal["cube", "gamut", "frames"]


@dataclass(frozen=True)
class Bound:
    """The worst error, of full scale, that a file may have over all code values in the cube, over those of them that
    the render puts inside the display's gamut, or over the frames alone; over the frames, where there are any, in
    every case."""

    error: float
    over: Over = "cube"


@dataclass(frozen=True)
class Measured:
    """Of a file in ``form`` (``None``: it holds no lattice); ``domain`` are the code values that it doesn't limit."""

    form: LutForm | None
    deviation: Deviation
    frames: OverFrames | None
    domain: tuple[float, float] = (0.0, 1.0)

    def worst(self, over: Over) -> float:
        """The error that a :class:`Bound` is held against, in whichever interpolation it is worse."""
        found = [] if self.frames is None else [self.frames.worst]
        if over != "frames":
            name = "worst" if over == "cube" else "in_gamut_worst"
            both = {"worst": self.deviation.worst, **self.deviation.measured}
            found += [both[name], both.get(f"tetrahedral_{name}", 0.0)]
        return max(found, default=0.0)


@dataclass(frozen=True)
class Words:
    """What is written into a file for people."""

    title: str
    comments: Sequence[str]
    takes: str
    gives: str


def forms_for(kind: str, operations: Sequence[Operation]) -> Iterator[LutForm]:
    """Forms in which a "cube" or "clf" may be tried, in the order in which they are liked."""
    if kind == "cube":
        yield from cube_forms(operations)
    else:
        yield from (LutForm("display", size) for size in clf_sizes(operations))


def write_lut(path: Path, kind: str, form: LutForm, operations: Sequence[Operation], words: Words,
              seen: FrameColours | None = None) -> None:
    """``operations`` to ``path`` as a "cube" or a "clf"."""
    domain = _domain(seen)
    if kind == "clf":
        group = described(clf_transforms(operations, form.size, domain), words.title, operations, words.comments,
                          words.takes, words.gives)
        text = group.write(CLF_FORMAT, ocio.Config.CreateRaw())
    else:
        text = cube_text(tables_of(form, operations, domain), words.title, words.comments)
    path.write_text(text, encoding="utf-8", newline="\n")


def measure_lut(path: Path, kind: str, form: LutForm, operations: Sequence[Operation],
                seen: FrameColours | None = None, progress: Progress = silent) -> Measured:
    """How far the file at ``path`` is from ``operations`` where OpenColorIO applies it."""
    ways = table_ways(path, either_way=kind == "cube")
    frames = None if seen is None else over_frames(ways, operations, seen.frames(progress))
    lattice = kind == "cube" or has_lattice(operations)
    return Measured(form if lattice else None, table_deviation(ways, operations), frames,
                    _domain(seen) if kind == "cube" else (-np.inf, np.inf))


def within(kind: str, operations: Sequence[Operation], bound: Bound, seen: FrameColours | None,
           write: Callable[[LutForm], Measured], progress: Progress = silent) -> tuple[Measured, bool]:
    """The first file in the order of :func:`forms_for` that keeps within ``bound``, as ``write`` wrote and measured it,
    and True; if none does, the nearest, and False. What is plainly beyond on sampled colours is not written."""
    forms = list(forms_for(kind, operations))
    tried: list[tuple[float, int]] = []
    for number, form in enumerate(forms):
        progress(number, len(forms), f"trying what keeps a {kind} within {bound.error:g}")
        error = _sampled_error(_in_memory(kind, form, operations, _domain(seen)), operations, bound.over, seen)
        if error <= bound.error and (found := write(form)).worst(bound.over) <= bound.error:
            progress(len(forms), len(forms), f"trying what keeps a {kind} within {bound.error:g}")
            return found, True
        tried.append((error, number))
    progress(len(forms), len(forms), f"trying what keeps a {kind} within {bound.error:g}")
    return write(forms[min(tried)[1]]), False


def _domain(seen: FrameColours | None) -> tuple[float, float]:
    return (0.0, 1.0) if seen is None else (seen.low, seen.high)


def _in_memory(kind: str, form: LutForm, operations: Sequence[Operation],
               domain: tuple[float, float]) -> tuple[Apply, ...]:
    """What a file would do, without writing it."""
    if kind == "clf":
        group = ocio.GroupTransform(clf_transforms(operations, form.size, domain))
        source = ocio.Config.CreateRaw().getProcessor(group)
        return (lambda codes: apply_with_opencolorio(source, codes),)
    tables = tables_of(form, operations, domain)
    chains = [compile_chain(tables.operations(way)) for way in ("trilinear", "tetrahedral")]
    return tuple(lambda codes, chain=chain: run_colours(chain, codes) for chain in chains)


def _sampled_error(ways: Sequence[Apply], operations: Sequence[Operation], over: Over,
                   seen: FrameColours | None) -> float:
    """The worst over sampled colours: of frames, and of the cube or the gamut."""
    codes = np.concatenate([natural_codes(), random_codes()])
    if over == "gamut":
        wanted = run_colours(compile_chain(operations), codes)
        codes = codes[((wanted >= 0) & (wanted <= 1)).all(axis=1)]
    parts = ([] if over == "frames" else [codes]) + ([] if seen is None else [seen.sample])
    return over_frames(ways, operations, [(0, np.concatenate(parts))]).worst
