"""A card that a reflection washes out is said to be there; an empty place, a hand and a sheet before it are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from huewright.cards.own import own_card
from huewright.models.reasons import AllWhite, NoCard, WashedOut
from huewright.models.survey import Survey
from huewright.steps.survey import survey_pictures
from huewright.words import sentence
from testset.backgrounds import background
from testset.scene import FOOTAGE, Conditions, Plane, compose, empty

CARD = own_card()
HELD = Conditions(width=640, height=360, size=0.5, roll_deg=4, gloss=0.0, shot_noise=2e-4)
WASHED, WHITE, GONE, HAND = 2, 3, 4, 5


def frame(number: int) -> np.ndarray:
    """Frame ``number`` of an invented take: the card drifts; a lamp lies in it, all is white, it is away, a hand covers
    it."""
    rng = np.random.default_rng([9, number])
    behind, _ = background(np.random.default_rng(21), HELD.width, HELD.height)
    c = replace(HELD, centre=(0.48 + 0.004 * number, 0.5))
    if number in (WASHED, WHITE):
        c = replace(c, gloss=4.0 if number == WASHED else 20.0, roughness=0.15)
        c = replace(c, lamp=tuple(float(v) for v in Plane(CARD, c).mirror_lamp((150.0, 90.0), 2500.0)))
    if number == HAND:
        w, h = CARD.size
        c = replace(c, fingers=((-0.3 * w, 0.5 * h, 1.1 * w, 0.5 * h, 0.5 * h),))
    return empty(behind, c, rng) if number == GONE else compose(CARD, behind, c, rng)[0]


@pytest.fixture(scope="module")
def survey() -> Survey:
    return survey_pictures([frame(number) for number in range(7)], CARD, None, FOOTAGE["display"])


def test_the_washed_out_card_is_named_with_where_it_was_seen(survey: Survey) -> None:
    grade = survey.grades[WASHED]
    assert grade.verdict == "no card"
    reason = grade.reasons[0]
    assert isinstance(reason, WashedOut)
    assert reason.beside == (1, 6) and reason.contrast < 0.5 and reason.lift > 0.1
    assert "washed out" in sentence(reason) and "frames 1, 6 show it" in sentence(reason)


def test_where_all_is_white_both_causes_are_named(survey: Survey) -> None:
    assert survey.grades[WHITE].reasons == (AllWhite((1, 6)),)
    assert "something bright before it" in sentence(survey.grades[WHITE].reasons[0])


def test_an_empty_place_and_a_hand_are_not_called_washed_out(survey: Survey) -> None:
    assert [survey.grades[number].reasons for number in (GONE, HAND)] == [(NoCard(),), (NoCard(),)]


def test_frames_beside_are_all_that_tells(survey: Survey) -> None:
    """Without a frame that shows the card nothing is said of it."""
    alone = survey_pictures([frame(WASHED)], CARD, None, FOOTAGE["display"])
    assert alone.grades[0].reasons == (NoCard(),)
