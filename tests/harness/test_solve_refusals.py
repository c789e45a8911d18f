"""Where the card cannot support an answer the solve says so in a sentence, and why."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.inverse import inverse_operations
from huewright.errors import InputError, NoAnswerError
from huewright.models.card import Card, load_card
from huewright.models.cautions import BarUnused, ChipUnused, TableTooFarOff
from huewright.models.coded import has
from huewright.models.reading import PatchReading, Reading
from huewright.models.reasons import Clipped, PatchesLost, Reflection, Remedy, Unusable
from huewright.models.record import from_record, to_record
from huewright.models.refusals import (
    BarClipped,
    BeyondEncoding,
    ChipsColourless,
    ChipsOnLine,
    LightOfOneColour,
    NoChips,
    TableUnfaithful,
    TooFewBars,
    Unused,
)
from huewright.models.settings import SolveSettings
from huewright.models.survey import Survey
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.compare import compare
from huewright.solver.linear import TABLE_LIMIT
from huewright.solver.sectors import MOST_BALANCE_STOPS
from huewright.solver.simulate import FOOTAGE, Spread, simulated_take
from huewright.steps.solve import solve_survey


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


@pytest.fixture(scope="module")
def reading(card: Card) -> Reading:
    return simulated_take(card, np.random.default_rng(1), Spread(noise_db=60)).reading


def changed(reading: Reading, names: tuple[str, ...], **values: object) -> Reading:
    return dataclasses.replace(reading, patches=tuple(
        dataclasses.replace(patch, **values) if patch.name in names else patch  # type: ignore[arg-type]
        for patch in reading.patches))


def remade(reading: Reading, make) -> Reading:  # type: ignore[no-untyped-def]
    def one(patch: PatchReading) -> PatchReading:
        return dataclasses.replace(patch, mean=tuple(make(patch.name, np.array(patch.mean)).tolist()))

    return dataclasses.replace(reading, patches=tuple(map(one, reading.patches)))


def refusal(reading: Reading, card: Card, settings: SolveSettings | None = None) -> object:
    """What the solve refuses ``reading`` with."""
    with pytest.raises(NoAnswerError) as caught:
        solve(reading, card, FOOTAGE, settings)
    return caught.value.what


CHIPS = ("red", "yellow", "green", "cyan", "blue", "magenta")


def test_a_clipped_bar(card: Card, reading: Reading) -> None:
    assert refusal(changed(reading, ("white",), clipped=(0.0, 0.1, 0.34)), card) == BarClipped("white", "blue", 0.34)
    # Also where the survey has set it aside for that very reason.
    set_aside = changed(reading, ("white",), clipped=(0.5, 0.1, 0.3), excluded=True, reasons=(Clipped(),))
    assert refusal(set_aside, card) == BarClipped("white", "red", 0.5)


def test_a_bar_lost_to_a_reflection_is_left_out_instead(card: Card, reading: Reading) -> None:
    hit = changed(reading, ("white",), clipped=(0.5, 0.5, 0.5), glare=1.0, excluded=True, reasons=(Reflection(),))
    correction = solve(hit, card, FOOTAGE)
    near = next(row.target[0] for row in correction.patches if row.name == "white")
    assert BarUnused("white", (Reflection(),), pytest.approx(100 * near)) in correction.cautions


def test_too_few_bars(card: Card, reading: Reading) -> None:
    hidden = changed(reading, ("white", "black"), excluded=True, reasons=(Reflection(),))
    assert refusal(hidden, card) == TooFewBars((Unused("white", (Reflection(),)), Unused("black", (Reflection(),))))


def test_no_chips(card: Card, reading: Reading) -> None:
    bare = changed(reading, CHIPS, excluded=True)
    assert refusal(bare, card) == NoChips()
    assert solve(bare, card, FOOTAGE, SolveSettings(method="balance")).method == "balance"


def test_chips_not_in_the_reading_at_all(card: Card, reading: Reading) -> None:
    bars = Reading(tuple(patch for patch in reading.patches if patch.name not in CHIPS))
    assert refusal(bars, card) == NoChips()


def test_a_clipped_chip_is_not_used(card: Card, reading: Reading) -> None:
    correction = solve(changed(reading, ("blue",), clipped=(0.0, 0.0, 0.3)), card, FOOTAGE)
    assert not next(row for row in correction.patches if row.name == "blue").used
    (unused,) = (caution for caution in correction.cautions if isinstance(caution, ChipUnused))
    assert (unused.chip, unused.reasons) == ("blue", (Clipped(),))


def test_a_picture_without_colour(card: Card, reading: Reading) -> None:
    grey = remade(reading, lambda name, mean: np.full(3, mean.mean()) if name in CHIPS else mean)
    assert refusal(grey, card) == ChipsColourless()


def test_light_that_leaves_only_one_axis_of_colour(card: Card, reading: Reading) -> None:
    def sodium(name: str, mean: np.ndarray) -> np.ndarray:
        # Only blue against yellow remains: red and green as one.
        return np.array([mean[:2].mean(), mean[:2].mean(), mean[2]]) if name in CHIPS else mean

    assert refusal(remade(reading, sodium), card) == ChipsOnLine()


def test_light_with_next_to_no_blue(card: Card, reading: Reading) -> None:
    def tungsten(name: str, mean: np.ndarray) -> np.ndarray:
        light = apply_chain(FOOTAGE.decode, mean) * [1.0, 1.0, 2.0**-5]
        return apply_chain(inverse_operations(FOOTAGE.decode), light)

    found = refusal(remade(reading, tungsten), card)
    assert isinstance(found, LightOfOneColour) and found.balance_stops > MOST_BALANCE_STOPS


@pytest.mark.parametrize("method", ["sectors", "spectral-sectors"])
@pytest.mark.parametrize(("name", "values"), [
    ("red", {"mean": (60.0, 0.4, 0.4)}), ("middle", {"mean": (1e6, 1e6, 1e6)}), ("cyan", {"mean": (-1e6, -1e6, -1e6)}),
    ("magenta", {"covariance": ((1e6, 0.0, 0.0), (0.0, 1e6, 0.0), (0.0, 0.0, 1e6))}),
    ("white", {"covariance": ((1e12, 0.0, 0.0), (0.0, 1e12, 0.0), (0.0, 0.0, 1e12))})])
def test_values_that_no_light_has(card: Card, reading: Reading, name: str, values: dict, method: str) -> None:
    """From a damaged survey, or linear light declared to be log: never an overflow, nor an answer."""
    assert refusal(changed(reading, (name,), **values), card, SolveSettings(method=method)) == BeyondEncoding(name)


def test_no_usable_frame(card: Card) -> None:
    survey = Survey("take", "card.toml", "0" * 64, FOOTAGE, 8, 8, (), None, False,
                    Unusable(PatchesLost("glare", ("white",)), 3, 3, Remedy("tilt-card")))
    with pytest.raises(NoAnswerError, match="no frame of this take can carry a correction") as caught:
        solve_survey(survey, card)
    assert caught.value.why == survey.advice


def test_unknown_settings() -> None:
    with pytest.raises(InputError, match="sectors, matrix-sectors, spectral-sectors, balance"):
        SolveSettings(method="magic")
    with pytest.raises(ValueError, match="'warmth'"):
        from_record({"warmth": 1}, SolveSettings)
    assert from_record(to_record(SolveSettings(fraction=0.4)), SolveSettings) == SolveSettings(fraction=0.4)


def test_a_polynomial_that_no_table_holds_is_not_rendered(card: Card, reading: Reading) -> None:
    """Thirteen terms a channel fitted to nine patches stray between them; the comparison still shows the figures, but
    never recommends what can't be rendered."""
    found = refusal(reading, card, SolveSettings(method="polynomial-3"))
    assert isinstance(found, TableUnfaithful) and found.error > found.limit == TABLE_LIMIT
    row = next(row for row in compare(reading, card, FOOTAGE) if row.method == "polynomial-3")
    assert has(row.cautions, TableTooFarOff) and row.worst_local_gain is not None
    assert row.worst_local_gain > 6 and row.recommended is None
