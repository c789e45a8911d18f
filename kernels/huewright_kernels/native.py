"""The kernels as native code: position-independent objects that need no Python, for a plug-in to link.

The executor's core, each operation's check and packer, and the rows of soft masks are the same functions that run
here. Numba lowers them to LLVM's intermediate form, unoptimised (:func:`lower`); from that objects are made for any
:class:`Machine` that LLVM knows (:func:`compile_for`), whichever one this is. No formula may be reordered or fused or
call a library whose results differ, so all machines, levels and the just-in-time compiled code give the same bits.

A C declaration of an exported function is :data:`PROTOTYPE` with its name: numba's calling convention, whose first two
arguments are the places of the result (unused where there is none) and of an exception, never used here. The status
is always 0.

Lowering must not know the processor it runs on, so :func:`lower` works only in a process started with
:data:`ENVIRONMENT`; the harness starts one.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Level:
    """LLVM's names of a processor, of features besides, and of the processor whose pace orders instructions."""

    processor: str
    features: str = ""
    pace: str = "generic"


@dataclass(frozen=True)
class Machine:
    """What objects are made for: LLVM's triple, and the processor levels, the first of which any processor has.

    ``like`` is the triple that the code is optimised for. It is the same for all systems of a processor, so that none
    has loops turned into calls of a library that only it has."""

    triple: str
    levels: dict[str, Level]
    like: str


# The System V psABI's micro-architecture levels. v4 uses the whole 512 bits of a vector, which is for processors that
# lose no clock by it.
_X86_64 = {"baseline": Level("x86-64"), "v3": Level("x86-64-v3"), "v4": Level("x86-64-v4", "-prefer-256-bit", "znver4")}
_ARM64 = {"baseline": Level("generic")}  # Armv8.0-A
_LINUX_X86_64, _LINUX_ARM64 = "x86_64-unknown-linux-gnu", "aarch64-unknown-linux-gnu"
MACHINES = {
    "linux-x86-64": Machine(_LINUX_X86_64, _X86_64, _LINUX_X86_64),
    "linux-arm64": Machine(_LINUX_ARM64, _ARM64, _LINUX_ARM64),
    "windows-x86-64": Machine("x86_64-w64-windows-gnu", _X86_64, _LINUX_X86_64),
    "macos-x86-64": Machine("x86_64-apple-macosx10.13", _X86_64, _LINUX_X86_64),
    "macos-arm64": Machine("arm64-apple-macosx11.0", _ARM64, _LINUX_ARM64),
}
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
"""A function, its numba signature, and the levels that it is emitted for where a machine has them."""
EVERY_LEVEL = tuple(_X86_64)


