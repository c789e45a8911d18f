"""The methods beside each other: each is exact where the truth is of its kind, and what is said of it is measured."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.display import DISPLAYS, primaries_matrix
from huewright.colorimetry.inverse import inverse_operations
from huewright.colorimetry.targets import delta_e, reference_rgb
from huewright.files import json_text
from huewright.models.card import Card, load_card
from huewright.models.cautions import PolynomialTable
from huewright.models.coded import has
from huewright.models.correction import correction_from_dict, correction_to_dict
from huewright.models.methods import (
    LeastOff,
    MethodResult,
    NothingJudged,
    OnTargetAndNear,
    Recommendation,
    TooRough,
    TruestBeyondCard,
    Untold,
)
from huewright.models.reading import PatchReading, Reading
from huewright.models.settings import METHODS, SolveSettings
from huewright.reference import apply_chain
from huewright.solver.answer import solve
from huewright.solver.beyond import Beyond
from huewright.solver.compare import ROUGH, compare, recommend, untold
from huewright.solver.linear import before_tone, fit_map, white_preserving_matrix
from huewright.solver.simulate import FOOTAGE
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import Lut3D, ToneCurve

pytestmark = pytest.mark.slow

# Rows add up to 1: a camera that keeps greys grey and mixes its channels.
MIX = np.array([[0.85, 0.2, -0.05], [0.1, 0.8, 0.1], [-0.02, 0.17, 0.85]])


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


def seen_by(card: Card, camera) -> Reading:  # type: ignore[no-untyped-def]
    """A noiseless reading of the card's display light as ``camera`` takes it, half a stop under."""
    reference = reference_rgb(card)
    light = apply_chain(DISPLAYS["bt709"].decode, list(reference.values()))
    codes = apply_chain(inverse_operations(FOOTAGE.decode), camera(light) * 2**-0.5)
    return Reading(tuple(PatchReading(name, tuple(code), ((1e-8, 0, 0), (0, 1e-8, 0), (0, 0, 1e-8)), (1e-6,) * 3, 5000)
                         for name, code in zip(reference, codes.tolist(), strict=True)))


def test_a_matrix_camera_is_undone_by_the_matrix(card: Card) -> None:
    reading = seen_by(card, lambda light: light @ MIX.T)
    rows = {row.method: row for row in compare(reading, card, FOOTAGE, SolveSettings(mode="colorimetric"))}
    assert list(rows) == list(METHODS)
    assert rows["matrix"].check_delta_e_worst < 0.05
    assert rows["matrix"].left_out_delta_e < 0.05
    assert rows["matrix-sectors"].check_delta_e_worst < 0.05
    assert rows["matrix-sectors"].worst_hue_error_deg < 0.001
    assert rows["matrix-sectors"].left_out_delta_e < 0.05
    assert rows["polynomial-2"].check_delta_e_worst < 0.3        # its terms hold the matrix; the table costs this
    assert rows["balance"].check_delta_e_mean > 1.0
    assert rows["sectors"].worst_hue_error_deg < 0.001
    assert sum(row.recommended is not None for row in rows.values()) == 1
    assert rows["balance"].worst_local_gain == 1.0
    assert rows["matrix"].folded_fraction == 0.0


def test_the_method_is_what_renders(card: Card) -> None:
    """`--method`: the correction of each method goes through its file and the kernels like any other."""
    reading = seen_by(card, lambda light: light @ MIX.T)
    codes = np.array([patch.mean for patch in reading.patches])
    for method in METHODS:
        if method == "polynomial-3":        # refused here: see the tests of refusals
            continue
        correction = solve(reading, card, FOOTAGE, SolveSettings(method=method))
        assert correction.method == method
        record = json_text(correction_to_dict(correction))
        assert len(record) < 2e7
        again = correction_from_dict(json.loads(record))
        for kept, written in zip(again.operations, correction.operations, strict=True):
            if isinstance(written, Lut3D):      # written short, read back as the same numbers
                assert np.array_equal(kept.table, written.table)  # type: ignore[attr-defined]
        exact = apply_chain(again.operations, codes)
        assert np.abs(run_colours(compile_chain(again.operations), codes) - exact).max() < 2e-5
        told = {row.name: row.after[0] for row in correction.patches if row.role != "chip"}
        luma = dict(zip((patch.name for patch in reading.patches), exact @ [0.2126, 0.7152, 0.0722], strict=True))
        assert all(abs(luma[name] - value) < 1e-6 for name, value in told.items())


