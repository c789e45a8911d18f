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

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from math import gcd
from typing import Any

import numpy as np

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
from huewright_kernels.nvptx import (
    FLOAT,
    INT,
    LONG,
    POINTER,
    REGISTERS,
    THREE,
    Lines,
    linked,
    lowered,
    machine_for_cards,
    number,
    require_own_process,
)

ENTRY = "huewright"
MOST_FLOATS = 8000
"""So many parameters fit among a kernel's arguments."""
THREADS = 256
"""Threads of a group that the kernels are made for."""

_ITEM_BYTES = {"float32": 4, "float16": 2, "uint8": 1, "uint16": 2, "uint16be": 2, "uint12le": 2, "uint12be": 2}


# ---- first step: parts ------------------------------------------------------------------------------------------


def _sources() -> dict[str, tuple[Callable[..., Any], Any, tuple[Any, ...]]]:
    """Name -> function, result and arguments of every part."""
    found: dict[str, tuple[Callable[..., Any], Any, tuple[Any, ...]]] = {
        f"form_{k}": (pixel_form(form, tables_apart=True), THREE, (FLOAT, FLOAT, FLOAT, POINTER, POINTER, LONG))
        for k, form in enumerate(FORMS)}
    for encoding in ENCODINGS:
        if encoding in _ITEM_BYTES:
            get, put = item_formulas(encoding)
            found |= {f"get_{encoding}": (get, FLOAT, (INT,)), f"put_{encoding}": (put, INT, (FLOAT,))}
        else:
            get, put = _words(encoding.endswith("be"))
            found |= {f"get_{encoding}": (get, THREE, (INT,)), f"put_{encoding}": (put, INT, (FLOAT, FLOAT, FLOAT))}
    return found | {"over_alpha": (over_alpha, FLOAT, (FLOAT,)), "by_alpha": (by_alpha, FLOAT, (FLOAT,)),
                    "dithered": (dithered, FLOAT, (FLOAT, INT, INT, INT, INT, FLOAT))}


def _words(swap: bool) -> tuple[Callable[..., Any], Callable[..., Any]]:
    def get(word):
        return colours_of_word(word, swap)

    def put(r, g, b):
        return word_of_colours(r, g, b, swap)
    return get, put


def parts(progress: Callable[[int, int], None] = lambda done, total: None) -> dict[str, str]:
    """Name -> LLVM text of every part that :func:`kernel` may need. Raises ``ValueError`` in a process not started with
    :data:`huewright_kernels.native.ENVIRONMENT`."""
    require_own_process()
    machine, found, sources = machine_for_cards(), {}, _sources()
    for done, (name, (function, result, arguments)) in enumerate(sources.items()):
        progress(done, len(sources))
        found[name] = lowered(name, function, result, arguments, machine)
    return found


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
    writer = _Writer(kernel)
    writer.write_all()
    return linked(writer.text(), {ENTRY}, writer.used, found, machine_for_cards())


class _Writer(Lines):
    """The entry of a kernel: moves pixels, and calls the parts in their order."""

    def __init__(self, kernel: Kernel) -> None:
        super().__init__()
        self.kernel = kernel

    def write_all(self) -> None:
        kernel = self.kernel
        arguments = ", ".join(ARGUMENTS).format(floats=kernel.header_floats)
        self.lines = [f"define ptx_kernel void @{ENTRY}({arguments}) #0 {{", "entry:"]
        group, threads, thread, row = map(self.register, REGISTERS)
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
            pixels = [[*self.three(f"form_{step.code}", f"float {r}", f"float {g}", f"float {b}", f"ptr {q}",
                                   f"ptr {table}", f"i64 {step.size}"), a] for r, g, b, a in pixels]
        if kernel.premultiplied:
            pixels = [self.scaled(pixel, "by_alpha") for pixel in pixels]
        if kernel.dither:
            pixels = self.dithered(pixels)
        self.write(pixels)
        self.lines += ["end:", "  ret void", "}", 'attributes #0 = { "nvvm.maxntid"="' + str(THREADS) + '" }']

    def scaled(self, pixel: list[str], part: str) -> list[str]:
        factor = self.call(part, "float", f"float {pixel[3]}")
        return [*(self.let(f"fmul float {value}, {factor}") for value in pixel[:3]), pixel[3]]

    def dithered(self, pixels: list[list[str]]) -> list[list[str]]:
        scale = number(FULL_SCALES[self.kernel.target.encoding])
        row = self.let("trunc i64 " + self.row + " to i32")
        found = []
        for k, pixel in enumerate(pixels):
            at = self.let(f"add i32 {self.first}, {k}")
            x = self.let(f"add i32 {self.let(f'urem i32 {at}, %across')}, %x0")
            y = self.let(f"add i32 {self.let(f'udiv i32 {at}, %across')}, {self.let(f'add i32 {row}, %y0')}")
            found.append([*(self.call("dithered", "float", f"float {value}", f"i32 {x}", f"i32 {y}", f"i32 {channel}",
                                       "i32 %seed", f"float {scale}") for channel, value in enumerate(pixel[:3])),
                          pixel[3]])
        return found

    # --- moving pixels ---
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
        quick = self.items(words, kind.items * kernel.pixels, kind.item_bytes)
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
                      [self.call(f"get_{kind.encoding}", "float", f"i32 {item}") for item in own])
            pixels.append([*values, *([number(1)] if len(values) == 3 else [])])
        return pixels

    def write(self, pixels: list[list[str]]) -> None:
        kernel, kind = self.kernel, self.kernel.target
        items = []
        for pixel in pixels:
            if kind.packed:
                items.append(self.call(f"put_{kind.encoding}", "i32", *(f"float {value}" for value in pixel[:3])))
            else:
                items += [self.call(f"put_{kind.encoding}", "i32", f"float {value}") for value in pixel[:kind.channels]]
        place, wide, width = self.place("target", kind)
        self.branch(wide, "write_wide", "write_0")
        self.label("write_wide")
        words = self.words(items, kind.item_bytes)
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


__all__ = ["ENTRY", "Kernel", "Pixels", "kernel_of", "parts", "tables_of", "text_of"]
