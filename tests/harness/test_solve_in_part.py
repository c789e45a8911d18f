"""What a person asks for besides the card's own targets: levels, fractions, and a correction done in part.

The definitions of a part are ours (no published source): each test works one out by hand from two ends.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.targets import bar_vectors, targets_for
from huewright.errors import InputError
from huewright.models.card import Card, load_card
from huewright.models.cautions import Asked, DoneInPart, Limits, TargetsAsked
from huewright.models.coded import has
from huewright.models.correction import Correction, correction_from_dict, correction_to_dict
from huewright.models.proof import Proof, Summary
from huewright.models.reading import Reading
from huewright.models.settings import SolveSettings, Strength
from huewright.proof.verdict import verdict_of
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.simulate import FOOTAGE, Spread, simulated_take
from huewright.solver.strength import operations_at
from huewright.words import sentence, verdict_heading, verdict_words
from huewright_kernels.ops import HueSectors, Transfer

WHOLE = ("sectors", "matrix-sectors", "spectral-sectors", "balance", "matrix")


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


@pytest.fixture(scope="module")
def reading(card: Card) -> Reading:
    return simulated_take(card, np.random.default_rng(4), Spread(exposure_stops=1.5)).reading


@pytest.fixture(scope="module")
def full(card: Card, reading: Reading) -> Correction:
    return solve(reading, card, FOOTAGE)


def codes(reading: Reading) -> np.ndarray:
    return np.array([patch.mean for patch in reading.patches])


@pytest.mark.parametrize("method", WHOLE)
def test_nothing_and_all_are_the_two_ends(card: Card, reading: Reading, method: str) -> None:
    whole = solve(reading, card, FOOTAGE, SolveSettings(method=method))
    assert operations_at(whole, Strength()) == whole.operations
    assert operations_at(whole, Strength(0.0, 0.0)) == whole.neutral_operations
    part = solve(reading, card, FOOTAGE, SolveSettings(method=method, strength=Strength(0.3, 0.6)))
    assert part.operations == operations_at(whole, Strength(0.3, 0.6))
    assert operations_at(part, Strength()) == whole.operations                 # from a part back to the whole
    small = apply_chain(operations_at(whole, Strength(1e-6, 1e-6)), codes(reading))
    assert np.abs(small - apply_chain(whole.neutral_operations, codes(reading))).max() < 1e-5


def test_exposure_goes_in_stops(card: Card, reading: Reading) -> None:
    """Balance alone is a gain a channel in linear light: half of it is the geometric mean of the two ends."""
    whole = solve(reading, card, FOOTAGE, SolveSettings(method="balance"))
    light = [apply_chain((*operations_at(whole, Strength(share, 1.0)), Transfer("bt709", "decode")), codes(reading)[:3])
             for share in (0.0, 0.5, 1.0)]
    assert np.allclose(light[1], np.sqrt(light[0] * light[2]), rtol=1e-9)


def test_hues_go_in_degrees_and_logarithms(full: Correction, card: Card, reading: Reading) -> None:
    """Each chip is a control hue, so at a share of the hues it has turned by that share of its turn, and its radius is
    the weighted geometric mean; levels stay on their targets."""
    places = {share: {row.name: row.after for row in solve(
        reading, card, FOOTAGE, SolveSettings(strength=Strength(hues=share))).patches} for share in (0.0, 0.4, 1.0)}
    for row in full.patches:
        if row.role == "chip":
            none, some, whole = (complex(*places[share][row.name][1:]) for share in (0.0, 0.4, 1.0))
            wanted = none * (whole / none) ** 0.4
            assert abs(some - wanted) < 1e-3 * abs(wanted), row.name
        if row.role == "bar":
            assert places[0.4][row.name][0] == pytest.approx(row.target[0], abs=0.002)


def test_a_part_keeps_hues_in_order_and_tone_rising(full: Correction) -> None:
    for share in np.linspace(0.05, 0.95, 7):
        for operation in operations_at(full, Strength(share, share)):
            if isinstance(operation, HueSectors):
                turned = np.array(operation.hues_deg) + operation.rotations_deg
                assert np.all(np.diff(np.append(turned, turned[0] + 360)) > 0)
            elif hasattr(operation, "x"):
                assert np.all(np.diff(operation.x) > 0)


def test_a_part_is_held_against_where_it_leaves_the_patches(full: Correction, card: Card, reading: Reading) -> None:
    part = solve(reading, card, FOOTAGE, SolveSettings(strength=Strength(hues=0.5)))
    said = next(caution for caution in part.cautions if isinstance(caution, DoneInPart))
    whole = {row.name: row for row in full.patches}
    chips = [row for row in part.patches if row.role == "chip"]
    for row in chips:
        assert row.full_target == whole[row.name].target
        assert row.hue_error_deg is not None and abs(row.hue_error_deg) < 0.01
        assert np.hypot(*np.subtract(row.after[1:], row.full_target[1:])) > 1e-3
    short = [abs(np.degrees(np.angle(complex(*row.after[1:]) / complex(*row.full_target[1:])))) for row in chips]
    assert said.hue_deg == pytest.approx(max(short), abs=0.01)
    assert (said.hues, said.levels) == (0.5, 1.0)
    assert not has(full.cautions, DoneInPart) and all(row.full_target is None for row in full.patches)


def test_a_full_correction_that_misses_misses_in_part_too(card: Card, reading: Reading) -> None:
    """Else a part would be on "its" targets however wrong the whole."""
    whole, part = (solve(reading, card, FOOTAGE, SolveSettings(method="balance", strength=Strength(share)))
                   for share in (1.0, 0.5))
    misses = [[np.subtract(row.after[1:], row.target[1:]) for row in correction.patches if row.role == "chip"]
              for correction in (whole, part)]
    assert np.abs(misses[0]).max() > 0.01
    assert np.allclose(misses[0], misses[1], atol=1e-6)


@pytest.mark.long
@pytest.mark.slow
def test_intervals_of_a_part_are_those_of_its_scatter(card: Card) -> None:
    """Over repeated noise: the standard deviation of where chips land at half strength, against what is stated."""
    rng = np.random.default_rng(5)
    spread = Spread(hue_deg=10.0)
    take = simulated_take(card, rng, spread)
    settings = SolveSettings(strength=Strength(0.5, 0.5))
    stated = {row.name: row.level_standard_error_ire for row in solve(take.reading, card, FOOTAGE, settings).patches}
    landed = []
    for _ in range(60):
        moved = [replace(patch, mean=tuple(np.array(patch.mean) + rng.normal(0, patch.standard_error)))
                 for patch in take.reading.patches]
        correction = solve(replace(take.reading, patches=tuple(moved)), card, FOOTAGE, settings)
        landed.append(apply_chain(correction.operations, codes(take.reading)) @ [0.2126, 0.7152, 0.0722])
    names = [patch.name for patch in take.reading.patches]
    scatter = dict(zip(names, 100 * np.std(landed, axis=0), strict=True))
    for bar in ("white", "middle", "black"):
        assert 0.7 < scatter[bar] / stated[bar] < 1.4, bar     # 60 draws: 9 % of its own


def test_a_part_survives_the_file(full: Correction, card: Card, reading: Reading) -> None:
    part = solve(reading, card, FOOTAGE, SolveSettings(strength=Strength(0.9, 0.25)))
    again = correction_from_dict(correction_to_dict(part))
    assert again.strength == Strength(0.9, 0.25)
    assert operations_at(again, Strength()) == full.operations
    edited = {**correction_to_dict(part), "display": "srgb"}
    with pytest.raises(InputError, match="edited by hand"):
        operations_at(correction_from_dict(edited), Strength())


def test_tables_are_done_whole(card: Card, reading: Reading) -> None:
    with pytest.raises(InputError, match="whole or not at all"):
        SolveSettings(method="polynomial-2", strength=Strength(hues=0.5))
    with pytest.raises(InputError, match="80 % is 0.8"):
        Strength(hues=80)


def test_levels_and_fractions_are_aimed_at_and_said(card: Card, reading: Reading) -> None:
    settings = SolveSettings(levels_ire={"middle": 45.0}, fractions={"red": 0.6})
    correction = solve(reading, card, FOOTAGE, settings)
    rows = {row.name: row for row in correction.patches}
    assert 100 * rows["middle"].after[0] == pytest.approx(45, abs=0.05)
    assert np.allclose(rows["red"].after[1:], 0.6 * np.array(bar_vectors()["red"]), atol=2e-4)
    said = next(caution for caution in correction.cautions if isinstance(caution, TargetsAsked))
    (level,), (chip,) = said.levels, said.fractions
    assert (level.patch, level.asked, chip) == ("middle", 45.0, Asked("red", 0.6, 0.5))
    assert "middle at 45 IRE (the card's: 40.9), red at 0.6 of its 75 % bar (the others: 0.5)" in sentence(said)


@pytest.mark.parametrize("mode", ["vectorscope", "colorimetric"])
def test_a_nudge_turns_a_chips_target_alone(card: Card, reading: Reading, mode: str) -> None:
    """Degrees counter-clockwise on the vectorscope, as hues are counted everywhere; the radius stays."""
    usual = targets_for(card, mode=mode)
    asked = targets_for(card, mode=mode, nudges_deg={"red": 2.5})
    assert asked["red"].hue_deg - usual["red"].hue_deg == pytest.approx(2.5)
    assert asked["red"].radius == pytest.approx(usual["red"].radius)
    assert {name: target for name, target in asked.items() if name != "red"} == {
        name: target for name, target in usual.items() if name != "red"}
    correction = solve(reading, card, FOOTAGE, SolveSettings(mode=mode, nudges_deg={"red": 2.5, "blue": 0.0}))
    landed = {row.name: complex(*row.after[1:]) for row in correction.patches}
    for name, target in asked.items():
        if card.patch(name).role == "chip":
            assert abs(landed[name] - complex(target.cb, target.cr)) < 3e-4, name
    said = next(caution for caution in correction.cautions if isinstance(caution, TargetsAsked))
    assert said == TargetsAsked(nudges=(Asked("red", 2.5, 0.0),))
    assert "red turned by +2.5° from its usual hue" in sentence(said)
    assert "Not all targets are the usual ones" in verdict_words(
        Proof("within-limits", True, (), Summary(), Limits(0.5, 0.01, 0.5), cautions=correction.cautions))


@pytest.mark.parametrize(("asked", "words"), [
    ({"levels_ire": {"midle": 41}}, "no bar 'midle'; its bars are white, middle, black"),
    ({"levels_ire": {"red": 41}}, "no bar 'red'"),
    ({"levels_ire": {"white": 130}}, "between -5 and 105 IRE"),
    ({"levels_ire": {"middle": 99}}, "keep their order"),
    ({"fractions": {"purple": 0.5}}, "no chip 'purple'"),
    ({"fractions": {"red": 55}}, "55 % is 0.55"),
    ({"fractions": {"red": 0.5}, "mode": "colorimetric"}, "leave --chip-fraction out"),
    ({"nudges_deg": {"purple": 1}}, "no chip 'purple'"),
    ({"nudges_deg": {"red": 45}}, "between -30 and 30 degrees"),
    ({"nudges_deg": {"red": float("nan")}}, "between -30 and 30 degrees"),
])
def test_what_cannot_be_asked_is_refused(card: Card, asked: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        targets_for(card, **asked)


def test_a_proof_of_a_part_never_says_on_target(full: Correction, card: Card, reading: Reading) -> None:
    part = solve(reading, card, FOOTAGE, SolveSettings(strength=Strength(hues=0.5), levels_ire={"middle": 42}))
    summary, limits = Summary(worst_hue_error_after_deg=0.0), Limits(0.5, 0.01, 0.5)
    verdict = verdict_of(summary, limits, "fits", part.cautions, ())
    proof = Proof(verdict, True, (), summary, limits, cautions=part.cautions)
    assert verdict_heading(proof) == "Done in part, as asked: not on the full targets"
    assert "where the strength asked for leaves them, not on their targets" in verdict_words(proof)
    assert "Not all targets are the usual ones" in verdict_words(proof)
    assert verdict_of(summary, limits, "contradicted", part.cautions, ()) == "declaration-contradicted"
    assert verdict_of(Summary(worst_hue_error_after_deg=0.6), limits, "fits", part.cautions, ()) == "outside-limits"
