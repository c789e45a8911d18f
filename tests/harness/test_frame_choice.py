"""Which frames of a take are chosen, and what merging them is worth, against generated truth (tests/testset)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from huewright.cards.own import own_card
from huewright.finding.choose import choose, compare_frames, merge, stand_apart
from huewright.finding.find import find_card
from huewright.finding.grade import Judged, judge
from huewright.finding.light import LinearLight
from huewright.finding.read import read_patches
from huewright.models.reasons import DiffersFromOthers
from testset.scene import FOOTAGE, Conditions, Plane, compose, paint

pytestmark = pytest.mark.slow

CARD = own_card()
TEXTURE = (paint(CARD, 4.0), 4.0)
LIGHT = LinearLight(FOOTAGE["acescct"])
BASE = Conditions(width=960, height=540, size=0.5, roll_deg=4, tilt_deg=6, coding="acescct", shot_noise=3e-4,
                  exposure_stops=-0.4, gloss=0.0)
COUNT = 8


def at(number: int) -> Conditions:
    return replace(BASE, centre=(0.48 + 0.006 * number, 0.5 + 0.003 * number), roll_deg=4 + 0.3 * number)


def graded(c: Conditions, number: int) -> tuple[Judged, np.ndarray]:
    rgb, truth = compose(CARD, None, c, np.random.default_rng([31, number]), TEXTURE)
    found = find_card(rgb, CARD)
    assert found is not None
    # Frames are numbered apart, so that being neighbours in time weighs nothing.
    return judge(read_patches(rgb, CARD, found, LIGHT), CARD, found, 10 * number), truth.patches


@pytest.fixture(scope="module")
def take():
    return [graded(at(number), number) for number in range(COUNT)]


def off_truth(code: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Errors (p, 3) in code values, the overall light (which a take's frames share out anyway) set equal."""
    seen, known = LIGHT.to_linear(code), LIGHT.to_linear(truth)
    gain = np.exp(np.median(np.log(seen / known), axis=0))
    return (seen / gain - known) / LIGHT.slope(truth)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_standard_errors_are_those_that_occur(take):
    # These frames have no veil, so the errors, which allow for what is left of one, are an upper bound; of what noise
    # alone does they say as much as occurs.
    off = [off_truth(judged.raw.code, truth) for judged, truth in take]
    assert rms(np.array([row / judged.raw.error for row, (judged, _) in zip(off, take, strict=True)])) < 1.4
    scatter = np.array(off) - np.mean(off, axis=0)
    noise = np.array([judged.raw.tail_error[:, None] for judged, _ in take])
    assert rms(scatter / noise) > 0.7


def test_the_gain_that_is_claimed_is_the_gain_there_is(take):
    chosen, _ = choose([judged for judged, _ in take], COUNT, LIGHT)
    assert len(chosen) == COUNT
    merged = merge(chosen, LIGHT, CARD)
    truth = np.mean([patches for _, patches in take], axis=0)
    after = off_truth(np.array([patch.mean for patch in merged.reading.patches]), truth)
    alone = np.mean([rms(off_truth(judged.raw.code, patches)) for judged, patches in take])
    assert merged.gain == pytest.approx(alone / rms(after), rel=0.35)
    assert merged.gain < np.sqrt(COUNT) * 1.1
    claimed = np.array([patch.standard_error for patch in merged.reading.patches])
    assert rms(after / claimed) < 1.7


@pytest.mark.parametrize("gloss", [0.004, 0.01, 0.03])
def test_a_faint_reflection_stands_apart_and_is_passed_over(take, gloss):
    """So faint that the frame alone is graded usable, or its patches left out; the others agree without it."""
    c = replace(at(3), gloss=gloss, roughness=0.14)
    lamp = Plane(CARD, c).mirror_lamp((60.0, 60.0), 2500.0)
    # The lamp stands elsewhere than in the other frames, so the light over the card differs a little as well.
    mirrored, _ = graded(replace(c, lamp=tuple(float(v) for v in lamp)), 3)
    frames = [mirrored if number == 3 else judged for number, (judged, _) in enumerate(take)]
    chosen, remarks = choose(frames, COUNT, LIGHT)
    assert mirrored not in chosen and len(chosen) == COUNT - 1
    assert mirrored.reasons or isinstance(remarks[30], DiffersFromOthers)


def test_no_frame_of_an_even_take_stands_apart(take):
    assert not stand_apart([judged for judged, _ in take], LIGHT).frames.any()
    assert max(score.max() for score in compare_frames([judged for judged, _ in take], LIGHT)) < 0.1


def test_a_frame_in_light_of_another_colour_is_passed_over(take):
    """What a coloured patch does in it is known less well than what it shows in the take's usual light."""
    def tinted(frame: Judged, factor: tuple[float, float, float]) -> Judged:
        patches = frame.packed.patches.copy()
        patches["linear"] *= factor
        patches["measured"] = LIGHT.to_code(LIGHT.to_linear(patches["measured"]) * factor)
        return replace(frame, packed=replace(frame.packed, patches=patches))

    frames = [judged for judged, _ in take]
    other, dimmer = tinted(frames[3], (1.3, 1.0, 0.8)), tinted(frames[5], (0.5, 0.5, 0.5))
    chosen, _ = choose([*frames[:3], other, frames[4], dimmer, *frames[6:]], COUNT, LIGHT)
    assert other not in chosen and dimmer in chosen and len(chosen) == COUNT - 1


def test_two_frames_do_not_tell_which_is_right(take):
    two = [judged for judged, _ in take[:2]]
    assert stand_apart(two, LIGHT).read.max() == 0.0
    chosen, remarks = choose(two, COUNT, LIGHT)
    assert len(chosen) == 2 and not remarks


def test_bad_frames_are_nothing_to_be_held_against(take):
    """Two sound frames among six with broad reflections stay sound."""
    bad = []
    for number in range(2, 8):
        c = replace(at(number), gloss=1.0, roughness=0.12)
        point = (40.0 + 30.0 * number, 60.0 + 10.0 * number)
        lamp = Plane(CARD, c).mirror_lamp(point, 2500.0)
        bad.append(graded(replace(c, lamp=tuple(float(v) for v in lamp)), number)[0])
    assert all(frame.reasons for frame in bad)
    frames = [judged for judged, _ in take[:2]] + bad
    scores = compare_frames(frames, LIGHT)
    assert max(score.max() for score in scores[:2]) == 0.0
