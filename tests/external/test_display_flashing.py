"""The flashing screen against the limits of Recommendation ITU-R BT.1702 (annex 1) and WCAG 2.2, criterion 2.3.1:
more than three flashes a second, of 20 cd/m2 or more, the darker below 160 cd/m2, over a quarter of the screen."""

from __future__ import annotations

import numpy as np
import pytest
from huewright.colorimetry.flashing import Flashing, FlashScreen
from hypothesis import given, settings
from hypothesis import strategies as st

RATE = 25


def signal(nits: float) -> float:
    """BT.709 signal of a display with BT.1886 that peaks at 200 cd/m2."""
    return float((nits / 200.0) ** (1 / 2.4))


def screened(levels: list[float], *, area: float = 1.0, colour: tuple[float, float, float] = (1, 1, 1),
             display: str = "bt709", rate: float = RATE) -> Flashing:
    """A screen of ``colour`` at each of the signal ``levels``, over the left ``area``; the rest rests."""
    screen = FlashScreen(display, rate)
    for level in levels:
        picture = np.full((72, 128, 3), 0.3)
        picture[:, :round(128 * area)] = level * np.array(colour)
        screen.add(picture)
    return screen.result()


def blinking(times: int, low: float, high: float, frames_each: int = 3) -> list[float]:
    """Dark, then ``times`` flashes: up and down again."""
    return [low] * frames_each + ([high] * frames_each + [low] * frames_each) * times


def test_four_flashes_in_a_second_are_too_many_and_three_are_not() -> None:
    dark, bright = signal(5), signal(60)
    assert screened(blinking(3, dark, bright)).most == 3
    assert not screened(blinking(3, dark, bright)).too_many
    four = screened(blinking(4, dark, bright))
    assert four.most == 4 and four.too_many and 0 <= four.first < four.last < 27
    # The same four flashes at half the pace take more than a second.
    assert not screened(blinking(4, dark, bright, 6)).too_many


@pytest.mark.parametrize(("low", "high", "counts"), [(5, 24, False), (5, 26, True), (158, 190, True),
                                                    (162, 195, False)])
def test_luminances_of_the_recommendation(low: float, high: float, counts: bool) -> None:
    assert (screened(blinking(5, signal(low), signal(high), 2)).most > 0) is counts


@pytest.mark.parametrize(("area", "counts"), [(0.2, False), (0.3, True)])
def test_a_quarter_of_the_screen(area: float, counts: bool) -> None:
    assert (screened(blinking(5, signal(5), signal(80), 2), area=area).most > 0) is counts


def test_slow_ramps_and_cuts_are_no_flashing() -> None:
    ramp = [signal(v) for v in np.linspace(2, 180, 50)]
    assert screened(ramp).most == 0
    assert screened([signal(5)] * 10 + [signal(120)] * 30).most == 0
    assert screened([0.4] * 40).most == 0


def test_a_dip_before_the_first_flash_is_measured_from() -> None:
    """30, down to 20, up to 42 cd/m2: 12 from where it began, 22 from its lowest."""
    assert screened([signal(v) for v in (30, 20, 42, 20)]).most == 1


def test_a_flash_that_fades_in_and_out_counts_from_its_extremes() -> None:
    fade = [signal(v) for v in (5, 15, 25, 35, 25, 15)] * 4 + [signal(5)]
    assert screened(fade).most == 4


def test_red_flashes_count_whatever_their_luminance() -> None:
    """Saturated red of 200 cd/m2 peak is dim: 0.2126 of it; a change of 15 cd/m2 is no general flash."""
    red = screened(blinking(4, 0.0, signal(60), 3), colour=(1, 0, 0))
    assert red.most == 0 and red.most_red == 4 and red.too_many
    assert screened(blinking(4, 0.0, signal(60), 3), colour=(1, 0.9, 0.9)).most_red == 0


def test_hdr_is_absolute() -> None:
    """In PQ 0.30 and 0.40 are about 10 and 33 cd/m2 (SMPTE ST 2084): a flash. 0.60 and 0.65 are over 160: none."""
    assert screened(blinking(4, 0.30, 0.40, 3), display="pq").most == 4
    assert screened(blinking(4, 0.60, 0.65, 3), display="pq").most == 0


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=2, max_size=40))
def test_there_are_never_more_flashes_than_pairs_of_frames(levels: list[float]) -> None:
    found = screened(levels)
    assert 0 <= found.most <= len(levels) // 2 and (found.most == 0) == (found.first < 0 or found.most_red > found.most)
