"""Frames in which no card is found, though frames near them show one: is it there, washed out?

Light that the card mirrors, or that flares in the lens, only adds. So where the frames beside show the card every patch
is as light as there or lighter, the darkest ones are far lighter, and what sets the patches apart is fainter but goes
the same way. An empty place, another card, a blur, and what stands before the card each break one of these.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np

from huewright.finding.blobs import tone_power, toned
from huewright.finding.confirm import all_spots
from huewright.finding.edges import sample
from huewright.finding.find import Found
from huewright.models.card import Card
from huewright.models.reasons import AllWhite, WashedOut

WIDTH = 480            # px, of the pictures that wait for the next frame with a card
NEAR = 25              # frames between one that shows the card and one that it is told of
# Set on generated frames (tests/testset/washed.py): of those without the card that are lighter and fainter agreement
# is 0.37 at most; of washed-out ones that are not all white 0.6 to 0.98.
LEAST_AGREEMENT = 0.6
MOST_CONTRAST = 0.7
LEAST_LIFT = 0.04      # code values, made lighter as for finding
DARKER, MOST_DARKER = 0.03, 0.1        # code values, and the share of patches that may be darker by as much
LEAST_INSIDE = 0.7     # of the patches
WHITE = 0.985          # of the highest code: nothing is left of a patch there
LEAST_LEFT = 7         # patches below white that can tell a trace
CURVED = 14            # patches from which a bend over the card is taken off too
ALL_WHITE = 0.8        # of the patches


@dataclass(frozen=True)
class Trace:
    """``agreement`` -1..1 of what sets the patches apart with what does so beside, a slope or bend over the card taken
    off, of those that are not white; ``contrast`` its size over that beside, in all of them; ``lift`` of the darkest
    third; ``darker`` and ``white`` shares of the patches, the latter at the end of the code range."""

    agreement: float
    contrast: float
    lift: float
    darker: float
    white: float

    @property
    def convinces(self) -> bool:
        return (self.agreement >= LEAST_AGREEMENT and self.contrast <= MOST_CONTRAST and self.lift >= LEAST_LIFT
                and self.darker <= MOST_DARKER)


@dataclass(frozen=True)
class _Shown:
    """A frame with the card: where its patches lie in the small picture (p, n, 2) and their colours (p, 3)."""

    number: int
    spots: np.ndarray
    colours: np.ndarray
    power: float


class Washed:
    """Told of each frame in turn; ``reasons`` has those that are washed out, by number, after :meth:`finish`."""

    def __init__(self, card: Card) -> None:
        self.reasons: dict[int, WashedOut | AllWhite] = {}
        self._card = card
        self._last: tuple[int, np.ndarray, Found] | None = None
        self._shown: _Shown | None = None
        self._waiting: deque[tuple[int, np.ndarray]] = deque()

    def see(self, number: int, rgb: np.ndarray, found: Found | None) -> None:
        """``rgb`` (h, w, 3) code values; it is kept until the next frame with a card, if it shows one."""
        if found is None:
            self._waiting.append((number, small_of(rgb)))
            if len(self._waiting) > 2 * NEAR:
                self._judge(*self._waiting.popleft(), None)
            return
        if self._waiting:
            now = shown_in(number, rgb, self._card, found)
            while self._waiting:
                self._judge(*self._waiting.popleft(), now)
            self._shown, self._last = now, None
        else:
            self._shown, self._last = None, (number, rgb, found)

    def finish(self) -> None:
        while self._waiting:
            self._judge(*self._waiting.popleft(), None)

    def _judge(self, number: int, small: np.ndarray, after: _Shown | None) -> None:
        if self._last is not None:
            self._shown, self._last = shown_in(*self._last[:2], self._card, self._last[2]), None
        beside = [end for end in (self._shown, after) if end is not None and abs(end.number - number) <= NEAR]
        trace = trace_of(small, number, beside, self._card) if beside else None
        if trace is None:
            return
        if len(beside) == 2 and trace.white >= ALL_WHITE and trace.darker <= MOST_DARKER:
            self.reasons[number] = AllWhite(tuple(end.number for end in beside))
        elif trace.convinces:
            self.reasons[number] = WashedOut(float(f"{trace.contrast:.3g}"), float(f"{min(trace.lift, 1.0):.3g}"),
                                             tuple(end.number for end in beside))


def small_of(rgb: np.ndarray) -> np.ndarray:
    h, w = rgb.shape[:2]
    picture = rgb[..., :3]
    if w <= WIDTH:
        return np.array(picture, dtype=np.float32)
    return np.asarray(cv2.resize(picture, (WIDTH, max(1, round(h * WIDTH / w))), interpolation=cv2.INTER_AREA))


def shown_in(number: int, rgb: np.ndarray, card: Card, found: Found) -> _Shown:
    small = small_of(rgb)
    spots = all_spots(card)
    placed = found.pose.to_pixels(spots.reshape(-1, 2)).reshape(spots.shape)
    placed = placed * (small.shape[1] / rgb.shape[1], small.shape[0] / rgb.shape[0])
    power = tone_power(small)
    return _Shown(number, placed, _colours(small, placed, power), power)


def trace_of(small: np.ndarray, number: int, beside: list[_Shown], card: Card) -> Trace | None:
    """What of the card is left in ``small`` where one or two frames ``beside`` it show it; between two, where it lay
    half-way. None where too little of that is in the picture."""
    share = 0.0 if len(beside) == 1 else (number - beside[0].number) / (beside[1].number - beside[0].number)
    spots = (1 - share) * beside[0].spots + share * beside[-1].spots
    there = (1 - share) * beside[0].colours + share * beside[-1].colours
    h, w = small.shape[:2]
    inside = ((spots > 0) & (spots < (w, h))).all(axis=(1, 2))
    if inside.mean() < LEAST_INSIDE:
        return None
    here, there = _colours(small, spots, beside[0].power)[inside], there[inside]
    lift = here.mean(axis=1) - there.mean(axis=1)
    darkest = np.argsort(there.mean(axis=1), kind="stable")[:max(1, len(there) // 3)]
    place = np.array([np.mean(patch.polygon, axis=0) for patch in card.patches])[inside]
    top = toned(np.ones((1, 3), np.float32), beside[0].power)
    white = (here >= WHITE * top).all(axis=1)
    agreement, _ = _alike(here[~white], there[~white], place[~white])
    _, contrast = _alike(here, there, place)
    return Trace(agreement, contrast, float(np.median(lift[darkest])), float((lift < -DARKER).mean()),
                 float(white.mean()))


def _alike(here: np.ndarray, there: np.ndarray, place: np.ndarray) -> tuple[float, float]:
    """(correlation, share of the size) of what sets (p, 3) colours apart with what does so there: lightness, red less
    green and blue less green, without what slopes over the card or bends. 0 where too few are left to tell."""
    if len(here) < LEAST_LEFT:
        return 0.0, 0.0
    u, v = ((place - place.mean(axis=0)) / max(float(np.ptp(place)), 1e-9)).T
    smooth = np.column_stack([np.ones(len(u)), u, v, *((u * u, u * v, v * v) if len(u) >= CURVED else ())])
    left, was = (values - smooth @ np.linalg.lstsq(smooth, values, rcond=None)[0] for values in (
        np.column_stack([colours.mean(axis=1), colours[:, 0] - colours[:, 1], colours[:, 2] - colours[:, 1]])
        for colours in (here, there)))
    of_left, of_was = float((left**2).sum()), max(float((was**2).sum()), 1e-12)
    return (float((left * was).sum() / np.sqrt(max(of_left, 1e-12) * of_was)),
            float(min(np.sqrt(of_left / of_was), 1.0)))


def _colours(small: np.ndarray, spots: np.ndarray, power: float) -> np.ndarray:
    return np.asarray(np.median(toned(sample(small, spots), power), axis=1))
