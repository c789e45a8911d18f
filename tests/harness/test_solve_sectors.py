"""The joint solve on invented takes whose truth is known: it lands, says how well, and folds nothing."""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.display import to_ycbcr
from huewright.colorimetry.inverse import SHAPER_INVERSE
from huewright.colorimetry.targets import reference_rgb, targets_for
from huewright.models.card import Card, load_card
from huewright.models.cautions import (
    BarUnused,
    ChecksWorse,
    ChipFarFromOthers,
    ChipUnused,
    HeldAtBound,
    MatrixOfFewChips,
    OffTarget,
    SomeChecksWorse,
    Uncertain,
)
from huewright.models.coded import has
from huewright.models.correction import Correction, correction_from_dict, correction_to_dict
from huewright.models.footage import Footage
from huewright.models.reading import PatchReading, Reading
from huewright.models.reasons import Reflection
from huewright.models.settings import METHODS, SolveSettings, Strength
from huewright.reference import apply_chain
from huewright.solver.answer import is_right_already, solve, solve_method
from huewright.solver.chain import Chain
from huewright.solver.problem import Problem, set_up
from huewright.solver.quality import folded_fraction, noise_gain_db, worst_local_gain
from huewright.solver.sectors import solve_sectors
from huewright.solver.simulate import FOOTAGE, Spread, measure, simulated_take
from huewright.words import sentence
from huewright_kernels.ops import HueSectors, Lut3D, ToneCurve, Transfer
from hypothesis import given, settings
from hypothesis import strategies as st

CURVE = SHAPER_INVERSE


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


def invented_look() -> Lut3D:
    """Log to a display picture, as a table of 33 points a side that clamps at half over white."""
    axis = np.linspace(0, 1, 33)
    lattice = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1)
    return Lut3D(np.clip(apply_chain((CURVE, Transfer("bt709", "encode")), lattice), -0.1, 1.5))


KINDS = {
    "log": (FOOTAGE, "bt709", "vectorscope"),
    "log in legal range": (Footage(range="legal", encoding="ACEScct", decode=(CURVE,)), "bt709", "vectorscope"),
    "log, wide camera gamut": (Footage(encoding="ACEScct", decode=(CURVE,), primaries="ACEScg"), "bt709",
                               "vectorscope"),
    "log in BT.2020 for BT.2020": (Footage(encoding="ACEScct", decode=(CURVE,), primaries="ITU-R BT.2020"), "bt2020",
                                   "colorimetric"),
    "for HLG": (Footage(encoding="ACEScct", decode=(CURVE,), primaries="ACEScg"), "hlg", "colorimetric"),
    "for PQ": (Footage(encoding="ACEScct", decode=(CURVE,), primaries="ITU-R BT.2020"), "pq", "colorimetric"),
    "vectorscope targets for BT.2020": (FOOTAGE, "bt2020", "vectorscope"),
    "vectorscope targets for HLG": (FOOTAGE, "hlg", "vectorscope"),
    "vectorscope targets for PQ": (FOOTAGE, "pq", "vectorscope"),
    "display picture": (Footage(), "bt709", "vectorscope"),
    "display picture, legal": (Footage(range="legal"), "bt709", "vectorscope"),
    "linear": (Footage(encoding="linear"), "bt709", "vectorscope"),
    "look on log": (Footage(encoding="ACEScct", decode=(CURVE,), look=(invented_look(),)), "bt709", "vectorscope"),
    "look on linear": (Footage(encoding="ACEScct", decode=(CURVE,), look=(Transfer("srgb", "encode"),),
                               look_input="linear"), "bt709", "vectorscope"),
}


