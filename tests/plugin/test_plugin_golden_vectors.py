"""The golden vectors in the repository: what the reference gives, and what our kernels and our binary must give."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from huewright.files import write_json
from huewright.host.rendering import Renderer
from huewright.plugin.generated import operations_page
from huewright.plugin.golden import (
    REFUSED,
    REFUSED_FILE,
    Golden,
    from_text,
    golden_vectors,
    refused_text,
    to_text,
    write_golden,
)
from huewright_kernels import compile_chain, run_colours
from huewright_kernels.ops import REGISTRY, Operation

FOLDER = Path(__file__).parents[2] / "kernels" / "golden"
NAMES = sorted(path.stem for path in FOLDER.glob("*.txt") if path.name != REFUSED_FILE)


def read(name: str) -> Golden:
    golden = from_text(name, (FOLDER / f"{name}.txt").read_text(encoding="ascii"))
    if not golden.chain:
        return golden
    operations = tuple(read(part).operations[0] for part in golden.chain)
    return Golden(name, operations, golden.tolerance, golden.colours, golden.results, golden.chain)


def same(a: Operation, b: Operation) -> bool:
    return type(a) is type(b) and all(np.array_equal(getattr(a, f.name), getattr(b, f.name))
                                      for f in fields(a))  # type: ignore[arg-type]


def test_the_files_are_what_the_reference_gives() -> None:
    computed = {golden.name: golden for golden in golden_vectors()}
    assert NAMES == sorted(computed)
    for name, expected in computed.items():
        golden = read(name)
        assert len(golden.operations) == len(expected.operations)
        assert all(map(same, golden.operations, expected.operations))
        assert np.array_equal(golden.colours, expected.colours, equal_nan=True)
        assert golden.tolerance == expected.tolerance
        # The last digits are the C library's, which may differ between machines.
        assert golden.error(expected.results) < 1e-12


def test_every_operation_has_vectors() -> None:
    assert {operation.name for name in NAMES for operation in read(name).operations} == set(REGISTRY)


def test_text_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    for golden in golden_vectors():
        again = from_text(golden.name, to_text(golden))
        assert again.results.tobytes() == golden.results.tobytes()
        assert again.colours.tobytes() == golden.colours.tobytes()
    write_golden(tmp_path / "new")
    assert sorted(path.stem for path in (tmp_path / "new").iterdir()) == sorted([*NAMES, "refused"])


@pytest.mark.parametrize("name", NAMES)
def test_the_kernels_pass(name: str) -> None:
    golden = read(name)
    assert golden.error(run_colours(compile_chain(golden.operations), golden.colours)) <= golden.tolerance


@pytest.mark.parametrize("name", NAMES)
def test_the_binary_passes(binary: Path, tmp_path: Path, name: str) -> None:
    golden = read(name)
    write_json(tmp_path / "c.json", {"format": "huewright-correction-1", "neutral_operations": [],
                                     "operations": [operation.to_dict() for operation in golden.operations]})
    pixels = golden.colours[None].astype(np.float32)
    renderer = Renderer(binary, "org.huewright.Correction", {"correctionFile": tmp_path / "c.json"},
                        pixels.shape[1::-1], pixels.dtype, alpha=False)
    assert golden.error(renderer.render(pixels)[0]) <= golden.tolerance
    renderer.close()


@pytest.mark.parametrize("name", [name for name in NAMES if "linear" not in name])
def test_a_wrong_port_would_fail(name: str) -> None:
    """Leaving the colours alone must not pass; nor must results that are off by a thousandth."""
    golden = read(name)
    finite = np.isfinite(golden.results).all(axis=1) & np.isfinite(golden.colours).all(axis=1)
    plain = Golden(name, golden.operations, golden.tolerance, golden.colours[finite], golden.results[finite])
    assert plain.error(plain.colours) > 100 * golden.tolerance
    assert plain.error(plain.results * 1.001) > golden.tolerance


def test_what_must_be_refused_is() -> None:
    assert (FOLDER / REFUSED_FILE).read_text(encoding="ascii") == refused_text()
    for record in REFUSED:
        values = dict(record)
        with pytest.raises(ValueError, match=f"operation '{record['operation']}': "):
            REGISTRY[values.pop("operation")](**values)


def test_the_vectors_hold_what_is_special() -> None:
    for name in NAMES:
        colours = read(name).colours
        assert np.isnan(colours).any() and np.isinf(colours).any() and (np.signbit(colours) & (colours == 0)).any()
    assert {"lut-1d-long", "lut-3d-large"} <= set(NAMES)


def test_the_page_of_operations_is_what_they_say_of_themselves() -> None:
    page = (FOLDER.parents[1] / "harness" / "docs" / "operations.md").read_text(encoding="utf-8")
    assert page == operations_page(), "write it anew with python -m huewright.plugin.generated"
