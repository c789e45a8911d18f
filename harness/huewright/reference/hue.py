"""Hue sectors, evaluated exactly. Sources: Y'CbCr of ITU-R BT.709-6 item 3 and BT.2020-2 table 4 for any luma
coefficients; the periodic monotone cubic of Fritsch and Butland 1984 (see :mod:`.cubic`)."""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops import HueSectors

from huewright.reference.cubic import hermite, periodic_slopes


def ycbcr_from_rgb(rgb: np.ndarray, kr: float, kb: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Y', Cb, Cr of ``rgb`` (..., 3). Written over G' so that equal R', G', B' give exactly zero chroma."""
    r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    luma = g + kr * (r - g) + kb * (b - g)
    return luma, (b - luma) / (2 * (1 - kb)), (r - luma) / (2 * (1 - kr))


def rgb_from_ycbcr(luma: np.ndarray, cb: np.ndarray, cr: np.ndarray, kr: float, kb: float) -> np.ndarray:
    """The inverse of :func:`ycbcr_from_rgb`, stacked as (..., 3)."""
    out = np.empty((*luma.shape, 3))
    red_difference, blue_difference = 2 * (1 - kr) * cr, 2 * (1 - kb) * cb
    out[..., 0] = luma + red_difference
    out[..., 1] = luma - (kr * red_difference + kb * blue_difference) / (1 - kr - kb)
    out[..., 2] = luma + blue_difference
    return out


def rotation_and_gain(operation: HueSectors, hue_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rotation in degrees and gain at each hue in degrees, [0, 360)."""
    x = operation.hues_deg
    rotations = operation.rotations_deg
    log_gains = np.log(operation.gains).tolist()
    mapped = [hue + turn for hue, turn in zip(x, rotations, strict=True)]
    # A cubic reproduces straight lines, so the map minus the hue is the cubic of the rotations with slopes less 1.
    turn_slopes = [slope - 1.0 for slope in periodic_slopes(x, mapped, 360.0, 360.0)]
    gain_slopes = periodic_slopes(x, log_gains, 360.0, 0.0)

    knots = np.array([*x, x[0] + 360.0])
    table = np.array([[*values, values[0]] for values in (rotations, turn_slopes, log_gains, gain_slopes)])
    hue = np.where(hue_deg < x[0], hue_deg + 360.0, hue_deg)
    k = np.clip(np.searchsorted(knots, hue, side="right") - 1, 0, len(x) - 1)
    step = (knots[1:] - knots[:-1])[k]
    t = (hue - knots[k]) / step
    turn0, turn_slope0, gain0, gain_slope0 = table[:, k]
    turn1, turn_slope1, gain1, gain_slope1 = table[:, k + 1]
    return (hermite(t, step, turn0, turn1, turn_slope0, turn_slope1),
            np.exp(hermite(t, step, gain0, gain1, gain_slope0, gain_slope1)))


def hue_sectors(operation: HueSectors, rgb: np.ndarray) -> np.ndarray:
    """Chroma turned and scaled by functions of hue; Y' kept."""
    luma, cb, cr = ycbcr_from_rgb(rgb, operation.kr, operation.kb)
    hue_deg = np.degrees(np.arctan2(cr, cb)) % 360.0
    rotation_deg, gain = rotation_and_gain(operation, hue_deg)
    angle = np.radians(rotation_deg)
    cosine, sine = gain * np.cos(angle), gain * np.sin(angle)
    return rgb_from_ycbcr(luma, cosine * cb - sine * cr, sine * cb + cosine * cr, operation.kr, operation.kb)
