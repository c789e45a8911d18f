"""Image kernels: numpy and numba only, no I/O. Names are loaded when they are first used."""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "compile_chain": "executor", "run": "executor", "run_colours": "executor", "warm_up": "executor",
    "Program": "executor", "PixelBuffer": "formats",
    "coverage": "masks", "ellipse_coverage": "masks", "patch_statistics": "statistics", "isolate": "masks",
    "PatchStatistics": "statistics",
    "waveform": "scopes", "parade": "scopes", "vectorscope": "scopes",
}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"huewright_kernels.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'huewright_kernels' has no attribute {name!r}")