def wrong_take(card: Card, footage: Footage, display: str, seed: int = 2) -> Reading:
    """The card through the inverse of the footage's own chain, from hues turned by up to 12 degrees and light out by
    0.7, 0.4 and 0.0 stops."""
    from huewright.colorimetry.display import DISPLAYS

    chain, known = Chain(footage, DISPLAYS[display]), DISPLAYS[display]
    rng = np.random.default_rng(seed)
    hues = tuple(np.arange(6) * 60.0 + 20)
    sectors = HueSectors(hues, tuple(rng.uniform(-12, 12, 6)), tuple(rng.uniform(0.8, 1.2, 6)), known.kr, known.kb)
    names = list(reference_rgb(card, display))
    signal = apply_chain((sectors,), list(reference_rgb(card, display).values()))
    seen = "srgb" if footage.look_input == "linear" else "bt709"
    light = apply_chain(DISPLAYS[seen].decode if footage.look else known.decode, signal)
    light = light @ np.linalg.inv(chain.primaries).T * np.exp2([0.7, 0.4, 0.0])
    from huewright.colorimetry.inverse import inverse_operations

    codes = apply_chain(inverse_operations(chain.decode), light)
    return Reading(tuple(PatchReading(name, tuple(code), ((4e-6, 0, 0), (0, 4e-6, 0), (0, 0, 4e-6)), (4e-5,) * 3, 2500)
                         for name, code in zip(names, codes.tolist(), strict=True)))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_footage_lands(card: Card, kind: str) -> None:
    footage, display, mode = KINDS[kind]
    correction = solve(wrong_take(card, footage, display), card, footage, SolveSettings(display=display, mode=mode))
    chips = [row for row in correction.patches if row.role == "chip"]
    assert len(chips) == 6
    assert max(abs(row.hue_error_deg or 0) for row in chips) < 0.02
    assert max(abs((row.radius_ratio or 0) - 1) for row in chips) < 0.001
    assert max(abs(row.level_error_ire or 0) for row in correction.patches if row.role == "bar") < 0.05
    numbers = correction.diagnostics
    assert numbers.check_delta_e_after_mean < numbers.check_delta_e_before_mean / 3
    assert not numbers.bounds_hit
    # The correction file alone gives the picture that the solve predicted.
    again = correction_from_dict(correction_to_dict(correction))
    luma = (0.2126, 0.0722) if display == "bt709" else (0.2627, 0.0593)
    reading = {patch.name: patch.mean for patch in wrong_take(card, footage, display).patches}
    for row in correction.patches:
        if row.role == "bar":
            seen = apply_chain(again.operations, reading[row.name])
            assert to_ycbcr(seen, luma) == pytest.approx(row.after, abs=1e-6)


def test_nothing_is_changed_where_the_card_is_right(card: Card) -> None:
    right = Spread(exposure_stops=0, balance_stops=0, hue_deg=0, saturation=0)
    correction = solve(simulated_take(card, np.random.default_rng(5), right).reading, card, FOOTAGE)
    assert correction.diagnostics.identity
    assert correction.operations == correction.neutral_operations
    assert not correction.cautions
    for method in METHODS:
        correction = solve(simulated_take(card, np.random.default_rng(5), right).reading, card, FOOTAGE,
                           SolveSettings(method=method))
        assert correction.method == method
        assert correction.operations == correction.neutral_operations
    nearly = dataclasses.replace(right, hue_deg=3.0)
    assert not solve(simulated_take(card, np.random.default_rng(5), nearly).reading, card,
                     FOOTAGE).diagnostics.identity


def test_noise_alone_changes_nothing_but_seldom(card: Card) -> None:
    """The limit is the 95 % quantile, so 1 in 20 takes that are right is touched: at most 9 of 60 with a chance of
    0.1 % for more (binomial)."""
    right, rng = Spread(exposure_stops=0, balance_stops=0, hue_deg=0, saturation=0), np.random.default_rng(6)
    touched = [not is_right_already(set_up(simulated_take(card, rng, right).reading, card, FOOTAGE, SolveSettings()))
               for _ in range(60)]
    assert sum(touched) <= 9


@pytest.mark.slow
@pytest.mark.parametrize(("method", "starts"), [("sectors", 8), *(
    pytest.param(*case, marks=pytest.mark.long) for case in (("sectors", 100), ("matrix-sectors", 15)))])
