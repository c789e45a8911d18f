"""The monotone tone curve. Source: Fritsch and Carlson 1980, Fritsch and Butland 1984 (see :mod:`.cubic`);
straight lines with the end slopes outside the anchors."""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops import ToneCurve

from huewright.reference.cubic import hermite, open_slopes


def tone_curve(operation: ToneCurve, rgb: np.ndarray) -> np.ndarray:
    """The same curve for R', G' and B'."""
    x, y = np.array(operation.x), np.array(operation.y)
    slopes = np.array(open_slopes(operation.x, operation.y))
    k = np.clip(np.searchsorted(x, rgb, side="right") - 1, 0, len(x) - 2)
    step = (x[1:] - x[:-1])[k]
    inside = hermite((rgb - x[k]) / step, step, y[k], y[k + 1], slopes[k], slopes[k + 1])
    below = y[0] + slopes[0] * (rgb - x[0])
    above = y[-1] + slopes[-1] * (rgb - x[-1])
    return np.where(rgb < x[0], below, np.where(rgb > x[-1], above, inside))
