"""A camera brought to another's corrected picture of the card, by every patch that both of them read.

How two cameras differ needs no reference colour to be measured, so bars, chips and check patches all tell it:

    levels    exposure, balance and tone from the bars, as every method has them
    matrix    white preserving, least squares of the display's signal, from balanced light to the light that the leading
              camera's picture shows
    hues      turn and log gain as harmonics of the hue up to the third, weighed by chroma squared, on what the matrix
              leaves; written as sectors

What it gives is judged by patches left out, one at a time. On pairs of simulated takes that nothing was chosen by, see
DEVELOPERS.md, "Known gaps".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from huewright_kernels.ops import HueSectors, Operation, ToneCurve

from huewright.colorimetry.display import to_ycbcr
from huewright.colorimetry.inverse import inverse_operations
from huewright.errors import NoAnswerError
from huewright.models.correction import Correction
from huewright.models.provenance import LedBy
from huewright.models.refusals import TooFewInCommon
from huewright.models.settings import Strength
from huewright.reference import apply_chain
from huewright.solver.chain import Balance
from huewright.solver.evidence import Sample
from huewright.solver.fixed_hues import sectors_at, solution_of
from huewright.solver.hues import unfolded
from huewright.solver.linear import (
    before_tone,
    matrix_entries,
    matrix_of_entries,
    signal_weights,
    white_preserving_matrix,
)
from huewright.solver.problem import Problem, Solution, rounded
from huewright.solver.sectors import judge_light, solve_levels
from huewright.solver.strength import operations_at

METHOD = "following"
LEAST_PATCHES = 8        # chips and check patches; six entries of a matrix and seven numbers each of turn and gain
ORDER = 3
PULL = 0.01              # towards no change, times the square of the order, against the weight of all patches as 1
HUES_DEG = np.arange(0.0, 360.0, 15.0)


def colours_of(correction: Correction) -> dict[str, tuple[float, float, float]]:
    """Display signal R'G'B' of each patch that ``correction`` was solved from, done whole; none where it records no
    reading. Patches that were left out are left out here."""
    inputs = correction.provenance.inputs
    if inputs is None:
        return {}
    operations = operations_at(correction, Strength())
    kept = {row.name for row in correction.patches if not row.reasons}
    read = [patch for patch in inputs.reading.patches if patch.name in kept]
    signals = apply_chain(operations, np.array([patch.mean for patch in read], np.float64).reshape(-1, 3))
    return {patch.name: (float(red), float(green), float(blue))
            for patch, (red, green, blue) in zip(read, rounded(signals, 7), strict=True)}


def solve_following(problem: Problem) -> Solution:
    """Levels from the bars, then matrix and hues as the module says.

    Raises :class:`NoAnswerError` as the other methods do, and where too few patches were read by both cameras.
    """
    model, levels = solve_levels(problem)
    natural = rounded(levels.natural, 7)
    balance, tone = model.balance(natural), model.tone(natural)
    judge_light(problem, balance, tone)
    bars, coloured = problem.evidence.bars, coloured_samples(problem)
    assert problem.lead is not None
    if len(coloured) < LEAST_PATCHES:
        raise NoAnswerError(TooFewInCommon(problem.lead.take, len(coloured), LEAST_PATCHES))
    samples = bars + coloured
    aims = _aims(problem, tone)

    def answer(at: np.ndarray, read: Sequence[Sample]) -> tuple[np.ndarray, np.ndarray, bool]:
        its = model.tone(at)
        return _fitted(problem, model.balance(at), its, read, aims if at is natural else _aims(problem, its))

    return solution_of(problem, METHOD, HUES_DEG, samples, answer, model, levels, natural)


def coloured_samples(problem: Problem) -> tuple[Sample, ...]:
    """The chips and check patches that the leading camera read as well."""
    lead = problem.lead
    return tuple(sample for sample in problem.evidence.chips + problem.evidence.checks
                 if lead is not None and sample.name in lead.colours)


def following_without(problem: Problem, solution: Solution, name: str) -> tuple[tuple[Operation, ...], HueSectors]:
    """The matrix operation and the sectors that chip or check patch ``name`` had no part in; levels held."""
    [found] = _without(problem, solution, [name])
    return found


def each_left_out(problem: Problem, solution: Solution) -> dict[str, tuple[tuple[Operation, ...], HueSectors]]:
    """:func:`following_without` of each chip and check patch in turn, by its name."""
    names = [sample.name for sample in coloured_samples(problem)]
    return dict(zip(names, _without(problem, solution, names), strict=True))


def _without(problem: Problem, solution: Solution,
             names: Sequence[str]) -> list[tuple[tuple[Operation, ...], HueSectors]]:
    aims, samples = _aims(problem, solution.tone), problem.evidence.bars + coloured_samples(problem)
    fits = (_fitted(problem, solution.balance, solution.tone, [sample for sample in samples if sample.name != name],
                    aims) for name in names)
    return [(matrix_of_entries(entries), sectors_at(HUES_DEG, hues, problem.luma)) for entries, hues, _ in fits]


def _aims(problem: Problem, tone: ToneCurve | None) -> dict[str, np.ndarray]:
    """By patch the light ahead of ``tone`` that the leading camera's picture shows of it."""
    assert problem.lead is not None
    signals = np.array(list(problem.lead.colours.values()), np.float64)
    light = apply_chain(inverse_operations(problem.chain.from_colour), before_tone(tone, signals))
    return dict(zip(problem.lead.colours, light, strict=True))


