"""Renders a correction over a take: read, compute, write, overlapped, in the files' own number formats.

Each worker thread takes whole frames: it reads one, runs the chain straight from the file's numbers to the output's
(in place where they are the same), and writes it whole. Reading, computing and writing hold no interpreter lock,
so workers overlap each other's waiting and computing. What a frame's bytes are depends on nothing but the frame.
"""

from __future__ import annotations

import logging
import shutil
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from huewright.claims import claimed, claimed_whole
from huewright.errors import InputError
from huewright.files import remove_abandoned
from huewright.frames.conversion import is_float
from huewright.frames.sequence import MOVIE_SUFFIXES
from huewright.frames.take import Take
from huewright.models import cautions
from huewright.models.cautions import Caution
from huewright.models.correction import Correction, edited_by_hand
from huewright.models.footage import RANGES
from huewright.progress import Progress, silent
from huewright.provenance.digests import digest as digest_of
from huewright.provenance.digests import operations_digest
from huewright.provenance.takes import kind_cautions, tag_cautions
from huewright.rendering.outputs import checked_outputs

log = logging.getLogger(__name__)

if TYPE_CHECKING:
    from huewright_kernels.ops import Operation

    from huewright.rendering.hands import Hands
    from huewright.rendering.job import Tally

LANES = 4
"""Frames under way on each GPU, at the most: one that goes there, one that is computed, one that comes back, one that
waits."""


