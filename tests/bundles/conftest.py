"""The bundle of all systems, and what runs those of others, each made once for all workers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from bundles import hosts
from huewright.plugin import build as building
from huewright.plugin import link
from huewright.plugin.targets import TARGETS


@pytest.fixture(scope="session")
def targets(request: pytest.FixtureRequest) -> tuple[str, ...]:
    """Of every system with ``--long``, else those that every run tries."""
    return tuple(TARGETS) if request.config.getoption("--long") else hosts.EVERY_RUN


@pytest.fixture(scope="session")
def every_bundle(made_once: Callable[[str, Callable[[Path], object]], Path], targets: tuple[str, ...]) -> Path:
    """One bundle for all ``targets``."""
    if link.zig() is None:
        pytest.skip("needs the ziglang package")
    return made_once("every-bundle", lambda folder: building.build(folder, targets=targets)) / f"{building.NAME}.bundle"


@pytest.fixture(scope="session")
def prefix(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    """Wine's system, which it fills when it is first used."""
    return made_once("wine", lambda folder: None)


@pytest.fixture(scope="session")
def host_for(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Callable[[str], Path]:
    def made(target: str) -> Path:
        reason = hosts.missing(target)
        if reason:
            pytest.skip(reason)
        folder = made_once(f"host-{target}", lambda folder: hosts.compile_host(target, folder))
        return next(path for path in folder.iterdir() if path.name in ("host", "host.exe"))

    return made
