"""What a .cube file stands for, once the plug-in has read its numbers: its domain to 0..1, then its table."""

from __future__ import annotations

from typing import Any

from huewright_kernels.ops import Lut1D, Lut3D, Matrix
from huewright_kernels.ops.fields import places
from huewright_kernels.ops.lut import INTERPOLATION

from huewright.plugin.effect import Step

VALUES = ("low red", "low green", "low blue", "high red", "high green", "high blue", "three-dimensional", "size",
          "trilinear")
_THREE, _SIZE, _TRILINEAR = (VALUES.index(name) for name in VALUES[6:])
_MATRIX, _OFFSET = places(Matrix)


def _domain(v: Any, p: Any, counts: Any) -> int:
    changed = 0
    for c in range(3):
        if v[c] != 0.0 or v[3 + c] != 1.0:
            changed = 1
        p[_MATRIX + 4 * c] = 1.0 / (v[3 + c] - v[c])
        p[_OFFSET + c] = -v[c] * p[_MATRIX + 4 * c]
    return changed


def _table(v: Any, p: Any, counts: Any) -> int:
    counts[0] = int(v[_SIZE])
    return 1 if v[_THREE] == 0.0 else 0


def _lattice(v: Any, p: Any, counts: Any) -> int:
    counts[0] = int(v[_SIZE])
    p[INTERPOLATION] = v[_TRILINEAR]
    return 1 if v[_THREE] != 0.0 else 0


STEPS = (Step(Matrix, _domain), Step(Lut1D, _table), Step(Lut3D, _lattice))
