"""Ports of the kernels to other languages, written from PORTING.md, held to the golden vectors."""

from __future__ import annotations

import os
import runpy
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from huewright.plugin.golden import REFUSED_FILE, Golden, from_text

PORTS, FOLDER = Path(__file__).parent / "ports", Path(__file__).parents[2] / "kernels" / "golden"


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("g++") or shutil.which("clang++")
    if compiler is None:
        pytest.skip("needs a C++ compiler")
    program = tmp_path_factory.mktemp("port") / "port"
    subprocess.run([compiler, "-std=c++17", "-O2", "-Wall", "-Wextra", "-Werror", "-ffp-contract=off",
                    PORTS / "port.cpp", "-o", program], check=True)
    return program


# Of the vectors' own tolerance no more is taken than this: PQ's exponents cost double three digits, float more.
@pytest.mark.parametrize(("kind", "most"), [("double", 2e-13), ("float", 5e-7)])
def test_the_port_to_cpp(port: Path, kind: str, most: float) -> None:
    files = sorted(FOLDER.glob("*.txt"))
    said = subprocess.run([port, kind, *files], check=True, capture_output=True, text=True).stdout.splitlines()
    assert len(said) == len(files) >= 36
    for line in said:
        name, first, second = line.rsplit(" ", 2)
        if name.endswith("refused.txt"):
            assert (int(first), int(second)) == (0, 15)
        else:
            limit = float(second) if name.endswith("chain.txt") else min(most, float(second))
            assert float(first) <= limit, line


@pytest.fixture(scope="module")
def shader(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """On whatever device there is; one that computes on the processor will do (Mesa's lavapipe)."""
    os.environ.setdefault("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("runtime")))
    wgpu = pytest.importorskip("wgpu", reason="needs wgpu: pip install '.[shaders]'")
    try:
        adapter = wgpu.gpu.request_adapter_sync()
    except Exception as error:  # wgpu has no narrower one for "there is none"
        pytest.skip(f"no device for shaders: {error}")
    return runpy.run_path(str(PORTS / "shader.py"))["Shader"](adapter)


def _read(name: str) -> Golden:
    return from_text(name, (FOLDER / f"{name}.txt").read_text(encoding="ascii"))


@pytest.mark.parametrize("name", sorted(path.stem for path in FOLDER.glob("*.txt") if path.name != REFUSED_FILE))
def test_the_port_to_wgsl(shader: Any, name: str) -> None:
    """But for not-a-number and infinities, which the language lets no one rely on (WGSL, Floating Point Evaluation)."""
    golden = _read(name)
    finite = np.isfinite(golden.colours).all(axis=1)
    operations = tuple(_read(part).operations[0] for part in golden.chain) or golden.operations
    held = Golden(name, operations, golden.tolerance, golden.colours[finite], golden.results[finite])
    values = held.colours
    for operation in operations:
        values = shader.run(operation, values)
    assert held.error(values) <= held.tolerance
