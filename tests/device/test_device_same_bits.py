"""The GPU's bits are the processor's: every operation, encoding, interpolation and special value. Needs a GPU.

What is left out of the comparison: which NaN comes out (IEEE 754-2019, 6.2.3 leaves payloads to the processor).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from huewright.accuracy.devices import UNEQUAL, Case, cases, compared
from huewright.device.choosing import computing_on, require_device
from huewright.device.compute import Compute, Pixels, Processor
from huewright.errors import InputError
from huewright_kernels import PixelBuffer, compile_chain, run
from huewright_kernels.executor import Program
from huewright_kernels.formats import ENCODINGS
from huewright_kernels.ops import REGISTRY, Matrix

pytestmark = pytest.mark.slow
try:
    require_device("cuda")
except InputError as why:       # before a case is made for each of hundreds of chains
    pytest.skip(f"no GPU here: {why}", allow_module_level=True)
ALL = list(cases())


@pytest.fixture(scope="module")
def gpu() -> Iterator[Compute]:
    yield computing_on("cuda")


@pytest.mark.parametrize("case", ALL, ids=[case.title for case in ALL])
def test_same_bits(gpu: Compute, case: Case) -> None:
    check = compared(case, gpu)
    assert check.passed, check.at


def test_pictures_that_lie_otherwise(gpu: Compute) -> None:
    """Strides, more channels than four, rows upside down, rows with room behind them."""
    program = compile_chain([Matrix(((1.2, -0.1, -0.1), (0.05, 0.9, 0.05), (0.0, 0.2, 0.8)))])
    rng = np.random.default_rng(5)
    six = rng.random((37, 53, 6), dtype=np.float32)
    wanted, found = np.full_like(six, 7), np.full_like(six, 7)
    run(program, six, wanted)
    gpu(program, six, found)
    assert np.array_equal(wanted, found)
    run(program, six[::-1, ::2], wanted[:, ::2])
    gpu(program, six[::-1, ::2], found[:, ::2])
    assert np.array_equal(wanted, found)
    data = rng.integers(0, 256, 37 * 240, dtype=np.uint8)
    source = PixelBuffer(data, 53, 37, -240, "uint10be", 3, 36 * 240)
    back = [PixelBuffer(np.full(37 * 400, 9, np.uint8), 53, 37, 400, "uint12le") for _ in range(2)]
    run(program, source, back[0], dither_seed=3)
    gpu(program, source, back[1], dither_seed=3)
    assert np.array_equal(back[0].data, back[1].data)


def test_in_place(gpu: Compute) -> None:
    program = compile_chain([Matrix(((1.2, 0, 0), (0, 1.1, 0), (0, 0, 0.9)))])
    one = np.random.default_rng(1).random((31, 67, 3), dtype=np.float32)
    two = one.copy()
    run(program, one, one)
    gpu(program, two, two)
    assert np.array_equal(one, two)


# ---- without a GPU: the comparison itself ------------------------------------------------------------------------


def test_every_operation_and_encoding_is_compared() -> None:
    assert {kind for kind in REGISTRY.values()} <= {type(operation) for case in ALL for operation in case.operations}
    assert {(case.source, case.target) for case in ALL} >= {(a, b) for a in ENCODINGS for b in ENCODINGS}


class Wrong:
    """A device that is right but for one value, by one unit in its last place."""

    name = "wrong"

    def __call__(self, program: Program, source: Pixels, target: Pixels, *, premultiplied: bool = False,
                 dither_seed: int | None = None) -> None:
        Processor(1)(program, source, target, premultiplied=premultiplied, dither_seed=dither_seed)
        values = (target.data if isinstance(target, PixelBuffer) else target).reshape(-1)
        values[5] = np.nextafter(values[5], np.float32(9)) if values.dtype.kind == "f" else values[5] ^ 1


@pytest.mark.parametrize("case", [ALL[0], next(case for case in ALL if case.seed is not None),
                                  next(case for case in ALL if case.target == "uint10be")], ids=lambda case: case.title)
def test_one_wrong_bit_is_seen(case: Case) -> None:
    right, wrong = compared(case, Processor(1)), compared(case, Wrong())
    assert right.passed and right.worst_error == 0
    assert not wrong.passed and wrong.worst_error == 1 and wrong.unit == UNEQUAL and "value 5" in wrong.at
