"""Renders a correction over a take: read, compute, write, overlapped, in the files' own number formats.

Each worker thread takes whole frames: it reads one, runs the chain straight from the file's numbers to the output's
(in place where they are the same), and writes it whole. Reading, computing and writing hold no interpreter lock,
so workers overlap each other's waiting and computing. What a frame's bytes are depends on nothing but the frame.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from huewright.errors import InputError
from huewright.files import refuse_existing
from huewright.frames.dpx import DpxPicture, new_dpx, read_dpx, write_dpx
from huewright.frames.picture import (
    Frame,
    Header,
    check_depth,
    depths_of,
    fresh_spec,
    read_frame,
    read_header,
    scaled,
    with_correction,
    write_frame,
)
from huewright.frames.sequence import FrameSequence, output_paths
from huewright.models.correction import Correction
from huewright.models.footage import RANGES, legal_levels
from huewright.progress import Progress, silent
from huewright.steps.belong import kind_cautions, operations_digest

if TYPE_CHECKING:
    from huewright_kernels.executor import Program
    from huewright_kernels.ops import Operation

# Rows on which the share of pixels beyond the display's range is measured: every so many.
SAMPLED_ROWS = 32
# Beyond black or white by less than this (a tenth of a 12-bit code) isn't called out of range.
RANGE_TOLERANCE = 2.5e-5
DEFER = "check against the delivery specification and with the person responsible for the delivery"


@dataclass(frozen=True)
class RenderSummary:
    """What was rendered. Fractions are of pixels with any channel so, 0..1, measured on every 32nd row.

    frames              numbers rendered now; ``kept`` were there already, whole, when resuming
    fraction_over/under above white or below black of the display signal, before any limiting
    fraction_clipped    limited by the output's number format (0 for half and float files)
    cautions            sentences for the person
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
    cautions: tuple[str, ...] = ()


@dataclass
class _Tally:
    sampled: int = 0
    over: int = 0
    under: int = 0
    clipped: int = 0
    notes: dict[str, None] = field(default_factory=dict)

    def add(self, other: _Tally) -> None:
        self.sampled += other.sampled
        self.over += other.over
        self.under += other.under
        self.clipped += other.clipped
        self.notes.update(other.notes)


@dataclass(frozen=True)
class _Job:
    """What each frame needs: programs are None to read and write only."""

    program: Program | None
    display_program: Program | None
    bits: int
    dither: bool
    encode_slope: float
    encode_offset: float
    threads_a_frame: int
    digest: str = ""     # of the chain, for files that can carry it


def render_take(
    correction: Correction,
    sequence: FrameSequence,
    out_text: str | Path,
    *,
    operations: Sequence[Operation] | None = None,
    range_: str = "full",
    bits: int | None = None,
    dither: bool = True,
    overwrite: bool = False,
    resume: bool = False,
    threads: int | None = None,
    progress: Progress = silent,
) -> RenderSummary:
    """Renders ``correction`` (or ``operations`` instead of its own) over ``sequence`` to ``out_text``.

    ``out_text`` is a pattern, a folder (same names as the take's) or, for one frame, a file; its suffix is the
    format. ``range_`` "full" or "legal" is the code range written (legal levels of ``bits``; of 10 bits in half and
    float files). ``bits`` None is the take's depth, or the usual one where the format hasn't that: half from
    integers, 10 for DPX, 16 for PNG and TIFF. Integer files get triangular dither of one code, seeded by frame number.

    All is checked before any frame is computed: holes, unlike sizes, outputs that exist (``overwrite`` replaces them,
    ``resume`` keeps those that are whole, if the first of them is what would be rendered now), all as
    :class:`InputError`. Interrupted, it leaves whole frames only.
    """
    if range_ not in RANGES:
        raise InputError(f"an output range is {' or '.join(RANGES)}, not {range_!r}")
    started = time.perf_counter()
    outputs, size, depth = _checked(sequence, out_text, bits, overwrite=overwrite or resume)
    chain = tuple(correction.operations if operations is None else operations)
    workers, threads_a_frame = _workers(threads, len(outputs))
    job = _prepared(chain, range_, depth, dither, threads_a_frame, next(iter(outputs.values())).suffix.lower(),
                    lambda line: progress(0, len(outputs), line))
    if resume:
        _check_kept(job, sequence, outputs, size)
    kept: list[int] = []

    def one(number: int) -> _Tally:
        if resume and _is_whole(outputs[number], size):
            kept.append(number)
            return _Tally()
        return _render_frame(job, sequence.path(number), outputs[number], number, overwrite=overwrite or resume)

    tally = _all(one, tuple(outputs), workers, progress, "rendering")
    over, under, clipped = (count / max(tally.sampled, 1) for count in (tally.over, tally.under, tally.clipped))
    rendered = tuple(number for number in outputs if number not in kept)
    summary = RenderSummary(sequence.text, str(out_text), rendered, tuple(sorted(kept)), *size, depth, range_,
                            time.perf_counter() - started, over, under, clipped)
    suffix = next(iter(outputs.values())).suffix.lower()
    unlike = kind_cautions(sequence, str(correction.provenance.get("files_kind", "")))
    return replace(summary, cautions=(*_cautions(summary, suffix), *tally.notes, *unlike))


