"""Least squares on a :class:`Model`: the answer, its covariance, its condition, the bounds that it touches."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from huewright_kernels.ops import Operation
from scipy.linalg import block_diag
from scipy.optimize import least_squares

from huewright.solver.evidence import Sample
from huewright.solver.model import Model

TOLERANCE = 1e-11


@dataclass(frozen=True)
class Held:
    """Numbers that were worked out from the same reading before the fit and are held in it: the entries of a matrix.

    values, names   (k,)
    slopes          (k, 3 n): how they answer to the code values of the model's samples, in their order
    colour          the operations for given values: see :meth:`Chain.after_decode`
    """

    names: tuple[str, ...]
    values: np.ndarray
    slopes: np.ndarray
    colour: Callable[[np.ndarray], tuple[Operation, ...]]

    STEP = 1e-5

    def neighbours(self, model: Model) -> list[tuple[Model, Model]]:
        """For each value ``model`` with it a step higher and a step lower."""
        steps = self.STEP * np.eye(len(self.values))
        return [(model.with_colour(self.colour(self.values + step)), model.with_colour(self.colour(self.values - step)))
                for step in steps]


@dataclass(frozen=True)
class Fit:
    """``natural`` unknowns with their ``covariance``, as carried from the reading's noise.

    The settings' floor weighs the patches against each other but is not in the covariance: it stands for errors
    that are the same each time, which an interval for noise does not speak of.

    response        (unknowns, 3 n): how the unknowns answer to the code values of the model's samples
    held            what was held while fitting; ``covariance`` is then that of the unknowns and, after them, of these
    condition      of the whitened Jacobian with columns scaled to the priors' widths
    misses         whitened differences from the targets at the answer
    """

    natural: np.ndarray
    covariance: np.ndarray
    misses: np.ndarray
    condition: float
    at_bounds: tuple[str, ...]
    evaluations: int
    response: np.ndarray
    held: Held | None = None


def minimise(model: Model, whitening: list[np.ndarray], start: np.ndarray, *,
             tolerance: float = TOLERANCE) -> tuple[np.ndarray, int]:
    """Natural unknowns at the least robust sum of squares, from natural ``start``; and the evaluations used."""
    def residuals(internal: np.ndarray) -> np.ndarray:
        natural = model.natural(internal)
        return np.concatenate([model.misses(natural, whitening), model.pulls(natural)])

    result = least_squares(residuals, model.internal(start), bounds=model.bounds, loss="soft_l1",
                           f_scale=model.settings.robust_scale, x_scale="jac", method="trf", ftol=tolerance,
                           xtol=tolerance, gtol=tolerance, max_nfev=200)
    return model.natural(result.x), int(result.nfev)


def describe(model: Model, whitening: list[np.ndarray], natural: np.ndarray, evaluations: int,
             held: Held | None = None) -> Fit:
    """Covariance and condition at ``natural``, where the robust sum of squares is least."""
    misses = model.misses(natural, whitening)
    scale = model.prior
    data = np.empty((len(misses), model.size))
    for column in range(model.size):
        step = np.zeros(model.size)
        step[column] = 1e-6 * scale[column]
        data[:, column] = (model.misses(natural + step, whitening) - model.misses(natural - step, whitening)) / 2e-6
    # Columns are per prior width here, so the pulls' Jacobian is the identity.
    trust = 1.0 / np.sqrt(1.0 + (misses / model.settings.robust_scale) ** 2)      # weights of the soft L1 loss
    hessian = data.T @ (trust[:, None] * data) + np.eye(model.size)
    gain = np.linalg.solve(hessian, data.T * trust)
    slopes = block_diag(*[white @ slope[-len(white):] for white, slope in
                          zip(whitening, model.slopes(natural), strict=True)])
    if held is not None:
        by_held = [(higher.misses(natural, whitening) - lower.misses(natural, whitening)) / (2 * held.STEP)
                   for higher, lower in held.neighbours(model)]
        slopes = slopes + np.column_stack(by_held) @ held.slopes
    response = -scale[:, None] * (gain @ slopes)
    singular = np.linalg.svd(np.concatenate([data, np.eye(model.size)]), compute_uv=False)
    internal = model.internal(natural)
    width = model.bounds[1] - model.bounds[0]
    touched = (internal - model.bounds[0] < 1e-3 * width) | (model.bounds[1] - internal < 1e-3 * width)
    return with_held(Fit(natural, np.empty(0), misses, float(singular[0] / singular[-1]),
                         tuple(name for name, hit in zip(model.layout.names, touched, strict=True) if hit), evaluations,
                         response), model.samples, held)


def with_held(fit: Fit, samples: Sequence[Sample], held: Held | None) -> Fit:
    """``fit`` with the covariance of its unknowns and of ``held`` from the noise of ``samples``: those of the fit, and
    maybe more after them, which the unknowns don't answer to."""
    noise = block_diag(*[sample.mean_covariance for sample in samples])
    response = np.zeros((len(fit.response), len(noise)))
    response[:, :fit.response.shape[1]] = fit.response
    whole = response if held is None else np.concatenate([response, held.slopes])
    return replace(fit, covariance=whole @ noise @ whole.T, held=held)
