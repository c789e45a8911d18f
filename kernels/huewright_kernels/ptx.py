"""The kernels for NVIDIA GPUs: one fused kernel a chain and a pair of pixel formats, as PTX text.

The formulas are those that run on the processor, in their one-pixel forms. They are lowered in two steps. First each
part (a form, a reader, a writer) becomes a small function in LLVM's intermediate form (:func:`parts`): numba does
that, in a process of its own as for native objects. Then LLVM alone makes a kernel of them for each chain
(:func:`kernel`), which takes a fraction of a second. Neither step needs CUDA or a GPU; the driver turns the text into
code of the card that is there.

The text multiplies, adds, divides and takes roots with IEEE's rounding, each by itself (``.rn``, which nothing after it
may fuse), calls nothing and holds nothing in local memory: the bits are the processor's, payloads of NaN apart.

What an operation has beside its table goes to the kernel by value, so that it lies where instructions take operands
from; tables lie in the card's memory. A thread computes :attr:`Kernel.pixels` neighbours
of a row, and moves them in words as wide as they are aligned.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from math import gcd
from typing import Any

import llvmlite.binding as llvm
import numba.core.config
import numpy as np
from numba import njit, types

from huewright_kernels.executor import FORMS, Program, by_alpha, over_alpha
from huewright_kernels.formats import (
    ENCODINGS,
    FULL_SCALES,
    colours_of_word,
    dithered,
    item_formulas,
    word_of_colours,
)
from huewright_kernels.forms import header_of, pixel_form, table_of
from huewright_kernels.native import ENVIRONMENT

TRIPLE, PROCESSOR, FEATURES = "nvptx64-nvidia-cuda", "sm_75", "+ptx81"
"""Cards from 2018 on (compute capability 7.5), drivers from 2023 on (530, whose kernels take 32 KB by value)."""
LEAST_LLVM = 20
ENTRY = "huewright"
MOST_FLOATS = 8000
"""So many parameters fit among a kernel's arguments."""
THREADS = 256
"""Threads of a group that the kernels are made for."""

_ITEM_BYTES = {"float32": 4, "float16": 2, "uint8": 1, "uint16": 2, "uint16be": 2, "uint12le": 2, "uint12be": 2}
_F, _I, _P, _L = types.float32, types.int32, types.CPointer(types.float32), types.int64
_THREE = types.UniTuple(types.float32, 3)
_TEXT = {_F: "float", _I: "i32", _P: "ptr", _L: "i64", _THREE: "[3 x float]"}


# ---- first step: parts ------------------------------------------------------------------------------------------


def _sources() -> dict[str, tuple[Callable[..., Any], Any, tuple[Any, ...]]]:
    """Name -> function, result and arguments of every part."""
    found: dict[str, tuple[Callable[..., Any], Any, tuple[Any, ...]]] = {
        f"form_{k}": (pixel_form(form, tables_apart=True), _THREE, (_F, _F, _F, _P, _P, _L))
        for k, form in enumerate(FORMS)}
    for encoding in ENCODINGS:
        if encoding in _ITEM_BYTES:
            get, put = item_formulas(encoding)
            found |= {f"get_{encoding}": (get, _F, (_I,)), f"put_{encoding}": (put, _I, (_F,))}
        else:
            get, put = _words(encoding.endswith("be"))
            found |= {f"get_{encoding}": (get, _THREE, (_I,)), f"put_{encoding}": (put, _I, (_F, _F, _F))}
    return found | {"over_alpha": (over_alpha, _F, (_F,)), "by_alpha": (by_alpha, _F, (_F,)),
                    "dithered": (dithered, _F, (_F, _I, _I, _I, _I, _F))}


def _words(swap: bool) -> tuple[Callable[..., Any], Callable[..., Any]]:
    def get(word):
        return colours_of_word(word, swap)

    def put(r, g, b):
        return word_of_colours(r, g, b, swap)
    return get, put


def parts(progress: Callable[[int, int], None] = lambda done, total: None) -> dict[str, str]:
    """Name -> LLVM text of every part that :func:`kernel` may need. Raises ``ValueError`` in a process not started with
    :data:`huewright_kernels.native.ENVIRONMENT`."""
    config: Any = numba.core.config
    if config.OPT != 0 or config.CPU_NAME != ENVIRONMENT["NUMBA_CPU_NAME"]:
        raise ValueError("the kernels are lowered in a process of its own: start one with native.ENVIRONMENT")
    machine, found, sources = _machine(), {}, _sources()
    for done, (name, (function, result, arguments)) in enumerate(sources.items()):
        progress(done, len(sources))
        found[name] = _lowered(name, function, result, arguments, machine)
    return found


