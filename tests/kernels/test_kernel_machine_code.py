"""What the compiler made of the executor: the very object that :func:`run` executes, taken from the compile cache.

In it each block form is a function with its own name, called by the one that picks operations, so that the hot loops
of every operation can be told apart: packed arithmetic, no fused multiply-add, and no calls out of them.
"""

from __future__ import annotations

import pickle
import platform
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
from huewright_kernels.executor import BLOCK_FORMS, run_core

pytestmark = [
    pytest.mark.skipif(platform.machine() not in ("x86_64", "AMD64"), reason="reads x86-64 machine code"),
    pytest.mark.skipif(shutil.which("objdump") is None, reason="needs objdump (binutils)")]

PACKED = re.compile(r"\sv?(add|sub|mul|div|min|max|sqrt)ps\s")
SCALAR = re.compile(r"\sv?(add|sub|mul|div|min|max|sqrt)ss\s")
FUSED = re.compile(r"\sv(fn?m(add|sub)|fmaddsub|fmsubadd)\d")
CALL = re.compile(r"\scall\w*\s")
JUMP = re.compile(r"\sj\w+\s+([0-9a-f]+)\s")
INSTRUCTION = re.compile(r"^\s*([0-9a-f]+):\s(.*)$")
RELOCATION = re.compile(r"^\s+[0-9a-f]+: R_X86_64_\w+\s+(\S+?)([-+]0x[0-9a-f]+)?$")
WORD = re.compile(r"(\d+)")


@dataclass
class Function:
    """``lines`` are (address, instruction); ``refers`` are the symbols that its relocations name."""

    lines: list[tuple[int, str]]
    refers: list[str]

    def loops(self) -> list[list[str]]:
        """The innermost loops: from a jump's target to the jump back to it, with no such span within."""
        starts = {address: k for k, (address, _) in enumerate(self.lines)}
        spans = []
        for k, (_, text) in enumerate(self.lines):
            jump = JUMP.search(text + " ")
            if jump and starts.get(int(jump[1], 16), k) < k:
                spans.append((starts[int(jump[1], 16)], k))
        inner = [s for s in spans if not any(s != other and s[0] <= other[0] and other[1] <= s[1] for other in spans)]
        return [[text for _, text in self.lines[a:b + 1]] for a, b in inner]

    def calls(self) -> list[str]:
        return [text for _, text in self.lines if CALL.search(text)]


def parsed(listing: str) -> dict[str, Function]:
    functions: dict[str, Function] = {}
    current = Function([], [])
    for line in listing.splitlines():
        if header := re.match(r"^[0-9a-f]+ <(.+)>:$", line):
            current = functions.setdefault(header[1], Function([], []))
        elif relocation := RELOCATION.match(line):
            current.refers.append(relocation[1])
        elif instruction := INSTRUCTION.match(line):
            current.lines.append((int(instruction[1], 16), f" {instruction[2]} "))
    return functions


def parts(symbol: str) -> list[str]:
    """The names within a mangled one, each preceded by its length: module, function, ..."""
    found, rest = [], symbol.removeprefix("_ZN")
    while number := WORD.match(rest):
        rest = rest[number.end():]
        found.append(rest[:int(number[1])].replace("_3c", "<").replace("_3e", ">"))
        rest = rest[int(number[1]):]
    return found


@pytest.fixture(scope="module")
def functions(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Function]:
    """The object that is loaded when a program runs, disassembled."""
    dispatcher = run_core.compiled()
    stored = sorted(Path(dispatcher.stats.cache_path).glob("executor.core-*.nbc"))
    assert len(stored) == 1, "one source, one signature, one object"
    (_, kind, (code, _)), *_ = pickle.loads(stored[0].read_bytes())
    assert kind == "object" and code[:4] == b"\x7fELF"
    path = tmp_path_factory.mktemp("core") / "core.o"
    path.write_bytes(code)
    return parsed(subprocess.run(["objdump", "-dr", "--no-show-raw-insn", path], capture_output=True, text=True,
                                 check=True).stdout)