def test_the_same_answer_from_random_starts(card: Card, method: str, starts: int) -> None:
    reading = simulated_take(card, np.random.default_rng(7), Spread(crosstalk=0.1 * (method != "sectors"))).reading
    problem = set_up(reading, card, FOOTAGE, SolveSettings(method=method))
    answer = solve_method(problem)
    assert answer.fit is not None
    assert answer.model is not None
    layout, size = answer.model.layout, answer.model.size
    rng = np.random.default_rng(8)
    worst = 0.0
    for _ in range(starts):
        hues = np.array(layout.hues_deg)
        start = np.concatenate([
            rng.uniform(-3, 3, 1), rng.uniform(-1, 1, 2), answer.model.identity[3:5] * rng.uniform(0.9, 1.05, 2),
            rng.uniform(-25, 25, len(hues)), rng.uniform(-0.7, 0.7, len(hues))])
        assert len(start) == size
        again = solve_method(problem, start)
        assert again.fit is not None
        assert again.model is not None
        assert again.model.layout == layout
        worst = max(worst, float(np.abs((again.fit.natural - answer.fit.natural) / answer.model.prior).max()))
    assert worst < 1e-6


def without(reading: Reading, *names: str) -> Reading:
    return dataclasses.replace(reading, patches=tuple(
        dataclasses.replace(patch, excluded=patch.name in names, reasons=(Reflection(),) if patch.name in names else ())
        for patch in reading.patches))


def test_hidden_chips_leave_the_rest_solved_and_are_named(card: Card) -> None:
    reading = without(simulated_take(card, np.random.default_rng(9), noisy=False).reading, "cyan", "middle")
    correction = solve(reading, card, FOOTAGE)
    rows = {row.name: row for row in correction.patches}
    assert not rows["cyan"].used
    assert rows["cyan"].reasons == (Reflection(),)
    assert all(abs(row.hue_error_deg or 0) < 0.01 for row in rows.values() if row.role == "chip" and row.used)
    (chip,) = (one for one in correction.cautions if isinstance(one, ChipUnused))
    (bar,) = (one for one in correction.cautions if isinstance(one, BarUnused))
    assert (chip.chip, chip.reasons) == ("cyan", (Reflection(),)) and chip.from_deg is not None
    assert bar.bar == "middle"
    # Two bars still have a tone curve, and both lie on their levels.
    assert any(isinstance(operation, ToneCurve) for operation in correction.operations)
    assert all(abs(row.level_error_ire or 0) < 0.01 for row in rows.values() if row.role == "bar" and row.used)


@pytest.mark.parametrize("method", ["sectors", "matrix-sectors"])
def test_left_out_error_is_what_leaving_it_out_does(card: Card, method: str) -> None:
    """The quick figure of a chip's leave-one-out error against a whole solve without that chip."""
    spread = Spread(noise_db=60, crosstalk=0.1 if method == "matrix-sectors" else 0.0)
    reading, settings = simulated_take(card, np.random.default_rng(10), spread).reading, SolveSettings(method=method)
    told = {row.name: row for row in solve(reading, card, FOOTAGE, settings).patches}
    for name in ("red", "green"):
        done = {row.name: row for row in solve(without(reading, name), card, FOOTAGE, settings).patches}[name]
        assert told[name].leave_one_out_hue_deg == pytest.approx(done.hue_error_deg, abs=0.1)
        assert told[name].leave_one_out_radius == pytest.approx(done.radius_ratio, abs=0.005)


@pytest.mark.slow
@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6), st.floats(5, 45), st.floats(0.1, 0.7))
def test_tone_and_hue_order_never_fold(seed: int, hue: float, saturation: float) -> None:
    """Errors up to thrice what is asked of the solve: the operations stay in order (they would refuse to exist
    otherwise), and the map of hues keeps a slope everywhere, not only at its controls."""
    card = load_card(Path(huewright_demo.__file__).parent / "card.toml")
    rng = np.random.default_rng(seed)
    try:
        take = simulated_take(card, rng, Spread(hue_deg=hue, saturation=saturation))
    except ValueError:       # the invented hue errors themselves folded: no such camera
        return
    solution = solve_sectors(set_up(take.reading, card, FOOTAGE, SolveSettings()))
    assert isinstance(solution.tone, ToneCurve)
    assert isinstance(solution.sectors, HueSectors)
    angles = np.radians(np.arange(0, 360, 0.25))
    circle = np.stack([np.full_like(angles, 0.5), 0.1 * np.cos(angles), 0.1 * np.sin(angles)], axis=-1)
    from huewright.colorimetry.display import from_ycbcr

    turned = to_ycbcr(apply_chain((solution.sectors,), from_ycbcr(circle, (0.2126, 0.0722))), (0.2126, 0.0722))
    hues = np.unwrap(np.arctan2(turned[:, 2], turned[:, 1]))
    assert np.all(np.diff(hues) > 0)
    levels = apply_chain((solution.tone,), np.repeat(np.linspace(-0.2, 1.3, 400)[:, None], 3, axis=1))[:, 0]
    assert np.all(np.diff(levels) > 0)


