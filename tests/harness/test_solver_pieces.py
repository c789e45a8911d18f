"""Pieces of the solver by themselves, where what they give is known without a solve."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.display import DISPLAYS
from huewright.colorimetry.targets import Target, targets_for
from huewright.errors import NoAnswerError
from huewright.models.card import Card, load_card
from huewright.models.footage import Footage
from huewright.models.reading import Reading
from huewright.models.refusals import ChipsOnLine
from huewright.models.settings import SolveSettings
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.chain import Chain
from huewright.solver.declaration import (
    CHANNELS_ALIKE,
    SETTLED,
    Colours,
    Known,
    _bent_ire,
    _misfit,
    _misfit_of_colours,
    _variance,
    judge_declaration,
)
from huewright.solver.evidence import check_light, gather
from huewright.solver.hues import WIDEST_GAP_DEG, direct
from huewright.solver.intervals import landing_errors
from huewright.solver.model import sigma_points
from huewright.solver.problem import Problem, Solution, set_up
from huewright.solver.results import _shares
from huewright.solver.sectors import solve_levels
from huewright.solver.simulate import FOOTAGE, Spread, simulated_take
from huewright_kernels.ops import Matrix, Transfer

LUMA = (0.2126, 0.0722)


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


def changed(reading: Reading, name: str, **values: object) -> Reading:
    return dataclasses.replace(reading, patches=tuple(
        dataclasses.replace(patch, **values) if patch.name == name else patch  # type: ignore[arg-type]
        for patch in reading.patches))


def test_sigma_points_have_the_mean_and_the_covariance_that_they_stand_for() -> None:
    rng = np.random.default_rng(40)
    means, roots = rng.normal(size=(5, 3)), rng.normal(size=(5, 3, 3))
    covariances = roots @ np.swapaxes(roots, 1, 2)
    points = sigma_points(means, covariances)
    off = points - means[:, None]
    assert points.mean(axis=1) == pytest.approx(means)
    assert np.einsum("nki,nkj->nij", off, off) / 6 == pytest.approx(covariances)


def test_nothing_corrected_keeps_grey_grey() -> None:
    """Log to BT.709 without a solve: the curve, its display, and no tint of its own."""
    codes = np.repeat(np.linspace(0.1, 0.55, 20)[:, None], 3, axis=1)
    shown = apply_chain(Chain(FOOTAGE, DISPLAYS["bt709"]).neutral(), codes)
    assert np.ptp(shown, axis=1).max() < 1e-9
    assert shown == pytest.approx(apply_chain((*FOOTAGE.decode, *DISPLAYS["bt709"].encode), codes), abs=1e-9)


def test_a_look_gets_the_cameras_own_primaries() -> None:
    """Which it was made for; without one, light of other primaries is brought to the display's."""
    wide = Footage(encoding="ACEScct", decode=FOOTAGE.decode, primaries="ACEScg")
    looked = dataclasses.replace(wide, look=(Transfer("srgb", "encode"),))
    assert np.array_equal(Chain(looked, DISPLAYS["bt709"]).primaries, np.eye(3))
    assert np.array_equal(Chain(FOOTAGE, DISPLAYS["bt709"]).primaries, np.eye(3))
    assert not np.allclose(Chain(wide, DISPLAYS["bt709"]).primaries, np.eye(3), atol=0.1)


def test_controls_that_no_chip_drives_leave_colours_as_they_are() -> None:
    hues = np.radians([10.0, 40.0])
    arriving = 0.2 * np.column_stack([np.cos(hues), np.sin(hues)])
    there = 0.3 * np.column_stack([np.cos(hues + 0.1), np.sin(hues + 0.1)])
    sectors = direct(arriving, [Target(None, *place.tolist()) for place in there], LUMA, 0.2)
    driven = np.isclose(sectors.hues_deg, [[10.0], [40.0]], atol=1e-3).any(axis=0)
    turns, gains = np.array(sectors.rotations_deg), np.array(sectors.gains)
    assert driven.sum() == 2 and np.diff(np.append(sectors.hues_deg, 370.0)).max() <= WIDEST_GAP_DEG
    assert turns[driven] == pytest.approx(np.degrees(0.1)) and gains[driven] == pytest.approx(1.5)
    assert (turns[~driven] == 0).all() and (gains[~driven] == 1).all()


def test_three_chips_on_one_line_are_refused(card: Card) -> None:
    reading = simulated_take(card, np.random.default_rng(41)).reading
    targets = targets_for(card)
    chips = gather(reading, card, targets, SolveSettings()).chips[:3]
    asked = np.array([(chip.target.cb, chip.target.cr) for chip in chips])
    apart = np.array([[0.5, 0.3, 0.2], [0.2, 0.5, 0.3], [0.2, 0.3, 0.5]])
    check_light(chips, asked, apart, apart)
    along = 0.4 + np.array([[-0.1], [0.0], [0.1]]) * [1.0, 0.0, -1.0]
    with pytest.raises(NoAnswerError) as refused:
        check_light(chips, asked, along, apart)
    assert refused.value.what == ChipsOnLine()


