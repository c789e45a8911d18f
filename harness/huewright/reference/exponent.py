"""Powers with or without a linear part. Source: SMPTE ST 2136-1 (Common LUT Format), Exponent node and its styles.

    basic        x^g of what is above 0; what is below becomes 0, stays, or is mirrored
    monCurve     ((x + o) / (1 + o))^g above o / (g - 1), below a straight line through 0 that meets it smoothly
"""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops.exponent import Exponent


def exponent(operation: Exponent, rgb: np.ndarray) -> np.ndarray:
    style = operation.style
    g, o = np.array(operation.exponent), np.array(operation.offset)
    forward = style.endswith("Fwd")
    if style.startswith("monCurve"):
        def curve(u: np.ndarray) -> np.ndarray:
            return _with_line(u, g, o) if forward else _from_line(u, g, o)
    else:
        def curve(u: np.ndarray) -> np.ndarray:
            return _raised(u, g if forward else 1 / g)
    if "Mirror" in style:
        mirrored: np.ndarray = np.copysign(curve(np.abs(rgb)), rgb)
        return mirrored
    if style.startswith("basicPassThru"):
        return np.where(rgb < 0, rgb, curve(rgb))
    return curve(rgb) if style.startswith("monCurve") else curve(np.where(rgb < 0, 0.0, rgb))


def _raised(u: np.ndarray, power: np.ndarray) -> np.ndarray:
    result: np.ndarray = np.maximum(u, 0.0) ** power
    return result


def _with_line(u: np.ndarray, g: np.ndarray, o: np.ndarray) -> np.ndarray:
    at_break, slope, _ = _meeting(g, o)
    with np.errstate(invalid="ignore", over="ignore"):
        return np.where(u <= at_break, u * slope, _raised((u + o) / (1 + o), g))


def _from_line(u: np.ndarray, g: np.ndarray, o: np.ndarray) -> np.ndarray:
    _, slope, image = _meeting(g, o)
    result: np.ndarray = np.where(u <= image, u / slope, (1 + o) * _raised(u, 1 / g) - o)
    return result


def _meeting(g: np.ndarray, o: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where line and power meet, the line's slope, and the value there."""
    image = (g * o / ((g - 1) * (1 + o))) ** g
    return o / (g - 1), (g - 1) / o * image, image
