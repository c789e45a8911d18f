"""A device's bits beside the processor's: every operation, format, interpolation and special value, value by value.

Equal means the same bits, but that any NaN equals any other: what a NaN carries, IEEE 754 leaves to the processor.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from huewright_kernels.executor import compile_chain, run
from huewright_kernels.formats import ENCODINGS, FULL_SCALES, PixelBuffer
from huewright_kernels.ops import REGISTRY, Operation

from huewright.accuracy.check import Check
from huewright.accuracy.colours import colours_between
from huewright.accuracy.kernels import chain
from huewright.device.compute import Compute, Pixels

UNEQUAL = "values that differ"
SPECIAL = np.array([0.0, -0.0, 1.0, -1.0, np.nan, np.inf, -np.inf, 1e-45, -1e-45, 1e-38, -1e-40, 3.4e38, -3.4e38, 0.18,
                    0.5, 65504.0, 65520.0, 6e-8, 2.0**-25, 1.0 - 2.0**-24], np.float32)
WIDTH = 509
"""Prime, so that a row ends within every group of pixels."""
_SEED = 30211


@dataclass(frozen=True)
class Case:
    """A chain from one encoding to another; ``channels`` 3 or 4."""

    title: str
    operations: tuple[Operation, ...]
    source: str = "float32"
    target: str = "float32"
    channels: int = 4
    premultiplied: bool = False
    seed: int | None = None


def cases() -> Iterator[Case]:
    """Every example of every operation, chains of them, and every pair of encodings, dithered where there are codes."""
    for kind in REGISTRY.values():
        for example in kind.parts.examples():
            yield Case(f"{kind.name}, {example.title}" if example.title else kind.name, (example.operation,))
    yield Case("the whole chain", chain())
    yield Case("the whole chain with a LUT", timed_chain())
    yield Case("nothing", ())
    for source in ENCODINGS:
        for target in ENCODINGS:
            title = f"{source} to {target}"
            yield Case(f"{title}, 3 channels", chain(), source, target, 3)
            if "uint10" not in source + target:
                yield Case(f"{title}, 4 channels", chain(), source, target, 4)
            if target in FULL_SCALES:
                yield Case(f"{title}, dithered", chain(), source, target, 3, seed=7)
    for encoding in ("float32", "float16", "uint8", "uint16"):
        yield Case(f"premultiplied, {encoding}", chain(), encoding, "float32", 4, premultiplied=True)


def same_bits(compute: Compute) -> Iterator[Check]:
    """One row for each of :func:`cases`."""
    return (compared(case, compute) for case in cases())


def how_many() -> int:
    return sum(1 for _ in cases())


def timed_chain() -> tuple[Operation, ...]:
    """The chain that is timed: log decode, matrix, display curve, tone, hue sectors, LUT."""
    timed = {example.timed: example.operation for kind in REGISTRY.values() for example in kind.parts.examples()}
    return tuple(timed[name] for name in ("log decode", "matrix", "display encode", "tone curve", "hue sectors",
                                          "LUT 3D tetrahedral"))


@cache
def awkward_colours() -> np.ndarray:
    """float32 (n, 3): a picture's, random bits (most of them huge, tiny or no number at all) and :data:`SPECIAL`."""
    rng = np.random.default_rng(_SEED)
    any_bits = rng.integers(0, 2**32, (40_000, 3), dtype=np.uint64).astype(np.uint32).view(np.float32)
    special = np.stack(np.meshgrid(SPECIAL, SPECIAL, SPECIAL, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.concatenate([colours_between(-0.5, 4.0), colours_between(-0.1, 1.1, 20_000), any_bits, special])


def _filled(colours: np.ndarray, channels: int) -> np.ndarray:
    """A picture of these colours, alpha among them where there is one; its last row is filled up with the first."""
    rows = -(-len(colours) // WIDTH)
    picture = np.resize(colours, (rows * WIDTH, 3))
    if channels == 4:
        picture = np.concatenate([picture, np.roll(picture[:, :1], 5, axis=0)], axis=1)
    return np.ascontiguousarray(picture.reshape(rows, WIDTH, channels), np.float32)


def _in_memory(picture: np.ndarray, encoding: str, channels: int) -> Pixels:
    """The picture in another encoding, by the processor's own writer."""
    if encoding == "float32":
        return picture
    target = _empty(picture.shape[0], encoding, channels)
    run(compile_chain(()), picture, target)
    return target


def _empty(rows: int, encoding: str, channels: int) -> Pixels:
    if encoding in ("float32", "float16", "uint8", "uint16"):
        return np.zeros((rows, WIDTH, channels), encoding)
    row_bytes = 4 * WIDTH if encoding.startswith("uint10") else 2 * channels * WIDTH
    return PixelBuffer(np.zeros(rows * row_bytes, np.uint8), WIDTH, rows, row_bytes, encoding,
                       3 if encoding.startswith("uint10") else channels)


def compared(case: Case, compute: Compute) -> Check:
    """How many values come out otherwise than from the processor, and the first of them."""
    source = _in_memory(_filled(awkward_colours(), case.channels), case.source, case.channels)
    rows = source.shape[0] if isinstance(source, np.ndarray) else source.height
    wanted, found = (_empty(rows, case.target, case.channels) for _ in range(2))
    program = compile_chain(case.operations)
    run(program, source, wanted, premultiplied=case.premultiplied, dither_seed=case.seed)
    compute(program, source, found, premultiplied=case.premultiplied, dither_seed=case.seed)
    unequal = _unequal(wanted, found)
    first = ""
    if unequal.any():
        at = int(np.argmax(unequal))
        first = f"value {at}: {_said(wanted, at)} here, {_said(found, at)} there"
    return Check(case.title, "the processor's bits", 0.0, float(unequal.sum()), first, not unequal.any(), UNEQUAL)


def _unequal(wanted: Pixels, found: Pixels) -> np.ndarray:
    """Of each value, whether its bits differ."""
    if isinstance(wanted, np.ndarray) and isinstance(found, np.ndarray):
        if wanted.dtype.kind != "f":
            unequal: np.ndarray = (wanted != found).ravel()
            return unequal
        bits = np.uint16 if wanted.dtype.itemsize == 2 else np.uint32
        unequal = (wanted.view(bits) != found.view(bits)) & ~(np.isnan(wanted) & np.isnan(found))
        return unequal.ravel()
    assert isinstance(wanted, PixelBuffer) and isinstance(found, PixelBuffer)
    unequal = wanted.data != found.data
    return unequal


def _said(picture: Pixels, at: int) -> str:
    return str((picture if isinstance(picture, np.ndarray) else picture.data).reshape(-1)[at])
