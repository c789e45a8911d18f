"""How far a LUT file or a CDL is from the chain that it was made of: over colours such as pictures hold, over others,
where it is worst, and over frames."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import HueSectors, Operation

from huewright.colorimetry.luts import apply_with_opencolorio, lut_processor

COLOURS = 50_000
_SEEDS, _NEAR, _ROUNDS, _REACH = 256, 16, 6, 1 / 32
Apply = Callable[[np.ndarray], np.ndarray]
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class Deviation:
    """Absolute differences of single channels, of full scale, both limited to 0..1; ``worst_code`` are the code values
    at the worst, ``measured`` has the errors over each kind of colours apart.

    ``worst`` and, of colours that the render puts inside the display's gamut, ``measured["in_gamut_worst"]`` are
    looked for: from the worst of the measured colours on, those around them are tried, ever nearer."""

    mean: float
    worst: float
    worst_code: Triple
    measured: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class OverFrames:
    """The same over every pixel of some frames that holds finite code values; ``frame`` is where it is worst."""

    pixels: int
    mean: float
    worst: float
    worst_code: Triple
    frame: int


def table_ways(path: Path, *, either_way: bool) -> tuple[Apply, ...]:
    """The LUT file at ``path`` as OpenColorIO applies it; ``either_way`` also with its lattice interpolated
    tetrahedrally, since programs differ in how they do it."""
    made = [lut_processor(path, tetrahedral=way) for way in ((False, True) if either_way else (False,))]
    return tuple(lambda codes, source=source: apply_with_opencolorio(source, codes)
                 for source in made)


def table_deviation(ways: Sequence[Apply], operations: Sequence[Operation]) -> Deviation:
    """Of the LUT that the first of ``ways`` applies; of a second what is ``tetrahedral_``."""
    found = deviation(ways[0], operations)
    for way in ways[1:]:
        other = deviation(way, operations)
        found.measured.update({"tetrahedral_mean": other.mean, "tetrahedral_worst": other.worst,
                               "tetrahedral_in_gamut_worst": other.measured["in_gamut_worst"]})
    return found


def cdl_deviation(path: Path, operations: Sequence[Operation], neutral: Sequence[Operation]) -> Deviation:
    """Of the CDL file at ``path`` ahead of ``neutral`` from ``operations``, and from these without their hues."""
    graded = cdl_way(path, neutral)
    found = deviation(graded, operations)
    primaries = tuple(item for item in operations if not isinstance(item, HueSectors))
    codes = natural_codes()
    errors = _errors(graded(codes), _rendered(primaries, codes))
    found.measured.update({"natural_mean_of_primaries": float(errors.mean()),
                           "natural_worst_of_primaries": float(errors.max())})
    return found


def cdl_way(path: Path, neutral: Sequence[Operation]) -> Apply:
    """The CDL file at ``path`` as OpenColorIO applies it, then ``neutral``."""
    source = lut_processor(path)
    return lambda codes: _rendered(neutral, apply_with_opencolorio(source, codes))


def deviation(apply: Apply, operations: Sequence[Operation]) -> Deviation:
    """Of what ``apply`` makes of code values (n, 3) from what ``operations`` do."""
    codes = np.concatenate([natural_codes(), random_codes()])
    wanted = _rendered(operations, codes)
    errors = _errors(apply(codes), wanted)
    inside = _inside(wanted)
    first, second = errors[:COLOURS], errors[COLOURS:]
    worst, worst_code = _sought(apply, operations, codes, errors.max(axis=1), in_gamut=False)
    in_gamut, code = _sought(apply, operations, codes, np.where(inside, errors.max(axis=1), 0.0), in_gamut=True)
    if in_gamut > worst:    # found by the other search
        worst, worst_code = in_gamut, code
    measured = {"natural_mean": first.mean(), "natural_worst": first.max(),
                "random_mean": second.mean(), "random_worst": second.max(), "in_gamut_worst": in_gamut,
                "natural_beyond_gamut_worst": first[~inside[:COLOURS]].max(initial=0)}
    return Deviation(float(errors.mean()), worst, worst_code, {name: float(value) for name, value in measured.items()})


def sampled_in_gamut(apply: Apply, operations: Sequence[Operation]) -> float:
    """The worst over sampled colours that the render puts inside the display's gamut, and no search beside them."""
    codes = np.concatenate([natural_codes(), random_codes()])
    wanted = _rendered(operations, codes)
    return float(_errors(apply(codes), wanted)[_inside(wanted)].max(initial=0))


def over_frames(ways: Sequence[Apply], operations: Sequence[Operation],
                frames: Iterable[tuple[int, np.ndarray]]) -> OverFrames:
    """Of whichever of ``ways`` is worse, over ``frames``: numbers and code values (h, w, 3)."""
    pixels, total, worst = 0, 0.0, (-1.0, (0.0, 0.0, 0.0), 0)
    for number, picture in frames:
        codes = finite_codes(picture)
        if not len(codes):
            continue
        wanted = _rendered(operations, codes)
        errors = np.max([_errors(way(codes), wanted) for way in ways], axis=0)
        pixels, total = pixels + len(codes), total + float(errors.sum())
        at = int(errors.max(axis=1).argmax())
        if errors[at].max() > worst[0]:
            worst = (float(errors[at].max()), _triple(codes[at]), number)
    return OverFrames(pixels, total / max(3 * pixels, 1), max(worst[0], 0.0), worst[1], worst[2])


def finite_codes(picture: np.ndarray) -> np.ndarray:
    """The pixels (n, 3) of code values (h, w, 3) that are numbers, float32."""
    codes = np.ascontiguousarray(picture, dtype=np.float32).reshape(-1, 3)
    finite = np.isfinite(codes).all(axis=1)
    return codes if finite.all() else np.ascontiguousarray(codes[finite])


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


def _inside(wanted: np.ndarray) -> np.ndarray:
    result: np.ndarray = np.all((wanted >= 0) & (wanted <= 1), axis=1)
    return result


def _sought(apply: Apply, operations: Sequence[Operation], codes: np.ndarray, errors: np.ndarray, *,
            in_gamut: bool) -> tuple[float, Triple]:
    """The worst error and its code values, from the worst of ``codes`` (whose ``errors`` are known) on, of all code
    values in the cube or of those that the render puts ``in_gamut``."""
    rng = np.random.default_rng(4)
    order = np.argsort(errors)[-_SEEDS:]
    best, held, radius = codes[order], errors[order], _REACH
    for _ in range(_ROUNDS):
        around = best[:, None] + rng.uniform(-radius, radius, (len(best), _NEAR, 3))
        near = np.clip(around, 0, 1).astype(np.float32).reshape(-1, 3)
        wanted = _rendered(operations, near)
        found = _errors(apply(near), wanted).max(axis=1)
        if in_gamut:
            found[~_inside(wanted)] = 0.0
        pick = np.arange(len(best)) * _NEAR + found.reshape(len(best), _NEAR).argmax(axis=1)
        better = found[pick] > held
        best, held = np.where(better[:, None], near[pick], best), np.where(better, found[pick], held)
        radius /= 2
    return float(held.max()), _triple(best[held.argmax()])


def _triple(code: np.ndarray) -> Triple:
    red, green, blue = (float(value) for value in code)
    return red, green, blue
