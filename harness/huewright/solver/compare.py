"""Every method on the same reading, side by side, and which one to use."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from huewright.colorimetry.display import from_ycbcr, to_ycbcr
from huewright.colorimetry.targets import delta_e
from huewright.errors import NoAnswerError
from huewright.models.card import Card
from huewright.models.cautions import TableTooFarOff
from huewright.models.footage import Footage
from huewright.models.methods import (
    JudgedOn,
    LeastOff,
    MethodResult,
    NothingJudged,
    OnTargetAndNear,
    Recommendation,
    TooRough,
    TruestBeyondCard,
    Untold,
)
from huewright.models.reading import Reading
from huewright.models.refusals import Refusal
from huewright.models.settings import METHODS, SolveSettings
from huewright.reference import apply_chain
from huewright.solver import quality
from huewright.solver.answer import solve_method
from huewright.solver.beyond import Beyond, beyond_card
from huewright.solver.evidence import Sample
from huewright.solver.hues import miss
from huewright.solver.left_out import left_out_sectors
from huewright.solver.linear import TABLE_LIMIT, fit_map, linear_pairs
from huewright.solver.problem import Problem, Solution, set_up
from huewright.solver.sectors import arriving_ycbcr

LARGE = 0.3              # CIEDE2000: a difference between methods that is worth giving up chips on target for
# CIEDE2000 below which check patches are as near as an eye can tell side by side: then chips on target decide, where
# other things are expected to come out within HARDLY of what the best method leaves, or where check patches contradict
# that it does by CONTRADICTED.
NEAR_ENOUGH, HARDLY, CONTRADICTED = 0.3, 0.1, 0.5
# By how much nearer and farther off than by the recommended method other things than the card's come out by another
# (CIEDE2000, 95 of 100 pairs on 166 simulated takes; DEVELOPERS.md, "Known gaps"), where what is expected of them
# differs by less than the first figure; above it 97 of 100 are farther off. First where the patches' light is like that
# of a camera without a picture pipeline (a surprise below LINEAR), then else. Both cards there had nine check patches
# or more.
LINEAR = 2.0
UNTOLD = ((0.25, 0.2, 0.55),)
UNTOLD_PIPELINE = ((0.25, 0.75, 0.65), (0.5, 0.3, 1.15))
ENOUGH_CHECKS = 9
# Worst local gain above which a method is not recommended. Measured on the spectral takes of the external tests (129
# lights): a change of primaries alone, between open standards' RGB and BT.709's, has up to 19; the matrix of a camera
# whose colours are near has 8 to 35 and lifts noise by 4 to 10 dB; of one whose colours are weak, 72 to 380, and 17 to
# 29 dB. Root polynomials that stray between their patches have 1000 and more.
ROUGH = 50.0
ROUGHNESS_SAID = 6.0     # worst local gain, and
NOISE_SAID_DB = 6.0      # noise gain, above which the recommendation's reason speaks of it


def compare(reading: Reading, card: Card, footage: Footage,
            settings: SolveSettings | None = None) -> tuple[MethodResult, ...]:
    """One result a method; the one to use says why it is recommended."""
    problem = set_up(reading, card, footage, settings or SolveSettings())
    rows = []
    solutions: dict[str, Solution] = {}
    barred = set()
    for method in METHODS:
        asked = dataclasses.replace(problem, settings=dataclasses.replace(problem.settings, method=method))
        try:
            solution = solve_method(asked)
            row = _row(asked, solution)
            solutions[method] = solution
            if solution.colour_error > TABLE_LIMIT:
                row = dataclasses.replace(row, cautions=(TableTooFarOff(solution.colour_error), *row.cautions))
                barred.add(method)
        except NoAnswerError as error:
            if not isinstance(error.what, Refusal):
                raise
            row = MethodResult(method, refused=error.what)
        rows.append(row)
    fit = [row for row in rows if row.method not in barred]
    checks = sum(sample.name in problem.reference for sample in problem.evidence.checks)
    beyond = beyond_card(problem, solutions) if checks else None
    chosen, why = recommend(fit, problem.settings, beyond)
    near = untold(fit, chosen, beyond) if beyond is not None and checks >= ENOUGH_CHECKS else ()
    return tuple(dataclasses.replace(row, recommended=why, untold=near) if row.method == chosen else row
                 for row in rows)


_COLUMNS = ("worst_hue_error_deg", "worst_radius_error", "worst_level_error_ire", "chip_delta_e", "left_out_delta_e",
            "check_delta_e_mean", "check_delta_e_worst", "worst_local_gain", "noise_gain_db", "folded_fraction")


def _row(problem: Problem, solution: Solution) -> MethodResult:
    chain, luma, evidence = problem.chain, problem.luma, problem.evidence
    operations = solution.operations(chain)
    bars = quality.landing_ycbcr(operations, evidence.bars, luma)
    chips = quality.landing_ycbcr(operations, evidence.chips, luma) if evidence.chips else np.empty((0, 3))
    misses = [miss(place, chip.target) for place, chip in zip(chips, evidence.chips, strict=True)]
    levels = [abs(place[0] - bar.target.luma) for place, bar in zip(bars, evidence.bars, strict=True)
              if bar.target.luma is not None]
    checks = [sample for sample in evidence.checks if sample.name in problem.reference]
    check_errors: Any = np.empty(0)
    if checks:
        shown = from_ycbcr(quality.landing_ycbcr(operations, tuple(checks), luma), luma)
        check_errors = delta_e(shown, [problem.reference[sample.name] for sample in checks], problem.display.name)
    values = (
        max((abs(hue) for hue, _ in misses), default=None), max((abs(r - 1) for _, r in misses), default=None),
        100 * max(levels, default=0.0), _chip_delta_e(problem, chips, evidence.chips),
        _left_out_delta_e(problem, solution),
        float(np.mean(check_errors)) if checks else None, float(np.max(check_errors)) if checks else None,
        quality.worst_local_gain(problem, solution),
        quality.noise_gain_db(operations, chain.neutral(), evidence.bars + evidence.chips, luma)[0],
        quality.folded_fraction(operations, chain.neutral()))
    figures = {name: None if value is None else float(f"{value:.6g}")
               for name, value in zip(_COLUMNS, values, strict=True)}
    return dataclasses.replace(MethodResult(solution.method, cautions=solution.cautions), **figures)  # type: ignore[arg-type]


def _chip_delta_e(problem: Problem, places: np.ndarray, chips: tuple[Sample, ...]) -> float | None:
    if not chips:
        return None
    wanted = np.array(places)
    wanted[:, 1:] = [(chip.target.cb, chip.target.cr) for chip in chips]
    return float(np.mean(delta_e(from_ycbcr(places, problem.luma), from_ycbcr(wanted, problem.luma),
                                 problem.display.name)))


def _left_out_delta_e(problem: Problem, solution: Solution) -> float | None:
    """Each chip as it lands when the method is fitted to the bars and the other chips (levels held)."""
    chips = problem.evidence.chips
    if len(chips) < 3:
        return None
    places = np.array([_without(problem, solution, index)(chips[index]) for index in range(len(chips))])
    return _chip_delta_e(problem, places, chips)


def _without(problem: Problem, solution: Solution, index: int) -> Callable[[Sample], np.ndarray]:
    """The method fitted without chip ``index``: a function from a sample to (Y', Cb, Cr)."""
    chain, luma = problem.chain, problem.luma
    rest = problem.evidence.chips[:index] + problem.evidence.chips[index + 1:]
    balance, tone = solution.balance, solution.tone
    if solution.method == "balance":
        return lambda sample: arriving_ycbcr(chain, balance, tone, (sample,))[0]
    if solution.sectors is not None:
        colour, sectors = left_out_sectors(problem, solution, index)
        return lambda sample: to_ycbcr(apply_chain((sectors,), from_ycbcr(
            arriving_ycbcr(chain, balance, tone, (sample,), colour), luma)), luma)[0]
    linear_map = fit_map(solution.method, *linear_pairs(problem, balance, tone, problem.evidence.bars + rest))
    after = (*chain.from_colour, *(() if tone is None else (tone,)))

    def landed(sample: Sample) -> np.ndarray:
        camera = apply_chain(chain.decode, [sample.mean]) * balance.gains
        result: np.ndarray = to_ycbcr(apply_chain(after, linear_map(apply_chain(chain.to_colour, camera))), luma)[0]
        return result

    return landed


def recommend(rows: Sequence[MethodResult], limits: SolveSettings | None = None,
              beyond: Beyond | None = None) -> tuple[str, Recommendation]:
    """(method, why). Judged on check patches, or on left-out chips where the card has no checks.

    Where the card tells what is to be expected ``beyond`` it, the method that is likely to leave other things nearest;
    unless one with chips on their targets (within ``limits``) has check patches that are next to right, and is likely
    to leave other things hardly farther off, or check patches contradict that. Else methods that put every chip on its
    target are given up only for a large gain. One that folds colours or stretches small differences more than
    :data:`ROUGH` times is not recommended; if it does better on the patches, that is said, for the person to choose. So
    is how rough the recommended one is."""
    limits = limits or SolveSettings()
    by_checks = any(row.check_delta_e_mean is not None for row in rows)
    judged_on: JudgedOn = "check-patches" if by_checks else "chips-left-out"

    def off(row: MethodResult) -> float | None:
        return row.check_delta_e_mean if by_checks else row.left_out_delta_e

    judged = [_Judged(row, error) for row in rows if (error := off(row)) is not None and not row.folded_fraction]
    fit = [one for one in judged if one.local_gain <= ROUGH]
    if not fit:
        return "balance", NothingJudged()
    best = min(fit, key=lambda one: one.off)
    passed_over = _passed_over(judged, best)
    likely = [] if beyond is None or not by_checks else _likeliest(fit, beyond)
    if likely:
        first, least = likely[0]
        near = [one for one, off in likely if one.off <= NEAR_ENOUGH and _on_target(one.row, limits)
                and (off <= least + HARDLY or one.off + CONTRADICTED < first.off)]
        if near:
            return near[0].row.method, OnTargetAndNear(judged_on, near[0].off, best.off, *_cost(near[0]), passed_over)
        row = first.row
        misses = (None, None) if _on_target(row, limits) else (row.worst_hue_error_deg, row.worst_radius_error)
        return row.method, TruestBeyondCard(first.off, best.off, *misses, *_cost(first), passed_over)
    for method in ("sectors", "matrix-sectors"):
        one = next((one for one in fit if one.row.method == method), None)
        if one is not None and _on_target(one.row, limits) and one.off <= best.off + LARGE:
            return method, OnTargetAndNear(judged_on, one.off, best.off, *_cost(one), passed_over)
    sectors = next((one for one in fit if one.row.method == "sectors"), None)
    rest = None if sectors is None or sectors is best else sectors.off
    return best.row.method, LeastOff(judged_on, best.off, rest, *_cost(best), passed_over)


def untold(rows: Sequence[MethodResult], chosen: str, beyond: Beyond) -> tuple[Untold, ...]:
    """The methods that the card doesn't tell apart from the ``chosen`` one, the likeliest rival first."""
    checks = {row.method: row.check_delta_e_mean for row in rows if row.check_delta_e_mean is not None
              and not row.folded_fraction and row.method in beyond.expected
              and row.worst_local_gain is not None and row.worst_local_gain <= ROUGH}
    if checks.get(chosen, 0.0) < NEAR_ENOUGH:   # or not judged so: nearer than any take that the bands are from
        return ()
    off = {method: beyond.off(method, error) for method, error in checks.items()}
    rivals = sorted((error, method) for method, error in off.items() if method != chosen)
    known = UNTOLD if beyond.surprise < LINEAR else UNTOLD_PIPELINE
    bands = [(method, next((band for band in known if error - off[chosen] < band[0]), None))
             for error, method in rivals]
    return tuple(Untold(method, *band[1:]) for method, band in bands if band is not None)


@dataclasses.dataclass(frozen=True)
class _Judged:
    """A method and how far it leaves the patches that it is judged on, in CIEDE2000."""

    row: MethodResult
    off: float

    @property
    def local_gain(self) -> float:
        return self.row.worst_local_gain if self.row.worst_local_gain is not None else float("inf")

    @property
    def noise_db(self) -> float:
        return self.row.noise_gain_db or 0.0


def _likeliest(fit: list[_Judged], beyond: Beyond) -> list[tuple[_Judged, float]]:
    """Those of which ``beyond`` says something, and what is expected of other things by them, the least first."""
    told = [(one, beyond.off(one.row.method, one.off)) for one in fit if one.row.method in beyond.expected]
    return sorted(told, key=lambda pair: pair[1])


def _on_target(row: MethodResult, limits: SolveSettings) -> bool:
    hue, radius = row.worst_hue_error_deg, row.worst_radius_error
    return hue is not None and hue <= limits.hue_limit_deg and radius is not None and radius <= limits.radius_limit


def _cost(one: _Judged) -> tuple[float | None, float | None]:
    """Local gain and noise in dB, each where it is worth a word."""
    return (one.local_gain if one.local_gain > ROUGHNESS_SAID else None,
            one.noise_db if one.noise_db > NOISE_SAID_DB else None)


def _passed_over(judged: list[_Judged], best: _Judged) -> TooRough | None:
    """What a method that is too rough to recommend would do for the patches, where that is worth a thought."""
    rough = [one for one in judged if one.local_gain > ROUGH and one.off < best.off - LARGE]
    if not rough:
        return None
    one = min(rough, key=lambda one: one.off)
    return TooRough(one.row.method, one.off, one.local_gain, one.noise_db)
