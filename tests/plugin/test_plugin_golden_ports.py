"""Ports of the kernels to other languages, written from PORTING.md, held to the golden vectors."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

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
