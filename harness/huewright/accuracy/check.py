"""One row of the accuracy table, and how an error is measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import Operation

from huewright.reference import apply_chain

UNDEFINED = 1e300   # JSON has no infinity
ABSOLUTE, RELATIVE, SPACING = "absolute", "relative above 1", "of float32's spacing"
SMOOTH = 2e-6
RESULT_ULPS, INPUT_ULPS = 4.0, 2.0
SPACING_MEANS = (
    f"'{SPACING}': the error as a share of {SMOOTH:g} or, where float32 is spaced too widely for that, of "
    f"{RESULT_ULPS:g} units in the last place of the result plus what {INPUT_ULPS:g} units in the last place of the "
    "input are worth")
"""What a tolerance of 1 in the unit :data:`SPACING` stands for. Decodings grow so fast that half a unit in the last
place of a float32 input is already worth more than any fixed bound: ACEScct's 4.0 is light of 1e18, half a unit there
2e12 of it."""


@dataclass(frozen=True)
class Check:
    """``worst_error`` was seen ``at`` (in words or as a colour); ``passed`` if it is within ``tolerance``.

    ``unit`` is what error and tolerance are in: signal or light, :data:`ABSOLUTE` or :data:`RELATIVE` (to results
    beyond 1); :data:`SPACING`, see :data:`SPACING_MEANS`; or a unit such as "deg".
    """

    check: str
    source: str
    tolerance: float
    worst_error: float
    at: str
    passed: bool
    unit: str = ABSOLUTE


def check(name: str, source: str, tolerance: float, errors: Any, places: Any, unit: str = ABSOLUTE) -> Check:
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
    result: np.ndarray = difference.reshape(-1, difference.shape[-1]).max(axis=1)
    return result


def kernel_check(name: str, source: str, tolerance: float, operations: tuple[Operation, ...],
                 colours: np.ndarray, unit: str = ABSOLUTE) -> Check:
    """The float32 kernels against the float64 reference on ``colours`` (n, 3), both given the same float32 input."""
    colours = np.ascontiguousarray(colours, np.float32)
    wanted = apply_chain(operations, colours)
    ours = run_colours(compile_chain(operations), colours).astype(np.float64)
    # Beyond float32's range there is nothing to compare but that the kernel went there too.
    seen = (np.abs(wanted) < 3e38) & np.isfinite(wanted)
    agreed = np.where(seen, ours, np.where(np.abs(ours) > 1e38, 0.0, np.where(np.isnan(wanted) & np.isnan(ours), 0.0,
                                                                             np.nan)))
    expected = np.where(seen, wanted, 0.0)
    errors = np.abs(agreed - expected)
    if unit == SPACING:
        errors /= np.maximum(SMOOTH, np.where(seen, spacing(operations, colours, expected), SMOOTH))
    elif unit == RELATIVE:
        errors /= np.maximum(1.0, np.abs(expected))
    return check(name, source, tolerance, errors.max(axis=1), colours, unit)


def spacing(operations: tuple[Operation, ...], colours: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """What float32 leaves undecided of each result: :data:`RESULT_ULPS` of ``wanted`` (n, 3) and the change of the
    reference's result where an input moves by :data:`INPUT_ULPS`, summed over the inputs."""
    size = np.maximum(np.abs(wanted), np.finfo(np.float32).tiny).astype(np.float32)
    undecided: np.ndarray = RESULT_ULPS * np.spacing(size).astype(np.float64)
    step = INPUT_ULPS * np.spacing(np.abs(colours)).astype(np.float64)
    for channel in range(3):
        moved = np.zeros(colours.shape)
        moved[:, channel] = step[:, channel]
        changes = [np.abs(apply_chain(operations, colours + way * moved) - wanted) for way in (1.0, -1.0)]
        undecided += np.nan_to_num(np.maximum(*changes), nan=0.0, posinf=0.0)
    return undecided
