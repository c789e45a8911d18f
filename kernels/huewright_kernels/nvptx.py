"""From formulas to the text of GPU kernels: numba lowers, LLVM's back end for NVIDIA's cards writes.

The text multiplies, adds, divides and takes roots with IEEE's rounding, each by itself (``.rn``, which nothing after it
may fuse), calls nothing and holds nothing in local memory. Neither CUDA nor a GPU is needed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

import llvmlite.binding as llvm
import numba.core.config
import numpy as np
from numba import njit, types

from huewright_kernels.native import ENVIRONMENT

TRIPLE, PROCESSOR, FEATURES = "nvptx64-nvidia-cuda", "sm_75", "+ptx81"
"""Cards from 2018 on (compute capability 7.5), drivers from 2023 on (530, whose kernels take 32 KB by value)."""
LEAST_LLVM = 20

FLOAT, INT, POINTER, LONG = types.float32, types.int32, types.CPointer(types.float32), types.int64
THREE = types.UniTuple(types.float32, 3)
TEXT = {FLOAT: "float", INT: "i32", POINTER: "ptr", LONG: "i64", THREE: "[3 x float]"}


def require_own_process() -> None:
    """``ValueError`` in a process not started with :data:`huewright_kernels.native.ENVIRONMENT`: what is lowered must
    not know the processor that it is lowered on."""
    config: Any = numba.core.config
    if config.OPT != 0 or config.CPU_NAME != ENVIRONMENT["NUMBA_CPU_NAME"]:
        raise ValueError("the kernels are lowered in a process of its own: start one with native.ENVIRONMENT")


def lowered(name: str, function: Any, result: Any, arguments: tuple[Any, ...], machine: Any) -> str:
    """LLVM text of ``function`` as a plain one called ``name``, with all that it calls folded into it."""
    python = getattr(function, "py_func", function)
    dispatcher = njit(error_model="numpy", nogil=True)(python)
    dispatcher.compile(result(*arguments))
    compiled: Any = next(iter(dispatcher.overloads.values()))
    text, inner = compiled.library.get_llvm_str(), compiled.fndesc.llvm_func_name
    kinds = [TEXT[kind] for kind in arguments]
    named = ", ".join(f"{kind} %{k}" for k, kind in enumerate(kinds))
    # Numba's functions give back a status, and their result through a pointer; both places must be real.
    text += f"""
define {TEXT[result]} @{name}({named}) {{
  %result = alloca {TEXT[result]}
  %exception = alloca ptr
  %status = call i32 @"{inner}"(ptr %result, ptr %exception{', ' if named else ''}{named})
  %value = load {TEXT[result]}, ptr %result
  ret {TEXT[result]} %value
}}
"""
    # The C library's root is the processor's own instruction; here it must be said.
    text = re.sub(r"@sqrtf\b", "@llvm.sqrt.f32", text)
    text = plain(text)
    return str(optimised(re.sub(r"\bnoinline\b", "nounwind", text), {name}, machine))


def machine_for_cards(features: str = FEATURES) -> Any:
    if llvm.llvm_version_info[0] < LEAST_LLVM:
        raise ValueError(f"kernels for GPUs need llvmlite with LLVM {LEAST_LLVM} or newer, not "
                         f"{llvm.llvm_version_info[0]}; install a newer numba")
    _initialise()
    return llvm.Target.from_triple(TRIPLE).create_target_machine(cpu=PROCESSOR, features=features, opt=3)


@cache
def _initialise() -> None:
    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()


def optimised(text: str, kept: set[str], machine: Any) -> Any:
    """The module with what ``kept`` names visible, everything else folded into it or gone."""
    module = llvm.parse_assembly(f'target datalayout = "{machine.target_data}"\ntarget triple = "{TRIPLE}"\n{text}')
    for thing in (*module.functions, *module.global_variables):
        if not thing.is_declaration:
            thing.linkage = "external" if thing.name in kept else "internal"
    tuning = llvm.create_pipeline_tuning_options(speed_level=3)
    tuning.loop_vectorization = tuning.slp_vectorization = False
    tuning.loop_unrolling = True
    passes = llvm.create_pass_builder(machine, tuning)
    # Each formula alone before it is inlined, as native code has it: there branches become selections.
    alone = passes.getFunctionPassManager()
    for function in module.functions:
        if not function.is_declaration:
            alone.run(function, passes)
    passes.getModulePassManager().run(module, passes)
    for function in module.functions:
        if function.is_declaration and not function.name.startswith("llvm."):
            raise ValueError(f"the kernel would call {function.name}, which no GPU has")
    return module


def plain(text: str) -> str:
    return re.sub(r"^target (datalayout|triple) = .*$", "", text, flags=re.MULTILINE)


def linked(text: str, entries: set[str], used: Iterable[str], found: Mapping[str, str], machine: Any) -> str:
    """PTX of ``text``, LLVM's of these ``entries``, with the ``used`` ones of the ``found`` parts inlined."""
    module, names = llvm.parse_assembly(text), sorted(used)
    for name in names:
        module.link_in(llvm.parse_assembly(found[name]))
    for function in module.functions:
        if not function.is_declaration and function.name in names:
            function.add_function_attribute("alwaysinline")
    return str(machine.emit_assembly(optimised(plain(str(module)), entries, machine)))


