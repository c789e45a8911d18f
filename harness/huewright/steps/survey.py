"""The survey of a take: find, read and grade the card in every frame, choose the best, merge them, and advise."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from huewright.colorimetry.declare import range_caution
from huewright.errors import InputError
from huewright.files import sha256
from huewright.finding.advice import unusable_advice, usable_advice
from huewright.finding.choose import choose, compare_frames, merge
from huewright.finding.find import Found, find_card
from huewright.finding.grade import Judged, judge
from huewright.finding.light import LinearLight
from huewright.finding.read import read_patches
from huewright.frames.ahead import QUIET_S, Picture, pictures
from huewright.frames.picture import Frame
from huewright.frames.take import Take
from huewright.models.card import Card
from huewright.models.cautions import LookedSparsely, PrimariesAssumed
from huewright.models.footage import Footage
from huewright.models.reasons import FrameReason, NoCard, WithoutPatches
from huewright.models.survey import FrameGrade, Survey, Verdict
from huewright.progress import Progress, silent
from huewright.provenance.digests import card_layout_sha256, card_sha256
from huewright.provenance.takes import clip_of, tag_cautions
from huewright.solver.declaration import judge_reading
from huewright.steps.sparsely import LONG, where_the_card_is
from huewright.version import __version__

log = logging.getLogger(__name__)

MOST_MERGED = 8
BEHIND = 3
NO_LIMIT = 1e9
Corners = Sequence[tuple[float, float]] | np.ndarray


def survey_take(sequence: Take, card: Card, card_path: Path | str | None, footage: Footage, *,
                corners: Corners | None = None, max_frames: int = MOST_MERGED, follow: bool = False,
                every_frame: bool = False, progress: Progress = silent, quiet_s: float = QUIET_S) -> Survey:
    """Surveys ``sequence`` for ``card``, which was read from ``card_path`` (None: made in memory).

    corners     (4, 2) px by hand, clockwise from the card's own top left; then nothing is searched for
    max_frames  how many frames are merged at most
    every_frame looks at each frame of a long take; else at some of them first, and then closely where the card is
    follow      goes on while frames are still being written; ends after ``quiet_s`` seconds without a new one

    Holes in the take don't matter. Raises :class:`InputError` for frames that can't be read or differ in size, and for
    impossible corners. A take without a card, or of which no frame is good enough, is not an error: the survey says so
    and what to do.
    """
    looked, empty, said = sequence, [], list(tag_cautions(sequence))
    if len(sequence) > LONG and corners is None and not (follow or every_frame):
        with _opencv_threads(1):
            where = where_the_card_is(sequence, card, progress)
        # Where there is none, one frame is gone through again, for what a survey says of the take as a whole.
        looked = sequence.only(where.near or where.empty[:1])
        empty = [number for number in where.empty if number not in looked.numbers]
        said.append(LookedSparsely(len(looked) + len(empty), len(sequence), where.step, bool(where.near)))
    survey = _surveyed(pictures(looked, follow=follow, quiet_s=quiet_s), sequence.called, card, card_path, footage,
                       corners, max_frames, progress, empty)
    return replace(survey, take=sequence.text, files_kind=sequence.kind, clip=clip_of(sequence),
                   cautions=(*said, *survey.cautions))


def survey_pictures(frames: Sequence[np.ndarray], card: Card, card_path: Path | str | None, footage: Footage, *,
                    name: str = "frames in memory", corners: Corners | None = None, max_frames: int = MOST_MERGED,
                    progress: Progress = silent) -> Survey:
    """:func:`survey_take` of pictures in memory, numbered from 0: (h, w, 3 or more) code values, integers of their full
    scale. ``name`` is what the take is called. Raises :class:`InputError` as that, and ``ValueError`` for arrays of
    another shape or type."""
    if not len(frames):
        raise InputError(f"{name}: there are no frames; give one at least")
    whole = [Frame(np.asarray(picture)) for picture in frames]
    taken = ((number, len(whole), (frame.rgb_float(), 1.0, frame.integers))
             for number, frame in enumerate(whole))
    survey = _surveyed(taken, lambda number: f"frame {number}", card, card_path, footage, corners, max_frames, progress)
    return replace(survey, take=name)


def _surveyed(taken: Iterable[tuple[int, int, Picture]], called: Callable[[int], str], card: Card,
              card_path: Path | str | None, footage: Footage, corners: Corners | None, max_frames: int,
              progress: Progress, without: Sequence[int] = ()) -> Survey:
    """Of the pictures in ``taken``, each ``called`` by its number where one is refused; without the take's name.
    ``without`` are frames that were looked at before and have no card."""
    by_hand = None if corners is None else np.asarray(corners, dtype=np.float64)
    light = LinearLight(footage)
    judged: list[Future[Judged]] = []
    empty = list(without)
    size: tuple[int, int] | None = None
    before: Found | None = None
    last: int | None = None
    done, floats = 0, False

    def graded(rgb: np.ndarray, found: Found, number: int, previous: Found | None, whole: bool) -> Judged:
        # Floats go on below 0 and above 1, whatever they encode.
        low, high = (0.0, 1.0) if whole else (-NO_LIMIT, NO_LIMIT)
        raw = read_patches(rgb, card, found, light, clip_low=low, clip_high=high)
        return judge(raw, card, found, number, previous=None if previous is None else previous.pose)

    # Finding goes from frame to frame; what it found is read and graded beside it, a few frames behind at most.
    with _opencv_threads(1), ThreadPoolExecutor(1) as beside:
        for number, total, picture in taken:
            rgb, aspect, whole = picture
            floats |= not whole
            if size is None:
                size = (rgb.shape[1], rgb.shape[0])
            elif size != (rgb.shape[1], rgb.shape[0]):
                raise InputError(f"{called(number)} is {rgb.shape[1]} x {rgb.shape[0]} pixels, the frames "
                                 f"before it {size[0]} x {size[1]}; give one take of one size")
            found = find_card(rgb, card, hint=before, corners=by_hand, pixel_aspect=aspect)
            log.debug("frame %s: %s, looked for %s", number, "no card" if found is None else
                      f"card found, score {found.score:.3g}", "everywhere" if before is None else "where it was first")
            if found is None:
                empty.append(number)
            else:
                if len(judged) >= BEHIND:
                    judged[-BEHIND].result()
                # Movement is told from a frame or two before, not over a gap.
                previous = before if last is not None and number - last <= 2 else None
                judged.append(beside.submit(graded, rgb, found, number, previous, whole))
            before, last = found, number
            done += 1
            progress(done, max(total, done), "looking for the card")
        frames = [future.result() for future in judged]
    assert size is not None
    survey = concluded(card, card_path, footage, light, frames, empty, size, max_frames)
    if footage.primaries_implied:
        assumed = PrimariesAssumed(footage.encoding, footage.primaries, footage.primaries_implied)
        survey = replace(survey, cautions=(*survey.cautions, assumed))
    caution = range_caution(footage, floats=floats)
    return survey if caution is None else replace(survey, cautions=(*survey.cautions, caution))


def draw_sheet(survey: Survey, sequence: Take, card: Card, path: Path | str, *,
               overwrite: bool = False) -> None:
    """The contact sheet of chosen and refused frames: see :func:`huewright.report.contact.contact_sheet`."""
    from huewright.report.contact import contact_sheet

    contact_sheet(survey, sequence, card, path, overwrite=overwrite)


@contextmanager
def _opencv_threads(count: int) -> Iterator[None]:
    """OpenCV's own threads on pictures this small only get in the way of those that read ahead and grade beside."""
    usual = cv2.getNumThreads()
    cv2.setNumThreads(count)
    try:
        yield
    finally:
        cv2.setNumThreads(usual)


