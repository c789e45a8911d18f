"""The kernels as native code: position-independent objects that need no Python, for a plug-in to link.

The executor's core, each operation's check and packer, and the rows of soft masks are the same
functions that run here; numba lowers them to LLVM's intermediate form, unoptimised, from which each object is
made anew for a processor level. No formula may be reordered or fused, so all levels and the just-in-time
compiled code give the same bits.

A C declaration of an exported function is :data:`PROTOTYPE` with its name: numba's calling convention, whose first two
arguments are the places of the result (unused where there is none) and of an exception, never used here. The status
is always 0.

Lowering must not know the processor it runs on, so :func:`emit` works only in a process started with
:data:`ENVIRONMENT`; the harness starts one.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import llvmlite
import llvmlite.binding as llvm
import numba
import numba.core.config
from numba import carray, njit

from huewright_kernels.lanes import formula, pointer_f64, pointer_i64

ENVIRONMENT = {"NUMBA_OPT": "0", "NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": "", "NUMBA_DISABLE_JIT": "0",
               "PYTHONHASHSEED": "0"}
TRIPLE = "x86_64-unknown-linux-gnu"
LEVELS = {"baseline": ("x86-64", "", "generic"), "v3": ("x86-64-v3", "", "generic"),
          "v4": ("x86-64-v4", "-prefer-256-bit", "znver4")}
"""Name of a level -> LLVM's names of the processor (the System V psABI's micro-architecture levels), of features,
and of the processor whose pace instructions are ordered for.

v4 uses the whole 512 bits of a vector, which is for processors that lose no clock by it."""
PROTOTYPE = "int {name}({result} *result, void **exception, {arguments});"


def _mask_row(corners_at, corner_count, feather, y, x_first, row_at, cover_at, width):
    """One row of a polygon's coverage. ``corners``, ``row`` and the scratch ``cover`` are addresses of float64."""
    corners = carray(pointer_f64(corners_at), (corner_count, 2))  # type: ignore[call-arg]
    row = carray(pointer_f64(row_at), (width,))
    if feather > 0.0:
        _smooth_row(corners, feather, y, x_first, row)
    else:
        _area_row(corners, y, x_first, row, carray(pointer_f64(cover_at), (width,)))


Exported = tuple[Callable[..., Any], str, tuple[str, ...]]
"""A function, its numba signature, and the levels that it is emitted for."""


def exported() -> dict[str, Exported]:
    """Name -> what the kernels export: the core, each operation's check, room and packer, rows of masks."""
    from huewright_kernels.executor import core
    from huewright_kernels.ops import REGISTRY
    from huewright_kernels.ops.base import PACK_SIGNATURE

    found: dict[str, Exported] = {
        "core": (core, "void(int64, int64, int64, int64, int64, int64)", tuple(LEVELS)),
        "mask_row": (_mask_row, "void(int64, int64, float64, int64, int64, int64, int64, int64)", ("baseline",))}
    for kind in REGISTRY.values():
        name = kind.reference_name()
        found |= {f"check_{name}": (_of_numbers(kind.parts.check), "int64(int64, int64)", ("baseline",)),
                  f"room_{name}": (_of_counts(kind.parts.room), "int64(int64)", ("baseline",)),
                  f"pack_{name}": (kind.parts.pack.function, PACK_SIGNATURE, ("baseline",))}
    return found


def _of_numbers(check: Callable[[Any, Any], int]) -> Callable[..., Any]:
    inner = formula(check)

    def checked(p_at, counts_at):
        return inner(pointer_f64(p_at), pointer_i64(counts_at))
    return checked


def _of_counts(room: Callable[[Any], int]) -> Callable[..., Any]:
    inner = formula(room)

    def wanted(counts_at):
        return inner(pointer_i64(counts_at))
    return wanted


C_TYPES = {"int64": "int64_t", "float64": "double", "void": "void *"}


def declarations(more: dict[str, Exported] | None = None) -> str:
    """C declarations of everything :func:`emit` exports, and of ``more``."""
    lines = []
    for name, (_, signature, levels) in (exported() | (more or {})).items():
        result, kinds = signature.rstrip(")").split("(")
        arguments = ", ".join(C_TYPES[kind.strip()] for kind in kinds.split(","))
        lines += [PROTOTYPE.format(name=f"huewright_{name}_{level}", result=C_TYPES[result], arguments=arguments)
                  for level in levels]
    return "\n".join(lines) + "\n"