def _lowered(name: str, function: Any, result: Any, arguments: tuple[Any, ...], machine: Any) -> str:
    python = getattr(function, "py_func", function)
    dispatcher = njit(error_model="numpy", nogil=True)(python)
    dispatcher.compile(result(*arguments))
    compiled: Any = next(iter(dispatcher.overloads.values()))
    text, inner = compiled.library.get_llvm_str(), compiled.fndesc.llvm_func_name
    kinds = [_TEXT[kind] for kind in arguments]
    named = ", ".join(f"{kind} %{k}" for k, kind in enumerate(kinds))
    # Numba's functions give back a status, and their result through a pointer; both places must be real.
    text += f"""
define {_TEXT[result]} @{name}({named}) {{
  %result = alloca {_TEXT[result]}
  %exception = alloca ptr
  %status = call i32 @"{inner}"(ptr %result, ptr %exception{', ' if named else ''}{named})
  %value = load {_TEXT[result]}, ptr %result
  ret {_TEXT[result]} %value
}}
"""
    # The C library's root is the processor's own instruction; here it must be said.
    text = re.sub(r"@sqrtf\b", "@llvm.sqrt.f32", text)
    text = _plain(text)
    return str(_optimised(re.sub(r"\bnoinline\b", "nounwind", text), {name}, machine))


def _machine() -> Any:
    if llvm.llvm_version_info[0] < LEAST_LLVM:
        raise ValueError(f"kernels for GPUs need llvmlite with LLVM {LEAST_LLVM} or newer, not "
                         f"{llvm.llvm_version_info[0]}; install a newer numba")
    _initialise()
    return llvm.Target.from_triple(TRIPLE).create_target_machine(cpu=PROCESSOR, features=FEATURES, opt=3)


@cache
def _initialise() -> None:
    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()


def _optimised(text: str, kept: set[str], machine: Any) -> Any:
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


# ---- second step: one kernel a chain ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Pixels:
    """How a picture's pixels lie in the card's memory, rows beginning wherever a channel may: ``encoding`` is one of
    :data:`~huewright_kernels.formats.ENCODINGS`, ``channels`` 3 or 4 (ten bits have 3)."""

    encoding: str
    channels: int

    @property
    def packed(self) -> bool:
        """Whether all channels share one word."""
        return self.encoding not in _ITEM_BYTES

    @property
    def bytes(self) -> int:
        return 4 if self.packed else self.channels * _ITEM_BYTES[self.encoding]

    @property
    def items(self) -> int:
        """Numbers a pixel that are moved."""
        return 1 if self.packed else self.channels

    @property
    def item_bytes(self) -> int:
        return self.bytes // self.items


@dataclass(frozen=True)
class Step:
    """One instruction: the place of its form among all, where its parameters begin in the header and its table among
    the tables (in floats), and its size."""

    code: int
    header: int
    table: int
    size: int


@dataclass(frozen=True)
class Kernel:
    """What a kernel is made of and nothing else, so that equal ones share their text. ``pixels`` a thread must make
    whole words of both formats."""

    steps: tuple[Step, ...]
    header_floats: int
    source: Pixels
    target: Pixels
    premultiplied: bool = False
    dither: bool = False
    pixels: int = 4


def kernel_of(program: Program, source: Pixels, target: Pixels, *, premultiplied: bool = False, dither: bool = False,
              pixels: int | None = None) -> tuple[Kernel, np.ndarray]:
    """The kernel that does what :func:`huewright_kernels.executor.run` does, and the header that it is given by value:
    float32, every operation's parameters but its table. ``ValueError`` where these are too many."""
    steps, headers, at, table_at = [], [], 0, 0
    for code, packed, size in _packed(program):
        found = header_of(FORMS[code], packed, size)
        steps.append(Step(code, at, table_at, size))
        headers.append(found)
        at += len(found)
        table_at += _lines(len(table_of(FORMS[code], packed, size)))
    if at > MOST_FLOATS:
        raise ValueError(f"the chain has {at} parameters beside its tables, more than the {MOST_FLOATS} that a kernel "
                         "on a GPU takes")
    header = np.ascontiguousarray(np.concatenate([*headers, np.zeros(0 if at else 1)]), np.float32)
    return Kernel(tuple(steps), len(header), source, target, premultiplied and bool(steps),
                  dither and target.encoding in FULL_SCALES, pixels or _usual_pixels(source, target)), header


