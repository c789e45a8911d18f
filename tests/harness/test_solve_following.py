"""A camera that follows another: exact where a matrix is all that parts them, and truly judged by what was left out."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import delta_e
from huewright.errors import NoAnswerError
from huewright.models.card import Card, load_card
from huewright.models.correction import Correction
from huewright.models.provenance import LedBy, Provenance
from huewright.models.reading import PatchReading, Reading
from huewright.models.refusals import TooFewInCommon
from huewright.models.settings import SolveSettings, Strength
from huewright.reference import apply_chain
from huewright.solver.answer import solve, solve_method
from huewright.solver.following import LEAST_PATCHES, coloured_samples, colours_of, following_without
from huewright.solver.problem import Problem, set_up
from huewright.solver.simulate import FOOTAGE, Spread, simulated_take
from huewright_demo.design_card import CARD

MIXED = np.array([[0.86, 0.10, 0.04], [0.05, 0.90, 0.05], [-0.02, 0.09, 0.93]])


def card() -> Card:
    return load_card(CARD)


@functools.cache
def leading() -> tuple[Reading, Correction]:
    spread = Spread(hue_deg=0, saturation=0, crosstalk=0.06)
    take = simulated_take(card(), np.random.default_rng(4), spread, noisy=False)
    return take.reading, solve(take.reading, card(), FOOTAGE, SolveSettings(method="matrix"))


def mixed(codes: np.ndarray) -> np.ndarray:
    """The same light through a sensor that mixes channels, in another balance."""
    light = apply_chain(FOOTAGE.decode, codes) @ MIXED.T * (1.3, 1.0, 0.8)
    return np.asarray(apply_chain(inverse_operations(FOOTAGE.decode), light))


def following(reading: Reading) -> Reading:
    codes = mixed(np.array([patch.mean for patch in reading.patches]))
    return Reading(tuple(replace(patch, mean=tuple(code)) for patch, code in zip(reading.patches, codes.tolist(),
                                                                                 strict=True)))


def lead_of(reading: Reading, correction: Correction) -> LedBy:
    signals = apply_chain(correction.operations, np.array([patch.mean for patch in reading.patches]))
    return LedBy("a", colours={patch.name: tuple(row) for patch, row in zip(reading.patches, signals.tolist(),
                                                                            strict=True)})


def test_a_matrix_between_cameras_is_found_whole() -> None:
    """Colours of no patch come out as the leading camera's, whose light is ours through a known matrix."""
    reading, first = leading()
    second = solve(following(reading), card(), FOOTAGE, lead=lead_of(reading, first))
    light = np.random.default_rng(2).uniform(0.03, 0.5, (200, 3))
    light = 0.6 * light + 0.4 * light.mean(axis=1, keepdims=True)
    codes = np.asarray(apply_chain(inverse_operations(FOOTAGE.decode), light))
    a, b = apply_chain(first.operations, codes), apply_chain(second.operations, mixed(codes))
    shown = np.all((a > 0.02) & (a < 1), axis=1)
    assert shown.sum() > 100 and np.max(delta_e(a[shown], b[shown])) < 0.1
    assert second.method == "following" and not any(row.used for row in second.patches if row.role == "check")


def posed(lead: LedBy | None = None) -> Problem:
    reading, first = leading()
    return set_up(following(reading), card(), FOOTAGE, SolveSettings(), lead or lead_of(reading, first))


@pytest.mark.parametrize("name", ["teal", "red"])
def test_a_patch_that_is_left_out_has_no_part(name: str) -> None:
    """Whatever the leading camera makes of it, or this one: the fit without it stays to the last bit."""
    problem = posed()
    solution = solve_method(problem)
    lead = problem.lead
    assert lead is not None
    other = replace(problem, lead=LedBy("a", colours={**lead.colours, name: (0.9, 0.1, 0.2)}))
    assert following_without(other, solution, name) == following_without(problem, solution, name)
    assert following_without(other, solution, "olive") != following_without(problem, solution, "olive")
    assert len(coloured_samples(problem)) == 15


def test_what_was_left_out_stands_with_the_patch() -> None:
    """And is its place by that fit, at the strength asked for."""
    problem = posed()
    lead = problem.lead
    assert lead is not None
    spoilt = LedBy("a", colours={**lead.colours, "teal": (0.9, 0.1, 0.2)})
    settings = SolveSettings(strength=Strength(0.5, 0.5))
    rows = [{row.name: row for row in solve(problem.reading, card(), FOOTAGE, settings, lead=each).patches}
            for each in (lead, spoilt)]
    assert rows[0]["teal"].left_out == rows[1]["teal"].left_out and rows[0]["white"].left_out is None
    assert rows[0]["teal"].after != rows[1]["teal"].after and rows[0]["clay"].left_out != rows[1]["clay"].left_out
    assert rows[0]["teal"].left_out == pytest.approx(rows[0]["teal"].after, abs=2e-3)      # as much of it is done


def test_too_few_patches_in_common_are_refused() -> None:
    reading, first = leading()
    lead = lead_of(reading, first)
    few = [patch.name for patch in card().patches if patch.role != "bar"][:LEAST_PATCHES - 1]
    with pytest.raises(NoAnswerError) as refused:
        solve(following(reading), card(), FOOTAGE, lead=LedBy("a", colours={name: lead.colours[name] for name in few}))
    assert refused.value.what == TooFewInCommon("a", LEAST_PATCHES - 1, LEAST_PATCHES)


def test_patches_that_the_leading_camera_could_not_use_lead_nobody() -> None:
    reading, first = leading()
    patches: list[PatchReading] = [replace(patch, excluded=patch.name == "teal") for patch in reading.patches]
    kept = Reading(tuple(patches))
    correction = solve(kept, card(), FOOTAGE, SolveSettings(method="matrix"))
    from huewright.models.provenance import Inputs

    colours = colours_of(replace(correction, provenance=Provenance(inputs=Inputs(kept, card()))))
    assert set(colours) == {patch.name for patch in card().patches} - {"teal"}
    assert colours["red"] == pytest.approx(apply_chain(correction.operations, [patches[3].mean])[0], abs=1e-6)