def test_what_bars_say_of_a_curve_is_the_same_at_any_exposure_and_weighed_by_their_errors(card: Card) -> None:
    """Linear light: its scale is nobody's declaration. And a bar that is off by less than its own error isn't."""
    footage = Footage(encoding="linear")
    reading = simulated_take(card, np.random.default_rng(42), Spread(noise_db=60), footage=footage).reading
    off = tuple(1.2 * value for value in reading.patch("middle").mean)

    def misfit(error: float, scale: float) -> float:
        taken = changed(reading, "middle", mean=off, standard_error=tuple(error * value for value in off))
        scaled = dataclasses.replace(taken, patches=tuple(dataclasses.replace(
            patch, mean=tuple(scale * value for value in patch.mean),
            covariance=tuple(tuple(scale**2 * value for value in row) for row in patch.covariance),
            standard_error=tuple(scale * value for value in patch.standard_error)) for patch in taken.patches))
        problem = set_up(scaled, card, footage, SolveSettings())
        found = judge_declaration(problem).agreement
        assert found is not None and found.misfit == found.of_bars     # three bars need no other patches beside them
        return found.misfit

    sure, unsure = misfit(0.001, 1.0), misfit(0.25, 1.0)
    assert unsure < SETTLED < sure
    assert misfit(0.25, 0.02) == pytest.approx(unsure, rel=1e-6)


@pytest.mark.parametrize(("veil", "black"), [(0.0, 1.3), (0.06, 1.0)])
def test_patches_beside_two_bars_are_held_against_the_lighter_bar(card: Card, veil: float, black: float) -> None:
    """What the black bar misses within its own error, and light that lies over all, are no fault of theirs."""
    footage = Footage(encoding="linear")
    reading = simulated_take(card, np.random.default_rng(48), Spread(noise_db=60), footage=footage).reading
    white = np.array(reading.patch("white").mean)
    reading = dataclasses.replace(reading, patches=tuple(dataclasses.replace(
        patch, mean=tuple((np.array(patch.mean) * (black if patch.name == "black" else 1.0) + veil * white).tolist()),
        standard_error=tuple((0.5 * np.array(patch.mean)).tolist()) if patch.name == "black" and not veil
        else patch.standard_error, excluded=patch.name == "middle") for patch in reading.patches))
    found = judge_declaration(set_up(reading, card, footage, SolveSettings())).agreement
    assert found is not None
    assert 0 < found.misfit - found.of_bars < 3


def test_how_far_bars_are_off_is_counted_in_what_print_and_reading_allow() -> None:
    """Worked by hand: a hundredth of the light either way, and half a hundredth between channels."""
    one, none, known = np.ones((2, 3)), np.zeros((2, 3)), Known(level=0.02, colour=0.005, black=0.001)
    levels = np.array([[0.99], [1.01]]) * [2.0, 1.0, 0.5]
    for noise in (0.0, 1e-4):
        told, off = _misfit(levels, noise * one * [4.0, 1.0, 0.25], one, known)
        assert off == pytest.approx([-0.01, 0.01], rel=1e-3)
        assert told == pytest.approx(2 * 0.01**2 / (0.02**2 + 0.001**2 + noise / 3), rel=1e-3)
    dark = np.full((2, 3), 0.02)
    assert _misfit(levels, none, dark, known)[0] == pytest.approx(2 * 0.01**2 / (0.02**2 + 0.05**2), rel=1e-3)
    colours = 1 + np.array([[0.005, 0, -0.005], [-0.005, 0, 0.005]])
    told, off = _misfit(colours, none, one, known)
    assert off == pytest.approx([0.0, 0.0], abs=1e-4)
    assert told == pytest.approx(4 * CHANNELS_ALIKE * 0.005**2 / (0.005**2 + 0.0003**2), rel=1e-2)
    told, _ = _misfit(colours, none, dark, known)
    assert told == pytest.approx(4 * CHANNELS_ALIKE * 0.005**2 / (0.005**2 + 0.015**2), rel=1e-2)


def test_patches_beside_two_bars_are_judged_by_what_they_have_in_common() -> None:
    """Worked by hand: all a tenth too light counts, as much apart either way doesn't."""
    light, unsure = np.array([0.3, 0.6, 0.9]), np.full(3, 0.05)
    colours = Colours(np.zeros((3, 3)), light, unsure)
    seen = np.repeat(light[:, None] / 3, 3, axis=1) / 0.8
    assert _misfit_of_colours(1.1 * seen, 0.8, colours) == pytest.approx(3 * (np.log(1.1) / 0.05) ** 2)
    apart = seen * np.array([[1.1], [1.0], [1 / 1.1]])
    assert _misfit_of_colours(apart, 0.8, colours) == pytest.approx(0.0, abs=1e-9)
    weighed = Colours(np.zeros((3, 3)), light, np.array([0.05, 0.1, 0.1]))
    assert _misfit_of_colours(apart, 0.8, weighed) == pytest.approx((300 * np.log(1.1)) ** 2 / 600)


