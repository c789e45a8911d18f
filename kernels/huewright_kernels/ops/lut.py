"""Look-up tables: one 1D table a channel, and a 3D lattice with an optional 1D shaper before it.

Source: SMPTE ST 2136-1 (CLF) LUT1D and LUT3D nodes: input scaled from the domain to the table's index
range, clamped at the domain, linear (1D), trilinear or tetrahedral (3D) interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np

from huewright_kernels.ops.base import Operation

INTERPOLATIONS = ("tetrahedral", "trilinear")
Triple = tuple[float, float, float]


def _table(value: Any, dimensions: int) -> np.ndarray:
    table = np.array(value, dtype=np.float32)
    if table.ndim != dimensions or table.shape[-1] != 3:
        raise ValueError(f"a LUT's table has {dimensions} dimensions, the last of length 3")
    if not np.isfinite(table).all():
        raise ValueError("a LUT's table must be finite")
    table.setflags(write=False)
    return table


@dataclass(frozen=True, eq=False)
class Lut1D(Operation):
    """``table`` is float32 (n, 3), 2 <= n <= 65536; sampled at equal steps over the domain."""

    name: ClassVar[str] = "lut-1d"
    table: np.ndarray = field(default_factory=lambda: np.repeat([[0.0], [1.0]], 3, axis=1))
    domain_min: Triple = (0.0, 0.0, 0.0)
    domain_max: Triple = (1.0, 1.0, 1.0)

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", _table(self.table, 2))
        if not 2 <= self.table.shape[0] <= 65536:
            raise ValueError("a 1D LUT has 2 to 65536 entries")
        _check_domain(self.domain_min, self.domain_max)


@dataclass(frozen=True, eq=False)
class Lut3D(Operation):
    """``table`` is float32 (n, n, n, 3) indexed [r, g, b, channel], 2 <= n <= 129."""

    name: ClassVar[str] = "lut-3d"
    table: np.ndarray = field(default_factory=lambda: np.stack(np.meshgrid(*[[0.0, 1.0]] * 3, indexing="ij"), -1))
    domain_min: Triple = (0.0, 0.0, 0.0)
    domain_max: Triple = (1.0, 1.0, 1.0)
    interpolation: str = "tetrahedral"

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", _table(self.table, 4))
        n = self.table.shape[0]
        if self.table.shape[:3] != (n, n, n) or not 2 <= n <= 129:
            raise ValueError("a 3D LUT has the same 2 to 129 entries along each axis")
        if self.interpolation not in INTERPOLATIONS:
            raise ValueError(f"interpolation is one of {', '.join(INTERPOLATIONS)}, not {self.interpolation!r}")
        _check_domain(self.domain_min, self.domain_max)


def _check_domain(low: Triple, high: Triple) -> None:
    if len(low) != 3 or len(high) != 3 or any(b <= a for a, b in zip(low, high, strict=True)):
        raise ValueError("a LUT's domain_max must exceed its domain_min in each channel")
