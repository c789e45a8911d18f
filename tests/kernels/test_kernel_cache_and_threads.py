"""Compiled code on disk, and tiles among threads."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from huewright_kernels import compile_chain, run
from huewright_kernels.ops import Transfer
from huewright_kernels.threads import default_threads, for_each_tile

pytestmark = pytest.mark.slow
HERE = os.pathsep.join(filter(None, (str(Path(__file__).parent), os.environ.get("PYTHONPATH"))))

# An entry point that takes a tenth of a second to compile, in a file as any other module's (numba keeps nothing of what
# no file holds).
SMALL = ("from kept_entry import doubled; print(sum(doubled.compiled().stats.cache_hits.values()), doubled(1.25))")


def start(tmp_path, code: str = SMALL, before: tuple[str, ...] = (), **environment: str) -> subprocess.Popen:
    return subprocess.Popen([*before, sys.executable, "-c", code], text=True, stdout=subprocess.PIPE,
                            stderr=subprocess.PIPE,
                            env={**os.environ, "PYTHONPATH": HERE, "TMPDIR": str(tmp_path), **environment})


def result(process: subprocess.Popen) -> list[str]:
    out, problems = process.communicate(timeout=120)
    assert process.returncode == 0, problems
    return out.split()


@pytest.mark.long
def test_processes_may_start_at_once_and_the_next_one_compiles_nothing(tmp_path):
    cache = tmp_path / "cache"
    together = [start(tmp_path, XDG_CACHE_HOME=str(cache)) for _ in range(4)]
    sums = {result(process)[1] for process in together}
    hits, total = result(start(tmp_path, XDG_CACHE_HOME=str(cache)))
    assert hits == "1" and sums == {total}
    assert list(cache.rglob("*.nbc"))


def test_a_cache_folder_that_cannot_be_made_is_replaced_by_a_private_one(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    assert result(start(tmp_path, XDG_CACHE_HOME=str(blocked)))
    (made,) = tmp_path.glob("huewright-*")
    assert made.stat().st_mode & 0o077 == 0
    assert list(made.rglob("*.nbc"))


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A cache folder with compiled code in it, to copy, and the sum that the code gave."""
    place = tmp_path_factory.mktemp("filled")
    hits, total = result(start(place, XDG_CACHE_HOME=str(place / "cache")))
    assert hits == "0"
    return place / "cache", total


def bound_by_permissions() -> tuple[str, ...]:
    """What to put before a command so that a folder's mode binds it even if it runs as root; or a skip."""
    if not hasattr(os, "getuid") or os.getuid() != 0:
        return ()
    if shutil.which("setpriv") is None:
        pytest.skip("root may write everywhere, and setpriv is not there to take that from it")
    return "setpriv", "--bounding-set=-dac_override", "--inh-caps=-dac_override"


def make_read_only(folder) -> None:
    for path in [*folder.rglob("*"), folder]:
        path.chmod(0o555 if path.is_dir() else 0o444)


def make_writable(folder) -> None:
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)


def test_a_warm_folder_that_is_read_only_saves_compiling(tmp_path, filled):
    cache, before = shutil.copytree(filled[0], tmp_path / "cache"), bound_by_permissions()
    total = filled[1]
    held = {path: path.read_bytes() for path in cache.rglob("*") if path.is_file()}
    make_read_only(cache)
    try:
        for _ in range(2):  # the second start finds the private folder filled
            assert result(start(tmp_path, before=before, XDG_CACHE_HOME=str(cache))) == ["1", total]
        assert {path: path.read_bytes() for path in cache.rglob("*") if path.is_file()} == held
    finally:
        make_writable(cache)
    (private,) = tmp_path.glob("huewright-*")
    assert sorted(path.name for path in private.rglob("*.nb*")) == sorted(path.name for path in held)


def test_compiled_code_that_others_could_have_put_there_is_not_taken_over(tmp_path, filled):
    cache, before = shutil.copytree(filled[0], tmp_path / "cache"), bound_by_permissions()
    total = filled[1]
    make_read_only(cache)
    for path in cache.rglob("*.nbc"):
        path.chmod(0o666)
    try:
        assert result(start(tmp_path, before=before, XDG_CACHE_HOME=str(cache))) == ["0", total]
    finally:
        make_writable(cache)


