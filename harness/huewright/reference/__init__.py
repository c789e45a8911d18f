"""Every operation once more, in float64 NumPy, written from the published formula and never from the kernels.

This is what the solver evaluates and what `verify` holds the float32 kernels against. Arrays are (..., 3),
channels R, G, B; the result is a new float64 array of the same shape. Not-a-number comes out as not-a-number
in the channels that depend on it.

Imports of the kernels the descriptions of operations only, to read their parameters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache
from importlib import import_module
from typing import Any

import numpy as np
from huewright_kernels.ops import Operation


@cache
def _reference(module: str, function: str) -> Callable[[Any, np.ndarray], np.ndarray]:
    """The function of this package that an operation names; ``TypeError`` where there is none."""
    try:
        found = getattr(import_module(f"{__name__}.{module}"), function)
    except (ModuleNotFoundError, AttributeError):
        raise TypeError(f"no float64 reference for an operation: there should be a function {function} in "
                        f"{__name__}.{module}") from None
    return found  # type: ignore[no-any-return]


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
            values = _reference(operation.parts.reference, operation.reference_name())(operation, values)
    return values


__all__ = ["apply", "apply_chain"]
