"""What the plug-in has compiled beside the kernels: the JSON scanner, the steps of its chains, isolation's geometry."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from huewright_kernels import lanes
from huewright_kernels.lanes import formula
from huewright_kernels.native import Exported

from huewright import strict_json
from huewright.plugin import cube, effects
from huewright.plugin.effect import Step
from huewright.plugin.effects import EFFECTS

SOURCES = tuple(Path(module.__file__ or "") for module in (strict_json, cube, effects)) + (Path(__file__),)
"""Where the functions stand: what is emitted changes with them."""
_LEVELS = ("baseline",)
# Their types are the compiler's, not Python's.
pointer_f64: Any = lanes.pointer_f64
pointer_i64: Any = lanes.pointer_i64
pointer_u8: Any = lanes.pointer_u8


def exported() -> dict[str, Exported]:
    """Name -> function, numba signature, levels: see :func:`huewright_kernels.native.emit`."""
    found: dict[str, Exported] = {
        "isolation_quads": (_quads(), "int64(int64, int64, int64)", _LEVELS),
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


def _quads() -> Callable[..., Any]:
    quads = formula(effects.isolation_quads)

    def placed(values_at: Any, frame_at: Any, quads_at: Any) -> Any:
        return quads(pointer_f64(values_at), pointer_f64(frame_at), pointer_f64(quads_at))
    return placed


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
