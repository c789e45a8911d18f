"""Golden vectors: what a port of the kernels must give, from the float64 reference, as text for any language.

A file is lines of a keyword and values, separated by blanks; ``#`` starts a comment line:

    operation   name of the operation (or ``chain``: the operations of the files named behind it, in order)
    NAME        its parameters, by the names of the correction file: numbers, or a word
    table       how many rows of three numbers follow: 1D entry by entry; 3D blue fastest, then green, then red
    tolerance   a result may be off by this, times its own size where that is above 1
    colours     how many rows follow: R G B going in, then R G B coming out

Numbers are decimal, with as many digits as a float64 needs to come back to the last bit.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from huewright_kernels.ops import REGISTRY, Operation

from huewright.reference import apply_chain

CHAIN = 2e-5
"""The tolerance of the whole chain: six roundings, amplified."""
CHAINED = ("log-decode-acescct", "matrix", "transfer-bt709-encode", "tone-curve-three-anchors", "hue-sectors-bt709",
           "lut-3d-tetrahedral")


@dataclass(frozen=True)
class Golden:
    """One file. ``colours`` (n, 3) float64 go in, ``results`` come out; ``chain`` names other files instead."""

    name: str
    operations: tuple[Operation, ...]
    tolerance: float
    colours: np.ndarray
    results: np.ndarray
    chain: tuple[str, ...] = ()


# Of sRGB, BT.709 and HLG, encoding and decoding, and of the log curves among the examples.
_BREAKS = tuple(at * side for at in (0.0031308, 0.018, 0.04045, 0.081, 1 / 12, 0.5, 0.0078125, 0.01, 0.1551, 0.301)
                for side in (0.84, 0.96, 1.04, 1.16))


def _colours(low: float, high: float) -> np.ndarray:
    """Greys (both sides of each curve's break among them), the 75 % bars, and invented colours over [low, high]; all
    exact in float32."""
    steps = [low, 0.0, 0.005, 0.04, 0.18, 0.41, 0.75, 1.0, high, *_BREAKS, -0.02, -0.3]
    greys = np.repeat(np.array(steps)[:, None], 3, axis=1)
    bars = 0.75 * np.array([[1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1], [1, 0, 1]], np.float64)
    invented = np.random.default_rng(20).uniform(low, high, (17, 3))
    rows = np.concatenate([greys, bars, invented]).astype(np.float32)
    return rows[np.all((rows >= low) & (rows <= high), axis=1)].astype(np.float64)


def golden_vectors() -> list[Golden]:
    """Every file's contents, computed now: the examples that each operation gives for this, and a chain of them."""
    vectors = []
    for kind in REGISTRY.values():
        for example in kind.parts.examples():
            if example.golden:
                colours = _colours(example.low, example.high)
                vectors.append(Golden(_name(kind.name, example.title), (example.operation,), kind.parts.bound.tolerance,
                                      colours, apply_chain((example.operation,), colours)))
    chain = tuple(golden.operations[0] for name in CHAINED for golden in vectors if golden.name == name)
    colours = _colours(0.1, 0.6)
    vectors.append(Golden("chain", chain, CHAIN, colours, apply_chain(chain, colours), CHAINED))
    return vectors


def _name(operation: str, title: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", f"{operation} {title.replace('.', '')}".lower()).strip("-")


# --- text -----------------------------------------------------------------------------------------------------
def _numbers(values: Any) -> str:
    return " ".join(repr(float(v)) for v in np.ravel(np.asarray(values, np.float64)))


def to_text(golden: Golden) -> str:
    lines = ["# Golden vectors of huewright: see PORTING.md beside this folder. Computed in float64."]
    if golden.chain:
        lines.append("operation chain " + " ".join(golden.chain))
    else:
        (operation,) = golden.operations
        lines.append(f"operation {operation.name}")
        for field in fields(operation):  # type: ignore[arg-type]
            value = getattr(operation, field.name)
            if isinstance(value, str):
                lines.append(f"{field.name} {value}")
            elif isinstance(value, np.ndarray):
                rows = value.reshape(-1, 3)
                lines += [f"table {len(rows)}", *map(_numbers, rows)]
            elif value is not None:
                lines.append(f"{field.name} {_numbers(value)}")
    lines += [f"tolerance {golden.tolerance!r}", f"colours {len(golden.colours)}"]
    lines += [f"{_numbers(a)} {_numbers(b)}" for a, b in zip(golden.colours, golden.results, strict=True)]
    return "\n".join(lines) + "\n"


def from_text(name: str, text: str) -> Golden:
    """The inverse of :func:`to_text` but for the operations of a chain, which lie in other files."""
    lines = iter([line for line in text.splitlines() if line and not line.startswith("#")])
    record: dict[str, Any] = {}
    chain: tuple[str, ...] = ()
    colours, results, tolerance = np.empty((0, 3)), np.empty((0, 3)), 0.0
    for line in lines:
        key, *words = line.split()
        if key == "operation":
            record["operation"], chain = words[0], tuple(words[1:])
        elif key == "tolerance":
            tolerance = float(words[0])
        elif key == "table":
            record["table"] = _rows(lines, int(words[0]))
        elif key == "colours":
            rows = _rows(lines, int(words[0]))
            colours, results = rows[:, :3], rows[:, 3:]
        else:
            values = tuple(float(word) if re.match(r"[-\d]", word) else word for word in words)
            record[key] = values[0] if len(values) == 1 else values
    operations = () if chain else (_operation(record),)
    return Golden(name, operations, tolerance, colours, results, chain)


def _rows(lines: Iterator[str], count: int) -> np.ndarray:
    return np.array([[float(word) for word in next(lines).split()] for _ in range(count)])


def _operation(record: dict[str, Any]) -> Operation:
    kind = REGISTRY[record.pop("operation")]
    for field in kind.FIELDS:
        if field.name not in record:
            continue
        if field.kind == "rows":
            record[field.name] = np.reshape(record[field.name], field.shape)
        elif field.kind == "table":
            table = record[field.name]
            side = round(len(table) ** (1 / (field.dimensions - 1)))
            record[field.name] = table.reshape(*(side,) * (field.dimensions - 1), 3)
    return kind(**record)


def write_golden(folder: Path) -> None:
    """Writes every file into ``folder``. To be run when an operation is added: its numbers then are as computed."""
    folder.mkdir(parents=True, exist_ok=True)
    for golden in golden_vectors():
        (folder / f"{golden.name}.txt").write_text(to_text(golden), encoding="ascii", newline="\n")
