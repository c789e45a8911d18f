"""Makes changes and runs tests: see :mod:`mutants`."""

from __future__ import annotations

import argparse
import ast
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from types import CodeType, ModuleType

import numpy as np

from mutants.changes import Change, changed, changes
from mutants.groups import GROUPS, Group

ROOT = Path(__file__).parents[2]
MEMORY_BYTES = 6 << 30
OTHERS = ("numpy", "scipy.optimize", "scipy.special", "scipy.stats", "numba", "cv2", "colour", "msgspec", "OpenImageIO",
          "PyOpenColorIO", "pytest", "hypothesis", "hypothesis.extra.numpy")
OURS = ("huewright_kernels.cache", "huewright_kernels.masks", "huewright_kernels.executor",
        "huewright.colorimetry.targets", "huewright.colorimetry.declare", "huewright.colorimetry.curves",
        "huewright.colorimetry.inverse", "huewright.reference", "huewright.frames.picture",
        "huewright.models.correction", "huewright.models.survey")
"""What all children need and nobody changes: imported once, before they are forked. Ours only where no kernel is
changed, nor what these import."""


@dataclass(frozen=True)
class Outcome:
    """``kind`` is "noticed", "survived", or "endless" for what took thrice the time of the whole."""

    kind: str
    by: str
    seconds: float


class _Loader(importlib.machinery.SourceFileLoader):
    """Compiles the module's tree as ``tree_of`` makes it of its source."""

    def __init__(self, name: str, path: str, tree_of: Callable[[str], ast.Module]) -> None:
        super().__init__(name, path)
        self.tree_of = tree_of

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.tree_of(Path(self.path).read_text()), self.path, "exec", dont_inherit=True)


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, trees: dict[str, Callable[[str], ast.Module]]) -> None:
        self.trees = trees

    def find_spec(self, name: str, path: Sequence[str] | None = None,
                  target: ModuleType | None = None) -> importlib.machinery.ModuleSpec | None:
        if name not in self.trees:
            return None
        file = path_of(name)
        loader = _Loader(name, str(file), self.trees[name])
        return importlib.util.spec_from_file_location(name, file, loader=loader)


def path_of(module: str) -> Path:
    top = "kernels" if module.startswith("huewright_kernels") else "harness"
    return ROOT / top / Path(*module.split(".")).with_suffix(".py")


def _hue_alone(source: str) -> ast.Module:
    """The executor without the forms that this group's tests don't run, so that it is compiled in seconds."""
    whole = "for k in range(len(BLOCK_FORMS))]"
    assert whole in source
    return ast.parse(source.replace(whole, f"{whole[:-1]} if FORMS[k].name == 'hue']").replace(
        '"el" * (k > 0)', '""').replace("'el' * (k > 0)", "''"))


def _child(kernels: bool, tests: Sequence[str], trees: dict[str, Callable[[str], ast.Module]], told: Path) -> int:
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(os.open(told, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 1)
    os.dup2(silent, 2)
    sys.meta_path.insert(0, _Finder(trees))
    if kernels:          # nothing of a changed kernel is kept, nor is anything that was kept taken
        cache = importlib.import_module("huewright_kernels.cache")
        cache._searched, cache._folder = True, None
    import pytest

    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--no-header", "--tb=line",
                            "-W", "ignore::pytest.PytestAssertRewriteWarning",
                            f"--rootdir={ROOT}", *tests]))