def test_scrambled_hues_are_held_at_the_bound_and_said(card: Card) -> None:
    """Two chips' readings swapped: no map of hues can serve both, so the solve holds its order and says so."""
    reading = simulated_take(card, np.random.default_rng(11), noisy=False).reading
    swap = {"red": "magenta", "magenta": "red"}
    mixed = dataclasses.replace(reading, patches=tuple(
        dataclasses.replace(reading.patch(swap.get(patch.name, patch.name)), name=patch.name)
        for patch in reading.patches))
    correction = solve(mixed, card, FOOTAGE)
    assert "hue_order" in correction.diagnostics.bounds_hit
    assert has(correction.cautions, OffTarget) and has(correction.cautions, HeldAtBound)


def test_predicted_noise_gain_is_the_pixels(card: Card) -> None:
    """Against 20,000 noisy pixels of each patch put through the chain."""
    take = simulated_take(card, np.random.default_rng(12), Spread(noise_db=50))
    problem = set_up(take.reading, card, FOOTAGE, SolveSettings())
    correction = solve(take.reading, card, FOOTAGE)
    used = problem.evidence.bars + problem.evidence.chips
    told = noise_gain_db(correction.operations, correction.neutral_operations, used, problem.luma)
    rng = np.random.default_rng(13)
    power = {}
    for side, operations in (("after", correction.operations), ("before", correction.neutral_operations)):
        power[side] = sum(to_ycbcr(apply_chain(operations, rng.multivariate_normal(
            sample.mean, sample.pixel_covariance, 20000)), problem.luma).var(axis=0) for sample in used)
    assert told[0] == pytest.approx(10 * np.log10(power["after"].sum() / power["before"].sum()), abs=0.1)
    assert told[1] == pytest.approx(10 * np.log10(power["after"][1:].sum() / power["before"][1:].sum()), abs=0.1)


def test_a_folding_table_is_caught_and_a_plain_chain_is_not(card: Card) -> None:
    axis = np.linspace(0, 1, 9)
    lattice = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1)
    bent = lattice.copy()
    bent[..., 0] = np.where(bent[..., 0] > 0.5, 0.9 - 0.8 * bent[..., 0], bent[..., 0])    # red turns back half-way
    assert folded_fraction((Lut3D(bent),), ()) > 0.4
    assert folded_fraction((Lut3D(lattice),), ()) == 0.0
    correction = solve(simulated_take(card, np.random.default_rng(14)).reading, card, FOOTAGE)
    assert correction.diagnostics.folded_fraction == 0.0


def test_worst_local_gain_of_a_known_stretch(card: Card) -> None:
    problem = set_up(simulated_take(card, np.random.default_rng(15)).reading, card, FOOTAGE, SolveSettings())
    from huewright.solver.chain import Balance
    from huewright.solver.problem import Solution

    steep = Solution("sectors", Balance(), tone=ToneCurve((0.0, 0.5), (0.0, 1.25)))
    assert worst_local_gain(problem, steep) == pytest.approx(2.5, rel=1e-6)
    assert worst_local_gain(problem, Solution("balance", Balance(1.0))) == 1.0


def test_noise_that_may_carry_a_chip_off_is_said(card: Card) -> None:
    take = simulated_take(card, np.random.default_rng(16), Spread(noise_db=30, pixels=300))
    assert has(solve(take.reading, card, FOOTAGE).cautions, Uncertain)