def concluded(card: Card, card_path: Path | str | None, footage: Footage, light: LinearLight, judged: list[Judged],
              empty: list[int], size: tuple[int, int], max_frames: int = MOST_MERGED) -> Survey:
    """The survey of frames that were ``judged`` each by itself, and of those ``empty`` of a card; without the take's
    name."""
    compared = []
    for frame, extra in zip(judged, compare_frames(judged, light), strict=True):
        number = frame.reading.frame
        assert number is not None
        again = judge(frame.raw, card, frame.found, number, extra_glare=extra) if extra.any() else frame
        compared.append((again, frame.motion_px))
    frames = [frame for frame, _ in compared]
    chosen, remarks = choose(frames, max_frames, light)
    merged = merge(chosen, light, [frame for frame in frames if not frame.reasons]) if chosen else None
    advice = (usable_advice(chosen, merged.reading, merged.gain) if merged is not None
              else unusable_advice(frames, len(frames) + len(empty), card, light))
    picked = {frame.reading.frame for frame in chosen}
    grades = [_grade(frame, motion, frame.reading.frame in picked, remarks.get(frame.reading.frame or 0))
              for frame, motion in compared]
    grades += [FrameGrade(number, "no card", (NoCard(),)) for number in empty]
    grades.sort(key=lambda grade: grade.frame)
    of_card = (card.name, card_sha256(card)) if card_path is None else (str(card_path), sha256(card_path))
    survey = Survey("", *of_card, footage, size[0], size[1], tuple(grades),
                    None if merged is None else merged.reading, merged is not None, advice,
                    1.0 if merged is None else merged.gain, __version__, card_layout_sha256(card))
    return _with_declaration(survey, card)


def _with_declaration(survey: Survey, card: Card) -> Survey:
    """``survey`` with what its reading says of the declared footage."""
    if survey.reading is None:
        return survey
    judgement = judge_reading(survey.reading, card, survey.footage)
    said = survey.cautions if judgement.caution is None else (judgement.caution, *survey.cautions)
    return replace(survey, declaration=judgement.standing, cautions=said)


def _grade(frame: Judged, motion: float, chosen: bool, remark: FrameReason | None) -> FrameGrade:
    verdict: Verdict = "chosen" if chosen else "refused" if frame.reasons else "usable"
    number = frame.reading.frame
    assert number is not None
    reasons: tuple[FrameReason, ...] = frame.reasons
    if not reasons and frame.excluded:
        reasons = (WithoutPatches(frame.excluded),)
    if remark is not None:
        reasons = (*reasons, remark)
    return FrameGrade(number, verdict, reasons, frame.glare, frame.clipped, frame.edge_width_px, motion,
                      frame.patch_px, frame.tilt_deg, frame.light_stops, frame.noise, frame.reading.corners,
                      frame.excluded, frame.veil, frame.veil_error if np.isfinite(frame.veil_error) else None)


__all__ = ["MOST_MERGED", "NO_LIMIT", "Survey", "draw_sheet", "survey_pictures", "survey_take"]
