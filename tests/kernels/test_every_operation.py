"""Whatever the registry holds, without a list by hand: each operation is complete, refuses what it should, and is the
same in blocks and pixel by pixel. A new operation is tested here by being there.
"""

from __future__ import annotations

import ast
import inspect
import math
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from huewright.accuracy.check import SPACING, kernel_check
from huewright.accuracy.colours import colours_between
from huewright.reference import apply, apply_chain
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.forms import GATHERS, Form, header_of, pixel_form, table_of
from huewright_kernels.lanes import block, pointer_f32
from huewright_kernels.ops import REGISTRY, Operation, operation_from_dict
from huewright_kernels.ops.base import Example
from huewright_kernels.ops.fields import Field

KINDS = list(REGISTRY.values())
EXAMPLES = [pytest.param(example, id=f"{kind.name} {example.title}")
            for kind in KINDS for example in kind.parts.examples()]
SPECIAL = np.array([0.0, -0.0, 1.0, -1.0, np.nan, np.inf, -np.inf, 1e-40, -1e-40, 3e38, -3e38, 0.18, 0.5, 65504.0],
                   np.float32)


def c_library(module: ast.Module) -> Iterator[str]:
    """What a module's packer, and what it calls there, would have a C library compute: powers that are no whole number,
    exp, log and the like."""
    functions = {node.name: node for node in module.body if isinstance(node, ast.FunctionDef)}
    reached = [name for name in functions if name.startswith("pack_")]
    for name in reached:        # grows as it is walked
        for node in ast.walk(functions[name]):
            if isinstance(node, ast.Name) and node.id in functions and node.id not in reached:
                reached.append(node.id)
            if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow) and not (
                    isinstance(node.right, ast.Constant) and isinstance(node.right.value, int)):
                yield f"{ast.unparse(node)} in {name}"
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in (
                    "math", "np") and re.fullmatch("(exp|log|pow|sin|cos|tan|asin|acos|atan|cbrt).*", node.attr):
                yield f"{ast.unparse(node)} in {name}"


def missing(kind: type[Operation]) -> Iterator[str]:
    """What an operation lacks, in words."""
    parts = kind.parts
    examples = parts.examples()
    if not examples:
        yield "examples: what checks, times and shows it has nothing to work with"
    if any(not isinstance(example.operation, kind) for example in examples):
        yield "examples of its own kind"
    if not any(example.golden for example in examples):
        yield "an example for golden vectors"
    if not any(example.timed for example in examples):
        yield "an example that is timed"
    if not parts.source:
        yield "the source of its formulas"
    try:
        for example in examples[:1]:
            apply(example.operation, np.zeros((1, 3)))
    except TypeError as error:
        yield str(error)
    if parts.peer not in ("clf", "scipy", "opencolorio", "colour-science", "nobody"):
        yield "a peer: who else computes the same, or nobody"
    if parts.peer == "clf" and all(example.operation.clf() is None for example in examples):
        yield "clf(): its peer is to read that form"
    for field in kind.FIELDS:
        if not field.meaning:
            yield f"the meaning of {field.name}"
    for form in parts.forms:
        shapes = [form.channel, form.pixel, form.place]
        if sum(shape is not None for shape in shapes) != 1:
            yield f"one shape of the formula {form.name}: channel, pixel, or place"
        if form.place is not None and (form.gather not in GATHERS or (form.finish is None) == (form.blend is None)):
            yield f"a gather of a known kind and one of finish and blend for the formula {form.name}"
    if len(parts.sentences) != len(set(parts.sentences)):
        yield "a sentence of its own for each refusal"
    for call in c_library(ast.parse(inspect.getsource(inspect.getmodule(kind)))):  # type: ignore[arg-type]
        yield f"a call that rounds alike on every system, from precise or elementary, instead of {call}"
    if parts.pack.function.__name__ != f"pack_{kind.reference_name()}":
        yield f"a packer called pack_{kind.reference_name()}"


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_nothing_is_missing(kind: type[Operation]) -> None:
    assert list(missing(kind)) == []


