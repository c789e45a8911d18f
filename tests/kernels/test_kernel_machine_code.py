"""What the compiler made of the block forms: packed arithmetic in every hot loop, and no calls out of them."""

from __future__ import annotations

import platform
import re

import pytest
from huewright_kernels.executor import BLOCK_FORMS
from numba import types

pytestmark = pytest.mark.skipif(platform.machine() not in ("x86_64", "AMD64"), reason="reads x86-64 assembly")

POINTER = types.CPointer(types.float32)
PACKED = re.compile(r"\tv?(add|sub|mul|div|min|max|sqrt)ps\s")
SCALAR = re.compile(r"\tv?(add|sub|mul|div|min|max|sqrt)ss\s")
FUSED = re.compile(r"\tvfn?m(add|sub)\d")
CALL = re.compile(r"\tcall\w*\s+(\S+)")


def assembly(form) -> list[str]:
    form.compile((POINTER, POINTER, types.int64, types.int64))
    (result,) = form.overloads.values()
    text = result.library.get_asm_str()
    name = result.fndesc.llvm_func_name
    body = text[text.index(f"\n{name}:"):]
    return body[:body.index(".size")].splitlines()


def loops(lines: list[str]) -> list[list[str]]:
    """The innermost loops: from a label to a jump back to it, with no such label between."""
    labels = {line.split(":")[0]: k for k, line in enumerate(lines) if line.startswith(".L")}
    spans = []
    for k, line in enumerate(lines):
        jump = re.match(r"\tj\w+\s+(\.L\w+)", line)
        if jump and labels.get(jump[1], k) < k:
            spans.append((labels[jump[1]], k))
    return [lines[a:b + 1] for a, b in spans if not any((a, b) != (c, d) and a <= c and d <= b for c, d in spans)]


@pytest.mark.parametrize("form", BLOCK_FORMS, ids=lambda form: form.py_func.__qualname__.split(".")[0]
                         + str(BLOCK_FORMS.index(form)))
def test_hot_loops(form):
    lines = assembly(form)
    calls = [call[1] for line in lines if (call := CALL.search(line))]
    assert not calls, f"calls {calls}"
    assert not any(FUSED.search(line) for line in lines), "fused multiply-add would give other bits elsewhere"
    inner = loops(lines)
    packed = [sum(bool(PACKED.search(line)) for line in loop) for loop in inner]
    # A loop of scalar arithmetic is only allowed as the rest of a packed one that does the same work.
    scalar = [sum(bool(SCALAR.search(line)) for line in loop) for loop in inner if not any(map(PACKED.search, loop))]
    assert max(packed) >= 2
    assert sum(packed) >= sum(scalar) * 0.5


def test_the_check_sees_a_loop_that_is_not_packed():
    text = ["\tmov", ".L1:", "\tmulss\t%xmm1, %xmm0", "\tjne\t.L1", "\tret"]
    assert loops(text) == [text[1:4]]
    assert SCALAR.search(loops(text)[0][1]) and not PACKED.search(loops(text)[0][1])