@pytest.mark.slow
def test_simulated_takes_land_and_their_intervals_hold(card: Card) -> None:
    """A small run of `python -m huewright.solver.simulate` (1,000 takes there); bounds are 3 standard deviations of
    a coverage of 0.95 over this many independent numbers (bars and balance share noise: counted as 1 a take)."""
    takes = 24
    result = measure(card, takes, seed=21)
    assert result.on_target == 1.0
    assert result.silent_misses == 0
    for kind, independent in {"hue": 6 * takes, "radius": 6 * takes, "level": takes, "balance": takes}.items():
        assert abs(result.coverage[kind] - 0.95) < 3 * np.sqrt(0.95 * 0.05 / independent)


def test_check_patches_made_worse_are_said(card: Card) -> None:
    """A chip whose print is nothing like its reference drags its neighbours' hues; the check patches tell."""
    take = simulated_take(card, np.random.default_rng(17), Spread(hue_deg=0, saturation=0), noisy=False)
    misprinted = dataclasses.replace(take.reading, patches=tuple(
        dataclasses.replace(patch, mean=(patch.mean[0], patch.mean[1] + 0.04, patch.mean[2] - 0.02))
        if patch.name == "red" else patch for patch in take.reading.patches))
    correction = solve(misprinted, card, FOOTAGE)
    numbers = correction.diagnostics
    assert numbers.check_delta_e_after_mean > numbers.check_delta_e_balance_only_mean + 0.3
    assert has(correction.cautions, ChecksWorse)
    assert any(isinstance(one, ChipFarFromOthers) and one.chip == "red" or isinstance(one, SomeChecksWorse)
               for one in correction.cautions)


def test_check_patches_made_worse_are_said_where_other_targets_were_asked_for(card: Card) -> None:
    """Told by a solve for the card's own targets: an honest take's colours, moved as asked, are not called worse."""
    take = simulated_take(card, np.random.default_rng(17), Spread(hue_deg=0, saturation=0), noisy=False)
    misprinted = dataclasses.replace(take.reading, patches=tuple(
        dataclasses.replace(patch, mean=(patch.mean[0], patch.mean[1] + 0.04, patch.mean[2] - 0.02))
        if patch.name == "red" else patch for patch in take.reading.patches))
    asked = SolveSettings(levels_ire={"middle": 48.0}, nudges_deg={"green": 4.0})
    worse = [one for one in solve(misprinted, card, FOOTAGE, asked).cautions if isinstance(one, ChecksWorse)]
    own = solve(misprinted, card, FOOTAGE).diagnostics
    assert worse == [ChecksWorse(own.check_delta_e_after_mean, own.check_delta_e_balance_only_mean, own_targets=True)]
    assert "for the card's own targets" in sentence(worse[0])
    assert not has(solve(take.reading, card, FOOTAGE, asked).cautions, ChecksWorse, SomeChecksWorse)


@pytest.mark.parametrize("strength", [Strength(hues=0.9), Strength(levels=0.9, hues=0.9)])
def test_check_patches_made_worse_are_said_of_a_part(card: Card, strength: Strength) -> None:
    """Held against balance at the same strength: not the part that is missing, but what the hues did, is told."""
    take = simulated_take(card, np.random.default_rng(17), Spread(hue_deg=0, saturation=0), noisy=False)
    misprinted = dataclasses.replace(take.reading, patches=tuple(
        dataclasses.replace(patch, mean=(patch.mean[0], patch.mean[1] + 0.04, patch.mean[2] - 0.02))
        if patch.name == "red" else patch for patch in take.reading.patches))
    asked = SolveSettings(strength=strength)
    assert has(solve(misprinted, card, FOOTAGE, asked).cautions, ChecksWorse)
    assert not has(solve(take.reading, card, FOOTAGE, asked).cautions, ChecksWorse, SomeChecksWorse)


