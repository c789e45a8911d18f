"""Where in a long take the card is: looked at sparsely first, so that only frames near it are read one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from huewright.finding.find import find_card
from huewright.frames.ahead import QUIET_S, pictures
from huewright.frames.take import Take
from huewright.models.card import Card
from huewright.progress import Progress, silent

LONG = 120             # frames: up to so many are looked at one by one
EVERY_S, LONGEST_S = 0.5, 2.5     # between frames looked at first; between those that can be decoded alone, at most
RATE_TAKEN = 25.0
CLOSELY = 160          # frames near the card that are looked at, at most

EVENLY, AT_BEGINNING_S, AT_END_S = 12, 8, 4      # of a glance: frames over the whole, seconds with one each


@dataclass(frozen=True)
class Where:
    """``near`` are the frames to look at closely; ``empty`` those looked at that have no card and aren't among them;
    ``step`` frames lay between those looked at first, in the mean."""

    near: tuple[int, ...]
    empty: tuple[int, ...]
    step: int


def where_the_card_is(take: Take, card: Card, progress: Progress) -> Where:
    """Looks at a frame about every half second, where the stream allows at frames that can be decoded alone; where no
    card is in any of these, at the middles between them as well."""
    numbers = take.numbers
    step = max(2, round(EVERY_S * float(take.rate or RATE_TAKEN)))
    first = _first_look(take, step)
    seen: dict[int, bool] = {}
    _look(take, first, seen, card, progress)
    if not any(seen.values()):
        places = [numbers.index(number) for number in first]
        between = {numbers[(a + b) // 2] for a, b in zip(places, [*places[1:], len(numbers) - 1], strict=True)}
        _look(take, sorted(between - set(seen)), seen, card, progress)
    looked = sorted(seen)
    near: set[int] = set()
    for place, number in enumerate(looked):
        if seen[number]:
            low = looked[place - 1] if place else numbers[0] - 1
            high = looked[place + 1] if place + 1 < len(looked) else numbers[-1] + 1
            near.update(range(low + 1, high))
    close = [number for number in numbers if number in near]
    if len(close) > CLOSELY:
        picked = np.unique(np.linspace(0, len(close) - 1, CLOSELY).round().astype(int))
        close = [close[k] for k in picked]
    empty = tuple(number for number in looked if not seen[number] and number not in near)
    return Where(tuple(close), empty, max(1, len(numbers) // max(len(looked), 1)))


def glance(take: Take, card: Card) -> dict[int, bool]:
    """A few frames of ``take`` and whether the card is in each: evenly spread ones, and more at both ends, where a card
    is held as a rule (common practice, no source). A card that is shown between them is missed."""
    numbers, rate = take.numbers, float(take.rate or RATE_TAKEN)
    last = len(numbers) - 1
    places = set(np.linspace(0, last, min(len(numbers), EVENLY)).round().astype(int).tolist())
    places |= {round(second * rate) for second in range(1, AT_BEGINNING_S)}
    places |= {last - round(second * rate) for second in range(1, AT_END_S)}
    alone = np.array(take.entries())
    near = len(numbers) / (4 * EVENLY)
    wanted = set()
    for place in places:
        if 0 <= place <= last:
            nearest = int(alone[np.abs(alone - numbers[place]).argmin()])
            wanted.add(nearest if abs(nearest - numbers[place]) <= near else numbers[place])
    seen: dict[int, bool] = {}
    _look(take, sorted(wanted), seen, card, silent)
    return seen


def _first_look(take: Take, step: int) -> list[int]:
    numbers = take.numbers
    alone = take.entries()
    if len(alone) < len(numbers) and len(alone) > 1:
        apart = np.diff([*alone, numbers[-1] + 1]).max()
        if apart <= LONGEST_S * float(take.rate or RATE_TAKEN):
            picked = [alone[0]]
            for number in alone[1:]:
                if number - picked[-1] >= 0.8 * step:
                    picked.append(number)
            return picked
    return list(numbers[step // 2::step])


def _look(take: Take, wanted: Sequence[int], seen: dict[int, bool], card: Card, progress: Progress) -> None:
    for done, (number, _, picture) in enumerate(pictures(take.only(wanted), follow=False, quiet_s=QUIET_S), 1):
        rgb, aspect, _ = picture
        seen[number] = find_card(rgb, card, pixel_aspect=aspect) is not None
        progress(done, len(wanted), "looking through the take")


__all__ = ["LONG", "Where", "glance", "where_the_card_is"]
