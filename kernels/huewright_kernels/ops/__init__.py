"""The registry of operations: every module of this folder that completes one is in it, nothing else is to be touched.

May hold operations and what they are made of; may import numpy and the kernels' own building blocks.
"""

from __future__ import annotations

import pkgutil
from importlib import import_module
from typing import Any

from huewright_kernels.ops.base import Operation
from huewright_kernels.ops.fields import NO_OPERATION, shown
from huewright_kernels.ops.hue import HueSectors
from huewright_kernels.ops.log import LogDecode, LogEncode
from huewright_kernels.ops.lut import Lut1D, Lut3D
from huewright_kernels.ops.matrix import Matrix
from huewright_kernels.ops.tone import ToneCurve
from huewright_kernels.ops.transfer import Transfer

_NO_OPERATIONS = ("base", "fields")


def _registered() -> dict[str, type[Operation]]:
    """Name -> operation, module by module in the alphabet's order, within one in the order of the file."""
    found: dict[str, type[Operation]] = {}
    for module in sorted(info.name for info in pkgutil.iter_modules(__path__)):
        if module in _NO_OPERATIONS:
            continue
        home = import_module(f"{__name__}.{module}")
        kinds = [kind for kind in vars(home).values() if isinstance(kind, type) and issubclass(kind, Operation)
                 and kind.__module__ == home.__name__ and "name" in vars(kind)]
        for kind in kinds:
            if "parts" not in vars(kind):
                raise TypeError(f"operation {kind.name!r} is not complete: end its module, {home.__name__}, with a "
                                "call of complete()")
            if kind.name in found:
                raise TypeError(f"two operations are called {kind.name!r}")
            found[kind.name] = kind
    return found


REGISTRY: dict[str, type[Operation]] = _registered()


def operation_from_dict(record: dict[str, Any]) -> Operation:
    """The operation that ``record`` (from :meth:`Operation.to_dict`) describes; ``ValueError`` if none."""
    name = record.get("operation")
    if not isinstance(name, str) or name not in REGISTRY:
        raise ValueError(NO_OPERATION % (shown(name) if isinstance(name, str) else "", ", ".join(REGISTRY)))
    return REGISTRY[name].from_fields(record)


__all__ = ["REGISTRY", "HueSectors", "LogDecode", "LogEncode", "Lut1D", "Lut3D", "Matrix", "Operation",
           "ToneCurve", "Transfer", "operation_from_dict"]
