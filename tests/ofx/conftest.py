"""The bundle, built once for all tests here, and plug-ins that are broken on purpose."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.ofx import build as building

BROKEN = Path(__file__).parent / "broken"


def compiler() -> list[str]:
    try:
        return building.find_compiler()
    except InputError as error:
        pytest.skip(str(error))


@pytest.fixture(scope="session")
def bundle(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    compiler()
    return made_once("bundle", building.build) / f"{building.NAME}.bundle"


@pytest.fixture(scope="session")
def binary(bundle: Path) -> Path:
    return bundle / "Contents" / "Linux-x86-64" / "huewright.ofx"


@pytest.fixture(scope="session")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """``broken("CRASH")`` is the small plug-in with that fault, ``broken("")`` the honest one."""
    folder = tmp_path_factory.mktemp("broken")

    def make(fault: str) -> Path:
        target = folder / f"{fault or 'honest'}.ofx"
        if not target.exists():
            define = [f"-DBREAK_{fault}"] if fault else []
            subprocess.run([*compiler(), "-std=gnu11", "-O1", "-w", "-shared", "-fPIC", *define,
                            "-I", building.SOURCES, BROKEN / "plugin.c", "-o", target], check=True)
        return target

    return make
