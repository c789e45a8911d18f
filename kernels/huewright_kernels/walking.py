"""One GPU kernel for any chain, as PTX text: it walks the instructions and the data of the processor's core.

For a plug-in, which compiles nothing: the text is made once, when it is built. A thread computes :data:`PIXELS` pixels
of a row: reads them, does one instruction after the other, each picked by its code and read from the memory that
:class:`huewright_kernels.executor.Program` describes, and writes them. All threads of a group follow the same
instructions, so that picking costs little; the formulas are those of :mod:`huewright_kernels.ptx`, in the layout that
is packed. The bits are the core's, payloads of NaN apart.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from huewright_kernels.executor import FORMS, INSTRUCTION, by_alpha, over_alpha
from huewright_kernels.formats import CODES, item_formulas
from huewright_kernels.forms import pixel_form
from huewright_kernels.nvptx import (
    FLOAT,
    INT,
    LONG,
    POINTER,
    THREE,
    Lines,
    linked,
    lowered,
    machine_for_cards,
    number,
    require_own_process,
)

FEATURES = "+ptx70"
"""Drivers from 2020 on (450) read it."""
ENTRIES = {"walk": "huewright_walk", "move": "huewright_move"}
THREADS, PIXELS = 128, 1
"""Threads of a group, and pixels a thread, which are as far apart as a group has threads. Two take so many registers
that fewer threads run at a time, and less is done in all."""
MOST_ROWS = 65535
"""So many rows of groups a launch may have."""
ENCODINGS = {"float32": 4, "float16": 2, "uint8": 1, "uint16": 2}
"""What pictures may be, and the bytes of a channel."""

WALK = ("ptr addrspace(1) %source", "i64 %source_row", "ptr addrspace(1) %target", "i64 %target_row", "i32 %width",
        "i32 %encoding", "i32 %channels", "i32 %premultiplied", "i32 %count", "ptr addrspace(1) %instructions",
        "ptr addrspace(1) %data")
"""Arguments of the walk, a row of groups a row of pixels: addresses of the first pixel and bytes from row to row (of
any sign); pixels a row; the place in :data:`~huewright_kernels.formats.ENCODINGS`; 3 or 4 channels; 1 where colours
carry their alpha; how many instructions, these, and their data, at multiples of 64 bytes."""
MOVE = ("ptr addrspace(1) %source", "i64 %source_row", "ptr addrspace(1) %target", "i64 %target_row", "i32 %width",
        "i32 %whole")
"""Arguments of the move: as above, ``width`` in words of four bytes where ``whole`` is 1, else in bytes. Without a
source it fills with zeros."""


def text() -> str:
    """PTX with :data:`ENTRIES`. ``ValueError`` in a process not started with
    :data:`huewright_kernels.native.ENVIRONMENT`."""
    require_own_process()
    machine = machine_for_cards(FEATURES)
    walk, move = _Walk(), _Move()
    found = {name: lowered(name, *source, machine) for name, source in _sources().items()}
    return linked(walk.text() + "\n".join(move.lines) + "\n", set(ENTRIES.values()), walk.used, found, machine)


def _sources() -> dict[str, tuple[Callable[..., Any], Any, tuple[Any, ...]]]:
    """Name -> function, result and arguments of every part."""
    found: dict[str, tuple[Callable[..., Any], Any, tuple[Any, ...]]] = {
        f"form_{k}": (pixel_form(form, wide=True), THREE, (FLOAT, FLOAT, FLOAT, POINTER, LONG))
        for k, form in enumerate(FORMS)}
    for encoding in ENCODINGS:
        get, put = item_formulas(encoding)
        found |= {f"get_{encoding}": (get, FLOAT, (INT,)), f"put_{encoding}": (put, INT, (FLOAT,))}
    return found | {"over_alpha": (over_alpha, FLOAT, (FLOAT,)), "by_alpha": (by_alpha, FLOAT, (FLOAT,))}


class _Entry(Lines):
    """What both entries begin with: the thread's columns, and their row."""

    def begin(self, name: str, arguments: tuple[str, ...], columns: int) -> None:
        self.lines = [f"define ptx_kernel void @{name}({', '.join(arguments)}) "
                      f'"nvvm.maxntid"="{THREADS}" {{', "entry:"]
        group, thread, row = map(self.register, ("ctaid.x", "tid.x", "ctaid.y"))
        first = self.let(f"add i32 {self.let(f'mul i32 {group}, {THREADS * columns}')}, {thread}")
        self.columns = [first, *(self.let(f"add i32 {first}, {THREADS * k}") for k in range(1, columns))]
        self.row = self.let(f"zext i32 {row} to i64")
        self.branch(self.let(f"icmp ult i32 {first}, %width"), "inside", "end")
        self.label("inside")

    def finish(self) -> None:
        self.lines += ["end:", "  ret void", "}"]

    def row_of(self, which: str) -> str:
        start = self.let(f"mul i64 {self.row}, %{which}_row")
        return self.let(f"getelementptr inbounds i8, ptr addrspace(1) %{which}, i64 {start}")