def test_where_nothing_can_be_written_code_is_compiled_for_the_process(tmp_path):
    closed, before = tmp_path / "closed", bound_by_permissions()
    closed.mkdir()
    closed.chmod(0o555)
    code = f"import tempfile; tempfile.tempdir = {str(closed)!r}; " + SMALL.replace(
        "sum(doubled.compiled().stats.cache_hits.values())", "doubled.compiled() is not None")
    try:
        assert result(start(closed, code, before=before, XDG_CACHE_HOME=str(closed)))[0] == "True"
    finally:
        closed.chmod(0o755)


@pytest.mark.parametrize(("mode", "where"), [
    (0o777, "huewright/kernels"), (0o775, "."),
    *(pytest.param(mode, where, marks=pytest.mark.long) for mode, where in
      ((0o770, "huewright"), (0o777, "huewright"), (0o777, "."), (0o770, "huewright/kernels"), (0o770, "."),
       (0o775, "huewright"), (0o775, "huewright/kernels")))])
def test_a_folder_that_others_can_write_is_not_trusted(tmp_path, mode, where):
    """Nor one that lies in such a folder, where another could be put in its place."""
    cache = tmp_path / "cache"
    shared = cache / where
    shared.mkdir(parents=True)
    for path in (cache, cache / "huewright"):
        if path.exists():
            path.chmod(0o700)
    shared.chmod(mode)
    assert result(start(tmp_path, XDG_CACHE_HOME=str(cache)))
    assert not list(shared.rglob("*.nbc"))
    assert list(tmp_path.glob("huewright-*/**/*.nbc"))


def test_code_that_the_group_put_there_is_not_loaded(tmp_path, filled):
    """A folder is filled, then opened to the group: what lies there since may be anybody's."""
    cache = shutil.copytree(filled[0], tmp_path / "cache")
    assert result(start(tmp_path, XDG_CACHE_HOME=str(cache)))[0] == "1"
    next(cache.glob("huewright/kernels/*")).chmod(0o770)
    assert result(start(tmp_path, XDG_CACHE_HOME=str(cache)))[0] == "0"


def test_names_are_loaded_when_first_used():
    code = "import huewright_kernels, sys; print('numba' in sys.modules, 'numpy' in sys.modules)"
    process = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert process.stdout.split() == ["False", "False"]


@pytest.mark.parametrize("threads, tiles", [(1, 5), (4, 100), (8, 3), (3, 0)])
def test_each_tile_once(threads, tiles):
    seen: list[int] = []
    for_each_tile(seen.append, tiles, threads)
    assert sorted(seen) == list(range(tiles))


def test_a_slow_tile_holds_up_nobody():
    by: dict[int, set[int]] = {}

    def work(k: int) -> None:
        by.setdefault(threading.get_ident(), set()).add(k)
        time.sleep(0.3 if k == 0 else 0.002)

    for_each_tile(work, 40, 2)
    assert any(tiles == {0} for tiles in by.values()), "the thread with the slow tile got no other"


def test_an_error_in_a_tile_comes_out():
    def work(k: int) -> None:
        if k == 7:
            raise KeyError(k)

    with pytest.raises(KeyError):
        for_each_tile(work, 20, 3)


def test_nested_and_concurrent_use():
    program = compile_chain([Transfer()])
    picture = np.random.default_rng(1).uniform(0, 1, (300, 400, 4)).astype(np.float32)
    exact = run(program, picture, threads=1)
    results: list[bool] = []
    for_each_tile(lambda k: results.append(np.array_equal(run(program, picture, threads=4), exact)), 8, 4)
    assert results == [True] * 8
    with ThreadPoolExecutor(6) as pool:
        assert all(pool.map(lambda _: np.array_equal(run(program, picture, threads=3), exact), range(24)))


def test_the_thread_count_can_be_set(monkeypatch):
    monkeypatch.setenv("HUEWRIGHT_THREADS", "3")
    assert default_threads() == 3
    monkeypatch.setenv("HUEWRIGHT_THREADS", "none")
    assert default_threads() >= 1
    with pytest.raises(ValueError):
        for_each_tile(lambda k: None, 3, 0)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_forked_child_has_threads_of_its_own():
    code = ("import os; from huewright_kernels.threads import for_each_tile\n"
            "for_each_tile(lambda k: None, 10, 3)\n"
            "child = os.fork()\n"
            "if child == 0:\n"
            "    done = []; for_each_tile(done.append, 50, 3); os._exit(0 if len(done) == 50 else 9)\n"
            "print(os.waitpid(child, 0)[1])")
    process = subprocess.run([sys.executable, "-W", "ignore", "-c", code], capture_output=True, text=True, timeout=60)
    assert process.stdout.split() == ["0"], process.stderr