@pytest.fixture(scope="module")
def operations(functions: dict[str, Function]) -> list[tuple[Function, bool]]:
    """The compiled block forms in the order of :data:`BLOCK_FORMS`, as the picking function refers to them; a short one
    may have become part of that function, which then stands for it: (function, whether it is its own)."""
    (pick,) = (function for symbol, function in functions.items() if parts(symbol)[-1:] == ["dispatch"])
    named = [symbol for symbol in dict.fromkeys(pick.refers) if symbol in functions]
    # Several forms may bear one name (of a closure); each new function's number is higher than the last one's.
    in_order = sorted(named, key=lambda symbol: int(re.search(r"B\d+v(\d+)B", symbol)[1]))  # type: ignore[index]
    found = []
    for form in BLOCK_FORMS:
        apart = bool(in_order) and parts(in_order[0])[-1] == form.py_func.__name__
        found.append((functions[in_order.pop(0)] if apart else pick, apart))
    assert not in_order and sum(not apart for _, apart in found) <= 1
    return found


@pytest.mark.parametrize("k", range(len(BLOCK_FORMS)),
                         ids=lambda k: f"{BLOCK_FORMS[k].py_func.__qualname__.split('.')[0]}{k}")
def test_hot_loops(operations: list[tuple[Function, bool]], k: int) -> None:
    function, apart = operations[k]
    assert function.calls() == [] or not apart      # the picking function calls the others
    inner = function.loops()
    packed = [sum(bool(PACKED.search(line)) for line in loop) for loop in inner]
    # A loop of scalar arithmetic is only allowed as the rest of a packed one that does the same work, or in its place
    # where pointers overlap; which of them there are differs from processor to processor.
    scalar = [sum(bool(SCALAR.search(line)) for line in loop) for loop in inner if not any(map(PACKED.search, loop))]
    assert max(packed) >= 2
    assert all(count <= 1.1 * sum(packed) for count in scalar)


def test_the_core_calls_nothing_but_its_own_parts(functions: dict[str, Function]) -> None:
    """No memory is asked for, no C library function and nothing of Python is called while pixels are computed."""
    ours = {symbol: function for symbol, function in functions.items()
            if symbol.startswith("_ZN") and parts(symbol)[0] != "cpython"}  # that one is how Python comes in
    assert sum(parts(symbol)[0] == "huewright_kernels" for symbol in ours) > len(BLOCK_FORMS)
    for symbol, function in ours.items():
        others = {name for name in function.refers if name not in ours}
        assert {name for name in others if not name.startswith((".rodata", ".lrodata"))} == set(), symbol
        # Calls go through a register that a relocation filled, or to a place in this object.
        assert len(function.calls()) <= len([name for name in function.refers if name in ours]) + sum(
            f"<{name}" in text for text in function.calls() for name in ours), symbol


def test_nothing_is_fused(functions: dict[str, Function]) -> None:
    """A fused multiply-add would give other bits than processors without it."""
    assert [text for function in functions.values() for _, text in function.lines if FUSED.search(text)] == []


def test_readers_and_writers_are_packed_too(functions: dict[str, Function]) -> None:
    wide = re.compile(r"%[xyz]mm\d+")
    for symbol, function in functions.items():
        if parts(symbol)[-1:] in (["read"], ["write"], ["_read_rgba"], ["_write_rgba"], ["_read_u10"], ["_write_u10"]):
            loop = max(function.loops(), key=lambda lines: sum(bool(wide.search(line)) for line in lines))
            assert sum(bool(wide.search(line)) for line in loop) >= 6, symbol


def test_the_check_sees_loops_calls_and_strangers() -> None:
    listing = """
0000000000000000 <f>:
   0:\tmov    %rax,%rbx
   3:\tmulss  %xmm1,%xmm0
   7:\tvfmadd213ps %ymm0,%ymm1,%ymm2
   b:\tmovabs $0x0,%rax
\t\t\td: R_X86_64_64\tmalloc
  10:\tcall   *%rax
  12:\tjne    3 <f+0x3>
  14:\tret
"""
    function = parsed(listing)["f"]
    assert function.refers == ["malloc"] and len(function.calls()) == 1
    (loop,) = function.loops()
    assert len(loop) == 5 and SCALAR.search(loop[0]) and not any(map(PACKED.search, loop)) and FUSED.search(loop[1])
    assert parts("_ZN17huewright_kernels3ops4tone11_tone_block12_3clocals_3e10tone_blockB3v49B56c8tJ") == [
        "huewright_kernels", "ops", "tone", "_tone_block", "<locals>", "tone_block"]