def _check_kept(job: _Job, sequence: FrameSequence, outputs: dict[int, Path], size: tuple[int, int]) -> None:
    """Raises :class:`InputError` where what is there was rendered otherwise: every EXR file says with which correction,
    and the first whole frame of any kind is rendered again and compared."""
    for path in outputs.values():
        if path.suffix.lower() == ".exr" and path.exists():
            try:
                carried = read_header(path).correction
            except InputError:     # cut short: it will be rendered again
                continue
            if carried and carried != job.digest:
                raise _other_render(path)
    for number, path in outputs.items():
        if not _is_whole(path, size):
            continue
        with tempfile.TemporaryDirectory() as folder:
            again = Path(folder) / f"again{path.suffix}"
            _render_frame(job, sequence.path(number), again, number, overwrite=False)
            there, now = read_frame(path), read_frame(again)
        same = there.pixels.dtype == now.pixels.dtype and there.bits == now.bits
        if not (same and np.array_equal(there.pixels, now.pixels, equal_nan=now.pixels.dtype.kind == "f")):
            raise _other_render(path)
        return


def _other_render(path: Path) -> InputError:
    return InputError(f"{path} was rendered with another correction, or from other frames or settings; give "
                      "--overwrite instead of --resume, or another folder")


def read_and_write_take(sequence: FrameSequence, out_text: str | Path, *, bits: int | None = None,
                        overwrite: bool = False, threads: int | None = None, progress: Progress = silent) -> float:
    """The take read and written as :func:`render_take` does it, with nothing computed between; seconds taken.

    What a render's time is measured against. Numbers of another format than the take's come out undefined.
    """
    started = time.perf_counter()
    outputs, _, depth = _checked(sequence, out_text, bits, overwrite=overwrite)
    workers, threads_a_frame = _workers(threads, len(outputs))
    job = _Job(None, None, depth, False, 1.0, 0.0, threads_a_frame)
    _all(lambda number: _render_frame(job, sequence.path(number), outputs[number], number, overwrite=overwrite),
         tuple(outputs), workers, progress, "reading and writing")
    return time.perf_counter() - started


def _checked(sequence: FrameSequence, out_text: str | Path, bits: int | None, *,
             overwrite: bool) -> tuple[dict[int, Path], tuple[int, int], int]:
    """(outputs, (width, height), the outputs' depth), or :class:`InputError`; nothing is written."""
    sequence.require_complete()
    outputs = output_paths(out_text, sequence)
    for path in outputs.values():
        depths_of(path)
        refuse_existing(path, overwrite=overwrite)
    first, *others = outputs
    header = read_header(sequence.path(first))
    depth = _depth(header, sequence.path(first), outputs[first], bits)
    for number in others:
        found = read_header(sequence.path(number))
        if (found.width, found.height) != (header.width, header.height):
            raise InputError(f"{sequence.path(number)} is {found.width}x{found.height} pixels, but the take begins "
                             f"with {header.width}x{header.height}; render takes of one size, or a range")
    return outputs, (header.width, header.height), depth


