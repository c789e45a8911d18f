"""Renders a correction over a take: read, compute, write, overlapped, in the files' own number formats.

Each worker thread takes whole frames: it reads one, runs the chain straight from the file's numbers to the output's
(in place where they are the same), and writes it whole. Reading, computing and writing hold no interpreter lock,
so workers overlap each other's waiting and computing. What a frame's bytes are depends on nothing but the frame.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from huewright.errors import InputError
from huewright.frames.conversion import is_float
from huewright.frames.sequence import MOVIE_SUFFIXES
from huewright.frames.take import Take
from huewright.models import cautions
from huewright.models.cautions import Caution
from huewright.models.correction import Correction, edited_by_hand
from huewright.models.footage import RANGES
from huewright.progress import Progress, silent
from huewright.provenance.takes import kind_cautions, tag_cautions
from huewright.rendering.outputs import checked_outputs

log = logging.getLogger(__name__)

if TYPE_CHECKING:
    from huewright_kernels.ops import Operation

    from huewright.rendering.job import Tally

LANES = 4
"""Frames under way on each GPU, at the most: one that goes there, one that is computed, one that comes back, one that
waits."""
DEFER = "check against the delivery specification and with the person responsible for the delivery"


@dataclass(frozen=True)
class RenderSummary:
    """What was rendered. Fractions are of pixels with any channel so, 0..1, measured on every 32nd row.

    frames              numbers rendered now; ``kept`` were there already, whole, when resuming
    fraction_over/under above white or below black of the display signal, before any limiting
    fraction_clipped    limited by the output's number format (0 for half and float files)
    device              what computed it: "cpu", or each GPU's number and name
    cautions            what must be known of it
    """

    take: str
    out: str
    frames: tuple[int, ...]
    kept: tuple[int, ...]
    width: int
    height: int
    bits: int
    range: str
    seconds: float
    fraction_over: float
    fraction_under: float
    fraction_clipped: float
    device: str
    cautions: tuple[Caution, ...] = ()


def render_take(
    correction: Correction,
    sequence: Take,
    out_text: str | Path,
    *,
    operations: Sequence[Operation] | None = None,
    range_: str | None = None,
    bits: int | None = None,
    dither: bool = True,
    overwrite: bool = False,
    resume: bool = False,
    alone: bool = False,
    threads: int | None = None,
    codec: str | None = None,
    rate: str | None = None,
    device: str = "cpu",
    progress: Progress = silent,
) -> RenderSummary:
    """Renders ``correction`` (or ``operations`` instead of its own) over ``sequence`` to ``out_text``.

    ``out_text`` is a pattern, a folder (same names as the take's) or, for one frame, a file; its suffix is the
    format. ``range_`` "full" (None) or "legal" is the code range written (legal levels of ``bits``; of 10 bits in
    half and float files). A movie's name (.mov, .mp4, .mkv, .mxf) takes all frames into one: in ``codec`` (of
    :data:`huewright.frames.encoding.CODECS`), at ``rate`` where the take doesn't say one, legal unless ``range_``
    says otherwise, with the take's sound; it is there once it is whole. ``bits`` None is the take's depth, or the
    usual one where the format hasn't that: half from integers, 10 for DPX, 16 for PNG and TIFF. Integer files get
    triangular dither of one code, seeded by frame number.

    All is checked before any frame is computed: holes, unlike sizes, outputs that exist (``overwrite`` replaces them,
    ``resume`` keeps those that are just what would be rendered now and refuses others that are whole), frames of an
    earlier, longer render beside the outputs (``alone``: any frames of their names beside them); all as
    :class:`InputError`. Interrupted, it leaves whole frames only. ``device`` is what computes: see
    :func:`huewright.device.choosing.computing_on`; the bytes are the same.
    """
    from huewright.device.choosing import computing_on, require_device
    from huewright.rendering.frame import render_frame
    from huewright.rendering.job import for_all, prepared, workers_for
    from huewright.rendering.resuming import kept_frames

    require_device(device)
    if range_ not in (*RANGES, None):
        raise InputError(f"an output range is {' or '.join(RANGES)}, not {range_!r}")
    started = time.perf_counter()
    chain = tuple(correction.operations if operations is None else operations)
    if Path(out_text).suffix.lower() in MOVIE_SUFFIXES and not Path(out_text).is_dir():
        return _into_movie(correction, sequence, Path(out_text), chain, range_, bits, codec, rate, overwrite, resume,
                           threads, device, started, progress)
    if codec is not None or rate is not None:
        raise InputError(f"{out_text}: --codec and --rate are of movies; name one, such as NAME.mov, or leave them out")
    range_ = range_ or "full"
    outputs, size, depth = checked_outputs(sequence, out_text, bits, overwrite=overwrite or resume,
                                           alone=alone)
    workers, threads_a_frame = workers_for(threads, len(outputs))
    notify = lambda line: progress(0, len(outputs), line)  # noqa: E731
    compute = computing_on(device, threads=threads_a_frame, lanes=min(workers, LANES), notify=notify)
    job = prepared(chain, range_, depth, dither, compute, next(iter(outputs.values())).suffix.lower(), notify,
                   _display_chromaticities(correction.display))
    log.info("rendering %d frames at %d bits on %s with %d workers of %d threads: %s", len(outputs), depth,
             compute.name, workers, threads_a_frame, ", ".join(type(operation).__name__ for operation in chain))
    kept: set[int] = set()
    if resume:
        kept, seen = kept_frames(job, sequence, outputs, size, workers, progress)

    def one(number: int) -> Tally:
        return render_frame(job, sequence, outputs[number], number, overwrite=overwrite or resume)

    tally = for_all(one, tuple(number for number in outputs if number not in kept), workers, progress, "rendering")
    if resume:
        tally.add(seen)
    rendered = tuple(number for number in outputs if number not in kept)
    summary = RenderSummary(sequence.text, str(out_text), rendered, tuple(sorted(kept)), *size, depth, range_,
                            time.perf_counter() - started, tally.range.share_over, tally.range.share_under,
                            tally.range.share_clipped, compute.name)
    return _with_cautions(summary, correction, sequence, tally, next(iter(outputs.values())).suffix.lower())


def _into_movie(correction: Correction, take: Take, out: Path, chain: tuple[Operation, ...], range_: str | None,
                bits: int | None, codec: str | None, rate: str | None, overwrite: bool, resume: bool,
                threads: int | None, device: str, started: float, progress: Progress) -> RenderSummary:
    from huewright.device.choosing import computing_on
    from huewright.rendering.job import prepared, workers_for
    from huewright.rendering.movie import checked_movie, render_movie

    made, said, size = checked_movie(take, out, codec, bits, range_, correction.display, rate, overwrite=overwrite,
                                     resume=resume)
    workers, threads_a_frame = workers_for(threads, len(take))
    notify = lambda line: progress(0, len(take), line)  # noqa: E731
    compute = computing_on(device, threads=threads_a_frame, lanes=min(workers, LANES), notify=notify)
    job = prepared(chain, made.range, made.bits, False, compute, out.suffix.lower(), notify)
    tally = render_movie(job, take, out, made, said, size, workers, progress, overwrite=overwrite)
    summary = RenderSummary(take.text, str(out), take.numbers, (), *size, made.bits, made.range,
                            time.perf_counter() - started, tally.range.share_over, tally.range.share_under,
                            tally.range.share_clipped, compute.name)
    return _with_cautions(summary, correction, take, tally, out.suffix.lower())


def _with_cautions(summary: RenderSummary, correction: Correction, take: Take, tally: Tally,
                   suffix: str) -> RenderSummary:
    unlike = kind_cautions(take, correction.provenance.files_kind or "")
    notes = sorted(tally.notes, key=lambda note: note.code)
    return replace(summary, cautions=(*tag_cautions(take), *_broken(tally), *_cautions(summary, suffix), *notes,
                                      *unlike))


def read_and_write_take(sequence: Take, out_text: str | Path, *, bits: int | None = None,
                        overwrite: bool = False, threads: int | None = None, progress: Progress = silent) -> float:
    """The take read and written as :func:`render_take` does it, with nothing computed between; seconds taken.

    What a render's time is measured against. Numbers of another format than the take's come out undefined.
    """
    from huewright.device.compute import Processor
    from huewright.rendering.frame import render_frame
    from huewright.rendering.job import Job, for_all, workers_for

    started = time.perf_counter()
    outputs, _, depth = checked_outputs(sequence, out_text, bits, overwrite=overwrite)
    workers, threads_a_frame = workers_for(threads, len(outputs))
    job = Job(None, None, depth, False, 1.0, 0.0, Processor(threads_a_frame))
    for_all(lambda number: render_frame(job, sequence, outputs[number], number, overwrite=overwrite),
            tuple(outputs), workers, progress, "reading and writing")
    return time.perf_counter() - started


def _display_chromaticities(display: str) -> tuple[float, ...]:
    from huewright.colorimetry.display import CHROMATICITIES, DISPLAYS

    known = DISPLAYS.get(display)
    return () if known is None else CHROMATICITIES[known.primaries]


def _broken(tally: Tally) -> list[Caution]:
    """Of frames with values that are no numbers: never a verdict, but nobody would see them in an integer file."""
    return [kind(tuple(sorted(numbers))) for kind, numbers in ((cautions.CameBroken, tally.came_broken),
                                                               (cautions.BecameBroken, tally.became_broken)) if numbers]


def _cautions(summary: RenderSummary, suffix: str) -> list[Caution]:
    said: list[Caution] = []
    if summary.fraction_clipped > 0:
        said.append(cautions.RenderLimited(summary.fraction_clipped, summary.bits, summary.range))
    if max(summary.fraction_over, summary.fraction_under) > 0:
        said.append(cautions.RenderBeyond(summary.fraction_over, summary.fraction_under))
    if summary.range == "legal" and is_float(suffix, summary.bits):
        said.append(cautions.LegalFloatsWritten())
    if summary.kept:
        said.append(cautions.FramesKept(len(summary.kept)))
    return said


EDITED_BY_HAND = cautions.Edited()

__all__ = ["EDITED_BY_HAND", "RenderSummary", "edited_by_hand", "read_and_write_take", "render_take"]