def emit(more: dict[str, Exported] | None = None) -> dict[str, bytes]:
    """Object name -> ELF object of everything in :func:`exported` and ``more``. Raises ``ValueError`` in a process not
    started with :data:`ENVIRONMENT`."""
    config: Any = numba.core.config
    if config.OPT != 0 or config.CPU_NAME != ENVIRONMENT["NUMBA_CPU_NAME"]:
        raise ValueError("native code is emitted in a process of its own: start one with native.ENVIRONMENT")
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    objects = {}
    for name, (function, signature, levels) in (exported() | (more or {})).items():
        text, inner = _lowered(function, signature)
        for level in levels:
            symbol = f"huewright_{name}_{level}"
            objects[f"{name}_{level}.o"] = _compiled(text.replace(inner, symbol), symbol, *LEVELS[level])
    return objects


def key(*more: Path) -> str:
    """Changes with whatever the objects depend on; ``more`` are sources of functions from elsewhere."""
    digest = hashlib.sha256()
    digest.update(f"{numba.__version__} {llvmlite.__version__} {TRIPLE}".encode())
    folder = Path(__file__).parent
    for source in sorted([*folder.glob("*.py"), *folder.glob("ops/*.py")]):
        if source.name != "scopes.py":
            digest.update(source.name.encode() + b"\0" + source.read_bytes() + b"\0")
    for source in more:
        digest.update(source.name.encode() + b"\0" + source.read_bytes() + b"\0")
    return digest.hexdigest()[:24]


def _lowered(function: Callable[..., Any], signature: str) -> tuple[str, str]:
    """LLVM text with all that ``function`` calls, and the symbol of its inner form (no Python around it)."""
    dispatcher = njit(error_model="numpy", nogil=True)(function)
    dispatcher.compile(signature)
    result: Any = next(iter(dispatcher.overloads.values()))
    return result.library.get_llvm_str(), result.fndesc.llvm_func_name


def _compiled(text: str, symbol: str, processor: str, features: str, pace: str) -> bytes:
    text = re.sub(r"^(define .*) \{$", rf'\1 "tune-cpu"="{pace}" {{', text, flags=re.MULTILINE)
    # Numba keeps its reference counting out of line; inlined, what counts a null reference vanishes.
    module = llvm.parse_assembly(re.sub(r"\bnoinline\b", "nounwind", text))
    module.name = symbol
    for thing in (*module.functions, *module.global_variables):
        if not thing.is_declaration:
            thing.linkage = "external" if thing.name == symbol else "internal"
    target = llvm.Target.from_triple(TRIPLE).create_target_machine(cpu=processor, features=features, opt=3,
                                                                   reloc="pic", codemodel="small")
    tuning = llvm.create_pipeline_tuning_options(speed_level=3)
    tuning.loop_vectorization = tuning.slp_vectorization = tuning.loop_unrolling = True
    passes = llvm.create_pass_builder(target, tuning)
    # Each formula alone before it is inlined, as the just-in-time compiler has it: there its parameters are values, and
    # branches become selections. Inlined first, they are loads under a condition, which no loop can be vectorised with.
    alone = passes.getFunctionPassManager()
    for function in module.functions:
        if not function.is_declaration:
            alone.run(function, passes)
    passes.getModulePassManager().run(module, passes)
    _refuse_strangers(module)
    return target.emit_object(module)


# What the C library of any Linux has; anything else would tie the plug-in to Python or to this process.
_ALLOWED = re.compile(r"llvm\.|(exp|log2?|sin|cos|atan2|sqrt|floor|ceil|memset|memcpy|memmove)f?$")


def _refuse_strangers(module: Any) -> None:
    for function in module.functions:
        used = function.is_declaration and not _ALLOWED.match(function.name)
        if used and re.search(rf'call [^\n]*@"?{re.escape(function.name)}"?\(', str(module)):
            raise ValueError(f"the native code would call {function.name}")


from huewright_kernels.masks import _area_row, _smooth_row  # noqa: E402  (named in compiled code above)
