"""Slopes of the shape-keeping cubic, and cubic Hermite evaluation.

Source: Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980); slopes of Fritsch and Butland, SIAM J. Sci.
Stat. Comput. 5 (1984). Knots are few (2 to 24), so slopes are plain Python: quicker than arrays at that size.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def interior_slope(h0: float, h1: float, secant0: float, secant1: float) -> float:
    """Weighted harmonic mean of the two neighbouring secants; 0 where they disagree in sign."""
    if secant0 * secant1 <= 0:
        return 0.0
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0
    return (w0 + w1) / (w0 / secant0 + w1 / secant1)


def end_slope(h0: float, h1: float, secant0: float, secant1: float) -> float:
    """One-sided three-point estimate, limited so that the first interval keeps its shape."""
    slope = ((2 * h0 + h1) * secant0 - h0 * secant1) / (h0 + h1)
    if slope * secant0 <= 0:
        return 0.0
    if secant0 * secant1 <= 0 and abs(slope) > 3 * abs(secant0):
        return 3 * secant0
    return slope


def open_slopes(x: Sequence[float], y: Sequence[float]) -> list[float]:
    """One slope a knot; ``x`` strictly increasing."""
    h = [b - a for a, b in zip(x, x[1:], strict=False)]
    secant = [(b - a) / step for a, b, step in zip(y, y[1:], h, strict=False)]
    if len(h) == 1:
        return [secant[0], secant[0]]
    inner = [interior_slope(h[k - 1], h[k], secant[k - 1], secant[k]) for k in range(1, len(h))]
    return [end_slope(h[0], h[1], secant[0], secant[1]), *inner, end_slope(h[-1], h[-2], secant[-1], secant[-2])]


def periodic_slopes(x: Sequence[float], y: Sequence[float], period: float, rise: float) -> list[float]:
    """One slope a knot of a curve with y(x + period) = y(x) + rise."""
    n = len(x)
    h = [(x[(k + 1) % n] - x[k]) + (period if k == n - 1 else 0.0) for k in range(n)]
    secant = [((y[(k + 1) % n] - y[k]) + (rise if k == n - 1 else 0.0)) / h[k] for k in range(n)]
    return [interior_slope(h[k - 1], h[k], secant[k - 1], secant[k]) for k in range(n)]


def hermite(t: np.ndarray, h: np.ndarray, y0: np.ndarray, y1: np.ndarray, m0: np.ndarray, m1: np.ndarray) -> np.ndarray:
    """The cubic with values ``y0``, ``y1`` and slopes ``m0``, ``m1`` at the ends of an interval of length ``h``,
    at ``t`` in 0..1 of it."""
    rest = 1 - t
    result: np.ndarray = (y0 * (1 + 2 * t) * rest * rest + y1 * t * t * (3 - 2 * t)
                          + h * t * rest * (m0 * rest - m1 * t))
    return result