def exported() -> dict[str, Exported]:
    """Name -> what the kernels export: the core, each operation's check, room and packer, rows of masks."""
    from huewright_kernels.executor import core
    from huewright_kernels.ops import REGISTRY
    from huewright_kernels.ops.base import PACK_SIGNATURE

    found: dict[str, Exported] = {
        "core": (core, "void(int64, int64, int64, int64, int64, int64)", EVERY_LEVEL),
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
    """C declarations of everything that is exported on any machine, and of ``more``."""
    lines = []
    for name, (_, signature, levels) in (exported() | (more or {})).items():
        result, kinds = signature.rstrip(")").split("(")
        arguments = ", ".join(C_TYPES[kind.strip()] for kind in kinds.split(","))
        lines += [PROTOTYPE.format(name=_symbol(name, level), result=C_TYPES[result], arguments=arguments)
                  for level in levels]
    return "\n".join(lines) + "\n"


def _symbol(name: str, level: str) -> str:
    return f"huewright_{name}_{level}"


@dataclass(frozen=True)
class Lowered:
    """An exported function in LLVM's text with all that it calls, its symbol there, and its levels."""

    text: str
    symbol: str
    levels: tuple[str, ...]


def lower(more: dict[str, Exported] | None = None) -> dict[str, Lowered]:
    """Everything in :func:`exported` and ``more``, by name. Raises ``ValueError`` in a process not started with
    :data:`ENVIRONMENT`."""
    config: Any = numba.core.config
    if config.OPT != 0 or config.CPU_NAME != ENVIRONMENT["NUMBA_CPU_NAME"]:
        raise ValueError("native code is emitted in a process of its own: start one with native.ENVIRONMENT")
    return {name: Lowered(*_lowered(function, signature), levels)
            for name, (function, signature, levels) in (exported() | (more or {})).items()}


def compile_for(machines: Iterable[str], lowered: dict[str, Lowered]) -> dict[tuple[str, str], bytes]:
    """(Machine, object name) -> object of everything ``lowered``, for the named :data:`MACHINES`."""
    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()
    wanted = [(name, MACHINES[name]) for name in machines]
    objects = {}
    for name, function in lowered.items():
        for level in function.levels:
            for like in sorted({machine.like for _, machine in wanted if level in machine.levels}):
                of_it = [(of, m) for of, m in wanted if m.like == like and level in m.levels]
                symbol = _symbol(name, level)
                text = function.text.replace(function.symbol, symbol)
                module = _optimised(text, symbol, like, of_it[0][1].levels[level])
                for of, machine in of_it:
                    objects[of, f"{name}_{level}.o"] = _compiled(module.clone(), machine, machine.levels[level])
    return objects


def key(*more: Path) -> str:
    """Changes with whatever the objects depend on; ``more`` are sources of functions from elsewhere."""
    digest = hashlib.sha256()
    digest.update(f"{numba.__version__} {llvmlite.__version__}".encode())
    folder = Path(__file__).parent
    for source in sorted([*folder.glob("*.py"), *folder.glob("ops/*.py")]):
        if source.name not in ("scopes.py", "statistics.py"):
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


def _target(triple: str, level: Level) -> Any:
    return llvm.Target.from_triple(triple).create_target_machine(
        cpu=level.processor, features=level.features, opt=3, reloc="pic", codemodel="small")


def _optimised(text: str, symbol: str, triple: str, level: Level) -> Any:
    text = re.sub(r"^(define .*) \{$", rf'\1 "tune-cpu"="{level.pace}" {{', text, flags=re.MULTILINE)
    text = re.sub(r"^target (datalayout|triple) = .*$", "", text, flags=re.MULTILINE)
    # Numba keeps its reference counting out of line; inlined, what counts a null reference vanishes.
    module = llvm.parse_assembly(re.sub(r"\bnoinline\b", "nounwind", text))
    module.name = symbol
    target = _target(triple, level)
    module.triple, module.data_layout = triple, str(target.target_data)
    for thing in (*module.functions, *module.global_variables):
        if not thing.is_declaration:
            thing.linkage = "external" if thing.name == symbol else "internal"
            if thing.name == symbol:
                thing.visibility = "hidden"
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
    return module


def _compiled(module: Any, machine: Machine, level: Level) -> bytes:
    """The object of an optimised module, which making it changes. Systems of a processor name symbols and call
    functions in ways of their own."""
    target = _target(machine.triple, level)
    module.triple, module.data_layout = machine.triple, str(target.target_data)
    data: bytes = target.emit_object(module)
    return data


# What any C library has, and has alike: these are exact. Others would tie the plug-in to Python or round differently
# from system to system.
_ALLOWED = re.compile(r"llvm\.(?!(exp|log|pow|sin|cos|tan))|(sqrt|floor|ceil|memset|memcpy|memmove)f?$")


def _refuse_strangers(module: Any) -> None:
    for function in module.functions:
        used = function.is_declaration and not _ALLOWED.match(function.name)
        if used and re.search(rf'call [^\n]*@"?{re.escape(function.name)}"?\(', str(module)):
            raise ValueError(f"the native code of {module.name} would call {function.name}, which rounds differently "
                             "from system to system: huewright_kernels.precise and .elementary have what to use")


from huewright_kernels.masks import _area_row, _smooth_row  # noqa: E402  (named in compiled code above)
