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
from huewright_kernels.ops import (
    REGISTRY,
    HueSectors,
    LogDecode,
    LogEncode,
    Lut1D,
    Lut3D,
    Matrix,
    Operation,
    ToneCurve,
    Transfer,
)
from huewright_kernels.ops.transfer import CURVES, DIRECTIONS

from huewright.reference import apply_chain

SMOOTH, LUT, HUES, CHAIN = 2e-6, 1e-6, 1e-5, 2e-5
"""Tolerances: smooth formulae, tables, hue sectors (a table of turns), the whole chain (six roundings, amplified)."""

# Academy S-2016-001: ACEScct's constants; its break on the linear side is at 2^-7.
_ACESCCT = {"base": 2.0, "log_side_slope": 1 / 17.52, "log_side_offset": 9.72 / 17.52, "lin_side_break": 0.0078125}
_CURVE = {"base": 10.0, "log_side_slope": 0.3, "log_side_offset": 0.4, "lin_side_slope": 5.0, "lin_side_offset": 0.05,
          "lin_side_break": 0.01}
_SECTORS: dict[str, Any] = {"hues_deg": (12.0, 66.5, 103.0, 175.0, 230.0, 283.0, 355.0),
            "rotations_deg": (2.0, -4.5, 8.0, -12.0, 0.0, 6.0, -3.0),
            "gains": (1.1, 0.8, 1.35, 1.0, 0.5, 1.75, 0.9)}


@dataclass(frozen=True)
class Golden:
    """One file. ``colours`` (n, 3) float64 go in, ``results`` come out; ``chain`` names other files instead."""

    name: str
    operations: tuple[Operation, ...]
    tolerance: float
    colours: np.ndarray
    results: np.ndarray
    chain: tuple[str, ...] = ()


def _colours(low: float, high: float) -> np.ndarray:
    """Greys, the 75 % bars, and invented colours over [low, high]; all exact in float32."""
    greys = np.repeat(np.array([low, 0.0, 0.005, 0.04, 0.18, 0.41, 0.75, 1.0, high])[:, None], 3, axis=1)
    bars = 0.75 * np.array([[1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1], [1, 0, 1]], np.float64)
    invented = np.random.default_rng(20).uniform(low, high, (17, 3))
    rows = np.concatenate([greys, bars, invented]).astype(np.float32)
    return rows[np.all((rows >= low) & (rows <= high), axis=1)].astype(np.float64)


def _invented_lattice(n: int) -> np.ndarray:
    axis = np.linspace(0, 1, n)
    r, g, b = np.meshgrid(axis, axis, axis, indexing="ij")
    return np.stack([r**0.8 + 0.1 * g * b, g**1.2 - 0.05 * r, 0.9 * b + 0.1 * r * g], -1)


def golden_vectors() -> list[Golden]:
    """Every file's contents, computed now."""
    ramp = np.linspace(0, 1, 5)[:, None] ** np.array([0.6, 1.0, 1.7])
    cases: list[tuple[str, Operation, float, float, float]] = [
        ("matrix", Matrix(((1.3, -0.2, -0.1), (0.05, 0.9, 0.05), (0.02, -0.4, 1.38)), (0.01, 0.0, -0.02)),
         SMOOTH, -0.5, 4.0),
        ("log-decode-acescct", LogDecode(**_ACESCCT), SMOOTH, -0.4, 1.3),
        ("log-encode-acescct", LogEncode(**_ACESCCT), SMOOTH, -0.5, 4.0),
        ("log-decode-six-parameters", LogDecode(**_CURVE), SMOOTH, -0.4, 1.5),
        ("log-encode-six-parameters", LogEncode(**_CURVE, linear_slope=6.0), SMOOTH, -0.5, 4.0),
        ("log-decode-no-linear-part", LogDecode(2.0, 0.1, 0.6), SMOOTH, 0.0, 1.0),
        *((f"transfer-{curve}-{direction}", Transfer(curve, direction), SMOOTH,
           0.0 if (curve, direction) == ("pq", "decode") else -0.5, 1.0 if direction == "decode" else 4.0)
          for curve in CURVES for direction in DIRECTIONS),
        ("tone-curve-three-anchors", ToneCurve((0.0, 0.4, 1.0), (0.02, 0.41, 0.95)), SMOOTH, -0.5, 2.0),
        ("tone-curve-six-anchors", ToneCurve((-0.2, 0.0, 0.1, 0.35, 0.7, 1.1), (-0.1, 0.01, 0.08, 0.4, 0.72, 1.0)),
         SMOOTH, -0.5, 2.0),
        ("hue-sectors-bt709", HueSectors(**_SECTORS), HUES, -0.2, 1.5),
        ("hue-sectors-bt2020", HueSectors(**_SECTORS, kr=0.2627, kb=0.0593), HUES, -0.2, 1.5),
        ("lut-1d", Lut1D(ramp, (-0.1, 0.0, 0.0), (1.0, 1.0, 1.2)), LUT, -0.5, 1.5),
        ("lut-3d-tetrahedral", Lut3D(_invented_lattice(4)), LUT, -0.2, 1.2),
        ("lut-3d-trilinear", Lut3D(_invented_lattice(4), (-0.1,) * 3, (1.1,) * 3, "trilinear"), LUT, -0.2, 1.2),
    ]
    vectors = []
    for name, operation, tolerance, low, high in cases:
        colours = _colours(low, high)
        vectors.append(Golden(name, (operation,), tolerance, colours, apply_chain((operation,), colours)))
    names = ("log-decode-acescct", "matrix", "transfer-bt709-encode", "tone-curve-three-anchors", "hue-sectors-bt709",
             "lut-3d-tetrahedral")
    chain = tuple(golden.operations[0] for name in names for golden in vectors if golden.name == name)
    colours = _colours(0.1, 0.6)
    vectors.append(Golden("chain", chain, CHAIN, colours, apply_chain(chain, colours), names))
    return vectors


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
    name = record.pop("operation")
    if "matrix" in record:
        record["matrix"] = tuple(record["matrix"][k:k + 3] for k in (0, 3, 6))
    if name == "lut-3d":
        n = round(len(record["table"]) ** (1 / 3))
        record["table"] = record["table"].reshape(n, n, n, 3)
    return REGISTRY[name](**record)


def write_golden(folder: Path) -> None:
    """Writes every file into ``folder``. To be run when an operation is added: its numbers then are as computed."""
    folder.mkdir(parents=True, exist_ok=True)
    for golden in golden_vectors():
        (folder / f"{golden.name}.txt").write_text(to_text(golden), encoding="ascii", newline="\n")
