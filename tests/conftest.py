"""How tests share a machine: the threads of a worker, the order of the files, and what is made once for all workers."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext, suppress
from functools import cache
from pathlib import Path
from typing import Any

import pytest

try:
    import fcntl
except ImportError:
    fcntl = None    # type: ignore[assignment]

WORKER = os.environ.get("PYTEST_XDIST_WORKER")

with suppress(ImportError):     # the tests of GPUs need little more than pytest
    from hypothesis import HealthCheck, settings

    # On processors that are shared a clock says nothing of how fast examples are drawn.
    settings.register_profile("shared", deadline=None, suppress_health_check=[HealthCheck.too_slow])
    settings.load_profile("shared")

with suppress(ImportError):
    import typer.main

    # The command line builds the commands of all verbs when it begins, 34 ms; tests that call it in their own process
    # begin hundreds of times.
    typer.main.get_command = cache(typer.main.get_command)

if WORKER:
    # Each worker has its share of the processors. Libraries that start a thread for every one of them would hold each
    # other up; they read these when they are first imported, and processes that tests start inherit them.
    SHARE = str(max(1, len(os.sched_getaffinity(0)) // int(os.environ["PYTEST_XDIST_WORKER_COUNT"])))
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS",
                 "OPENCV_FOR_THREADS_NUM", "OPENIMAGEIO_THREADS", "HUEWRIGHT_THREADS"):
        os.environ.setdefault(name, SHARE)

# All that is there waits for one bundle, which takes a minute to make: a second worker would only wait with the first.
TOGETHER = ("tests/bundles/",)
# Forks a child for each file, each of which would compile the kernels while they are not there.
LATE = ("tests/badfiles/",)


@pytest.fixture(autouse=True)
def _signals() -> Iterator[None]:
    """The command line, run in a test's own process, leaves signals so that they end it at once."""
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = [signal.getsignal(number) for number in numbers]
    yield
    for number, handler in zip(numbers, before, strict=True):
        if signal.getsignal(number) is not handler:
            signal.signal(number, handler)
            signal.set_wakeup_fd(-1)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Half as many again as there are processors: many tests wait, for a browser, a child process or a clock."""
    processors = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return None if config.option.numprocesses == "logical" else processors + (processors + 1) // 2


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="also the tests marked long, before a release")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What needs the bundle is slow; workers take slow tests' files first, so that none is left for the end: first the
    bundle of all systems, whose making leaves for others what theirs is made of, and last those others."""
    if not config.getoption("--long"):
        left_out = [item for item in items if item.get_closest_marker("long")]
        items[:] = [item for item in items if not item.get_closest_marker("long")]
        config.hook.pytest_deselected(items=left_out)
    bundled = {item.path for item in items if "bundle" in getattr(item, "fixturenames", ())}

    def turn(item: pytest.Item) -> int:
        if item.nodeid.startswith(TOGETHER):
            return 0
        if item.get_closest_marker("slow") is None:
            return 3
        return 2 if item.path in bundled or item.nodeid.startswith(LATE) else 1

    for item in items:
        if "bundle" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.slow)
    if WORKER:
        items.sort(key=turn)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Generator[None, object, object]:
    """Of workers that collect one file at the same time, one rewrites its assertions and the others load what it wrote:
    in a fresh checkout that is half of what collecting takes."""
    if not WORKER or fcntl is None or not isinstance(collector, pytest.Module):
        return (yield)
    with collector.path.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)    # let go when the file is closed
        return (yield)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """A file's tests stay on one worker, which makes the file's fixtures once; so do those of the folders in
    :data:`TOGETHER`."""
    from xdist.scheduler import LoadFileScheduling

    class Together(LoadFileScheduling):     # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            file = str(super()._split_scope(nodeid))
            return next((folder for folder in TOGETHER if file.startswith(folder)), file)

    config.option.loadscopereorder = False
    return Together(config, log)


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[Path], object]], Path]:
    """``made_once(name, make)``: the folder that ``make(folder)`` filled, once a run, whichever worker came first."""
    root = tmp_path_factory.getbasetemp()
    root = root.parent if WORKER else root

    def alone(path: Path) -> AbstractContextManager[object]:
        if not WORKER:      # nobody else is there: a bare machine needs no package for it
            return nullcontext()
        from filelock import FileLock

        return FileLock(path)

    def folder_of(name: str, make: Callable[[Path], object]) -> Path:
        folder, done = root / f"once-{name}", root / f"once-{name}.done"
        with alone(root / f"once-{name}.done.lock"):
            if not done.exists():
                folder.mkdir()
                make(folder)
                done.touch()
        return folder

    return folder_of


def pytest_report_header() -> Iterable[str]:
    import shutil

    if not any(shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome")):
        yield "no Chromium here: the page's tests in a browser will be skipped"


# --- the OpenFX bundle, and plug-ins that are broken on purpose ---------------------------------------------------
def compiler() -> list[str]:
    from huewright.errors import InputError
    from huewright.plugin.build import find_compiler

    try:
        return find_compiler()
    except InputError as error:
        pytest.skip(str(error))


@pytest.fixture(scope="session")
def bundle(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    from huewright.plugin import build as building

    compiler()
    return made_once("bundle", building.build) / f"{building.NAME}.bundle"


@pytest.fixture(scope="session")
def binary(bundle: Path) -> Path:
    return bundle / "Contents" / "Linux-x86-64" / "huewright.ofx"


@pytest.fixture(scope="session")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """``broken("CRASH")`` is the small plug-in with that fault, ``broken("")`` the honest one.

    ``broken("WITHOUT", "OfxMemorySuite")`` gives the fault a text.
    """
    from huewright.plugin.build import SOURCES

    folder = tmp_path_factory.mktemp("broken")
    source = Path(__file__).parent / "probe" / "broken" / "plugin.c"

    def make(fault: str, text: str = "") -> Path:
        target = folder / f"{fault or 'honest'}{text}.ofx"
        if not target.exists():
            define = [f"-DBREAK_{fault}" + (f'="{text}"' if text else "")] if fault else []
            if fault == "TILES":  # whose renders of parts differ, so that it had better not claim to be fully safe
                define.append('-DTHREAD_SAFETY="OfxImageEffectRenderInstanceSafe"')
            subprocess.run([*compiler(), "-std=gnu11", "-O1", "-w", "-shared", "-fPIC", *define,
                            "-I", SOURCES, source, "-o", target], check=True)
        return target

    return make