def test_what_is_missing_is_named() -> None:
    """Else the test above would find nothing whatever was forgotten."""
    from dataclasses import replace

    class Bare(Operation):
        name = "bare"
        FIELDS = ()
        parts = replace(KINDS[0].parts, examples=lambda: (), source="", peer="", forms=(Form("nothing"),))

    said = " ".join(missing(Bare))
    for words in ("examples", "golden vectors", "is timed", "the source", "a peer", "one shape of the formula nothing",
                  "a packer called pack_bare"):
        assert words in said, words
    packer = ("def pack_bare(p):\n    return helper(p) + p[1] ** p[2] + math.sqrt(p[4])\n"
              "def helper(p):\n    return p[0] ** 2 + math.exp(p[3])\ndef other(p):\n    return math.exp(p)")
    assert list(c_library(ast.parse(packer))) == ["p[1] ** p[2] in pack_bare", "math.exp in helper"]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_golden_examples_have_names_of_their_own_and_all_titles_differ(kind: type[Operation]) -> None:
    titles = [example.title for example in kind.parts.examples()]
    assert len(set(titles)) == len(titles)


def bad_values(field: Field, good: Any) -> Iterator[Any]:
    yield from ("text", True, {}, [[["1"]]])
    if field.kind == "word":
        return
    for bad in (math.nan, math.inf, -math.inf, 1e39, "1.0", True, None):
        if field.kind == "number":
            if bad is not None:
                yield bad
        elif field.kind == "rows":
            yield [[bad, *good[0][1:]], *good[1:]]
        elif field.kind == "table":
            table = np.array(good).tolist()
            entry = table
            while isinstance(entry[0], list):
                entry = entry[0]
            entry[0] = bad
            yield table
        else:
            yield [bad, *good[1:]]
    if field.kind in ("row", "rows", "list"):
        yield list(good)[:1] if len(good) > 1 else []
        yield [*good] * 30


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_every_field_refuses_what_it_does_not_take_and_says_which(kind: type[Operation]) -> None:
    smallest = min((example.operation for example in kind.parts.examples()),
                   key=lambda operation: np.size(getattr(operation, "table", 0)))
    record = smallest.to_dict()
    tried = 0
    for field in kind.FIELDS:
        good = record[field.name] if record[field.name] is not None else 1.0
        for bad in bad_values(field, good):
            with pytest.raises(ValueError, match=rf"^operation '{kind.name}': {field.name} takes "):
                operation_from_dict({**record, field.name: bad})
            tried += 1
    assert tried >= 4 * len(kind.FIELDS)
    with pytest.raises(ValueError, match=f"operation '{kind.name}' has no parameter 'tinge'"):
        operation_from_dict({**record, "tinge": 1})


# Large lattices are recorded as small ones are, and take seconds.
@pytest.mark.parametrize("example", [
    pytest.param(*example.values, id=example.id, marks=pytest.mark.long) if "lut-3d 65" in str(example.id) else example
    for example in EXAMPLES])
def test_the_record_form_comes_back_as_the_same_operation(example: Example) -> None:
    record = example.operation.to_dict()
    again = operation_from_dict(record)
    first, second = example.operation.pack(), again.pack()
    assert (first is None) == (second is None)
    if first is not None and second is not None:
        assert first.form is second.form and first.size == second.size
        assert first.parameters.tobytes() == second.parameters.tobytes()


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_claim_holds(example: Example) -> None:
    bound = example.operation.parts.bound
    colours = colours_between(*example.claimed, count=8000)
    if example.operation.name == "hue-sectors":
        # Its table is held to hue and chroma (verify does that); in R', G', B' that is at most:
        colours, bound = np.clip(colours, -0.2, 1.5), type(bound)(4e-5)
    tolerance = 1.0 if bound.spacing else bound.tolerance
    row = kernel_check("it", "reference", tolerance, (example.operation,), colours,
                       **({"unit": SPACING} if bound.spacing else {}))
    assert row.passed, row


def one_by_one(operation: Operation, colours: np.ndarray, tables_apart: bool) -> np.ndarray:
    packed = operation.pack()
    if packed is None:
        return colours.copy()
    formula = pixel_form(packed.form, tables_apart=tables_apart, wide=not tables_apart)

    @block
    def loop(source, target, q, tables, size, n):
        p, t, parameters, rows = pointer_f32(source), pointer_f32(target), pointer_f32(q), pointer_f32(tables)
        for i in range(n):
            if tables_apart:
                result = formula(p[3 * i], p[3 * i + 1], p[3 * i + 2], parameters, rows, size)
            else:
                result = formula(p[3 * i], p[3 * i + 1], p[3 * i + 2], parameters, size)
            t[3 * i], t[3 * i + 1], t[3 * i + 2] = result

    result = np.empty_like(colours)
    form, whole = packed.form, np.concatenate([packed.parameters, np.zeros(-len(packed.parameters) % 16, np.float32)])
    q = header_of(form, whole, packed.size).copy() if tables_apart else aligned(whole)
    tables = aligned(table_of(form, whole, packed.size))
    loop(colours.ctypes.data, result.ctypes.data, q.ctypes.data, tables.ctypes.data, packed.size, len(colours))
    return result