@pytest.mark.parametrize(("direction", "power"), [("decode", 2.4), ("encode", 1 / 2.4)])
def test_what_a_curve_makes_of_noise(card: Card, direction: str, power: float) -> None:
    """ITU-R BT.1886's curve is x to the power of 2.4: the larger step of either side, and the noise's bend."""
    problem = set_up(simulated_take(card, np.random.default_rng(47)).reading, card, FOOTAGE, SolveSettings())
    code, error, noise = 0.4, 0.03, 0.05
    bar = dataclasses.replace(problem.evidence.bars[0], mean=np.full(3, code), mean_covariance=error**2 * np.eye(3),
                              pixel_covariance=noise**2 * np.eye(3))
    decode = (Transfer("bt1886", direction),)
    seen = apply_chain(decode, np.full((1, 3), code))
    unsure = max(abs((code + sign * error) ** power - code**power) for sign in (1, -1))
    bend = ((code + noise) ** power + (code - noise) ** power) / 2 - code**power
    assert _variance(decode, (bar,), np.full((1, 3), code), seen) == pytest.approx(unsure**2 + bend**2, rel=1e-5)


def test_how_far_a_bar_is_off_on_the_display_knows_no_exposure_nor_balance(card: Card) -> None:
    problem: Problem = set_up(simulated_take(card, np.random.default_rng(47)).reading, card, FOOTAGE, SolveSettings())
    light = np.repeat([[0.05], [0.2], [0.5], [0.9]], 3, axis=1)
    assert _bent_ire(light * [3.0, 1.0, 0.4], light, problem) == pytest.approx(0.0, abs=1e-9)
    for off in (0.15, 0.25):
        bent = light.copy()
        bent[1] = off
        shown = apply_chain(problem.display.encode, np.array([[0.2] * 3, [off] * 3]))[:, 0]
        assert _bent_ire(bent * [3.0, 1.0, 0.4], light, problem) == pytest.approx(100 * abs(shown[1] - shown[0]))


def test_what_has_no_covariance_carries_no_intervals(card: Card) -> None:
    """A polynomial's terms are not in the covariance of the levels before it."""
    problem = set_up(simulated_take(card, np.random.default_rng(52)).reading, card, FOOTAGE, SolveSettings())
    model, fit = solve_levels(problem)
    levels = Solution("balance", model.balance(fit.natural), tone=model.tone(fit.natural), model=model, fit=fit)
    assert len(landing_errors(problem, levels)) == 9
    assert landing_errors(problem, dataclasses.replace(levels, method="polynomial-2", colour=(Matrix(),))) == {}
    assert landing_errors(problem, dataclasses.replace(levels, fit=None)) == {}


def test_the_error_of_what_check_patches_gain_is_what_readings_make_of_it(card: Card) -> None:
    """Against solving again with a chip, and a check patch, read a little differently; nothing else is unsure."""
    spread, asked = Spread(noise_db=60, crosstalk=0.1), SolveSettings(method="matrix-sectors")
    reading = simulated_take(card, np.random.default_rng(43), spread).reading
    check = card.of_role("check")[0].name
    sure = (1e-9, 1e-9, 1e-9)
    unsure = {"middle": (1e-9, 2e-4, 1e-9), check: (3e-4, 1e-9, 1e-9)}
    reading = dataclasses.replace(reading, patches=tuple(
        dataclasses.replace(patch, standard_error=unsure.get(patch.name, sure), correlation=(0.0, 0.0, 0.0))
        for patch in reading.patches))

    def gain(taken: Reading) -> float:
        numbers = solve(taken, card, FOOTAGE, asked).diagnostics
        return numbers.check_delta_e_before_mean - numbers.check_delta_e_after_mean

    variance = 0.0
    for name, errors in unsure.items():
        mean, step = np.array(reading.patch(name).mean), 2e-5 * (np.array(errors) > 1e-9)
        slope = (gain(changed(reading, name, mean=tuple((mean + step).tolist())))
                 - gain(changed(reading, name, mean=tuple((mean - step).tolist())))) / 4e-5
        variance += (slope * max(errors)) ** 2
    told = solve(reading, card, FOOTAGE, asked).diagnostics.check_delta_e_gain_standard_error
    assert told == pytest.approx(np.sqrt(variance), rel=0.05)


def test_what_makes_it_uncertain_is_told_by_the_readings_own_noise(card: Card) -> None:
    """Each pixel's variance over their number, against the square of the standard error: worked by hand."""
    spread = np.diag([4e-6, 4e-6, 4e-6])
    reading = simulated_take(card, np.random.default_rng(4), Spread()).reading
    for error, share in ((2e-4, 1.0), (2e-3, 0.01)):
        patches = tuple(dataclasses.replace(patch, covariance=tuple(map(tuple, spread.tolist())), count=100.0,
                                            standard_error=(error,) * 3) for patch in reading.patches)
        problem = set_up(dataclasses.replace(reading, patches=patches), card, FOOTAGE, SolveSettings())
        assert _shares(problem) == (pytest.approx(share), 0.0)
        coded = tuple(dataclasses.replace(patch, rounded=0.625) for patch in patches)
        problem = set_up(dataclasses.replace(reading, patches=coded), card, FOOTAGE, SolveSettings())
        assert _shares(problem) == (pytest.approx(share), 0.625)