class _Walk(_Entry):
    """Places in the thread's own memory stand for its pixels here; LLVM makes registers of them."""

    def __init__(self) -> None:
        super().__init__()
        self.begin(ENTRIES["walk"], WALK, PIXELS)
        self.pixels = [[self.let("alloca float") for _ in range(4)] for _ in range(PIXELS)]
        self.step = self.let("alloca i32")
        self.lines.append(f"  store i32 0, ptr {self.step}")
        self.alpha = self.let("icmp eq i32 %channels, 4")
        self.last = self.let("sub i32 %width, 1")
        self.choose("reading", "%encoding", {CODES[name]: name for name in ENCODINGS}, self.read, "read")
        self.label("read")
        self.scale("over_alpha")
        self.go("walking")
        self.walk()
        self.scale("by_alpha")
        self.choose("writing", "%encoding", {CODES[name]: name for name in ENCODINGS}, self.write, "end")
        self.finish()

    def choose(self, what: str, value: str, cases: dict[int, Any], make: Callable[[str, Any], None],
               after: str) -> None:
        """A place for each case, called ``what`` and its number; each goes on to ``after``."""
        places = " ".join(f"i32 {case}, label %{what}_{case}" for case in cases)
        self.lines.append(f"  switch i32 {value}, label %{after} [ {places} ]")
        for case, given in cases.items():
            self.label(f"{what}_{case}")
            make(f"{what}_{case}", given)
            self.go(after)

    def put(self, pixel: int, values: list[str]) -> None:
        self.lines += [f"  store float {value}, ptr {place}"
                       for value, place in zip(values, self.pixels[pixel], strict=False)]

    def get(self, pixel: int, count: int = 4) -> list[str]:
        return [self.let(f"load float, ptr {place}") for place in self.pixels[pixel][:count]]

    def wide(self, which: str, size: int) -> str:
        """Whether whole pixels of ``size`` bytes may be moved at once."""
        address = self.let(f"ptrtoint ptr addrspace(1) %{which} to i64")
        odd = self.let(f"and i64 {self.let(f'or i64 {address}, %{which}_row')}, {size - 1}")
        return self.let(f"and i1 {self.alpha}, {self.let(f'icmp eq i64 {odd}, 0')}")

    def place(self, which: str, column: str, size: str | int) -> str:
        at = self.let(f"mul i64 {self.let(f'zext i32 {column} to i64')}, {size}")
        return self.let(f"getelementptr inbounds i8, ptr addrspace(1) {self.row_of(which)}, i64 {at}")

    def pixel_bytes(self, item: int) -> str:
        return self.let(f"zext i32 {self.let(f'mul i32 %channels, {item}')} to i64")

    def read(self, name: str, encoding: str) -> None:
        item = ENCODINGS[encoding]
        self.branch(self.wide("source", 4 * item), f"{name}_wide", f"{name}_narrow")
        # A pixel beyond the row's end is computed as its last one, and dropped.
        for narrow in (False, True):
            self.label(f"{name}_{'narrow' if narrow else 'wide'}")
            size: str | int = self.pixel_bytes(item) if narrow else 4 * item
            for k, column in enumerate(self.columns):
                there = self.let(f"icmp ult i32 {column}, %width")
                place = self.place("source", self.let(f"select i1 {there}, i32 {column}, i32 {self.last}"), size)
                items = self.narrow(place, item) if narrow else self.items(self.load(place, 0, item), 4, item)
                values = [self.call(f"get_{encoding}", "float", f"i32 {value}") for value in items]
                if narrow:
                    values[3] = self.let(f"select i1 {self.alpha}, float {values[3]}, float {number(1)}")
                self.put(k, values)
            self.go(f"{name}_done")
        self.label(f"{name}_done")

    def narrow(self, place: str, item: int) -> list[str]:
        """Three channels and the alpha, or the first again where there is none."""
        kind, found = f"i{8 * item}", []
        fourth = self.let(f"select i1 {self.alpha}, i64 3, i64 0")
        for at in ("0", "1", "2", fourth):
            piece = self.let(f"getelementptr inbounds {kind}, ptr addrspace(1) {place}, i64 {at}")
            loaded = self.let(f"load {kind}, ptr addrspace(1) {piece}, align {item}")
            found.append(loaded if item == 4 else self.let(f"zext {kind} {loaded} to i32"))
        return found

    def write(self, name: str, encoding: str) -> None:
        item = ENCODINGS[encoding]
        kind = f"i{8 * item}"
        items = [[self.call(f"put_{encoding}", "i32", f"float {value}") for value in self.get(k)]
                 for k in range(PIXELS)]
        self.branch(self.wide("target", 4 * item), f"{name}_wide_0", f"{name}_narrow_0")
        for narrow in (False, True):
            way = f"{name}_{'narrow' if narrow else 'wide'}"
            for k, column in enumerate(self.columns):
                self.label(f"{way}_{k}")
                if k:
                    self.branch(self.let(f"icmp ult i32 {column}, %width"), f"{way}_{k}_there", f"{name}_done")
                    self.label(f"{way}_{k}_there")
                place = self.place("target", column, self.pixel_bytes(item) if narrow else 4 * item)
                if narrow:
                    for at, value in enumerate(items[k]):
                        if at == 3:
                            self.branch(self.alpha, f"{way}_{k}_alpha", f"{way}_{k}_done")
                            self.label(f"{way}_{k}_alpha")
                        if item < 4:
                            value = self.let(f"trunc i32 {value} to {kind}")
                        piece = self.let(f"getelementptr inbounds i8, ptr addrspace(1) {place}, i64 {at * item}")
                        self.lines.append(f"  store {kind} {value}, ptr addrspace(1) {piece}, align {item}")
                    self.go(f"{way}_{k}_done")
                    self.label(f"{way}_{k}_done")
                else:
                    self.store(place, 0, self.words(items[k], item))
                self.go(f"{way}_{k + 1}" if k + 1 < PIXELS else f"{name}_done")
        self.label(f"{name}_done")

    def scale(self, part: str) -> None:
        """Colours by their alpha, where they carry it."""
        self.branch(self.let("icmp ne i32 %premultiplied, 0"), part, f"{part}_done")
        self.label(part)
        for k in range(PIXELS):
            r, g, b, a = self.get(k)
            factor = self.call(part, "float", f"float {a}")
            self.put(k, [self.let(f"fmul float {value}, {factor}") for value in (r, g, b)])
        self.go(f"{part}_done")
        self.label(f"{part}_done")

    def walk(self) -> None:
        self.label("walking")
        step = self.let(f"load i32, ptr {self.step}")
        self.branch(self.let(f"icmp slt i32 {step}, %count"), "instruction", "walked")
        self.label("instruction")
        first = self.let(f"mul i64 {self.let(f'zext i32 {step} to i64')}, {INSTRUCTION}")
        code, start, size = (self.instruction(first, k) for k in range(INSTRUCTION))
        q = self.let(f"getelementptr inbounds float, ptr addrspace(1) %data, i64 {start}")
        q = self.let(f"addrspacecast ptr addrspace(1) {q} to ptr")

        def compute(_: str, form: int) -> None:
            for k in range(PIXELS):
                r, g, b = self.get(k, 3)
                self.put(k, self.three(f"form_{form}", f"float {r}", f"float {g}", f"float {b}", f"ptr {q}",
                                       f"i64 {size}"))

        self.choose("computing", self.let(f"trunc i64 {code} to i32"), dict(enumerate(range(len(FORMS)))), compute,
                    "next")
        self.label("next")
        self.lines.append(f"  store i32 {self.let(f'add i32 {step}, 1')}, ptr {self.step}")
        self.go("walking")
        self.label("walked")

    def instruction(self, first: str, k: int) -> str:
        place = self.let(f"getelementptr inbounds i64, ptr addrspace(1) %instructions, i64 "
                         f"{self.let(f'add i64 {first}, {k}')}")
        return self.let(f"load i64, ptr addrspace(1) {place}, align 8, !invariant.load !0")

    def text(self) -> str:
        return super().text() + "!0 = !{}\n"


