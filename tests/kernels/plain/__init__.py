"""The kernels in plain Python: the same sources without a compiler, one number at a time.

:func:`kernels` imports ``huewright_kernels`` a second time, with :mod:`plain.lanes` for its machine instructions and
nothing for numba's decorators. What the compiler makes of a formula can then be held against what its text says, and
lines and branches of compiled functions are seen by whoever counts them.
"""

from __future__ import annotations

import importlib
import re
import sys
from collections.abc import Callable
from functools import cache
from types import SimpleNamespace
from typing import Any

import numba
import numpy as np
from kernels.plain import lanes

MODULES = ("cache", "cubic", "elementary", "executor", "formats", "forms", "masks", "ops", "ops.base", "ops.transfer",
           "precise", "scopes", "statistics", "threads", "ycbcr")
_SCALARS = {"f4": np.float32, "f8": np.float64, "i8": int, "int64": int}


@cache
def kernels() -> SimpleNamespace:
    """The modules of :data:`MODULES` by the last part of their names; the compiled ones stay as they are."""
    compiled = {name: sys.modules.pop(name) for name in list(sys.modules) if name.split(".")[0] == "huewright_kernels"}
    njit = numba.njit
    numba.njit = _uncompiled
    sys.modules["huewright_kernels.lanes"] = lanes
    try:
        found = {name.split(".")[-1]: importlib.import_module(f"huewright_kernels.{name}") for name in MODULES}
    finally:
        numba.njit = njit
        for name in [name for name in sys.modules if name.split(".")[0] == "huewright_kernels"]:
            del sys.modules[name]
        sys.modules.update(compiled)
    # Beside a float32, NumPy takes Python's own floats as float32; to the compiler they are float64 everywhere.
    found["transfer"]._ROWS = np.array(found["transfer"]._ROWS)
    for entry in found["cache"]._ENTRIES:
        entry._compiled = _called(entry.function, entry.signature)
    return SimpleNamespace(**found)


def _uncompiled(*functions: Any, **options: Any) -> Any:
    return functions[0] if functions else _uncompiled


def _called(function: Callable[..., Any], signature: str) -> Callable[..., Any]:
    """``function`` with numbers of the types that its signature names, as a compiled one has them."""
    inside = signature[signature.index("(") + 1:signature.rindex(")")]
    kinds = [_SCALARS.get(kind.strip()) for kind in re.split(r",(?![^\[]*\])", inside)]

    def call(*arguments: Any) -> Any:
        with np.errstate(all="ignore"):
            return function(*(value if kind is None else kind(value)
                              for value, kind in zip(arguments, kinds, strict=True)))
    return call