def _depth(source: Header, source_path: Path, out: Path, bits: int | None) -> int:
    """The output's bits a channel: what was asked for, else the take's or the format's usual one."""
    if bits is not None:
        check_depth(out, bits)
        return bits
    suffix, depths = out.suffix.lower(), depths_of(out)
    if suffix == ".exr":
        return 32 if source.dtype == np.float32 else 16
    if source.dtype.kind == "u" or suffix == source_path.suffix.lower():
        return min((depth for depth in depths if depth >= source.bits), default=max(depths))
    return 10 if suffix == ".dpx" else 16


def _workers(threads: int | None, frames: int) -> tuple[int, int]:
    """(frames at a time, threads a frame). Whole frames go to each thread, and one frame more than there are threads
    is under way, so that a thread which waits for the disk leaves no processor idle; fewer frames share the threads."""
    from huewright_kernels.threads import default_threads

    threads = default_threads() if threads is None else threads
    if threads < 1:
        raise InputError("a render needs at least one thread")
    workers = min(threads + (threads > 1), frames)
    return workers, max(1, threads // workers)


def _prepared(chain: tuple[Operation, ...], range_: str, depth: int, dither: bool, threads_a_frame: int, suffix: str,
              notify: Callable[[str], None]) -> _Job:
    from huewright_kernels import compile_chain, warm_up
    from huewright_kernels.ops import Matrix

    slope, offset = 1.0, 0.0
    written = chain
    if range_ == "legal":
        black, white = legal_levels(10 if _is_float(suffix, depth) else depth)
        slope, offset = white - black, black
        written = (*chain, Matrix(((slope, 0, 0), (0, slope, 0), (0, 0, slope)), (offset,) * 3))
    warm_up(notify)
    return _Job(compile_chain(written), compile_chain(chain), depth, dither, slope, offset, threads_a_frame,
                operations_digest(chain))


def _is_float(suffix: str, bits: int) -> bool:
    return suffix == ".exr" or bits == 32


def _all(one: Callable[[int], _Tally], numbers: tuple[int, ...], workers: int, progress: Progress, what: str) -> _Tally:
    """``one`` for each number; on an error or an interrupt no further frame is begun, and those begun are finished."""
    tally = _Tally()
    progress(0, len(numbers), what)
    with ThreadPoolExecutor(workers, thread_name_prefix="frames") as pool:
        pending: set[Future[_Tally]] = {pool.submit(one, number) for number in numbers}
        try:
            while pending:
                done, pending = wait(pending, timeout=0.25, return_when=FIRST_EXCEPTION)
                for future in done:
                    tally.add(future.result())
                progress(len(numbers) - len(pending), len(numbers), what)
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise
    return tally


def _is_whole(path: Path, size: tuple[int, int]) -> bool:
    """Whether the file is there, of this size, and can be read to its end."""
    if not path.exists():
        return False
    try:
        frame = read_frame(path)
    except InputError:
        return False
    return (frame.width, frame.height) == size


def _render_frame(job: _Job, source: Path, out: Path, number: int, *, overwrite: bool) -> _Tally:
    picture = read_dpx(source) if source.suffix.lower() == ".dpx" else None
    to_dpx = out.suffix.lower() == ".dpx"
    if picture is not None and to_dpx and picture.bits == job.bits:
        view = picture.kernel_view()
        tally = _computed(job, view, view, number)
        write_dpx(out, picture, overwrite=overwrite)
        return tally
    frame = read_frame(source)
    view = picture.kernel_view() if picture is not None else _kernel_source(frame)
    if to_dpx:
        target = new_dpx(fresh_spec(frame), frame.width, frame.height, job.bits)
        tally = _computed(job, view, target.kernel_view(), number, frame.premultiplied)
        write_dpx(out, target, overwrite=overwrite)
    elif job.bits in (10, 12) and out.suffix.lower() != ".exr":
        packed = _packing(frame.width, frame.height, job.bits)
        tally = _computed(job, view, packed.kernel_view(), number, frame.premultiplied)
        write_frame(out, _of_other_numbers(frame, scaled(packed.codes(), job.bits), job.bits), overwrite=overwrite)
    else:
        kind = _dtype(out.suffix.lower(), job.bits)
        if isinstance(view, np.ndarray) and view.dtype == kind and view is frame.pixels:
            pixels = view
        else:
            pixels = np.empty((frame.height, frame.width, frame.pixels.shape[2]), kind)
            pixels[..., 3:] = _other_channels(frame, kind)
        tally = _computed(job, view, pixels, number, frame.premultiplied)
        write_frame(out, _signed(_of_other_numbers(frame, pixels, job.bits), out, job), overwrite=overwrite)
    _note_losses(tally, frame, out)
    return tally


def _computed(job: _Job, source: Any, target: Any, number: int, premultiplied: bool = False) -> _Tally:
    """Runs the job's chain from ``source`` to ``target`` (arrays or packed buffers, perhaps the same one)."""
    if job.program is None or job.display_program is None:
        return _Tally()
    from huewright_kernels import run

    float_target = isinstance(target, np.ndarray) and target.dtype.kind == "f"
    tally = _sampled(job, source, float_target, premultiplied)
    run(job.program, source, target, threads=job.threads_a_frame, premultiplied=premultiplied,
        dither_seed=number if job.dither and not float_target else None)
    return tally


def _sampled(job: _Job, source: Any, float_target: bool, premultiplied: bool) -> _Tally:
    """Pixels beyond the display's range on every 32nd row, before an integer target limits them."""
    from huewright_kernels import run

    if isinstance(source, np.ndarray):
        rows: Any = source[SAMPLED_ROWS // 2::SAMPLED_ROWS] if source.shape[0] >= SAMPLED_ROWS else source
    elif source.height >= SAMPLED_ROWS:
        first, row_bytes = SAMPLED_ROWS // 2, source.row_bytes
        rows = replace(source, offset=source.offset + first * row_bytes, row_bytes=row_bytes * SAMPLED_ROWS,
                       height=-(-(source.height - first) // SAMPLED_ROWS))
    else:
        rows = source
    shape = rows.shape[:2] if isinstance(rows, np.ndarray) else (rows.height, rows.width)
    channels = 4 if premultiplied else 3
    values = np.empty((*shape, channels), np.float32)
    run(job.display_program, rows, values, threads=1, premultiplied=premultiplied)
    colours = values[..., :3]
    tally = _Tally(shape[0] * shape[1])
    # Not-a-number in one pixel makes both not-a-number, and must not hide the others: hence "not within".
    least, greatest = float(colours.min()), float(colours.max())
    if not greatest <= 1 + RANGE_TOLERANCE:
        tally.over = _pixels(colours > 1 + RANGE_TOLERANCE)
    if not least >= -RANGE_TOLERANCE:
        tally.under = _pixels(colours < -RANGE_TOLERANCE)
    bottom = (-RANGE_TOLERANCE - job.encode_offset) / job.encode_slope
    top = (1 + RANGE_TOLERANCE - job.encode_offset) / job.encode_slope
    if not float_target and not (least >= bottom and greatest <= top):
        tally.clipped = _pixels((colours < bottom) | (colours > top))
    return tally


def _pixels(where: np.ndarray) -> int:
    """How many pixels of (h, w, 3) booleans have any channel true."""
    return int(np.count_nonzero(where[..., 0] | where[..., 1] | where[..., 2]))


def _kernel_source(frame: Frame) -> np.ndarray:
    """The pixels as the kernels take them; 10 and 12 bits in 16 as exact floats, which their 16-bit scale isn't."""
    if frame.pixels.dtype != np.uint16 or frame.bits == 16:
        return frame.pixels
    return np.concatenate([frame.rgb_float(), frame.pixels[..., 3:].astype(np.float32) / np.float32(65535)], axis=2)


def _other_channels(frame: Frame, kind: type) -> np.ndarray:
    """Channels beyond the third in the output's numbers: alpha and others carried, not corrected."""
    others = frame.pixels[..., 3:]
    if others.dtype.kind == "u":
        others = others.astype(np.float32) / np.float32(np.iinfo(others.dtype).max)
    if np.dtype(kind).kind == "u":
        return np.rint(np.clip(np.nan_to_num(others.astype(np.float32)), 0, 1) * np.iinfo(kind).max).astype(kind)
    return others.astype(kind)


def _packing(width: int, height: int, bits: int) -> DpxPicture:
    """Memory that the kernels fill with 10- or 12-bit codes, for a file that packs them in its own way."""
    row_bytes = width * (4 if bits == 10 else 6)
    return DpxPicture(b"", np.empty(height * row_bytes, np.uint8), b"", width, height, 3, bits, "<", row_bytes)


def _of_other_numbers(frame: Frame, pixels: np.ndarray, bits: int) -> Frame:
    return replace(frame, pixels=pixels, bits=bits, channel_names=frame.channel_names[:pixels.shape[2]])


def _signed(frame: Frame, out: Path, job: _Job) -> Frame:
    return with_correction(frame, job.digest) if job.digest and out.suffix.lower() == ".exr" else frame


def _dtype(suffix: str, bits: int) -> type:
    if suffix == ".exr":
        return np.float16 if bits == 16 else np.float32
    return {8: np.uint8, 16: np.uint16, 32: np.float32}[bits]


def _note_losses(tally: _Tally, frame: Frame, out: Path) -> None:
    suffix = out.suffix.lower()
    lost = list(frame.metadata.others) + list(frame.channel_names[3:])
    if suffix in (".png", ".tif", ".tiff") and frame.has_alpha:
        lost.remove("A")
    told = frame.metadata.attributes()
    kept = suffix == ".exr" or suffix in (".tif", ".tiff") and "tiff:Compression" in told
    if lost and not kept:
        tally.notes[f"channels {', '.join(lost)} are not in the rendered frames: {suffix} files hold none such"] = None
    if "chromaticities" in told:
        tally.notes["the files' own note of their primaries (chromaticities) is carried over and still describes the "
                    "camera's picture, not the corrected one"] = None
    if told.get("compression") in ("dwaa", "dwab", "b44", "b44a", "pxr24") and suffix == ".exr":
        tally.notes[f"the frames are written with the take's own lossy compression ({told['compression']})"] = None


def _cautions(summary: RenderSummary, suffix: str) -> list[str]:
    said = []
    beyond = max(summary.fraction_over, summary.fraction_under)
    if summary.fraction_clipped > 0:
        said.append(f"{_percent(summary.fraction_clipped)} of the pixels lie beyond what {summary.bits}-bit "
                    f"{summary.range}-range files hold and were limited, so detail there is lost; {DEFER}")
    if beyond > 0:
        said.append(f"{_percent(summary.fraction_over)} of the pixels lie above white and "
                    f"{_percent(summary.fraction_under)} below black of the display signal (colours beyond its gamut "
                    f"or highlights); {DEFER}")
    if summary.range == "legal" and _is_float(suffix, summary.bits):
        said.append(f"legal range was written into floating-point files, which is unusual; {DEFER}")
    if summary.kept:
        kept = "1 frame was there already and kept; it was" if len(summary.kept) == 1 else \
            f"{len(summary.kept)} frames were there already and kept; the first of them was"
        said.append(f"{kept} rendered again to compare, and is the same")
    return said


def _percent(fraction: float) -> str:
    return f"{100 * fraction:.2g} %" if fraction >= 1e-5 else "under 0.001 %" if fraction > 0 else "0 %"


__all__ = ["RenderSummary", "read_and_write_take", "render_take"]
