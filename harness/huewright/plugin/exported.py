"""What the plug-in has compiled beside the kernels: the JSON scanner, the steps of its chains, isolation's geometry."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from huewright_kernels import lanes
from huewright_kernels.lanes import formula
from huewright_kernels.native import Exported

from huewright import strict_json
from huewright.models import patches
from huewright.plugin import cube, effects, isolation
from huewright.plugin.effect import Step
from huewright.plugin.effects import EFFECTS

SOURCES = (*(Path(module.__file__ or "") for module in (strict_json, patches, cube, effects, isolation)),
           Path(__file__))
"""Where the functions stand: what is emitted changes with them."""
_LEVELS = ("baseline",)
# Their types are the compiler's, not Python's.
pointer_f64: Any = lanes.pointer_f64
pointer_i64: Any = lanes.pointer_i64
pointer_u8: Any = lanes.pointer_u8


def exported() -> dict[str, Exported]:
    """Name -> function, numba signature, levels: see :func:`huewright_kernels.native.emit`."""
    found: dict[str, Exported] = {
        **{name: (function, signature, _LEVELS) for name, (function, signature) in _patches().items()},
        **{name: (function, signature, _LEVELS) for name, (function, signature) in _json().items()}}
    for chain, steps in chains().items():
        for k, step in enumerate(steps):
            found[f"step_{chain}_{k}"] = (_step(step), "int64(int64, int64, int64)", _LEVELS)
    return found


def chains() -> dict[str, tuple[Step, ...]]:
    """Name -> fixed chain: of each effect whose parameters stand for one, and of a .cube file."""
    return {effect.name: effect.steps for effect in EFFECTS if effect.steps} | {"cube": cube.STEPS}


def _step(step: Step) -> Callable[..., Any]:
    choose = formula(step.choose)

    def chosen(values_at: Any, p_at: Any, counts_at: Any) -> Any:
        return choose(pointer_f64(values_at), pointer_f64(p_at), pointer_i64(counts_at))
    return chosen


def _patches() -> dict[str, tuple[Callable[..., Any], str]]:
    grid, placed, fault = formula(isolation.grid), formula(isolation.placed), formula(patches.fault)

    def in_a_grid(values_at: Any, points_at: Any, counts_at: Any) -> Any:
        return grid(pointer_f64(values_at), pointer_f64(points_at), pointer_i64(counts_at))

    def in_the_picture(values_at: Any, frame_at: Any, points_at: Any, counts_at: Any, count: Any) -> Any:
        return placed(pointer_f64(values_at), pointer_f64(frame_at), pointer_f64(points_at), pointer_i64(counts_at),
                      count)

    def fault_of(x_at: Any, y_at: Any, counts_at: Any, size_at: Any) -> Any:
        return fault(pointer_f64(x_at), pointer_f64(y_at), pointer_i64(counts_at), pointer_f64(size_at))
    return {"isolation_grid": (in_a_grid, "int64(int64, int64, int64)"),
            "isolation_placed": (in_the_picture, "int64(int64, int64, int64, int64, int64)"),
            "patch_fault": (fault_of, "int64(int64, int64, int64, int64)")}


def _json() -> dict[str, tuple[Callable[..., Any], str]]:
    scanner = strict_json.scanner(formula)
    scan, after, symbol = scanner["scan"], scanner["after"], scanner["symbol"]

    def scanned(text_at: Any, n: Any, scratch_at: Any, out_at: Any) -> Any:
        out = pointer_i64(out_at)
        out[0], out[1] = scan(pointer_u8(text_at), n, pointer_i64(scratch_at))

    def behind(text_at: Any, at: Any) -> Any:
        return after(pointer_u8(text_at), at)

    def decoded(text_at: Any, at: Any, out_at: Any) -> Any:
        out = pointer_i64(out_at)
        out[0], out[1] = symbol(pointer_u8(text_at), at)

    return {"json_scan": (scanned, "void(int64, int64, int64, int64)"),
            "json_after": (behind, "int64(int64, int64)"), "json_symbol": (decoded, "void(int64, int64, int64)")}
