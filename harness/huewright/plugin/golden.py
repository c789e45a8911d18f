"""Golden vectors: what a port of the kernels must give, from the float64 reference, as text for any language.

A file is lines of a keyword and values, separated by blanks; ``#`` starts a comment line:

    operation   name of the operation (or ``chain``: the operations of the files named behind it, in order)
    NAME        its parameters, by the names of the correction file: numbers, or a word
    table       how many rows of three numbers follow: 1D entry by entry; 3D blue fastest, then green, then red
    tolerance   a result may be off by this, times its own size where that is above 1
    colours     how many rows follow: R G B going in, then R G B coming out
    refused     ends an operation that must be refused (``refused.txt`` has those, one after the other)

Numbers are decimal, with as many digits as a float64 needs to come back to the last bit; among the colours stand nan,
inf and -inf as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from huewright_kernels.ops import REGISTRY, LogDecode, LogEncode, Lut1D, Lut3D, Operation, Transfer

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

    def error(self, results: np.ndarray) -> float:
        """The largest error of a port's results, over the result's own size above 1; infinite where one is not-a-number
        or infinite and the other is not so."""
        with np.errstate(invalid="ignore"):
            off = np.abs(results - self.results) / np.maximum(1.0, np.abs(self.results))
        same = (results == self.results) | (np.isnan(results) & np.isnan(self.results))
        return float(np.max(np.where(same, 0.0, np.nan_to_num(off, nan=np.inf))))


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


def _special(operations: tuple[Operation, ...]) -> np.ndarray:
    """Not-a-number, infinities, minus zero and a number below float32's normal ones, in all channels and in each. Left
    out: what the guide leaves open."""
    values = [np.nan, np.inf, -np.inf, -0.0, 1e-40]
    rows = np.array([row for v in values for row in ((v, v, v), (v, 0.18, 0.5), (0.5, v, 0.18), (0.18, 0.5, v))],
                    np.float32).astype(np.float64)
    if Transfer("pq", "encode") in operations:
        rows = rows[~np.any(rows == np.inf, axis=1)]
    if any(isinstance(operation, LogDecode) and operation.lin_side_break is None for operation in operations):
        rows = rows[~np.any(rows == -np.inf, axis=1)]
    return rows


def _further() -> dict[str, Operation]:
    """A logarithm that meets its smallest argument; LUTs whose places and cells take more than their first digits to
    find, with entries that are short in decimal."""
    numbers = np.random.default_rng(33)
    return {"log-encode-no-linear-part": LogEncode(10.0, 0.3, 0.4, 5.0, 0.05),
            "lut-1d-long": Lut1D(numbers.integers(0, 1025, (4096, 3)) / 1024, (-0.1, 0.0, -0.25), (1.0, 1.0, 1.25)),
            "lut-3d-large": Lut3D(numbers.integers(0, 33, (17, 17, 17, 3)) / 32, (-0.1, 0.0, 0.05), (1.0, 1.5, 0.9))}


def golden_vectors() -> list[Golden]:
    """Every file's contents, computed now: the examples that each operation gives for this, and a chain of them."""
    vectors = []

    def add(name: str, operations: tuple[Operation, ...], tolerance: float, low: float, high: float,
            chain: tuple[str, ...] = ()) -> None:
        colours = np.concatenate([_colours(low, high), _special(operations)])
        with np.errstate(all="ignore"):
            results = apply_chain(operations, colours)
        results[np.isnan(results)] = np.nan  # without a sign
        vectors.append(Golden(name, operations, tolerance, colours, results, chain))

    for kind in REGISTRY.values():
        for example in kind.parts.examples():
            if example.golden:
                add(_name(kind.name, example.title), (example.operation,), kind.parts.bound.tolerance, example.low,
                    example.high)
    for name, operation in _further().items():
        add(name, (operation,), operation.parts.bound.tolerance, -0.5, 4.0)
    chain = tuple(golden.operations[0] for name in CHAINED for golden in vectors if golden.name == name)
    add("chain", chain, CHAIN, 0.1, 0.6, CHAINED)
    return vectors