@dataclass(frozen=True)
class RenderSummary:
    """What was rendered. Fractions are of pixels with any channel so, 0..1, measured on every 32nd row.

    frames              numbers rendered now; ``kept`` were there already, whole, when resuming
    fraction_over/under above white or below black of the display signal, before any limiting
    fraction_clipped    limited by the output's number format (0 for half and float files)
    device              what computed it: "cpu", each GPU's number and name, or the address that handed frames out
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


@dataclass(frozen=True)
class FrameDone:
    """One frame of a render: its number, its whole ``file`` and that file's SHA-256, the seconds that one worker took
    for it (0 where it was there already and ``kept``), and what must be known of it."""

    frame: int
    file: str
    sha256: str
    seconds: float
    kept: bool
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True)
class RenderPlan:
    """What a render would do: ``frames`` to be rendered, ``there`` those that exist and would be compared first
    (resuming); ``bytes_at_most`` is their room without any compression, ``bytes_free`` what the disk has left."""

    take: str
    out: str
    frames: tuple[int, ...]
    there: tuple[int, ...]
    first_file: str
    last_file: str
    width: int
    height: int
    bits: int
    range: str
    bytes_at_most: int
    bytes_free: int


def plan_render(correction: Correction, sequence: Take, out_text: str | Path, *, range_: str | None = None,
                bits: int | None = None, overwrite: bool = False, resume: bool = False, codec: str | None = None,
                rate: str | None = None, device: str = "cpu", threads: int | None = None,
                on: str | None = None) -> RenderPlan:
    """All that :func:`render_take` checks before it computes, with the same refusals; nothing is read but headers, and
    nothing written."""
    from huewright.device.choosing import require_device

    require_device(device)
    _check_on(on, out_text, device, threads)
    require_on(on, device, threads)
    _check_words(out_text, range_, codec, rate)
    if _is_movie(out_text):
        from huewright.rendering.movie import checked_movie

        out = Path(out_text)
        made, _, size = checked_movie(sequence, out, codec, bits, range_, correction.display, rate,
                                      overwrite=overwrite, resume=resume)
        return RenderPlan(sequence.text, str(out), sequence.numbers, (), str(out), str(out), *size, made.bits,
                          made.range, len(sequence) * size[0] * size[1] * 3 * -(-made.bits // 8), _free(out))
    outputs, size, depth = checked_outputs(sequence, out_text, bits, overwrite=overwrite or resume)
    there = tuple(number for number, path in outputs.items() if path.exists()) if resume else ()
    files = list(outputs.values())
    a_pixel = {10: 4, 12: 6}.get(depth, 3 * depth // 8)
    frames = tuple(number for number in outputs if number not in there)
    return RenderPlan(sequence.text, str(out_text), frames, there, str(files[0]), str(files[-1]), *size, depth,
                      range_ or "full", len(frames) * size[0] * size[1] * a_pixel, _free(files[0]))


def _free(path: Path) -> int:
    folder = next(each for each in path.absolute().parents if each.is_dir())
    return shutil.disk_usage(folder).free


def _is_movie(out_text: str | Path) -> bool:
    return Path(out_text).suffix.lower() in MOVIE_SUFFIXES and not Path(out_text).is_dir()


def _check_words(out_text: str | Path, range_: str | None, codec: str | None, rate: str | None) -> None:
    if range_ not in (*RANGES, None):
        raise InputError(f"an output range is {' or '.join(RANGES)}, not {range_!r}")
    if (codec is not None or rate is not None) and not _is_movie(out_text):
        raise InputError(f"{out_text}: --codec and --rate are of movies; name one, such as NAME.mov, or leave them out")


def require_on(on: str | None, device: str = "cpu", threads: int | None = None) -> None:
    """:class:`InputError`, before any work is begun, where ``on`` is no address of a scheduler whose workers can render
    as this process does."""
    if on is not None:
        from huewright.rendering.farm import require_farm

        _check_on(on, "", device, threads)
        require_farm(on)


def _check_on(on: str | None, out_text: str | Path, device: str, threads: int | None) -> None:
    """Refuses what a render over other machines can't do."""
    if on is None:
        return
    from huewright.device.compute import PROCESSOR

    if _is_movie(out_text):
        raise InputError(f"{out_text}: a movie is coded in one place, frame after frame; render to files, or leave out "
                         "--on")
    if device != PROCESSOR or threads is not None:
        raise InputError("--device and --threads are of this machine, --on is of others, whose workers say themselves "
                         "how many frames they do at a time; leave out one or the other")


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
    on: str | None = None,
    remember: bool = False,
    check_kept: bool = False,
    each: Callable[[FrameDone], None] | None = None,
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
    ``resume`` keeps those that are just what would be rendered now and refuses others that are whole: a few are
    compared first, the rest when the missing ones are there; none is ever replaced), outputs that another process is
    writing, frames of an earlier, longer render beside the outputs (``alone``: any frames of their names beside them);
    all as :class:`InputError`. Interrupted, it leaves whole frames only; what one that was killed left beside the
    outputs of files that it was writing is removed and named. ``device`` is what computes: see
    :func:`huewright.device.choosing.computing_on`; the bytes are the same. ``on`` spreads the frames over the workers
    of the Dask scheduler at this address (:mod:`huewright.rendering.farm`), each with its own processor; the bytes are
    the same again. ``remember`` notes hashes of each frame beside the frames, by which ``resume`` then tells those that
    are kept, unless ``check_kept`` asks for rendering them all again (:mod:`huewright.rendering.remembered`). ``each``
    is called as frames are done (in files), one call at a time, on whatever thread.
    """
    from huewright.device.choosing import require_device
    from huewright.rendering.away import builds
    from huewright.rendering.hands import Done
    from huewright.rendering.job import Tally, workers_for
    from huewright.rendering.remembered import Notes, done_hash
    from huewright.rendering.resuming import in_two_goes, kept_frames, refuse_other_corrections

    require_device(device)
    _check_on(on, out_text, device, threads)
    _check_words(out_text, range_, codec, rate)
    started = time.perf_counter()
    chain = tuple(correction.operations if operations is None else operations)
    if _is_movie(out_text):
        if remember:
            raise InputError(f"{out_text}: a movie is written whole or not at all, so there is nothing to remember of "
                             "its frames; leave out --remember")
        if each is not None:
            raise InputError(f"{out_text}: a movie's frames are no files of their own, so there is no line for each "
                             "(--json-lines); render to files, or leave it out")
        return _into_movie(correction, sequence, Path(out_text), chain, range_, bits, codec, rate, overwrite, resume,
                           threads, device, started, progress)
    range_ = range_ or "full"
    outputs, size, depth = checked_outputs(sequence, out_text, bits, overwrite=overwrite or resume,
                                           alone=alone)
    left = _left_by_others(outputs.values())
    suffix = next(iter(outputs.values())).suffix.lower()
    tally, rendered = Tally(), []
    told: set[int] = set()
    notes = None
    if remember or resume:
        notes = Notes(sequence, outputs, done_hash(builds(), digest_of([one.to_dict() for one in chain]), range_, depth,
                                                   dither, suffix, _display_chromaticities(correction.display)),
                      remember)

    def known(numbers: Sequence[int]) -> dict[int, Done]:
        found = {} if check_kept or notes is None else notes.kept(numbers, workers_for(threads, len(outputs))[0])
        told.update(found)
        return found

    def tell(number: int, done: Done) -> None:
        if notes is not None and number not in told:
            notes.note(number, done)
        if done.state == "rendered":
            tally.add(done.tally)
            rendered.append(number)
        if each is not None:
            each(FrameDone(number, str(outputs[number]), done.sha256, done.seconds, done.state == "same",
                           _of_frame(done.tally, depth, range_, suffix)))

    few, others = in_two_goes(outputs) if resume else ((), ())
    if resume:
        refuse_other_corrections(operations_digest(chain), outputs)
    with claimed(outputs), _hands(correction, chain, sequence, outputs, size, range_, depth, dither, threads, device,
                                  on, overwrite=overwrite or resume, hashed=remember or each is not None,
                                  remembered=remember, progress=progress) as hands:
        kept = kept_frames(hands, {number: outputs[number] for number in few}, progress, tell, known(few))
        hands.each("render", tuple(number for number in outputs if number not in kept and number not in others), tell,
                   progress)
        if others:
            more = kept_frames(hands, {number: outputs[number] for number in others}, progress, tell,
                               known(others))
            kept |= more
            harmed = tuple(number for number in others if number not in more)
            if harmed:
                hands.each("render", harmed, tell, progress)
    for seen in kept.values():
        tally.add(seen)
    summary = RenderSummary(sequence.text, str(out_text), tuple(sorted(rendered)), tuple(sorted(kept)), *size, depth,
                            range_, time.perf_counter() - started, tally.range.share_over, tally.range.share_under,
                            tally.range.share_clipped, hands.name)
    return _with_cautions(summary, correction, sequence, tally, suffix, left, len(told))


@contextmanager
def _hands(correction: Correction, chain: tuple[Operation, ...], take: Take, outputs: dict[int, Path],
           size: tuple[int, int], range_: str, depth: int, dither: bool, threads: int | None, device: str,
           on: str | None, *, overwrite: bool, hashed: bool, remembered: bool, progress: Progress) -> Iterator[Hands]:
    """Whoever renders the frames: this process, or the workers ``on`` a scheduler."""
    from huewright.device.choosing import computing_on
    from huewright.rendering.hands import Here
    from huewright.rendering.job import prepared, workers_for

    colours = _display_chromaticities(correction.display)
    notify = lambda line: progress(0, len(outputs), line)  # noqa: E731
    if on is not None:
        from huewright.rendering.farm import farm_at

        with farm_at(on, replace(correction, operations=chain), take, outputs, size=size, range_=range_, bits=depth,
                     dither=dither, chromaticities=colours, overwrite=overwrite, hashed=hashed,
                     remembered=remembered, notify=notify) as farm:
            log.info("rendering %d frames at %d bits on %s", len(outputs), depth, on)
            yield farm
        return
    workers, threads_a_frame = workers_for(threads, len(outputs))
    compute = computing_on(device, threads=threads_a_frame, lanes=min(workers, LANES), notify=notify)
    job = prepared(chain, range_, depth, dither, compute, next(iter(outputs.values())).suffix.lower(), notify, size,
                   colours)
    log.info("rendering %d frames at %d bits on %s with %d workers of %d threads: %s", len(outputs), depth,
             compute.name, workers, threads_a_frame, ", ".join(type(operation).__name__ for operation in chain))
    yield Here(job, take, outputs, size, workers, overwrite, hashed, remembered)


def _left_by_others(paths: Collection[Path]) -> tuple[str, ...]:
    folders = dict.fromkeys(path.parent for path in paths)
    return tuple(str(left) for folder in folders for left in remove_abandoned(folder, paths))


def _of_frame(tally: Tally, bits: int, range_: str, suffix: str) -> tuple[Caution, ...]:
    """What must be known of one frame alone."""
    shares = tally.range
    return (*_broken(tally), *_range_cautions(shares.share_over, shares.share_under, shares.share_clipped, bits, range_,
                                              suffix), *sorted(tally.notes, key=lambda note: note.code))


def _into_movie(correction: Correction, take: Take, out: Path, chain: tuple[Operation, ...], range_: str | None,
                bits: int | None, codec: str | None, rate: str | None, overwrite: bool, resume: bool,
                threads: int | None, device: str, started: float, progress: Progress) -> RenderSummary:
    from huewright.device.choosing import computing_on
    from huewright.rendering.job import prepared, workers_for
    from huewright.rendering.movie import checked_movie, render_movie

    made, said, size = checked_movie(take, out, codec, bits, range_, correction.display, rate, overwrite=overwrite,
                                     resume=resume)
    left = _left_by_others((out,))
    workers, threads_a_frame = workers_for(threads, len(take))
    notify = lambda line: progress(0, len(take), line)  # noqa: E731
    compute = computing_on(device, threads=threads_a_frame, lanes=min(workers, LANES), notify=notify)
    job = prepared(chain, made.range, made.bits, False, compute, out.suffix.lower(), notify, size)
    with claimed_whole(out, folder=False):
        tally = render_movie(job, take, out, made, said, size, workers, progress, overwrite=overwrite)
    summary = RenderSummary(take.text, str(out), take.numbers, (), *size, made.bits, made.range,
                            time.perf_counter() - started, tally.range.share_over, tally.range.share_under,
                            tally.range.share_clipped, compute.name)
    return _with_cautions(summary, correction, take, tally, out.suffix.lower(), left)


def _with_cautions(summary: RenderSummary, correction: Correction, take: Take, tally: Tally,
                   suffix: str, left: tuple[str, ...], by_hash: int = 0) -> RenderSummary:
    unlike = [*kind_cautions(take, correction.provenance.files_kind or ""),
              *([cautions.LeftoversRemoved(left)] if left else [])]
    notes = sorted(tally.notes, key=lambda note: note.code)
    return replace(summary, cautions=(*tag_cautions(take), *_broken(tally), *_cautions(summary, suffix, by_hash),
                                      *notes, *unlike))


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

    def one(number: int) -> None:
        render_frame(job, sequence, outputs[number], number, overwrite=overwrite)

    for_all(one, tuple(outputs), workers, progress, "reading and writing")
    return time.perf_counter() - started


def _display_chromaticities(display: str) -> tuple[float, ...]:
    from huewright.colorimetry.display import CHROMATICITIES, DISPLAYS

    known = DISPLAYS.get(display)
    return () if known is None else CHROMATICITIES[known.primaries]


def _broken(tally: Tally) -> list[Caution]:
    """Of frames with values that are no numbers: never a verdict, but nobody would see them in an integer file."""
    return [kind(tuple(sorted(numbers))) for kind, numbers in ((cautions.CameBroken, tally.came_broken),
                                                               (cautions.BecameBroken, tally.became_broken)) if numbers]


def _cautions(summary: RenderSummary, suffix: str, by_hash: int = 0) -> list[Caution]:
    said = _range_cautions(summary.fraction_over, summary.fraction_under, summary.fraction_clipped, summary.bits,
                           summary.range, suffix)
    return [*said, cautions.FramesKept(len(summary.kept), by_hash)] if summary.kept else said


def _range_cautions(over: float, under: float, clipped: float, bits: int, range_: str, suffix: str) -> list[Caution]:
    said: list[Caution] = []
    if clipped > 0:
        said.append(cautions.RenderLimited(clipped, bits, range_))
    if max(over, under) > 0:
        said.append(cautions.RenderBeyond(over, under))
    if range_ == "legal" and is_float(suffix, bits):
        said.append(cautions.LegalFloatsWritten())
    return said


def of_shot(caution: Caution, shot: str) -> Caution:
    """``caution`` of a render with the name of what was rendered, where it has a place for one."""
    limits = cautions.RenderLimited | cautions.RenderBeyond
    return msgspec.structs.replace(caution, shot=shot) if isinstance(caution, limits) else caution


EDITED_BY_HAND = cautions.Edited()

__all__ = ["EDITED_BY_HAND", "FrameDone", "RenderPlan", "RenderSummary", "edited_by_hand", "of_shot", "plan_render",
           "read_and_write_take", "render_take", "require_on"]
