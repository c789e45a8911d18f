"""Least squares on a :class:`Model`: the answer, its covariance, its condition, the bounds that it touches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag
from scipy.optimize import least_squares

from huewright.solver.model import Model

TOLERANCE = 1e-11


@dataclass(frozen=True)
class Fit:
    """``natural`` unknowns with their ``covariance``, as carried from the reading's noise.

    The settings' floor weighs the patches against each other but is not in the covariance: it stands for errors
    that are the same each time, which an interval for noise does not speak of.

    condition      of the whitened Jacobian with columns scaled to the priors' widths
    misses         whitened differences from the targets at the answer
    """

    natural: np.ndarray
    covariance: np.ndarray
    misses: np.ndarray
    condition: float
    at_bounds: tuple[str, ...]
    evaluations: int


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


def describe(model: Model, whitening: list[np.ndarray], natural: np.ndarray, evaluations: int) -> Fit:
    """Covariance and condition at ``natural``."""
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
    noise = [white @ covariance @ white.T for white, covariance in
             zip(whitening, model.uncertainty(natural), strict=True)]
    covariance = scale[:, None] * (gain @ block_diag(*noise) @ gain.T) * scale
    singular = np.linalg.svd(np.concatenate([data, np.eye(model.size)]), compute_uv=False)
    internal = model.internal(natural)
    width = model.bounds[1] - model.bounds[0]
    touched = (internal - model.bounds[0] < 1e-3 * width) | (model.bounds[1] - internal < 1e-3 * width)
    return Fit(natural, covariance, misses, float(singular[0] / singular[-1]),
               tuple(name for name, hit in zip(model.layout.names, touched, strict=True) if hit), evaluations)