def test_two_chips_at_one_hue_share_a_control(card: Card) -> None:
    twin = dataclasses.replace(card.patch("red"), name="red again")
    doubled = dataclasses.replace(card, patches=(*card.patches, twin))
    reading = simulated_take(doubled, np.random.default_rng(18), Spread(noise_db=50)).reading
    correction = solve(reading, doubled, FOOTAGE)
    sectors = next(op for op in correction.operations if isinstance(op, HueSectors))
    assert len(sectors.hues_deg) == 6
    assert max(abs(row.hue_error_deg or 0) for row in correction.patches if row.role == "chip") < 0.3


@pytest.mark.parametrize("left", [("red",), ("red", "blue")])
def test_a_matrix_of_few_chips_stays_near_to_nothing(card: Card, left: tuple[str, ...]) -> None:
    """Where chips don't determine a matrix, noise in the greys doesn't either; the chip lands, and it is said."""
    others = [patch.name for patch in card.of_role("chip") if patch.name not in left]
    reading = without(simulated_take(card, np.random.default_rng(23), Spread(crosstalk=0.1)).reading, *others)
    correction = solve(reading, card, FOOTAGE, SolveSettings(method="matrix-sectors"))
    entries = [value for name, (value, _) in correction.parameters.items() if name.startswith("matrix_")]
    assert max(map(abs, entries)) < 1.0
    assert all(abs(row.hue_error_deg or 0) < 0.5 for row in correction.patches if row.name in left)
    assert has(correction.cautions, MatrixOfFewChips)


def test_one_chip_leaves_the_far_side_alone(card: Card) -> None:
    others = [patch.name for patch in card.of_role("chip") if patch.name != "red"]
    reading = without(simulated_take(card, np.random.default_rng(19), noisy=False).reading, *others)
    sectors = next(op for op in solve(reading, card, FOOTAGE).operations if isinstance(op, HueSectors))
    moved = [abs(turn) > 0.1 for turn in sectors.rotations_deg]
    assert sum(moved) == 1      # what remains elsewhere is 0.01 degrees, noise allowed for


def problem_text(threads: str, methods: tuple[str, ...]) -> str:
    code = ("from pathlib import Path; import numpy as np, huewright_demo\n"
            "from huewright.models.card import load_card\n"
            "from huewright.models.correction import correction_to_dict\n"
            "from huewright.files import json_text\n"
            "from huewright.models.settings import SolveSettings\n"
            "from huewright.solver.simulate import FOOTAGE, simulated_take\n"
            "from huewright.solver.answer import solve\n"
            "card = load_card(Path(huewright_demo.__file__).parent / 'card.toml')\n"
            "take = simulated_take(card, np.random.default_rng(20))\n"
            f"for method in {methods}:\n"
            "    settings = SolveSettings(method=method)\n"
            "    print(json_text(correction_to_dict(solve(take.reading, card, FOOTAGE, settings))), end='')\n"
            "tables = solve(take.reading, card, FOOTAGE, SolveSettings(method='polynomial-2')).operations\n"
            "print([op.table.sum(dtype=float) for op in tables if hasattr(op, 'table')])")
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "HUEWRIGHT_THREADS")
    return subprocess.run([sys.executable, "-c", code], env={**os.environ, **dict.fromkeys(names, threads)}, check=True,
                          capture_output=True, text=True).stdout


@pytest.mark.slow
@pytest.mark.parametrize("methods", [("matrix-sectors",), pytest.param(("sectors", "matrix"), marks=pytest.mark.long)])
def test_the_file_is_the_same_bytes_on_any_thread_count(methods: tuple[str, ...]) -> None:
    one = problem_text("1", methods)
    assert one == problem_text("5", methods) and one.count("huewright-correction-1") == len(methods)


def test_targets_and_results_agree(card: Card) -> None:
    correction: Correction = solve(simulated_take(card, np.random.default_rng(22)).reading, card, FOOTAGE,
                                   SolveSettings(fraction=0.4))
    targets = targets_for(card, fraction=0.4)
    for row in correction.patches:
        if row.role == "chip":
            assert row.target[1:] == pytest.approx((targets[row.name].cb, targets[row.name].cr), abs=1e-6)
    assert isinstance(set_up(simulated_take(card, np.random.default_rng(22)).reading, card, FOOTAGE,
                             SolveSettings()), Problem)
