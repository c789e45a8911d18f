"""Slopes of the shape-keeping cubic, in float64: what tone curves and hue sectors are packed from.

Source: Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980); interior slopes of Fritsch and Butland, SIAM J.
Sci. Stat. Comput. 5 (1984). Plain float64 scalar code, compiled, so that a native bundle packs the same bits.
"""

from __future__ import annotations

from huewright_kernels.lanes import formula


@formula
def interior_slope(h0, h1, secant0, secant1):
    """The weighted harmonic mean of the neighbouring secants; 0 at an extremum."""
    if secant0 * secant1 <= 0.0:
        return 0.0
    w0, w1 = 2.0 * h1 + h0, h1 + 2.0 * h0
    return (w0 + w1) / (w0 / secant0 + w1 / secant1)


@formula
def end_slope(h0, h1, secant0, secant1):
    """The one-sided three-point slope, limited to keep the shape."""
    slope = ((2.0 * h0 + h1) * secant0 - h0 * secant1) / (h0 + h1)
    if slope * secant0 <= 0.0:
        return 0.0
    if secant0 * secant1 <= 0.0 and abs(slope) > 3.0 * abs(secant0):
        return 3.0 * secant0
    return slope


@formula
def secant(x, y, k):
    return (y[k + 1] - y[k]) / (x[k + 1] - x[k])


@formula
def open_slope(x, y, n, k):
    """Slope at knot ``k`` of ``n``; ``x`` and ``y`` are float64 pointers."""
    if n == 2:
        return secant(x, y, 0)
    if k == 0:
        return end_slope(x[1] - x[0], x[2] - x[1], secant(x, y, 0), secant(x, y, 1))
    if k == n - 1:
        return end_slope(x[n - 1] - x[n - 2], x[n - 2] - x[n - 3], secant(x, y, n - 2), secant(x, y, n - 3))
    return interior_slope(x[k] - x[k - 1], x[k + 1] - x[k], secant(x, y, k - 1), secant(x, y, k))


@formula
def periodic_slope(x, y, n, k, period, rise):
    """Slope at knot ``k`` (0 to n - 1) of a curve with y(x + period) = y(x) + rise."""
    before, after = (k - 1 if k > 0 else n - 1), (k + 1 if k < n - 1 else 0)
    h0, d0 = x[k] - x[before], y[k] - y[before]
    h1, d1 = x[after] - x[k], y[after] - y[k]
    if k == 0:
        h0, d0 = h0 + period, d0 + rise
    if k == n - 1:
        h1, d1 = h1 + period, d1 + rise
    return interior_slope(h0, h1, d0 / h0, d1 / h1)


@formula
def hermite(t, h, y0, y1, m0, m1):
    """The cubic with values ``y0``, ``y1`` and slopes ``m0``, ``m1`` at the ends of a step ``h``, at ``t`` of it."""
    rest = 1.0 - t
    return y0 * (1.0 + 2.0 * t) * rest * rest + y1 * t * t * (3.0 - 2.0 * t) + h * t * rest * (m0 * rest - m1 * t)
