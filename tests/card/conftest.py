"""A driver and a package that stand in for NVIDIA's, for children: what they load stays with the process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
RUN = ("import sys, json, runpy; names = runpy.run_path(sys.argv[1]);"
       "print(json.dumps(names[sys.argv[2]](*sys.argv[3:])))")


def compiled(source: str, target: Path, *flags: str) -> Path:
    from huewright.errors import InputError
    from huewright.plugin.build import SOURCES, find_compiler

    try:
        compiler = find_compiler()
    except InputError as error:
        pytest.skip(str(error))
    subprocess.run([*compiler, "-std=gnu11", "-O1", "-w", "-shared", "-fPIC", *flags, "-I", SOURCES, "-I",
                    HERE.parent / "probe" / "broken", HERE / source, "-o", target], check=True)
    return target


@pytest.fixture(scope="session")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The library, under the name by which it is opened. What its kernels are computed by is compiled here, once:
    children would each begin it anew, and be ended as hung before it is done."""
    from huewright_kernels.executor import run_core

    run_core.compiled()
    return compiled("driver.c", tmp_path_factory.mktemp("driver") / "libcuda.so.1", "-Wl,-soname,libcuda.so.1")


@pytest.fixture(scope="session")
def copying(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """``copying("CUDA_RENDER")``: the plug-in with that fault; "" is the honest one."""
    folder = tmp_path_factory.mktemp("copying")

    def make(fault: str) -> Path:
        target = folder / f"{fault or 'honest'}.ofx"
        return target if target.exists() else compiled("plugin.c", target, *([f"-DBREAK_{fault}"] if fault else []))
    return make


def environment(driver: Path) -> dict[str, str]:
    path = os.environ.get("PYTHONPATH", "")
    return os.environ | {"STAND_IN_DRIVER": str(driver), "PYTHONPATH": f"{HERE / 'stand_in'}{os.pathsep}{path}"}


@pytest.fixture
def stood_in(driver: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """For children that the program itself starts."""
    for name, value in environment(driver).items():
        monkeypatch.setenv(name, value)


@pytest.fixture
def in_child(driver: Path) -> Callable[..., Any]:
    """``in_child(file, "function", argument, ...)``: what that function returns in a process with the stand-ins."""
    def call(file: str, function: str, *arguments: object, with_driver: Path = driver) -> Any:
        result = subprocess.run([sys.executable, "-c", RUN, file, function, *map(str, arguments)],
                                env=environment(with_driver), capture_output=True, text=True, check=False)
        assert result.returncode == 0, result.stderr[-3000:]
        return json.loads(result.stdout)
    return call
