"""Every method on the same reading, side by side, and which one to use."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np

from huewright.colorimetry.display import from_ycbcr, to_ycbcr
from huewright.colorimetry.targets import delta_e
from huewright.errors import InputError, NoAnswerError
from huewright.models.card import Card
from huewright.models.cautions import TableTooFarOff
from huewright.models.footage import Footage
from huewright.models.reading import Reading
from huewright.models.settings import METHODS, SolveSettings
from huewright.reference import apply_chain
from huewright.solver import quality
from huewright.solver.answer import solve_method
from huewright.solver.evidence import Sample
from huewright.solver.hues import direct, miss
from huewright.solver.linear import TABLE_LIMIT, fit_map, linear_pairs, matrix_without
from huewright.solver.problem import Problem, Solution, set_up
from huewright.solver.sectors import arriving_ycbcr

LARGE = 0.3              # CIEDE2000: a difference between methods that is worth giving up chips on target for
# Worst local gain above which a method is not recommended. Measured on the spectral takes of the external tests (129
# lights): a change of primaries alone, between open standards' RGB and BT.709's, has up to 19; the matrix of a camera
# whose colours are near has 8 to 35 and lifts noise by 4 to 10 dB; of one whose colours are weak, 72 to 380, and 17 to
# 29 dB. Root polynomials that stray between their patches have 1000 and more.
ROUGH = 50.0
ROUGHNESS_SAID = 6.0     # worst local gain, and
NOISE_SAID_DB = 6.0      # noise gain, above which the recommendation's reason speaks of it


def compare(reading: Reading, card: Card, footage: Footage,
            settings: SolveSettings | None = None) -> list[dict[str, Any]]:
    """One row a method; the one to use has ``recommended`` True and its reason first in ``note``.

    method, worst_hue_error_deg, worst_radius_error, worst_level_error_ire   on chips and bars
    chip_delta_e           mean CIEDE2000 between each chip and the same level at its target
    left_out_delta_e       the same for each chip fitted from the others
    check_delta_e_mean, check_delta_e_worst   against the check patches' reference; None if the card has none
    worst_local_gain       most that small differences are stretched, over the display's cube
    noise_gain_db          against the uncorrected picture
    folded_fraction        of a LUT's cells turned inside out
    note                   why a row is empty, or why it is recommended
    cautions               what must be known of it
    """
    problem = set_up(reading, card, footage, settings or SolveSettings())
    rows = []
    barred = set()
    for method in METHODS:
        asked = dataclasses.replace(problem, settings=dataclasses.replace(problem.settings, method=method))
        try:
            solution = solve_method(asked)
            rows.append(_row(asked, solution))
            if solution.colour_error > TABLE_LIMIT:
                rows[-1]["cautions"].insert(0, TableTooFarOff(solution.colour_error))
                barred.add(method)
        except (InputError, NoAnswerError) as error:
            rows.append({"method": method, **dict.fromkeys(_COLUMNS), "recommended": False, "note": str(error),
                         "cautions": []})
    chosen, reason = recommend([row for row in rows if row["method"] not in barred], problem.settings)
    for row in rows:
        if row["method"] == chosen:
            row["recommended"] = True
            row["note"] = f"recommended: {reason}"
    return rows


_COLUMNS = ("worst_hue_error_deg", "worst_radius_error", "worst_level_error_ire", "chip_delta_e", "left_out_delta_e",
            "check_delta_e_mean", "check_delta_e_worst", "worst_local_gain", "noise_gain_db", "folded_fraction")


def _row(problem: Problem, solution: Solution) -> dict[str, Any]:
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
    return {"method": solution.method,
            **{name: None if value is None else float(f"{value:.6g}")
               for name, value in zip(_COLUMNS, values, strict=True)},
            "recommended": False, "note": "", "cautions": list(solution.cautions)}


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
        colour = matrix_without(problem, solution, index) if solution.colour else ()
        arriving = arriving_ycbcr(chain, balance, tone, rest, colour)
        sectors = direct(arriving[:, 1:], [chip.target for chip in rest], luma, problem.settings.least_slope)
        return lambda sample: to_ycbcr(apply_chain((sectors,), from_ycbcr(
            arriving_ycbcr(chain, balance, tone, (sample,), colour), luma)), luma)[0]
    linear_map = fit_map(solution.method, *linear_pairs(problem, balance, tone, problem.evidence.bars + rest))
    after = (*chain.from_colour, *(() if tone is None else (tone,)))

    def landed(sample: Sample) -> np.ndarray:
        camera = apply_chain(chain.decode, [sample.mean]) * balance.gains
        result: np.ndarray = to_ycbcr(apply_chain(after, linear_map(apply_chain(chain.to_colour, camera))), luma)[0]
        return result

    return landed


def recommend(rows: list[dict[str, Any]], limits: SolveSettings | None = None) -> tuple[str, str]:
    """(method, one sentence why). Judged on check patches, or on left-out chips where the card has no checks;
    methods that put every chip on its target (within ``limits``) are given up only for a large gain. One that folds
    colours or stretches small differences more than :data:`ROUGH` times is not recommended; if it does better on the
    patches, that is said, for the person to choose. So is how rough the recommended one is."""
    limits = limits or SolveSettings()
    by_checks = any(row["check_delta_e_mean"] is not None for row in rows)
    column = "check_delta_e_mean" if by_checks else "left_out_delta_e"
    what = "the check patches" if by_checks else "chips left out of the fit"
    judged = [row for row in rows if row[column] is not None and not row["folded_fraction"]]
    fit = [row for row in judged if row["worst_local_gain"] <= ROUGH]
    if not fit:
        return "balance", ("no method could be judged on patches that it had not seen, or each of them folds or "
                           "stretches colours; exposure and balance can't do harm")
    best = min(fit, key=lambda row: row[column])
    passed_over = _passed_over(judged, best, column)
    for method in ("sectors", "matrix-sectors"):
        row = next((row for row in fit if row["method"] == method), None)
        if row is not None and _on_target(row, limits) and row[column] <= best[column] + LARGE:
            return method, (f"every chip lands on its target, and {what} are {row[column]:.2f} CIEDE2000 off on "
                            f"average (best of all methods: {best[column]:.2f}){_cost(row)}{passed_over}")
    sectors = next((row for row in fit if row["method"] == "sectors"), None)
    rest = "" if sectors is None or sectors is best else f"; sectors leave them {sectors[column]:.2f} off"
    least = "the least of the methods that don't stretch colours too far" if passed_over else "the least of all methods"
    return best["method"], (f"{what} are {best[column]:.2f} CIEDE2000 off on average, {least}"
                            f"{rest}{_cost(best)}{passed_over}")


def _on_target(row: dict[str, Any], limits: SolveSettings) -> bool:
    hue, radius = row["worst_hue_error_deg"], row["worst_radius_error"]
    return hue is not None and hue <= limits.hue_limit_deg and radius <= limits.radius_limit


def _cost(row: dict[str, Any]) -> str:
    said = []
    if row["worst_local_gain"] > ROUGHNESS_SAID:
        said.append(f"stretches small differences up to {row['worst_local_gain']:.0f} times")
    if row["noise_gain_db"] > NOISE_SAID_DB:
        said.append(f"lifts noise by {row['noise_gain_db']:.0f} dB")
    return f"; it {' and '.join(said)}" if said else ""


def _passed_over(judged: list[dict[str, Any]], best: dict[str, Any], column: str) -> str:
    """What a method that is too rough to recommend would do for the patches, where that is worth a thought."""
    rough = [row for row in judged if row["worst_local_gain"] > ROUGH and row[column] < best[column] - LARGE]
    if not rough:
        return ""
    row = min(rough, key=lambda row: row[column])
    return (f"; {row['method']} would leave them {row[column]:.2f} off, but stretches small differences up to "
            f"{row['worst_local_gain']:.0f} times and lifts noise by {row['noise_gain_db']:.0f} dB: choose it yourself "
            "where the footage is clean enough")
