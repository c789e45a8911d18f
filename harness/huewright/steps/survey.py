"""The survey of a take: find, read and grade the card in every frame, choose the best, merge them, and advise."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np

from huewright.colorimetry.declare import look_cautions, range_caution
from huewright.colorimetry.said import said_otherwise
from huewright.errors import InputError
from huewright.finding.find import Found, find_card
from huewright.finding.grade import Judged, judge
from huewright.finding.light import LinearLight
from huewright.finding.read import read_patches
from huewright.finding.washed import Washed
from huewright.frames.ahead import QUIET_S, Picture, pictures
from huewright.frames.frame import Frame
from huewright.frames.take import Take
from huewright.models.by_hand import ByHand
from huewright.models.card import Card
from huewright.models.cautions import Caution, LookedSparsely, PrimariesAssumed
from huewright.models.footage import Footage
from huewright.models.reasons import AllWhite, WashedOut
from huewright.models.survey import Survey
from huewright.progress import Progress, silent
from huewright.provenance.takes import clip_of, tag_cautions
from huewright.steps.conclude import MOST_MERGED, concluded
from huewright.steps.sparsely import LONG, where_the_card_is
from huewright.workers import Workers

log = logging.getLogger(__name__)

BEHIND = 3
NO_LIMIT = 1e9
Corners = Sequence[tuple[float, float]] | np.ndarray


@dataclass(frozen=True)
class Looked:
    """A take that was looked through, before anything is concluded of it.

    judged   frames with a card, each judged by itself; ``empty`` numbers of those without
    size     width and height of the frames, in pixels
    integers whether all files hold integers
    chain    where the card was found in the frame or two before each one, or None: by it movement is told
    washed   those of ``empty`` in which the card is washed out
    """

    light: LinearLight
    judged: tuple[Judged, ...]
    empty: tuple[int, ...]
    size: tuple[int, int]
    integers: bool
    chain: dict[int, Found | None] = field(default_factory=dict)
    said: tuple[Caution, ...] = ()
    washed: dict[int, WashedOut | AllWhite] = field(default_factory=dict)


def survey_take(sequence: Take, card: Card, card_path: Path | str | None, footage: Footage, *,
                corners: Corners | None = None, max_frames: int = MOST_MERGED, follow: bool = False,
                every_frame: bool = False, by_hand: ByHand | None = None, progress: Progress = silent,
                quiet_s: float = QUIET_S) -> Survey:
    """Surveys ``sequence`` for ``card``, which was read from ``card_path`` (None: made in memory).

    corners     (4, 2) px by hand, clockwise from the card's own top left; then nothing is searched for
    max_frames  how many frames are merged at most
    every_frame looks at each frame of a long take; else at some of them first, and then closely where the card is
    by_hand     frames taken in, left out, or with corners of their own
    follow      goes on while frames are still being written; ends after ``quiet_s`` seconds without a new one

    Holes in the take don't matter. Raises :class:`InputError` for frames that can't be read or differ in size, for
    impossible corners, and for frames by hand that can't be. A take without a card, or of which no frame is good
    enough, is not an error: the survey says so and what to do.
    """
    looked = look_through(sequence, card, footage, corners=corners, follow=follow, every_frame=every_frame,
                          by_hand=by_hand, progress=progress, quiet_s=quiet_s)
    return survey_of(looked, sequence, card, card_path, footage, max_frames=max_frames, by_hand=by_hand)


def look_through(sequence: Take, card: Card, footage: Footage, *, corners: Corners | None = None, follow: bool = False,
                 every_frame: bool = False, by_hand: ByHand | None = None, progress: Progress = silent,
                 quiet_s: float = QUIET_S) -> Looked:
    """The first half of :func:`survey_take`: all that has to read the frames."""
    looked, empty, said = sequence, [], list(tag_cautions(sequence))
    if len(sequence) > LONG and corners is None and not (follow or every_frame):
        with _opencv_threads(1):
            where = where_the_card_is(sequence, card, progress)
        # Where there is none, one frame is gone through again, for what a survey says of the take as a whole.
        looked = sequence.only(where.near or where.empty[:1])
        empty = [number for number in where.empty if number not in looked.numbers]
        said.append(LookedSparsely(len(looked) + len(empty), len(sequence), where.step, bool(where.near)))
    with closing(pictures(looked, follow=follow, quiet_s=quiet_s)) as taken:
        result = _look(taken, sequence.called, card, footage, corners, progress, empty, by_hand)
    return replace(result, said=tuple(said))


def survey_of(looked: Looked, sequence: Take, card: Card, card_path: Path | str | None, footage: Footage, *,
              max_frames: int = MOST_MERGED, by_hand: ByHand | None = None) -> Survey:
    """The second half of :func:`survey_take`: chosen, merged and advised, without reading a frame."""
    survey = _survey_of(looked, card, card_path, footage, max_frames, by_hand)
    return replace(survey, take=sequence.text, files_kind=sequence.kind, clip=clip_of(sequence),
                   cautions=(*looked.said, *survey.cautions))


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
    looked = _look(taken, lambda number: f"frame {number}", card, footage, corners, progress)
    return replace(_survey_of(looked, card, card_path, footage, max_frames, None), take=name)


def graded(picture: Picture, found: Found, card: Card, light: LinearLight, number: int,
           previous: Found | None) -> Judged:
    """One frame read and graded where ``found`` says that the card lies; ``previous`` is where it lay before."""
    rgb, _, integers = picture
    # Floats go on below 0 and above 1, whatever they encode.
    low, high = (0.0, 1.0) if integers else (-NO_LIMIT, NO_LIMIT)
    raw = read_patches(rgb, card, found, light, clip_low=low, clip_high=high)
    return judge(raw, card, found, number, previous=None if previous is None else previous.pose)


def _look(taken: Iterable[tuple[int, int, Picture]], called: Callable[[int], str], card: Card, footage: Footage,
          corners: Corners | None, progress: Progress, without: Sequence[int] = (),
          by_hand: ByHand | None = None) -> Looked:
    """The pictures in ``taken``, each ``called`` by its number where one is refused. ``without`` are frames that were
    looked at before and have no card."""
    everywhere = None if corners is None else np.asarray(corners, dtype=np.float64)
    light, by_hand = LinearLight(footage), by_hand or ByHand()
    judged: list[Judged] = []
    behind: deque[Future[Judged]] = deque()
    empty, chain = list(without), dict[int, Found | None]()
    washed = Washed(card)
    size: tuple[int, int] | None = None
    before: Found | None = None
    last: int | None = None
    done, floats = 0, False

    # Finding goes from frame to frame; what it found is read and graded beside it, a few frames behind at most.
    with _opencv_threads(1), Workers(1) as beside:
        for number, total, picture in taken:
            rgb, aspect, whole = picture
            floats |= not whole
            if size is None:
                size = (rgb.shape[1], rgb.shape[0])
            elif size != (rgb.shape[1], rgb.shape[0]):
                raise InputError(f"{called(number)} is {rgb.shape[1]} x {rgb.shape[0]} pixels, the frames "
                                 f"before it {size[0]} x {size[1]}; give one take of one size")
            found = find_card(rgb, card, hint=before, corners=everywhere, pixel_aspect=aspect)
            log.debug("frame %s: %s, looked for %s", number, "no card" if found is None else
                      f"card found, score {found.score:.3g}", "everywhere" if before is None else "where it was first")
            # Movement is told from a frame or two before, not over a gap.
            chain[number] = before if last is not None and number - last <= 2 else None
            before, last = found, number
            washed.see(number, rgb, found)
            # Corners of this frame's own change nothing in the others: where the card was found leads on.
            if by_hand.corners_in(number) is not None:
                found = placed(picture, card, by_hand, number)
            if found is None:
                empty.append(number)
            else:
                if len(behind) >= BEHIND:
                    judged.append(behind.popleft().result())
                behind.append(beside.submit(graded, picture, found, card, light, number, chain[number]))
            done += 1
            progress(done, max(total, done), "looking for the card")
        judged.extend(future.result() for future in behind)
    washed.finish()
    assert size is not None
    return Looked(light, tuple(judged), tuple(empty), size, not floats, chain, washed=washed.reasons)


def placed(picture: Picture, card: Card, by_hand: ByHand, number: int) -> Found:
    """Where a person says that the card lies in frame ``number``; :class:`InputError` for impossible corners."""
    try:
        found = find_card(picture[0], card, corners=np.array(by_hand.corners_in(number)), pixel_aspect=picture[1])
    except InputError as error:
        raise InputError(f"frame {number}: {error}") from None
    assert found is not None
    return found


def _survey_of(looked: Looked, card: Card, card_path: Path | str | None, footage: Footage, max_frames: int,
               by_hand: ByHand | None) -> Survey:
    """Without the take's name."""
    survey = concluded(card, card_path, footage, looked.light, list(looked.judged), list(looked.empty), looked.size,
                       max_frames, by_hand, looked.washed)
    said: list[Caution] = [PrimariesAssumed(footage.encoding, footage.primaries, footage.primaries_implied)
            ] if footage.primaries_implied else []
    otherwise = said_otherwise(footage)
    said += [] if otherwise is None else [otherwise]
    said += look_cautions(footage)
    caution = range_caution(footage, floats=not looked.integers)
    return replace(survey, cautions=(*survey.cautions, *said, *([] if caution is None else [caution])))


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


__all__ = ["MOST_MERGED", "NO_LIMIT", "Looked", "Survey", "draw_sheet", "graded", "look_through", "placed",
           "survey_of", "survey_pictures", "survey_take"]
