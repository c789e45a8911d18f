"""One row of the accuracy table, and how an error is measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import Operation

from huewright.reference import apply_chain

UNDEFINED = 1e300   # JSON has no infinity


@dataclass(frozen=True)
class Check:
    """``worst_error`` was seen ``at`` (in words or as a colour); ``passed`` if it is within ``tolerance``.

    ``unit`` is what error and tolerance are in; "1" is signal or light, absolute up to 1.0 and relative above.
    """

    check: str
    source: str
    tolerance: float
    worst_error: float
    at: str
    passed: bool
    unit: str = "1"


def check(name: str, source: str, tolerance: float, errors: Any, places: Any, unit: str = "1") -> Check:
    """The row for ``errors`` (n,), each seen at ``places[i]`` (a text, a number or a colour). An error that is not
    a finite number counts as :data:`UNDEFINED`: nothing passes by being undefined."""
    values = np.asarray(errors, dtype=np.float64).ravel()
    if values.size == 0:
        raise ValueError(f"nothing was measured for {name!r}")
    values = np.where(np.isfinite(values), values, UNDEFINED)
    worst = int(np.argmax(values))
    return Check(name, source, float(tolerance), float(values[worst]), place(places[worst]),
                 bool(values[worst] <= tolerance), unit)


def place(value: Any) -> str:
    if isinstance(value, str):
        return value
    return " ".join(f"{float(number):.5g}" for number in np.ravel(value))


def relative_errors(ours: Any, wanted: Any) -> np.ndarray:
    """|ours - wanted| / max(1, |wanted|), the larger of the three channels, as (n,)."""
    difference = np.abs(np.asarray(ours, np.float64) - wanted) / np.maximum(1.0, np.abs(wanted))
    return difference.reshape(-1, difference.shape[-1]).max(axis=1)


def kernel_check(name: str, source: str, tolerance: float, operations: tuple[Operation, ...],
                 colours: np.ndarray) -> Check:
    """The float32 kernels against the float64 reference on ``colours`` (n, 3), both given the same float32 input."""
    colours = np.ascontiguousarray(colours, np.float32)
    wanted = apply_chain(operations, colours)
    ours = run_colours(compile_chain(operations), colours)
    # Beyond float32's range there is nothing to compare but that the kernel went there too.
    seen = (np.abs(wanted) < 3e38) & np.isfinite(wanted)
    agreed = np.where(seen, ours, np.where(np.abs(ours) > 1e38, 0.0, np.where(np.isnan(wanted) & np.isnan(ours), 0.0,
                                                                             np.nan)))
    errors = relative_errors(agreed, np.where(seen, wanted, 0.0))
    return check(name, source, tolerance, errors, colours)
