"""One lab for all files of a worker, and small invented things for it to work on."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from huewright.models.correction import save_correction

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from scenes import blocks, make_scene
from test_command_line import CARD, paint
from test_render_take import CORRECTION, take

from hardening.lab import Lab
from hardening.moments import usable

FRAMES = 12


@pytest.fixture(scope="session")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    with Lab(tmp_path_factory.mktemp("lab")) as made:
        yield made


@pytest.fixture(scope="session")
def held(lab: Lab) -> Lab:
    """The lab, where children can be held at their calls."""
    if not usable():
        pytest.skip("this system hands no system calls over (seccomp)")
    return lab


@pytest.fixture(scope="session")
def correction(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("correction") / "c.json"
    save_correction(CORRECTION, path)
    return path


@pytest.fixture
def frames(tmp_path: Path) -> str:
    """The pattern of a small take."""
    return take(tmp_path / "in", ".dpx", 10, numbers=range(1, FRAMES + 1))


@pytest.fixture(scope="session")
def job(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    """A folder with a take of one frame, ``a.0001.png``, the card, and a shot of ten small ones in ``shot``."""
    def make(folder: Path) -> None:
        paint(folder / "a.0001.png")
        shutil.copy(CARD, folder / "card.toml")
        for number in range(1, 11):
            blocks(folder / f"shot/s.{number:04d}.png", number)

    return made_once("hardening-job", make)


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    return make_scene(tmp_path / "kitchen")
