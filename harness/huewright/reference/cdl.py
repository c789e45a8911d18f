"""ASC CDL. Source: ASC Color Decision List 1.2; SMPTE ST 2136-1 (Common LUT Format), ASC_CDL node and its styles.

    forward   out = (in slope + offset)^power, then out = luma + saturation (out - luma)
    reverse   the steps undone in the opposite order
    luma      0.2126 R + 0.7152 G + 0.0722 B

Styles without "NoClamp" limit to [0, 1] after slope and offset, and at the end (reverse: at the start, after the
saturation and at the end); those with it leave negatives out of the power.
"""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops.cdl import AscCdl

LUMA = np.array([0.2126, 0.7152, 0.0722])


def asc_cdl(operation: AscCdl, rgb: np.ndarray) -> np.ndarray:
    slope, offset, power = (np.array(row) for row in (operation.slope, operation.offset, operation.power))
    if operation.style == "Fwd":
        return _limited(_saturated(_limited(rgb * slope + offset) ** power, operation.saturation))
    if operation.style == "FwdNoClamp":
        return _saturated(_powered(rgb * slope + offset, power), operation.saturation)
    if operation.style == "Rev":
        plain = _limited(_saturated(_limited(rgb), 1 / operation.saturation))
        return _limited((plain ** (1 / power) - offset) / slope)
    result: np.ndarray = (_powered(_saturated(rgb, 1 / operation.saturation), 1 / power) - offset) / slope
    return result


def _limited(rgb: np.ndarray) -> np.ndarray:
    result: np.ndarray = np.clip(rgb, 0.0, 1.0)
    return result


def _powered(rgb: np.ndarray, power: np.ndarray) -> np.ndarray:
    result: np.ndarray = np.where(rgb >= 0, np.maximum(rgb, 0.0) ** power, rgb)
    result[np.isnan(rgb)] = np.nan
    return result


def _saturated(rgb: np.ndarray, saturation: float) -> np.ndarray:
    if saturation == 1:
        return rgb
    luma = (rgb @ LUMA)[..., None]
    result: np.ndarray = luma + saturation * (rgb - luma)
    return result