REGISTERS = ("ctaid.x", "ntid.x", "tid.x", "ctaid.y")
"""The special registers that entries read."""


class Lines:
    """LLVM text of an entry, line by line, and the parts that it uses by their signatures."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.used: dict[str, tuple[str, str]] = {}
        self.count = 0

    def let(self, what: str) -> str:
        self.count += 1
        self.lines.append(f"  %v{self.count} = {what}")
        return f"%v{self.count}"

    def label(self, name: str) -> None:
        self.lines.append(f"{name}:")

    def branch(self, condition: str, yes: str, no: str) -> None:
        self.lines.append(f"  br i1 {condition}, label %{yes}, label %{no}")

    def go(self, label: str) -> None:
        self.lines.append(f"  br label %{label}")

    def register(self, name: str) -> str:
        return self.let(f"call i32 @llvm.nvvm.read.ptx.sreg.{name}()")

    def call(self, part: str, result: str, *arguments: str) -> str:
        """The result of a part, each argument with its type before it."""
        self.used[part] = (result, ", ".join(argument.split()[0] for argument in arguments))
        return self.let(f"call {result} @{part}({', '.join(arguments)})")

    def three(self, part: str, *arguments: str) -> list[str]:
        result = self.call(part, TEXT[THREE], *arguments)
        return [self.let(f"extractvalue {TEXT[THREE]} {result}, {k}") for k in range(3)]

    def load(self, place: str, at: int, words: int) -> list[str]:
        """Words of a picture, which nobody needs again (``cs``: the caches are the tables'). Written as the instruction
        itself, or LLVM would split it to share parts with the other way of reading."""
        piece = self.let(f"getelementptr inbounds i8, ptr addrspace(1) {place}, i64 {at}")
        registers = ", ".join(f"${k}" for k in range(words))
        one, result = words == 1, "i32" if words == 1 else "{ " + ", ".join(["i32"] * words) + " }"
        text = (f"ld.global.cs{'' if one else f'.v{words}'}.b32 "
                f"{registers if one else '{' + registers + '}'}, [${words}];")
        found = self.let(f'call {result} asm "{text}", "{"=r," * words}l"(ptr addrspace(1) {piece})')
        return [found] if one else [self.let(f"extractvalue {result} {found}, {k}") for k in range(words)]

    def store(self, place: str, at: int, words: list[str]) -> None:
        piece = self.let(f"getelementptr inbounds i8, ptr addrspace(1) {place}, i64 {at}")
        registers, one = ", ".join(f"${k + 1}" for k in range(len(words))), len(words) == 1
        text = (f"st.global.cs{'' if one else f'.v{len(words)}'}.b32 [$0], "
                f"{registers if one else '{' + registers + '}'};")
        given = "".join(f", i32 {word}" for word in words)
        self.lines.append(f'  call void asm sideeffect "{text}", "l{",r" * len(words)},~{{memory}}"'
                          f"(ptr addrspace(1) {piece}{given})")

    def items(self, words: list[str], count: int, item_bytes: int) -> list[str]:
        """``count`` numbers of ``item_bytes`` each out of ``words``."""
        found = []
        for k in range(count):
            word, shift = divmod(k * item_bytes, 4)
            item = words[word]
            if item_bytes < 4:
                item = self.let(f"lshr i32 {item}, {8 * shift}")
                item = self.let(f"and i32 {item}, {256 ** item_bytes - 1}")
            found.append(item)
        return found

    def words(self, items: list[str], item_bytes: int) -> list[str]:
        """The way back."""
        a_word, words = 4 // item_bytes, []
        for k in range(0, len(items), a_word):
            word = items[k]
            for j in range(1, a_word):
                up = self.let(f"shl i32 {items[k + j]}, {8 * item_bytes * j}")
                word = self.let(f"or i32 {word}, {up}")
            words.append(word)
        return words

    def text(self) -> str:
        """All of it, what it uses declared."""
        declared = [f"declare i32 @llvm.nvvm.read.ptx.sreg.{name}()" for name in REGISTERS]
        declared += [f"declare {result} @{name}({arguments})"
                     for name, (result, arguments) in sorted(self.used.items())]
        return "\n".join([*self.lines, *declared]) + "\n"


def number(value: float) -> str:
    """A float constant as LLVM writes it: the bits of the float64."""
    return f"0x{np.float64(np.float32(value)).view(np.uint64):016X}"
