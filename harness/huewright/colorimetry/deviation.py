"""How far a LUT file or a CDL is from the chain that it was made of, over colours such as pictures hold and others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import HueSectors, Lut3D, Operation

from huewright.colorimetry.luts import apply_with_opencolorio, read_lut_file

COLOURS = 50_000


@dataclass(frozen=True)
class Deviation:
    """Absolute differences of single channels, of full scale, both limited to 0..1; ``worst_code`` are the code values
    at the worst, ``measured`` has the errors over each kind of colours apart."""

    mean: float
    worst: float
    worst_code: tuple[float, float, float]
    measured: dict[str, float]


def table_deviation(path: Path, operations: Sequence[Operation], *, either_way: bool) -> Deviation:
    """Of the LUT file at ``path``; ``either_way`` also has its lattice interpolated tetrahedrally, since programs
    differ in how they do it."""
    codes = np.concatenate([natural_codes(), random_codes()])
    wanted = _rendered(operations, codes)
    found = _deviation(_errors(apply_with_opencolorio(path, codes), wanted), codes, wanted)
    if either_way:
        found.measured.update(_tetrahedral(path, codes, wanted))
    return found


def cdl_deviation(path: Path, operations: Sequence[Operation], neutral: Sequence[Operation]) -> Deviation:
    """Of the CDL file at ``path`` ahead of ``neutral`` from ``operations``, and from these without their hues."""
    codes = np.concatenate([natural_codes(), random_codes()])
    graded = _rendered(neutral, apply_with_opencolorio(path, codes))
    wanted = _rendered(operations, codes)
    found = _deviation(_errors(graded, wanted), codes, wanted)
    primaries = tuple(item for item in operations if not isinstance(item, HueSectors))
    errors = _errors(graded, _rendered(primaries, codes))[:COLOURS]
    found.measured.update({"natural_mean_of_primaries": float(errors.mean()),
                           "natural_worst_of_primaries": float(errors.max())})
    return found


def natural_codes(count: int = COLOURS, seed: int = 1) -> np.ndarray:
    """Code values such as pictures hold: neutral levels from near black to near white with small departures."""
    rng = np.random.default_rng(seed)
    return np.clip(rng.uniform(0.05, 0.75, (count, 1)) + rng.normal(0, 0.04, (count, 3)), 0, 1).astype(np.float32)


def random_codes(count: int = COLOURS, seed: int = 2) -> np.ndarray:
    """Code values spread evenly over the cube: most are colours that no picture holds."""
    return np.random.default_rng(seed).random((count, 3)).astype(np.float32)


def _rendered(operations: Sequence[Operation], codes: np.ndarray) -> np.ndarray:
    result: np.ndarray = run_colours(compile_chain(operations), codes)
    return result


def _errors(found: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    result: np.ndarray = np.abs(np.clip(found, 0, 1).astype(np.float64) - np.clip(wanted, 0, 1))
    return result


def _deviation(errors: np.ndarray, codes: np.ndarray, wanted: np.ndarray) -> Deviation:
    """Of ``errors`` (n, 3) over ``codes``, which the render makes ``wanted`` and the first :data:`COLOURS` of which are
    picture-like."""
    first, second = errors[:COLOURS], errors[COLOURS:]
    inside: np.ndarray = np.all((wanted >= 0) & (wanted <= 1), axis=1)
    red, green, blue = codes[np.unravel_index(errors.argmax(), errors.shape)[0]]
    measured = {"natural_mean": first.mean(), "natural_worst": first.max(),
                "random_mean": second.mean(), "random_worst": second.max(),
                "in_gamut_worst": errors[inside].max(initial=0),
                "natural_beyond_gamut_worst": first[~inside[:COLOURS]].max(initial=0)}
    return Deviation(float(errors.mean()), float(errors.max()),
                     (round(float(red), 4), round(float(green), 4), round(float(blue), 4)),
                     {name: float(value) for name, value in measured.items()})


def _tetrahedral(path: Path, codes: np.ndarray, wanted: np.ndarray) -> dict[str, float]:
    lattice, = (item for item in read_lut_file(path).operations if isinstance(item, Lut3D))
    errors = _errors(_rendered((Lut3D(lattice.table, interpolation="tetrahedral"),), codes), wanted)
    return {"tetrahedral_mean": float(errors.mean()), "tetrahedral_worst": float(errors.max())}