class _Move(_Entry):
    """Rows from one picture to another as they are, or zeros."""

    def __init__(self) -> None:
        super().__init__()
        self.begin(ENTRIES["move"], MOVE, 1)
        self.branch(self.let("icmp ne i32 %whole, 0"), "words", "bytes")
        for way, kind, size in (("words", "i32", 4), ("bytes", "i8", 1)):
            self.label(way)
            at = self.let(f"zext i32 {self.columns[0]} to i64")
            target = self.let(f"getelementptr inbounds {kind}, ptr addrspace(1) {self.row_of('target')}, i64 {at}")
            self.branch(self.let("icmp eq ptr addrspace(1) %source, null"), f"{way}_none", f"{way}_copied")
            self.label(f"{way}_copied")
            source = self.let(f"getelementptr inbounds {kind}, ptr addrspace(1) {self.row_of('source')}, i64 {at}")
            loaded = self.let(f"load {kind}, ptr addrspace(1) {source}, align {size}")
            self.lines.append(f"  store {kind} {loaded}, ptr addrspace(1) {target}, align {size}")
            self.go("end")
            self.label(f"{way}_none")
            self.lines.append(f"  store {kind} 0, ptr addrspace(1) {target}, align {size}")
            self.go("end")
        self.finish()


__all__ = ["ENCODINGS", "ENTRIES", "MOST_ROWS", "MOVE", "PIXELS", "THREADS", "WALK", "text"]