REFUSED_FILE = "refused.txt"
_RISING = (0.0, 0.5, 1.0)
_HUES = (0.0, 90.0, 200.0, 300.0)
REFUSED: tuple[dict[str, Any], ...] = (
    {"operation": "tone-curve", "x": (0.0, 0.6, 0.5), "y": _RISING},
    {"operation": "tone-curve", "x": (0.0, 0.5, 0.5), "y": _RISING},
    {"operation": "tone-curve", "x": _RISING, "y": (0.0, 0.7, 0.6)},
    {"operation": "tone-curve", "x": _RISING, "y": (0.2, 0.2, 1.0)},
    {"operation": "tone-curve", "x": _RISING, "y": (0.0, 1.0)},
    {"operation": "hue-sectors", "hues_deg": _HUES, "rotations_deg": (0.0, 115.0, 0.0, 0.0), "gains": (1.0,) * 4},
    {"operation": "hue-sectors", "hues_deg": _HUES, "rotations_deg": (-65.0, 0.0, 0.0, 0.0), "gains": (1.0,) * 4},
    {"operation": "hue-sectors", "hues_deg": (0.0, 90.0, 80.0, 300.0), "rotations_deg": (0.0,) * 4,
     "gains": (1.0,) * 4},
    {"operation": "hue-sectors", "hues_deg": _HUES, "rotations_deg": (0.0,) * 4, "gains": (1.0, 0.0, 1.0, 1.0)},
    {"operation": "log-decode", "base": 2.0, "log_side_slope": 0.0},
    {"operation": "log-encode", "base": 1.0},
    {"operation": "log-encode", "lin_side_offset": 0.1, "lin_side_break": -0.1},
    {"operation": "lut-1d", "table": np.array([[0.0] * 3, [1.0] * 3]), "domain_min": (0.0, 0.5, 0.0),
     "domain_max": (1.0, 0.5, 1.0)},
    {"operation": "asc-cdl", "power": (1.0, 0.0, 1.0)},
    {"operation": "asc-cdl", "slope": (1.0, 0.0, 1.0), "style": "RevNoClamp"})
"""Records that a port must refuse: anchors that don't rise, an order of hues that would fold, and the like."""


def _name(operation: str, title: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", f"{operation} {title.replace('.', '')}".lower()).strip("-")


# --- text -----------------------------------------------------------------------------------------------------
def _numbers(values: Any) -> str:
    return " ".join(repr(float(v)) for v in np.ravel(np.asarray(values, np.float64)))


def _record_lines(record: dict[str, Any]) -> list[str]:
    lines = []
    for name, value in record.items():
        if isinstance(value, str):
            lines.append(f"{name} {value}")
        elif isinstance(value, np.ndarray):
            rows = value.reshape(-1, 3)
            lines += [f"table {len(rows)}", *map(_numbers, rows)]
        elif value is not None:
            lines.append(f"{name} {_numbers(value)}")
    return lines


def refused_text() -> str:
    lines = ["# Operations that a port must refuse: see PORTING.md beside this folder."]
    for record in REFUSED:
        lines += [*_record_lines(record), "refused"]
    return "\n".join(lines) + "\n"


def to_text(golden: Golden) -> str:
    lines = ["# Golden vectors of huewright: see PORTING.md beside this folder. Computed in float64."]
    if golden.chain:
        lines.append("operation chain " + " ".join(golden.chain))
    else:
        (operation,) = golden.operations
        lines += _record_lines({"operation": operation.name, **{
            field.name: getattr(operation, field.name)
            for field in fields(operation)}})  # type: ignore[arg-type]
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
    (folder / REFUSED_FILE).write_text(refused_text(), encoding="ascii", newline="\n")
