"""What methods share that work out a matrix, and then sectors at fixed hues, from the reading itself: how both answer
to the reading, and the solution that they make with the bars' levels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from huewright_kernels.ops import HueSectors

from huewright.solver.evidence import Sample
from huewright.solver.fit import Fit, Held, with_held
from huewright.solver.linear import matrix_names, matrix_of_entries
from huewright.solver.model import Model
from huewright.solver.problem import Problem, Solution, rounded

STEP = 1e-5

Answer = Callable[[np.ndarray, Sequence[Sample]], tuple[np.ndarray, np.ndarray, bool]]
"""From natural unknowns of the levels and samples: entries of the matrix off its diagonal; turns in degrees, then log
gains, at the fixed hues; whether the order of hues had to be held."""


def solution_of(problem: Problem, method: str, hues_deg: np.ndarray, samples: Sequence[Sample], answer: Answer,
                model: Model, levels: Fit, natural: np.ndarray) -> Solution:
    """``answer`` at the levels' ``natural`` unknowns, with the covariance that ``samples`` (the bars first) give it.
    ``model`` and ``levels`` are those of :func:`huewright.solver.sectors.solve_levels`."""
    bars = problem.evidence.bars
    entries, hues, folded = answer(natural, samples)
    entries, hues = rounded(entries, 9), rounded(hues, 7)
    slopes = np.empty((len(entries) + len(hues), 3 * len(samples)))
    for column in range(slopes.shape[1]):
        shift = STEP * np.eye(slopes.shape[1])[column].reshape(-1, 3)
        moved = [replace(sample, mean=sample.mean + by) for sample, by in zip(samples, shift, strict=True)]
        at = natural + STEP * levels.response[:, column] if column < 3 * len(bars) else natural
        slopes[:, column] = (np.concatenate(answer(at, moved)[:2]) - np.concatenate([entries, hues])) / STEP
    held = Held(matrix_names(), entries, slopes[:len(entries)], matrix_of_entries)
    colour = held.colour(entries)
    joint = Model(problem.chain, bars + problem.evidence.chips,
                  replace(model.layout, hues_deg=tuple(hues_deg.tolist())), problem.settings, colour)
    unknowns = np.concatenate([natural, hues])
    response = np.zeros((len(unknowns), slopes.shape[1]))
    response[:len(natural), :levels.response.shape[1]] = levels.response
    response[len(natural):] = slopes[len(entries):]
    fit = Fit(unknowns, np.empty(0), joint.misses(unknowns, joint.whitening(unknowns)), levels.condition,
              levels.at_bounds + (("hue_order",) if folded else ()), levels.evaluations, response)
    return Solution(method, model.balance(natural), colour, tone=model.tone(natural),
                    sectors=joint.sectors(unknowns), model=joint, fit=with_held(fit, samples, held))


def sectors_at(hues_deg: np.ndarray, hues: np.ndarray, luma: tuple[float, float]) -> HueSectors:
    """Of turns in degrees, then log gains, at ``hues_deg``."""
    count = len(hues_deg)
    return HueSectors(tuple(hues_deg.tolist()), tuple(hues[:count].tolist()), tuple(np.exp(hues[count:]).tolist()),
                      *luma)