def aligned(values: np.ndarray) -> np.ndarray:
    """A copy that starts at a multiple of 64 bytes."""
    room = np.zeros(len(values) + 16, np.float32)
    start = -room.ctypes.data % 64 // 4
    room[start:start + len(values)] = values
    return room[start:start + len(values)]


def forms_once() -> Iterator[Any]:
    """One example for each formula."""
    seen: set[Form] = set()
    for kind in KINDS:
        for example in kind.parts.examples():
            packed = example.operation.pack()
            if packed is not None and packed.form not in seen:
                seen.add(packed.form)
                yield pytest.param(example.operation, id=packed.form.name)


def test_every_formula_has_an_example() -> None:
    reached = {packed.form for kind in KINDS for example in kind.parts.examples()
               if (packed := example.operation.pack()) is not None}
    assert {form.name for kind in KINDS for form in kind.parts.forms} == {form.name for form in reached}


@pytest.mark.slow
@pytest.mark.parametrize(("operation", "tables_apart"), [
    pytest.param(*form.values, apart, id=f"{form.id}-{'tables apart' if apart else 'as packed'}",
                 # without a table the same code is compiled
                 marks=[pytest.mark.long] if apart and form.values[0].pack().form.place is None else [])
    for form in forms_once() for apart in (False, True)])
def test_one_pixel_at_a_time_gives_the_bits_of_the_blocks(operation: Operation, tables_apart: bool) -> None:
    rng = np.random.default_rng(3)
    special = np.stack(np.meshgrid(SPECIAL, SPECIAL, SPECIAL), axis=-1).reshape(-1, 3)
    colours = np.concatenate([rng.uniform(-0.5, 4.0, (3000, 3)).astype(np.float32), special,
                              rng.integers(0, 2**32, (3000, 3), dtype=np.uint64).astype(np.uint32).view(np.float32)])
    blocks, single = (run_colours(compile_chain([operation]), colours),
                      one_by_one(operation, colours, tables_apart))
    same = (blocks.view(np.uint32) == single.view(np.uint32)) | (np.isnan(blocks) & np.isnan(single))
    assert same.all(), colours[~same.all(axis=1)][:3]


@pytest.mark.parametrize("example", EXAMPLES)
def test_not_a_number_comes_out_where_it_went_in(example: Example) -> None:
    """In each channel alone where channels are independent, in the whole pixel or nowhere but there elsewhere; and no
    finite colour of a picture becomes not-a-number."""
    operation = example.operation
    colours = np.array([[np.nan, 0.2, 0.3], [0.2, np.nan, 0.3], [0.1, 0.2, np.nan], [0.1, 0.2, 0.3], [0, 0, 0],
                        [1, 1, 1], [-0.2, 0.4, 1.7]], np.float32)
    out = run_colours(compile_chain([operation]), colours)
    wanted = apply_chain([operation], colours)
    assert np.isfinite(out[3:][np.isfinite(wanted[3:])]).all()
    assert np.isnan(out[:3]).any(axis=1).all()
    if all(form.channel is not None or form.apart for form in operation.parts.forms):
        assert np.array_equal(np.isnan(out), np.isnan(colours))


@pytest.mark.parametrize("example", EXAMPLES)
def test_an_inverse_undoes(example: Example) -> None:
    inverse = example.operation.inverse()
    if inverse is None:
        pytest.skip("it has no exact inverse")
    low, high = max(example.low, 0.05), min(example.high, 0.9)
    colours = np.random.default_rng(1).uniform(low, high, (500, 3))
    back = apply_chain([example.operation, inverse], colours)
    # BT.709 and sRGB print rounded constants, whose two branches meet within 2e-4 of each other.
    assert np.allclose(back, colours, rtol=0, atol=5e-4 if example.operation.name == "transfer" else 1e-9)
    assert inverse.inverse() is not None
