"""How sure it is where patches land: standard errors carried from the reading through the solve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from huewright_kernels.ops import Operation

from huewright.colorimetry.display import from_ycbcr, to_ycbcr
from huewright.colorimetry.targets import delta_e
from huewright.reference import apply_chain
from huewright.solver.evidence import Sample
from huewright.solver.fit import Held
from huewright.solver.model import Model
from huewright.solver.problem import Problem, Solution

CODE_STEP = 1e-5


def landing_errors(problem: Problem, solution: Solution) -> dict[str, np.ndarray]:
    """Standard errors (hue in degrees, radius ratio, level in IRE) of where the used patches land."""
    fit, samples = solution.fit, problem.evidence.bars + problem.evidence.chips
    if solution.model is None or fit is None or (solution.colour and fit.held is None):
        return {}
    model, slopes = _answers(problem, solution, samples)
    result = {}
    for sample, slope, place in zip(samples, slopes, model.predict(fit.natural), strict=True):
        covariance = slope @ fit.covariance @ slope.T
        errors = np.full(3, np.nan)
        if sample.role == "chip":
            radius = np.hypot(place[1], place[2])
            outward = place[1:] / radius
            sideways = np.array([-outward[1], outward[0]])
            errors[0] = np.degrees(np.sqrt(sideways @ covariance[1:, 1:] @ sideways) / radius)
            errors[1] = np.sqrt(outward @ covariance[1:, 1:] @ outward) / sample.target.radius
        else:
            errors[2] = 100.0 * np.sqrt(covariance[0, 0])
        result[sample.name] = errors
    return result


def _answers(problem: Problem, solution: Solution, samples: tuple[Sample, ...]) -> tuple[Model, np.ndarray]:
    """The model of ``samples`` and how their (Y', Cb, Cr) (n, 3, unknowns) answer to what was solved."""
    fit = solution.fit
    assert solution.model is not None and fit is not None
    model = Model(problem.chain, samples, solution.model.layout, problem.settings, solution.colour)
    neighbours = [] if fit.held is None else fit.held.neighbours(model)
    slopes = np.empty((len(samples), 3, model.size + len(neighbours)))
    for column in range(model.size):
        step = np.zeros(model.size)
        step[column] = 1e-5 * model.prior[column]
        slopes[:, :, column] = (model.predict(fit.natural + step) - model.predict(fit.natural - step)) / (
            2e-5 * model.prior[column])
    for column, (higher, lower) in enumerate(neighbours, start=model.size):
        slopes[:, :, column] = (higher.predict(fit.natural) - lower.predict(fit.natural)) / (2 * Held.STEP)
    return model, slopes


def check_gain_error(problem: Problem, solution: Solution, operations: Sequence[Operation],
                     neutral: Sequence[Operation], names: Sequence[str]) -> float | None:
    """Standard error of by how much the mean CIEDE2000 of the check patches ``names`` falls, from their own reading and
    from what was solved (first order; the two are independent, for checks drive nothing); None without a fit."""
    fit = solution.fit
    checks = tuple(sample for sample in problem.evidence.checks if sample.name in names)
    if not checks or fit is None or solution.model is None or (solution.colour and fit.held is None):
        return None
    reference = np.array([problem.reference[sample.name] for sample in checks])

    def apart(ycbcr: np.ndarray) -> np.ndarray:
        return np.asarray(delta_e(from_ycbcr(ycbcr, problem.luma), reference, problem.display.name))

    model, slopes = _answers(problem, solution, checks)
    place = model.predict(fit.natural)
    by_place = np.stack([(apart(place + step) - apart(place - step)) / (2 * CODE_STEP)
                         for step in CODE_STEP * np.eye(3)], axis=1)
    by_solved = np.einsum("nc,ncu->u", by_place, slopes) / len(checks)
    codes = np.array([sample.mean for sample in checks])

    def gained(values: np.ndarray) -> np.ndarray:
        before, after = (to_ycbcr(apply_chain(tuple(chain), values), problem.luma) for chain in (neutral, operations))
        fall: np.ndarray = apart(before) - apart(after)
        return fall

    by_code = np.stack([(gained(codes + step) - gained(codes - step)) / (2 * CODE_STEP)
                        for step in CODE_STEP * np.eye(3)], axis=1) / len(checks)
    own = sum(float(row @ sample.mean_covariance @ row) for row, sample in zip(by_code, checks, strict=True))
    return float(np.sqrt(own + by_solved @ fit.covariance @ by_solved))
