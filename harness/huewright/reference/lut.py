"""Look-up tables. Source: SMPTE ST 2136-1 (CLF), LUT1D and LUT3D: linear, trilinear and tetrahedral
interpolation after scaling from the domain to the index range; clamped at the domain."""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops import Lut1D, Lut3D


def lut_1d(operation: Lut1D, rgb: np.ndarray) -> np.ndarray:
    """One table a channel, linear interpolation."""
    table = operation.table
    k, f = _position(operation, rgb, table.shape[0])
    channel = np.arange(3)
    result: np.ndarray = table[k, channel].astype(np.float64) * (1 - f) + table[k + 1, channel].astype(np.float64) * f
    return result


def lut_3d(operation: Lut3D, rgb: np.ndarray) -> np.ndarray:
    """Trilinear: all eight corners of the cell. Tetrahedral: the four on the way from the low corner to the
    high one along the axes in falling order of their fractions."""
    table = operation.table
    k, f = _position(operation, rgb, table.shape[0])
    if operation.interpolation == "trilinear":
        out: np.ndarray = np.zeros(rgb.shape)
        for far in np.array(list(np.ndindex(2, 2, 2))):
            weight = np.prod(np.where(far == 1, f, 1 - f), axis=-1)
            out += weight[..., None] * _vertices(table, k + far)
        return out
    order = np.argsort(-f, axis=-1, kind="stable")
    sorted_f = np.take_along_axis(f, order, axis=-1)
    corner = k.copy()
    out = (1 - sorted_f[..., :1]) * _vertices(table, corner)
    for step in range(3):
        np.put_along_axis(corner, order[..., step:step + 1],
                          np.take_along_axis(corner, order[..., step:step + 1], axis=-1) + 1, axis=-1)
        lower = sorted_f[..., step + 1:step + 2] if step < 2 else 0.0
        out += (sorted_f[..., step:step + 1] - lower) * _vertices(table, corner)
    return out


def _vertices(table: np.ndarray, index: np.ndarray) -> np.ndarray:
    result: np.ndarray = table[index[..., 0], index[..., 1], index[..., 2]].astype(np.float64)
    return result


def _position(operation: Lut1D | Lut3D, rgb: np.ndarray, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Cell index and fraction per channel; not-a-number has the fraction not-a-number of the first cell."""
    low, high = np.array(operation.domain_min), np.array(operation.domain_max)
    position = np.clip((rgb - low) / (high - low), 0.0, 1.0) * (size - 1)
    cell = np.minimum(np.floor(np.nan_to_num(position, nan=0.0)), size - 2).astype(np.intp)
    return cell, position - cell
