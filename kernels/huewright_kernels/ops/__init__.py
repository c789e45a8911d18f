"""The registry of operations: one line each."""

from __future__ import annotations

from typing import Any

from huewright_kernels.ops.base import Operation
from huewright_kernels.ops.hue import HueSectors
from huewright_kernels.ops.log import LogDecode, LogEncode
from huewright_kernels.ops.lut import Lut1D, Lut3D
from huewright_kernels.ops.matrix import Matrix
from huewright_kernels.ops.tone import ToneCurve
from huewright_kernels.ops.transfer import Transfer

REGISTRY: dict[str, type[Operation]] = {
    operation.name: operation
    for operation in (LogDecode, LogEncode, Matrix, Transfer, ToneCurve, HueSectors, Lut1D, Lut3D)
}


def operation_from_dict(record: dict[str, Any]) -> Operation:
    """The operation that ``record`` (from :meth:`Operation.to_dict`) describes; ``ValueError`` if none."""
    name = record.get("operation")
    if name not in REGISTRY:
        raise ValueError(f"unknown operation {name!r}; known: {', '.join(sorted(REGISTRY))}")
    return REGISTRY[name].from_fields(record)


__all__ = ["REGISTRY", "HueSectors", "LogDecode", "LogEncode", "Lut1D", "Lut3D", "Matrix", "Operation",
           "ToneCurve", "Transfer", "operation_from_dict"]