def tried(kernels: bool, tests: Sequence[str], change: Change | None, most_seconds: float) -> Outcome:
    """``tests`` of a group with ``change`` made, in a child of this process."""
    trees: dict[str, Callable[[str], ast.Module]] = {}
    if kernels:
        trees["huewright_kernels.executor"] = _hue_alone
    if change is not None:
        trees[change.module] = lambda source: changed(source, change)
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "told"
        child = os.fork()
        if child == 0:
            status = 70
            try:
                resource.setrlimit(resource.RLIMIT_CPU, (int(most_seconds) + 1, int(most_seconds) + 3))
                resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
                os.setsid()
                os.chdir(ROOT)
                os.environ["TMPDIR"] = folder
                tempfile.tempdir = folder
                status = _child(kernels, tests, trees, told)
            except BaseException as error:      # also where the change makes a module that can't be imported
                os.write(1, f"E {error!r}\n".encode())
            finally:
                os._exit(status)
        _, status, used = os.wait4(child, 0)
        lines = told.read_text(errors="replace").splitlines() if told.exists() else []
    seconds = used.ru_utime + used.ru_stime
    if os.WIFSIGNALED(status):
        endless = os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL)
        return Outcome("endless" if endless else "noticed", signal.Signals(os.WTERMSIG(status)).name, seconds)
    by = next((line for line in lines if line.startswith(("FAILED", "ERROR", "E "))), "").removeprefix("FAILED ")
    if os.WEXITSTATUS(status) == 0:
        return Outcome("survived", "", seconds)
    return Outcome("noticed", by[:160] or f"status {os.WEXITSTATUS(status)}", seconds)


def _warm() -> None:
    """What the first test would wait for otherwise."""
    from huewright.colorimetry.targets import reference_rgb, targets_for
    from huewright.models.card import load_card
    from huewright_kernels.cache import warm_up

    warm_up()
    card = load_card(ROOT / "demo" / "huewright_demo" / "card.toml")
    reference_rgb(card, "bt709")
    targets_for(card)


def drawn(group: Group, count: int, seed: int) -> list[Change]:
    """``count`` of all changes, each module by its share of them; the same for the same ``seed``."""
    rng = np.random.default_rng(seed)
    every = [change for module in group.modules for change in changes(module, path_of(module).read_text())]
    return [every[k] for k in sorted(rng.choice(len(every), min(count, len(every)), replace=False))]


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--group", choices=GROUPS, required=True)
    options.add_argument("--count", type=int, default=60)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--results", type=Path, help="a file of outcomes, one a line; what it has is not tried again")
    options.add_argument("--thorough", action="store_true", help="try what survived again, by all of the group's tests")
    asked = options.parse_args()
    os.nice(10)
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS", "OPENCV_FOR_THREADS_NUM",
                     "OPENIMAGEIO_THREADS", "HUEWRIGHT_THREADS"):
        os.environ[variable] = "1"
    sys.path[:0] = [str(ROOT / part) for part in ("tests", "kernels", "harness", "demo")]
    group = GROUPS[asked.group]
    for module in OTHERS if group.kernels or group.bare else OTHERS + OURS:
        importlib.import_module(module)
    if not (group.kernels or group.bare):
        _warm()
    assert not set(group.modules) & set(sys.modules), "what is changed must not be there before it is"
    tests = group.more if asked.thorough and group.more else group.tests
    kept = {}
    if asked.results and asked.results.exists():
        for line in asked.results.read_text().splitlines():
            row = json.loads(line)
            kept[json.dumps(row["change"])] = row["outcome"]
    unchanged = tried(group.kernels, tests, None, 900)
    print(f"unchanged: {unchanged.kind} in {unchanged.seconds:.1f} s {unchanged.by}", flush=True)
    if unchanged.kind != "survived":
        return 2
    tally: Counter[str] = Counter()
    began = time.process_time() + sum(os.times()[2:4])
    for change in drawn(group, asked.count, asked.seed):
        key = json.dumps(asdict(change))
        outcome = Outcome(**kept[key]) if key in kept else None
        if outcome is None or asked.thorough and outcome.kind == "survived":
            outcome = tried(group.kernels, tests, change, 3 * unchanged.seconds)
            if asked.results:
                with open(asked.results, "a") as stream:
                    stream.write(json.dumps({"change": asdict(change), "outcome": asdict(outcome)}) + "\n")
        tally[outcome.kind] += 1
        if outcome.kind == "survived":
            print(f"{change.module}:{change.line} {change.kind}: {change.before}  ->  {change.after}", flush=True)
    used = time.process_time() + sum(os.times()[2:4]) - began
    print(", ".join(f"{number} {kind}" for kind, number in sorted(tally.items())), f"in {used / 60:.0f} CPU minutes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
