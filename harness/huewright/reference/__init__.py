"""Every operation once more, in float64 NumPy, written from the published formula and never from the kernels.

This is what the solver evaluates and what `verify` holds the float32 kernels against. Arrays are (..., 3),
channels R, G, B; the result is a new float64 array of the same shape. Not-a-number comes out as not-a-number
in the channels that depend on it.

Imports of the kernels the descriptions of operations only, to read their parameters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
from huewright_kernels.ops import (
    HueSectors,
    LogDecode,
    LogEncode,
    Lut1D,
    Lut3D,
    Matrix,
    Operation,
    ToneCurve,
    Transfer,
)

from huewright.reference.hue import hue_sectors
from huewright.reference.log import log_decode, log_encode
from huewright.reference.lut import lut_1d, lut_3d
from huewright.reference.matrix import matrix
from huewright.reference.tone import tone_curve
from huewright.reference.transfer import transfer

_REFERENCES: dict[type[Operation], Callable[[Any, np.ndarray], np.ndarray]] = {
    LogDecode: log_decode, LogEncode: log_encode, Matrix: matrix, Transfer: transfer, ToneCurve: tone_curve,
    HueSectors: hue_sectors, Lut1D: lut_1d, Lut3D: lut_3d,
}


def apply(operation: Operation, rgb: Any) -> np.ndarray:
    """``operation`` over ``rgb`` (..., 3), in float64. Raises ``TypeError`` for an operation without a reference."""
    return apply_chain((operation,), rgb)


def apply_chain(operations: Iterable[Operation], rgb: Any) -> np.ndarray:
    """``operations`` one after another over ``rgb`` (..., 3), in float64; the input is left as it was."""
    values = np.array(rgb, dtype=np.float64)
    if values.ndim == 0 or values.shape[-1] != 3:
        raise ValueError(f"colours are arrays whose last axis is R, G, B; this one has shape {values.shape}")
    with np.errstate(all="ignore"):
        for operation in operations:
            try:
                formula = _REFERENCES[type(operation)]
            except KeyError:
                raise TypeError(f"no float64 reference for operation {type(operation).__name__}") from None
            values = formula(operation, values)
    return values


__all__ = ["apply", "apply_chain"]