def _fitted(problem: Problem, balance: Balance, tone: ToneCurve | None, samples: Sequence[Sample],
            aims: Mapping[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray, bool]:
    """(entries of the matrix off its diagonal; turns in degrees, then log gains, at :data:`HUES_DEG`; whether the order
    of hues had to be held). ``aims`` is :func:`_aims` for ``tone``."""
    chain, lead = problem.chain, problem.lead
    assert lead is not None
    kept = [sample for sample in samples if sample.name in lead.colours]
    signal = np.array([lead.colours[sample.name] for sample in kept])
    light = apply_chain(chain.decode, [sample.mean for sample in kept]) * balance.gains
    camera = apply_chain(chain.to_colour, light)
    wanted = np.array([aims[sample.name] for sample in kept])
    matrix = white_preserving_matrix(camera, wanted, signal_weights(chain, wanted))
    after = (*chain.from_colour, *(() if tone is None else (tone,)))
    coloured = np.array([sample.role != "bar" for sample in kept])
    arriving = to_ycbcr(apply_chain(after, camera[coloured] @ matrix.T), problem.luma)
    hues, folded = _by_harmonics(arriving[:, 1:], to_ycbcr(signal[coloured], problem.luma)[:, 1:],
                                 problem.settings.least_slope)
    return matrix_entries(matrix), hues, folded


def _by_harmonics(arriving: np.ndarray, aimed: np.ndarray, least_slope: float) -> tuple[np.ndarray, bool]:
    """Turns in degrees, then log gains, at :data:`HUES_DEG`, from (Cb, Cr) (n, 2) to (Cb, Cr) (n, 2): weighted least
    squares with a pull on each harmonic; and whether the order of hues had to be held."""
    start, end = arriving @ (1, 1j), aimed @ (1, 1j)
    weight = np.abs(start) ** 2
    weight /= weight.sum()
    start, end = (np.where(np.abs(one) < 1e-6, 1e-6, one) for one in (start, end))
    ratio = np.log(end / start)
    steps = np.clip(np.stack([np.degrees(ratio.imag), ratio.real], axis=-1), [-45.0, -1.0], [45.0, 1.0])
    terms = _harmonics(np.angle(start))
    pull = PULL * np.repeat(np.append(0.2, np.arange(1, ORDER + 1) ** 2), [1, *[2] * ORDER])
    found = np.linalg.solve(terms.T @ (weight[:, None] * terms) + np.diag(pull), terms.T @ (weight[:, None] * steps))
    turns, gains = (_harmonics(np.radians(HUES_DEG)) @ found).T
    kept = unfolded(HUES_DEG, turns, least_slope)
    return np.concatenate([kept, gains]), not np.array_equal(kept, turns)


def _harmonics(hue: np.ndarray) -> np.ndarray:
    """(n, 1 + 2 ORDER): 1, cos, sin of the hue in radians, of twice the hue, ..."""
    return np.stack([np.ones_like(hue), *(each(order * hue) for order in range(1, ORDER + 1)
                                          for each in (np.cos, np.sin))], axis=-1)


__all__ = ["LEAST_PATCHES", "METHOD", "LedBy", "colours_of", "coloured_samples", "each_left_out", "following_without",
           "solve_following"]