def test_a_matrix_and_a_look(card: Card) -> None:
    """With a look LUT the matrix works on the display light of the look's picture. The look is a table of BT.709's
    curve on log, so that the mixed light, and its exposure, are undone as they are without it."""
    axis = np.linspace(0, 1, 65)
    lattice = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1)
    table = apply_chain((*FOOTAGE.decode, *DISPLAYS["bt709"].encode), lattice)
    look = dataclasses.replace(FOOTAGE, look=(Lut3D(np.clip(table, -0.1, 1.5)),))
    reading = seen_by(card, lambda light: light @ MIX.T)
    rows = {row.method: row for row in compare(reading, card, look, SolveSettings(mode="colorimetric"))}
    assert rows["balance"].check_delta_e_mean > 1.0
    for method in ("matrix", "matrix-sectors", "polynomial-2"):
        assert rows[method].check_delta_e_mean < 0.3         # what the look's table leaves
        correction = solve(reading, card, look, SolveSettings(mode="colorimetric", method=method))
        codes = np.array([patch.mean for patch in reading.patches])
        shown = run_colours(compile_chain(correction.operations), codes)
        wanted = list(reference_rgb(card).values())
        assert np.mean(delta_e(shown, wanted)) < 0.3
    assert rows["matrix"].left_out_delta_e < 0.3


def test_the_table_is_as_far_off_as_it_says(card: Card) -> None:
    """Exact polynomial against the rendered operations over the display's cube, at other points than it looked at."""
    reading = seen_by(card, lambda light: light @ MIX.T)
    correction = solve(reading, card, FOOTAGE, SolveSettings(method="polynomial-2"))
    told = correction.diagnostics
    assert has(correction.cautions, PolynomialTable)
    from huewright.solver.linear import linear_pairs, solve_linear
    from huewright.solver.problem import set_up

    problem = set_up(reading, card, FOOTAGE, SolveSettings(method="polynomial-2"))
    solution = solve_linear(problem, "polynomial-2")
    exact = fit_map("polynomial-2", *linear_pairs(problem, solution.balance, solution.tone,
                                                  problem.evidence.bars + problem.evidence.chips))
    light = apply_chain(DISPLAYS["bt709"].decode, np.random.default_rng(9).random((20000, 3)))
    encode = DISPLAYS["bt709"].encode
    off = np.abs(np.clip(apply_chain((*solution.colour, *encode), light), 0, 1)
                 - np.clip(apply_chain(encode, exact(light)), 0, 1))
    assert off.mean() == pytest.approx(told.table_error_mean, rel=0.1)
    assert off.max() < 2 * told.table_error_worst


def test_white_stays_white_in_the_matrix() -> None:
    rng = np.random.default_rng(3)
    camera, wanted = rng.random((12, 3)), rng.random((12, 3))
    matrix = white_preserving_matrix(camera, wanted)
    assert matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-8)
    # No other matrix with rows that add up to 1 is closer (checked along random directions within that family).
    error = ((camera @ matrix.T - wanted) ** 2).sum()
    for _ in range(50):
        step = rng.normal(size=(3, 3)) * 1e-3
        step -= step.mean(axis=1, keepdims=True)
        assert ((camera @ (matrix + step).T - wanted) ** 2).sum() > error


def test_the_tone_curve_is_undone() -> None:
    tone = ToneCurve((0.0, 0.1, 0.4, 1.0), (0.02, 0.09, 0.41, 0.95))
    signal = np.linspace(-0.3, 1.4, 40).reshape(-1, 1) * np.ones(3)
    assert apply_chain((tone,), before_tone(tone, signal)) == pytest.approx(signal, abs=1e-9)


