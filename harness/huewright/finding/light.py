"""Uneven light over the card, from what is the same everywhere on it, and the code values without it.

A light's fall-off multiplies: a patch of one paint then has a slope in proportion to its own level, whatever its
colour, and the card's ground (one paint all over) follows the same curve. A reflection adds: it slopes dark patches
as much as bright ones and lifts the ground. So the field is fitted to relative slopes and to the ground together,
robustly, and what the ground has over it is the veil of a reflection.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from huewright_kernels.ops import Operation, Transfer

from huewright.colorimetry.declare import THROUGH_LOOK
from huewright.models.footage import Footage
from huewright.reference import apply_chain

# The field is a polynomial of these terms in u, v (-1..1 over the card): u, v, u^2, uv, v^2, u^3, u^2 v, u v^2, v^3, in
# natural log. How much of each usual set light has over a card (standard deviation): a mild prior, no source.
PRIOR = np.array([0.3, 0.3, 0.06, 0.06, 0.06, 0.015, 0.015, 0.015, 0.015])
TERMS = len(PRIOR)


def polynomial(points: np.ndarray, middle: np.ndarray, half: np.ndarray) -> np.ndarray:
    """(n, 1 + TERMS) of 1 and the field's terms at card points (n, 2)."""
    u, v = ((points - middle) / half).T
    return np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3])


def gradients(points: np.ndarray, middle: np.ndarray, half: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of :func:`polynomial`, by u and by v."""
    u, v = ((points - middle) / half).T
    zero, one = np.zeros_like(u), np.ones_like(u)
    return (np.column_stack([zero, one, zero, 2 * u, v, zero, 3 * u * u, 2 * u * v, v * v, zero]),
            np.column_stack([zero, zero, one, zero, u, 2 * v, zero, u * u, 2 * u * v, 3 * v * v]))


class LinearLight:
    """Code values to linear light and back, per channel, for one footage.

    A look, which mixes channels, is taken along its greys alone, so that there and back again is the same; a display
    picture (encoding "display") is taken back through BT.709's OETF: both near enough for ratios of light.
    """

    def __init__(self, footage: Footage) -> None:
        operations: tuple[Operation, ...] = footage.to_linear()
        self.display = footage.encoding == "display"
        self._footage = footage
        if self.display:
            # Above the coding's peak the OETF's formula simply goes on.
            operations = (*operations, Transfer(curve="bt709", direction="decode"))
        self._operations = operations
        top = 65504.0 if footage.encoding == "linear" else 1.5
        # Floats hold codes far below 0: a colour outside the camera's primaries, in a log curve's linear part.
        grid = np.linspace(-1.0, 1.5, 12289) if top == 1.5 else np.array([-1.0, top])
        values = apply_chain(operations, np.repeat(grid[:, None], 3, axis=1)) if operations else np.repeat(
            grid[:, None], 3, axis=1)
        self._grid = grid
        self._separate = footage.encoding == THROUGH_LOOK
        self._curves = [np.maximum.accumulate(values[:, channel]) for channel in range(3)]

    @property
    def highest_code(self) -> int | None:
        """Of the file, as a person reads codes off it; None for floats in linear light, which are read as they are."""
        return None if self._footage.encoding == "linear" else int(2**self._footage.bits - 1)

    def to_linear(self, code: np.ndarray) -> np.ndarray:
        """(..., 3) code values to linear light."""
        if self._separate:
            return np.stack([np.interp(code[..., c], self._grid, self._curves[c]) for c in range(3)], axis=-1)
        return apply_chain(self._operations, code) if self._operations else np.array(code, dtype=np.float64)

    def to_code(self, linear: np.ndarray) -> np.ndarray:
        """The inverse, by interpolation in a table of 12289 entries."""
        return np.stack([np.interp(linear[..., c], self._curves[c], self._grid) for c in range(3)], axis=-1)

    def slope(self, code: np.ndarray) -> np.ndarray:
        """d(linear) / d(code) at ``code`` (..., 3), at least a little above 0."""
        step = 1e-3
        result: np.ndarray = np.maximum((self.to_linear(code + step) - self.to_linear(code - step)) / (2 * step), 1e-6)
        return result


@dataclass(frozen=True)
class Field:
    """``weights`` (TERMS,) in the natural log of the light; ``half`` and ``middle`` take card units to u, v;
    ``covariance`` (TERMS, TERMS) of the weights."""

    weights: np.ndarray
    middle: np.ndarray
    half: np.ndarray
    covariance: np.ndarray

    def _terms(self, points: np.ndarray) -> np.ndarray:
        return polynomial(points, self.middle, self.half)[:, 1:]

    def log_light(self, points: np.ndarray) -> np.ndarray:
        """Natural log of the relative light at card points (n, 2)."""
        result: np.ndarray = self._terms(points) @ self.weights
        return result

    def log_error(self, points: np.ndarray) -> np.ndarray:
        """Standard error (n,) of :meth:`log_light` less its mean over ``points``."""
        terms = self._terms(points)
        terms = terms - terms.mean(axis=0)
        result: np.ndarray = np.sqrt(np.maximum(np.einsum("ni,ij,nj->n", terms, self.covariance, terms), 0.0))
        return result

    def slopes(self, points: np.ndarray) -> np.ndarray:
        """Its gradient (n, 2) per card unit."""
        along = gradients(points, self.middle, self.half)
        return np.column_stack([gradient[:, 1:] @ self.weights / half
                                for gradient, half in zip(along, self.half, strict=True)])
