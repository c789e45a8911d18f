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
from huewright.models.cautions import PatchesUnused, TableTooFarOff, Unused
from huewright.models.coded import has
from huewright.models.reading import PatchReading, Reading
from huewright.models.reasons import Clipped, PatchesLost, Reflection, Remedy, Unusable
from huewright.models.record import from_record, to_record
from huewright.models.settings import SolveSettings
from huewright.models.survey import Survey
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.compare import compare
from huewright.solver.simulate import FOOTAGE, Spread, simulated_take
from huewright.steps.solve import solve_survey
from huewright.words import sentence


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


CHIPS = ("red", "yellow", "green", "cyan", "blue", "magenta")


def test_a_clipped_bar(card: Card, reading: Reading) -> None:
    with pytest.raises(NoAnswerError, match="'white' is clipped in blue .34 %"):
        solve(changed(reading, ("white",), clipped=(0.0, 0.1, 0.34)), card, FOOTAGE)
    # Also where the survey has set it aside for that very reason.
    with pytest.raises(NoAnswerError, match="'white' is clipped"):
        solve(changed(reading, ("white",), clipped=(0.5, 0.1, 0.3), excluded=True, reasons=(Clipped(),)), card, FOOTAGE)


def test_a_bar_lost_to_a_reflection_is_left_out_instead(card: Card, reading: Reading) -> None:
    hit = changed(reading, ("white",), clipped=(0.5, 0.5, 0.5), glare=1.0, excluded=True, reasons=(Reflection(),))
    correction = solve(hit, card, FOOTAGE)
    assert any("bar 'white' was not used (a reflection)" in sentence(line) for line in correction.cautions)


def test_too_few_bars(card: Card, reading: Reading) -> None:
    hidden = changed(reading, ("white", "black"), excluded=True, reasons=(Reflection(),))
    with pytest.raises(NoAnswerError, match="too few grey bars") as caught:
        solve(hidden, card, FOOTAGE)
    assert caught.value.why == PatchesUnused((Unused("white", (Reflection(),)), Unused("black", (Reflection(),))))


def test_no_chips(card: Card, reading: Reading) -> None:
    bare = changed(reading, CHIPS, excluded=True)
    with pytest.raises(NoAnswerError, match="no chip of the card could be read"):
        solve(bare, card, FOOTAGE)
    assert solve(bare, card, FOOTAGE, SolveSettings(method="balance")).method == "balance"


def test_chips_not_in_the_reading_at_all(card: Card, reading: Reading) -> None:
    bars = Reading(tuple(patch for patch in reading.patches if patch.name not in CHIPS))
    with pytest.raises(NoAnswerError, match="no chip"):
        solve(bars, card, FOOTAGE)


def test_a_clipped_chip_is_not_used(card: Card, reading: Reading) -> None:
    correction = solve(changed(reading, ("blue",), clipped=(0.0, 0.0, 0.3)), card, FOOTAGE)
    assert not next(row for row in correction.patches if row.name == "blue").used
    assert any("chip 'blue' was not used (clipped)" in sentence(line) for line in correction.cautions)


def test_a_picture_without_colour(card: Card, reading: Reading) -> None:
    grey = remade(reading, lambda name, mean: np.full(3, mean.mean()) if name in CHIPS else mean)
    with pytest.raises(NoAnswerError, match="almost no colour"):
        solve(grey, card, FOOTAGE)


def test_light_that_leaves_only_one_axis_of_colour(card: Card, reading: Reading) -> None:
    def sodium(name: str, mean: np.ndarray) -> np.ndarray:
        # Only blue against yellow remains: red and green as one.
        return np.array([mean[:2].mean(), mean[:2].mean(), mean[2]]) if name in CHIPS else mean

    with pytest.raises(NoAnswerError, match="onto one line"):
        solve(remade(reading, sodium), card, FOOTAGE)


def test_light_with_next_to_no_blue(card: Card, reading: Reading) -> None:
    def tungsten(name: str, mean: np.ndarray) -> np.ndarray:
        light = apply_chain(FOOTAGE.decode, mean) * [1.0, 1.0, 2.0**-5]
        return apply_chain(inverse_operations(FOOTAGE.decode), light)

    with pytest.raises(NoAnswerError, match="stops of balance"):
        solve(remade(reading, tungsten), card, FOOTAGE)


def test_no_usable_frame(card: Card) -> None:
    survey = Survey("take", "card.toml", "0" * 64, FOOTAGE, 8, 8, (), None, False,
                    Unusable(PatchesLost("glare", ("white",)), 3, 3, Remedy("tilt-card")))
    with pytest.raises(NoAnswerError, match="no frame of this take can carry a correction") as caught:
        solve_survey(survey, card)
    assert caught.value.why == survey.advice


def test_unknown_settings() -> None:
    with pytest.raises(InputError, match="sectors, matrix-sectors, balance"):
        SolveSettings(method="magic")
    with pytest.raises(ValueError, match="'warmth'"):
        from_record({"warmth": 1}, SolveSettings)
    assert from_record(to_record(SolveSettings(fraction=0.4)), SolveSettings) == SolveSettings(fraction=0.4)


def test_a_polynomial_that_no_table_holds_is_not_rendered(card: Card, reading: Reading) -> None:
    """Thirteen terms a channel fitted to nine patches stray between them; the comparison still shows the figures, but
    never recommends what can't be rendered."""
    with pytest.raises(NoAnswerError, match="is not rendered: .*limit 0.03"):
        solve(reading, card, FOOTAGE, SolveSettings(method="polynomial-3"))
    rows = {row["method"]: row for row in compare(reading, card, FOOTAGE)}
    assert has(rows["polynomial-3"]["cautions"], TableTooFarOff)
    assert rows["polynomial-3"]["worst_local_gain"] > 6
    assert not rows["polynomial-3"]["recommended"]