def row(method: str, checks: float | None, left_out: float = 1.0, gain: float = 1.5, noise: float = 1.5,
        folded: float = 0.0, radius: float = 0.0, hue: float = 0.0) -> MethodResult:
    return MethodResult(method, check_delta_e_mean=checks, left_out_delta_e=left_out, worst_local_gain=gain,
                        noise_gain_db=noise, folded_fraction=folded, worst_radius_error=radius,
                        worst_hue_error_deg=hue)


@pytest.mark.parametrize(("rows", "chosen", "why"), [
    ([row("sectors", 1.0), row("balance", 2.0), row("matrix", 0.9)], "sectors",
     OnTargetAndNear("check-patches", 1.0, 0.9)),
    ([row("sectors", 2.0), row("balance", 2.5), row("matrix", 0.9)], "matrix", LeastOff("check-patches", 0.9, 2.0)),
    ([row("sectors", 2.0), row("matrix-sectors", 1.0), row("matrix", 0.9)], "matrix-sectors",
     OnTargetAndNear("check-patches", 1.0, 0.9)),
    # Sectors that are off target may not be called on target, whichever way they are off.
    ([row("sectors", 1.0, radius=0.5), row("matrix-sectors", 1.1)], "matrix-sectors",
     OnTargetAndNear("check-patches", 1.1, 1.0)),
    ([row("sectors", 1.0, hue=3.0), row("matrix-sectors", 1.1)], "matrix-sectors",
     OnTargetAndNear("check-patches", 1.1, 1.0)),
    # What the recommended one costs is in the reason.
    ([row("sectors", 5.0), row("matrix", 0.1, gain=16.0, noise=7.0)], "matrix",
     LeastOff("check-patches", 0.1, 5.0, 16.0, 7.0)),
    # Too rough: not recommended, but named, with its figures.
    ([row("sectors", 5.0, hue=8.0), row("matrix", 0.1, gain=85.0, noise=18.0)], "sectors",
     LeastOff("check-patches", 5.0, passed_over=TooRough("matrix", 0.1, 85.0, 18.0))),
    ([row("sectors", 1.0), row("polynomial-3", 0.9, gain=300.0)], "sectors",
     OnTargetAndNear("check-patches", 1.0, 1.0)),
    ([row("sectors", 1.0), row("polynomial-2", 0.1, folded=0.01)], "sectors",
     OnTargetAndNear("check-patches", 1.0, 1.0)),
    ([row("sectors", None, 3.0), row("matrix", None, 1.0)], "matrix", LeastOff("chips-left-out", 1.0, 3.0)),
    ([row("polynomial-3", 0.1, gain=300.0)], "balance", NothingJudged()),
    ([row("polynomial-3", 0.1, folded=0.1)], "balance", NothingJudged()),
])
def test_the_recommendation_and_its_reason(rows: list[MethodResult], chosen: str, why: Recommendation) -> None:
    assert recommend(rows) == (chosen, why)


LIKELY = Beyond({"balance": 2.0, "sectors": 1.5, "matrix-sectors": 1.3, "spectral-sectors": 1.2}, 0.2)


