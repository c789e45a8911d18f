"""The intervals of a solve with a matrix before the sectors: the matrix comes from the same noisy reading."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.models.card import Card, load_card
from huewright.models.reading import Reading
from huewright.models.settings import SolveSettings
from huewright.solver.answer import solve, solve_method
from huewright.solver.problem import Solution, set_up
from huewright.solver.simulate import FOOTAGE, Spread, measure, simulated_take

pytestmark = pytest.mark.slow

MIXED = Spread(crosstalk=0.1)


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


def shifted(reading: Reading, name: str, offset: np.ndarray) -> Reading:
    found = reading.patch(name)
    moved = dataclasses.replace(found, mean=tuple((np.array(found.mean) + offset).tolist()))
    return dataclasses.replace(reading, patches=tuple(moved if patch is found else patch for patch in reading.patches))


def numbers(solution: Solution) -> np.ndarray:
    assert solution.fit is not None
    held = solution.fit.held
    return solution.fit.natural if held is None else np.concatenate([solution.fit.natural, held.values])


def names_of(solution: Solution) -> tuple[str, ...]:
    assert solution.fit is not None
    assert solution.model is not None
    return solution.model.layout.names + (() if solution.fit.held is None else solution.fit.held.names)


@pytest.mark.parametrize(("method", "name"), [
    pytest.param(method, name, marks=[pytest.mark.long] if name in others else [])
    for others in [("middle", "cyan")] for method in ("sectors", "matrix", "matrix-sectors", "spectral-sectors")
    for name in ("middle", "white", "red", "cyan")])
def test_the_answer_moves_with_the_reading_as_said(card: Card, method: str, name: str) -> None:
    """Against solving again with one patch read a little differently in one channel: levels, and the matrix's entries.
    (Where rotations move with their control hues, which sit where the chips arrive, their intervals are tested
    below.)"""
    reading = simulated_take(card, np.random.default_rng(31), MIXED, noisy=False).reading
    settings = SolveSettings(method=method)
    problem = set_up(reading, card, FOOTAGE, settings)
    solution = solve_method(problem)
    assert solution.fit is not None
    names = [sample.name for sample in problem.evidence.bars + problem.evidence.chips]
    response = np.zeros((len(numbers(solution)), 3 * len(names)))
    levels = solution.fit.response
    response[:len(levels), :levels.shape[1]] = levels
    if solution.fit.held is not None:
        response[len(levels):] = solution.fit.held.slopes
    moving = () if method == "spectral-sectors" else ("rotation", "log_gain")
    kept = np.array([not parameter.startswith(moving) for parameter in names_of(solution)])
    for channel in range(3):
        step = 2e-5 * np.eye(3)[channel]         # far below the reading's noise: the robust loss bends above it
        moved = [numbers(solve_method(set_up(shifted(reading, name, sign * step), card, FOOTAGE, settings)))
                 for sign in (1, -1)]
        seen = (moved[0] - moved[1]) / 4e-5
        said = response[:, 3 * names.index(name) + channel]
        assert seen[kept] == pytest.approx(said[kept], abs=0.005 * np.abs(response[kept]).max())


def test_intervals_of_every_number_hold_with_a_matrix(card: Card, request: pytest.FixtureRequest) -> None:
    """Noisy readings of one take against its noiseless solve. Bounds are three standard deviations of a coverage of
    0.95 over as many independent numbers (each draw's 6 rotations, 6 gains, 6 entries counted as 6 each)."""
    take = simulated_take(card, np.random.default_rng(32), MIXED, noisy=False)
    settings = SolveSettings(method="matrix-sectors")
    truth = solve_method(set_up(take.reading, card, FOOTAGE, settings))
    rng, draws = np.random.default_rng(33), 16 if request.config.getoption("--long") else 8
    held: dict[str, list[bool]] = {}
    for _ in range(draws):
        reading = take.reading
        for patch in take.reading.patches:
            reading = shifted(reading, patch.name, rng.normal(size=3) * patch.standard_error)
        solution = solve_method(set_up(reading, card, FOOTAGE, settings))
        assert solution.fit is not None
        errors = np.sqrt(np.diag(solution.fit.covariance))
        for name, off, error in zip(names_of(solution), numbers(solution) - numbers(truth), errors, strict=True):
            held.setdefault(name.split("_")[0], []).append(abs(off) <= 1.96 * error)
    for kind in ("rotation", "log", "matrix"):
        assert abs(np.mean(held[kind]) - 0.95) < 3 * np.sqrt(0.95 * 0.05 / (6 * draws))


def test_takes_with_crosstalk_land_with_a_matrix_and_their_intervals_hold(card: Card,
                                                                          request: pytest.FixtureRequest) -> None:
    takes = 16 if request.config.getoption("--long") else 8
    result = measure(card, takes, seed=34, spread=MIXED, settings=SolveSettings(method="matrix-sectors"))
    assert result.on_target == 1.0
    assert result.silent_misses == 0
    for kind, independent in {"hue": 6 * takes, "radius": 6 * takes, "level": takes, "balance": takes}.items():
        assert abs(result.coverage[kind] - 0.95) < 3 * np.sqrt(0.95 * 0.05 / independent)


def test_the_matrix_is_told_with_its_standard_errors(card: Card) -> None:
    reading = simulated_take(card, np.random.default_rng(35), MIXED).reading
    for method in ("matrix", "matrix-sectors", "spectral-sectors"):
        correction = solve(reading, card, FOOTAGE, SolveSettings(method=method))
        entries = {name: pair for name, pair in correction.parameters.items() if name.startswith("matrix_")}
        assert len(entries) == 6
        assert all(0 < error < 0.05 for _, error in entries.values())
        assert all(row.hue_standard_error_deg for row in correction.patches if row.role == "chip")