def tables_of(program: Program) -> np.ndarray:
    """The float32 that a kernel of ``program`` looks up: its operations' tables, each from a whole line of 16 on."""
    found = [table_of(FORMS[code], packed, size) for code, packed, size in _packed(program)]
    tables = np.zeros(max(16, sum(_lines(len(table)) for table in found)), np.float32)
    at = 0
    for table in found:
        tables[at:at + len(table)] = table
        at += _lines(len(table))
    return tables


def _packed(program: Program) -> Iterable[tuple[int, np.ndarray, int]]:
    """Of each instruction: its code, what was packed for it (and up to fifteen zeros) and its size."""
    ends = [*(int(row[1]) for row in program.instructions[1:]), len(program.data)]
    for (code, start, size), end in zip(program.instructions.tolist(), ends, strict=False):
        yield code, program.data[start:end], size


def _lines(floats: int) -> int:
    return -(-floats // 16) * 16


def _usual_pixels(source: Pixels, target: Pixels) -> int:
    """One where it fills sixteen bytes, else four: then every format is moved in whole words."""
    return 1 if min(source.bytes, target.bytes) >= 16 else 4


ARGUMENTS = ("ptr addrspace(1) %source", "i64 %source_row", "ptr addrspace(1) %target", "i64 %target_row",
             "i32 %width", "i32 %across", "i32 %x0", "i32 %y0", "i32 %seed", "ptr addrspace(1) %tables",
             "ptr byval([{floats} x float]) align 16 %header")
"""A kernel's arguments. Addresses of the first pixel and bytes from row to row; ``width`` pixels a row, which are
computed by as many groups of :data:`THREADS` as it takes, a row of groups for each row of pixels. ``across`` is the
picture's width: where rows lie one behind the other, the whole picture may be given as one row of ``width`` pixels.
``x0`` and ``y0`` are the first pixel's place and ``seed`` what :func:`huewright_kernels.executor.run` mixes, for
dither. ``tables`` are those of :func:`tables_of`, at a multiple of 64 bytes; then the header."""


def text_of(kernel: Kernel, found: Mapping[str, str]) -> str:
    """PTX of ``kernel``, with an entry called :data:`ENTRY`; ``found`` is what :func:`parts` gave."""
    machine, writer = _machine(), _Writer(kernel)
    body = writer.text()
    module = _optimised(body + "".join(writer.declarations()), {ENTRY}, machine) if not writer.used else None
    if module is None:
        module = llvm.parse_assembly(body + "".join(writer.declarations()))
        for name in sorted(writer.used):
            module.link_in(llvm.parse_assembly(found[name]))
        for function in module.functions:
            if not function.is_declaration and function.name in writer.used:
                function.add_function_attribute("alwaysinline")
        module = _optimised(_plain(str(module)), {ENTRY}, machine)
    return str(machine.emit_assembly(module))


def _plain(text: str) -> str:
    return re.sub(r"^target (datalayout|triple) = .*$", "", text, flags=re.MULTILINE)


class _Writer:
    """The entry of a kernel as LLVM text: moves pixels, and calls the parts in their order."""

    def __init__(self, kernel: Kernel) -> None:
        self.kernel = kernel
        self.lines: list[str] = []
        self.used: set[str] = set()
        self.count = 0

    def text(self) -> str:
        kernel = self.kernel
        arguments = ", ".join(ARGUMENTS).format(floats=kernel.header_floats)
        self.lines = [f"define ptx_kernel void @{ENTRY}({arguments}) #0 {{", "entry:"]
        group, threads, thread, row = (self.let(f"call i32 @llvm.nvvm.read.ptx.sreg.{name}()") for name in _REGISTERS)
        index = self.let(f"add i32 {self.let(f'mul i32 {group}, {threads}')}, {thread}")
        self.first = self.let(f"mul i32 {index}, {kernel.pixels}")
        self.branch(self.let(f"icmp ult i32 {self.first}, %width"), "inside", "end")
        self.label("inside")
        self.left = self.let(f"sub i32 %width, {self.first}")
        self.whole = self.let(f"icmp uge i32 {self.left}, {kernel.pixels}")
        self.row = self.let(f"zext i32 {row} to i64")
        pixels = self.read()
        if kernel.premultiplied:
            pixels = [self.scaled(pixel, "over_alpha") for pixel in pixels]
        for step in kernel.steps:
            q = self.let(f"getelementptr inbounds float, ptr %header, i64 {step.header}")
            table = self.let(f"getelementptr inbounds float, ptr addrspace(1) %tables, i64 {step.table}")
            table = self.let(f"addrspacecast ptr addrspace(1) {table} to ptr")
            pixels = [[*self.three(f"form_{step.code}", f"float {r}, float {g}, float {b}, ptr {q}, ptr {table}, "
                                   f"i64 {step.size}"), a] for r, g, b, a in pixels]
        if kernel.premultiplied:
            pixels = [self.scaled(pixel, "by_alpha") for pixel in pixels]
        if kernel.dither:
            pixels = self.dithered(pixels)
        self.write(pixels)
        self.lines += ["end:", "  ret void", "}", 'attributes #0 = { "nvvm.maxntid"="' + str(THREADS) + '" }']
        return "\n".join(self.lines) + "\n"

    def declarations(self) -> Iterable[str]:
        for name in _REGISTERS:
            yield f"declare i32 @llvm.nvvm.read.ptx.sreg.{name}()\n"
        for name in sorted(self.used):
            result, arguments = _signature(name)
            yield f"declare {result} @{name}({', '.join(arguments)})\n"

    # --- instructions ---
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

    def one(self, part: str, arguments: str) -> str:
        self.used.add(part)
        return self.let(f"call {_signature(part)[0]} @{part}({arguments})")

    def three(self, part: str, arguments: str) -> list[str]:
        result = self.one(part, arguments)
        return [self.let(f"extractvalue [3 x float] {result}, {k}") for k in range(3)]

    def scaled(self, pixel: list[str], part: str) -> list[str]:
        factor = self.one(part, f"float {pixel[3]}")
        return [*(self.let(f"fmul float {value}, {factor}") for value in pixel[:3]), pixel[3]]

    def dithered(self, pixels: list[list[str]]) -> list[list[str]]:
        scale = _number(FULL_SCALES[self.kernel.target.encoding])
        row = self.let("trunc i64 " + self.row + " to i32")
        found = []
        for k, pixel in enumerate(pixels):
            at = self.let(f"add i32 {self.first}, {k}")
            x = self.let(f"add i32 {self.let(f'urem i32 {at}, %across')}, %x0")
            y = self.let(f"add i32 {self.let(f'udiv i32 {at}, %across')}, {self.let(f'add i32 {row}, %y0')}")
            found.append([*(self.one("dithered", f"float {value}, i32 {x}, i32 {y}, i32 {channel}, i32 %seed, "
                                                 f"float {scale}") for channel, value in enumerate(pixel[:3])),
                          pixel[3]])
        return found

    # --- moving pixels ---
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

    def place(self, which: str, pixels: Pixels) -> tuple[str, str, int]:
        """The address of a thread's first pixel, whether words may be moved there, and how many bytes each."""
        start = self.let(f"mul i64 {self.row}, %{which}_row")
        start = self.let(f"getelementptr inbounds i8, ptr addrspace(1) %{which}, i64 {start}")
        across = self.let(f"mul i64 {self.let(f'zext i32 {self.first} to i64')}, {pixels.bytes}")
        width = gcd(pixels.bytes * self.kernel.pixels, 16)
        address = self.let(f"ptrtoint ptr addrspace(1) %{which} to i64")
        odd = self.let(f"and i64 {self.let(f'or i64 {address}, %{which}_row')}, {width - 1}")
        wide = self.let(f"and i1 {self.whole}, {self.let(f'icmp eq i64 {odd}, 0')}")
        return self.let(f"getelementptr inbounds i8, ptr addrspace(1) {start}, i64 {across}"), wide, width

    def read(self) -> list[list[str]]:
        kernel, kind = self.kernel, self.kernel.source
        place, wide, width = self.place("source", kind)
        self.branch(wide, "read_wide", "read_narrow")
        self.label("read_wide")
        words = []
        for at in range(0, kind.bytes * kernel.pixels, width):
            words += self.load(place, at, width // 4)
        quick = []
        for k in range(kind.items * kernel.pixels):
            word, shift = divmod(k * kind.item_bytes, 4)
            item = words[word]
            if kind.item_bytes < 4:
                item = self.let(f"lshr i32 {item}, {8 * shift}")
                item = self.let(f"and i32 {item}, {256 ** kind.item_bytes - 1}")
            quick.append(item)
        self.go("computing")
        self.label("read_narrow")
        slow = []
        integer = f"i{8 * kind.item_bytes}"
        for pixel in range(kernel.pixels):
            # A pixel beyond the row's end is computed as its last one, and dropped.
            there = self.let(f"icmp ugt i32 {self.left}, {pixel}")
            last = self.let(f"sub i32 {self.left}, 1")
            at = self.let(f"select i1 {there}, i32 {pixel}, i32 {last}")
            at = self.let(f"mul i64 {self.let(f'zext i32 {at} to i64')}, {kind.bytes}")
            start = self.let(f"getelementptr inbounds i8, ptr addrspace(1) {place}, i64 {at}")
            for item in range(kind.items):
                piece = self.let(f"getelementptr inbounds {integer}, ptr addrspace(1) {start}, i64 {item}")
                loaded = self.let(f"load {integer}, ptr addrspace(1) {piece}, align {kind.item_bytes}")
                slow.append(loaded if kind.item_bytes == 4 else self.let(f"zext {integer} {loaded} to i32"))
        self.go("computing")
        self.label("computing")
        items = [self.let(f"phi i32 [ {a}, %read_wide ], [ {b}, %read_narrow ]")
                 for a, b in zip(quick, slow, strict=True)]
        pixels = []
        for pixel in range(kernel.pixels):
            own = items[pixel * kind.items:][:kind.items]
            values = (self.three(f"get_{kind.encoding}", f"i32 {own[0]}") if kind.packed else
                      [self.one(f"get_{kind.encoding}", f"i32 {item}") for item in own])
            pixels.append([*values, *([_number(1)] if len(values) == 3 else [])])
        return pixels

    def write(self, pixels: list[list[str]]) -> None:
        kernel, kind = self.kernel, self.kernel.target
        items = []
        for pixel in pixels:
            if kind.packed:
                items.append(self.one(f"put_{kind.encoding}", ", ".join(f"float {value}" for value in pixel[:3])))
            else:
                items += [self.one(f"put_{kind.encoding}", f"float {value}") for value in pixel[:kind.channels]]
        place, wide, width = self.place("target", kind)
        self.branch(wide, "write_wide", "write_0")
        self.label("write_wide")
        a_word = 4 // kind.item_bytes
        words = []
        for k in range(0, len(items), a_word):
            word = items[k]
            for j in range(1, a_word):
                up = self.let(f"shl i32 {items[k + j]}, {8 * kind.item_bytes * j}")
                word = self.let(f"or i32 {word}, {up}")
            words.append(word)
        for at in range(0, kind.bytes * kernel.pixels, width):
            self.store(place, at, words[at // 4:][:width // 4])
        self.go("end")
        integer = f"i{8 * kind.item_bytes}"
        for pixel in range(kernel.pixels):
            self.label(f"write_{pixel}")
            for item in range(kind.items):
                value = items[pixel * kind.items + item]
                if kind.item_bytes < 4:
                    value = self.let(f"trunc i32 {value} to {integer}")
                piece = self.let(f"getelementptr inbounds i8, ptr addrspace(1) {place}, "
                                 f"i64 {pixel * kind.bytes + item * kind.item_bytes}")
                self.lines.append(f"  store {integer} {value}, ptr addrspace(1) {piece}, align {kind.item_bytes}")
            if pixel + 1 < kernel.pixels:
                self.branch(self.let(f"icmp ugt i32 {self.left}, {pixel + 1}"), f"write_{pixel + 1}", "end")
            else:
                self.go("end")


_REGISTERS = ("ctaid.x", "ntid.x", "tid.x", "ctaid.y")


def _number(value: float) -> str:
    """A float constant as LLVM writes it: the bits of the float64."""
    return f"0x{np.float64(np.float32(value)).view(np.uint64):016X}"


def _signature(name: str) -> tuple[str, list[str]]:
    if name.startswith("form_"):
        kinds: tuple[Any, ...] = (_F, _F, _F, _P, _P, _L)
        return _TEXT[_THREE], [_TEXT[kind] for kind in kinds]
    kind, _, encoding = name.partition("_")
    if name == "dithered":
        return "float", ["float", "i32", "i32", "i32", "i32", "float"]
    if name in ("over_alpha", "by_alpha"):
        return "float", ["float"]
    packed = encoding not in _ITEM_BYTES
    if kind == "get":
        return ("[3 x float]" if packed else "float"), ["i32"]
    return "i32", ["float"] * (3 if packed else 1)


__all__ = ["ENTRY", "Kernel", "Pixels", "kernel_of", "parts", "tables_of", "text_of"]