@pytest.mark.parametrize(("rows", "beyond", "chosen", "why"), [
    # What is expected of other things, not what is nearest on the check patches; never by a method without expectation.
    ([row("sectors", 1.0), row("spectral-sectors", 1.7, hue=2.0, radius=0.03), row("polynomial-2", 0.9)], LIKELY,
     "spectral-sectors", TruestBeyondCard(1.7, 0.9, 2.0, 0.03)),
    ([row("sectors", 1.0), row("balance", 3.0, hue=9.0)], LIKELY, "sectors", TruestBeyondCard(1.0, 1.0)),
    # Where the light is like no response's to the spectrum, the check patches count.
    ([row("sectors", 1.0), row("spectral-sectors", 1.7, hue=2.0)], Beyond(LIKELY.expected, 20.0), "sectors",
     TruestBeyondCard(1.0, 1.0)),
    # Chips on their targets, where check patches are next to right, for 0.1 at most.
    ([row("matrix-sectors", 0.2), row("spectral-sectors", 0.1, hue=2.0)], LIKELY, "matrix-sectors",
     OnTargetAndNear("check-patches", 0.2, 0.1)),
    ([row("sectors", 0.2), row("spectral-sectors", 0.1, hue=2.0)], LIKELY, "spectral-sectors",
     TruestBeyondCard(0.1, 0.1, 2.0, 0.0)),
    ([row("sectors", 0.2), row("spectral-sectors", 0.8, hue=2.0)], LIKELY, "sectors",
     OnTargetAndNear("check-patches", 0.2, 0.2)),
    ([row("sectors", 1.5), row("spectral-sectors", 0.5, hue=2.0, gain=60.0)], LIKELY, "sectors",
     TruestBeyondCard(1.5, 1.5, passed_over=TooRough("spectral-sectors", 0.5, 60.0, 1.5))),
    # Nothing was judged but chips, and nothing that is judged is expected of.
    ([row("sectors", None, 0.9), row("spectral-sectors", None, 1.0)], LIKELY, "sectors",
     OnTargetAndNear("chips-left-out", 0.9, 0.9)),
    ([row("matrix", 0.9), row("sectors", 2.0)], LIKELY, "sectors", TruestBeyondCard(2.0, 0.9)),
])
def test_what_is_likely_beyond_the_card_decides(rows: list[MethodResult], beyond: Beyond, chosen: str,
                                                why: Recommendation) -> None:
    assert recommend(rows, beyond=beyond) == (chosen, why)


def test_methods_that_the_card_does_not_tell_apart_are_named() -> None:
    """Bands from simulated takes (DEVELOPERS.md). Who is much worse, too rough, folded or unmeasured is not a rival."""
    rows = [row("sectors", 2.0), row("spectral-sectors", 1.2), row("matrix-sectors", 0.9), row("balance", 4.0),
            row("polynomial-2", 1.0)]
    assert untold(rows, "spectral-sectors", LIKELY) == (Untold("matrix-sectors", 0.2, 0.55),)
    pipeline = Beyond(dict.fromkeys(LIKELY.expected, 1.0), 4.0)      # where check patches count by half
    assert untold(rows, "spectral-sectors", pipeline) == (Untold("matrix-sectors", 0.75, 0.65),
                                                          Untold("sectors", 0.3, 1.15))
    assert untold([row("sectors", 1.0), row("balance", 1.1, gain=85.0)], "sectors", LIKELY) == ()
    assert untold([row("sectors", 1.0), row("balance", 1.1, folded=0.1)], "sectors", LIKELY) == ()
    assert untold([row("sectors", None, 1.0), row("balance", None, 1.1)], "sectors", LIKELY) == ()
    assert untold([row("sectors", 0.29), row("matrix-sectors", 0.3)], "sectors", LIKELY) == ()   # nearer than any take
    assert len(untold([row("sectors", 0.31), row("matrix-sectors", 0.3)], "sectors", LIKELY)) == 1


@pytest.mark.parametrize("primaries", ["ITU-R BT.2020", pytest.param("ACEScg", marks=pytest.mark.long), "ACES2065-1"])
def test_a_change_of_primaries_alone_is_not_too_rough(card: Card, primaries: str) -> None:
    """The matrices of ITU-R BT.2020 and of the Academy's spaces to BT.709 are right by definition; a limit on worst
    local gain must let them pass, and the matrix method must find them."""
    to_camera = np.linalg.inv(primaries_matrix(primaries, "ITU-R BT.709"))
    rows = {row.method: row for row in compare(seen_by(card, lambda light: light @ to_camera.T), card, FOOTAGE,
                                                  SolveSettings(mode="colorimetric"))}
    assert 6.0 < rows["matrix"].worst_local_gain < ROUGH
    chosen = next(row for row in rows.values() if row.recommended is not None)
    assert chosen.method in ("matrix", "matrix-sectors")
    assert chosen.recommended.local_gain == chosen.worst_local_gain  # type: ignore[union-attr]
