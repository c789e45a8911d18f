"""The arrows: which package may import which. One table; every import counts, wherever in a file it stands.

Imports that only the type checker follows count as well: a name that a signature needs is a dependency.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = {"huewright_kernels": ROOT / "kernels", "huewright": ROOT / "harness", "huewright_demo": ROOT / "demo"}

BASE = {"errors", "files", "claims", "workers", "progress", "version"}
BELOW_PROOF = {"huewright_kernels", "reference", "models", "frames", "colorimetry"} | BASE
ALLOWED: dict[str, set[str]] = {
    "huewright_kernels": set(),
    "errors": set(),
    "progress": set(),
    "version": set(),
    "files": {"errors"},
    "claims": {"errors"},
    "workers": set(),
    "reference": {"huewright_kernels"},
    "strict_json": {"errors", "files"},
    "models": {"huewright_kernels", "strict_json", "errors", "files"},
    "words": {"models"},
    "frames": {"huewright_kernels", "errors", "files", "workers"},
    "colorimetry": {"huewright_kernels", "reference", "models", "errors", "files"},
    "cards": {"huewright_kernels", "reference", "colorimetry", "models", "errors", "files"},
    "finding": {"huewright_kernels", "reference", "colorimetry", "models", "errors"},
    "solver": {"huewright_kernels", "reference", "colorimetry", "models", "errors"},
    "provenance": {"huewright_kernels", "frames", "models", "errors", "files", "version"},
    "translating": {"huewright_kernels", "errors"},
    "device": {"huewright_kernels", "translating", "errors", "files"},
    "handover": set(BELOW_PROOF),
    "rendering": {"provenance", "device", *BELOW_PROOF},
    "proof": {"provenance", "finding", "solver", *BELOW_PROOF},
    "report": {"words", *BELOW_PROOF},
    "desk": {"words", "report", "solver", *BELOW_PROOF},
    "accuracy": {"huewright_kernels", "reference", "colorimetry", "device"},
    "timing": {"huewright_kernels", "colorimetry", "models", "frames", "report", "progress", "device"},
    "plugin": {"huewright_kernels", "translating", "reference", "models", "strict_json", "errors", "files"},
    "host": {"frames", "files", "device", "errors"},
    "probe": {"host", "errors"},
    "huewright_demo": {"cards", *BELOW_PROOF},
    "steps": {"cards", "finding", "solver", "provenance", "rendering", "handover", "proof", "report", "desk",
              "accuracy", "timing", "device", "plugin", "host", "probe", "huewright_demo", *BELOW_PROOF},
    "cli": {"steps", "words", "errors", "files", "workers", "progress", "version"},
    "api": {"huewright_kernels", "steps", "words", "models", "frames", "errors", "progress"},
    "huewright": {"api", "models", "errors", "progress", "version"},
}
"""Package (of the harness by its last name) -> what of this project it may import besides itself."""

KERNEL_LIBRARIES = {"numpy", "numba", "llvmlite"}
"""All that the kernels may import besides Python's own library."""


@dataclass(frozen=True)
class Import:
    file: Path
    line: int
    module: str       # the one that imports
    target: str       # the module imported, as far as it is one of ours; else the outside name

    @property
    def words(self) -> str:
        return f"{self.file.relative_to(ROOT)}, line {self.line}, imports {self.target}"


def modules() -> dict[str, Path]:
    """Every module of the three packages by its full name."""
    found = {}
    for package, source in SOURCES.items():
        for path in sorted((source / package).rglob("*.py")):
            parts = path.relative_to(source).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports_of(module: str, path: Path, known: dict[str, Path]) -> Iterator[Import]:
    """All imports in the file, also those inside functions and those for the type checker."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}, line {node.lineno}: write the import's full name"
            base = node.module or ""
            names = [full if (full := f"{base}.{alias.name}") in known else base for alias in node.names]
        else:
            continue
        for name in dict.fromkeys(names):
            yield Import(path, node.lineno, module, name)


def package_of(module: str) -> str:
    """The row of the table that a module is in: of the harness the second name, of the others the first."""
    first, _, rest = module.partition(".")
    return rest.partition(".")[0] if first == "huewright" and rest else first


@cache
def all_imports() -> list[Import]:
    known = modules()
    return [row for module, path in known.items() for row in imports_of(module, path, known)]


def ours(row: Import) -> bool:
    return row.target.partition(".")[0] in SOURCES


def test_every_package_is_in_the_table() -> None:
    there = {package_of(module) for module in modules()}
    assert there == set(ALLOWED), (f"not in the table of allowed imports: {sorted(there - set(ALLOWED))}; in the "
                                   f"table but not there: {sorted(set(ALLOWED) - there)}")


def test_packages_import_only_what_the_table_allows() -> None:
    wrong = [f"{row.words}, but {package_of(row.module)} may import {', '.join(sorted(allowed)) or 'nothing here'}"
             for row in all_imports() if ours(row)
             for own in [package_of(row.module)] for allowed in [ALLOWED[own]]
             if package_of(row.target) not in {own, *allowed}]
    assert not wrong, "\n".join(wrong)


def test_the_table_has_no_circle() -> None:
    circle = circle_in({name: sorted(allowed) for name, allowed in ALLOWED.items()})
    assert not circle, f"the table of allowed imports allows a circle: {' -> '.join(circle)}"


def test_modules_import_in_no_circle() -> None:
    edges: dict[str, list[str]] = {}
    words: dict[tuple[str, str], str] = {}
    for row in all_imports():
        if ours(row):
            edges.setdefault(row.module, []).append(row.target)
            words[row.module, row.target] = row.words
    circle = circle_in(edges)
    said = "\n".join(words[pair] for pair in zip(circle, circle[1:], strict=False))
    assert not circle, f"these imports go in a circle; cut one of them:\n{said}"


def test_kernels_import_numpy_and_the_compiler_only() -> None:
    allowed = KERNEL_LIBRARIES | {"huewright_kernels"} | set(sys.stdlib_module_names)
    wrong = [f"{row.words}, but the kernels may import only {', '.join(sorted(KERNEL_LIBRARIES))} and Python's own"
             for row in all_imports() if package_of(row.module) == "huewright_kernels"
             and row.target.partition(".")[0] not in allowed]
    assert not wrong, "\n".join(wrong)


def circle_in(edges: dict[str, list[str]]) -> list[str]:
    """A circle as a path that ends where it begins, or nothing."""
    state: dict[str, int] = {}       # 1 while on the path, 2 when done
    path: list[str] = []

    def visit(name: str) -> list[str]:
        if state.get(name) == 1:
            return [*path[path.index(name):], name]
        if state.get(name) == 2:
            return []
        state[name] = 1
        path.append(name)
        for target in edges.get(name, ()):
            if found := visit(target):
                return found
        path.pop()
        state[name] = 2
        return []

    for name in edges:
        if found := visit(name):
            return found
    return []


@pytest.mark.parametrize(("edges", "circle"), [
    ({"a": ["b"], "b": ["c"], "c": []}, []),
    ({"a": ["b"], "b": ["c"], "c": ["b"]}, ["b", "c", "b"]),
    ({"a": ["a"]}, ["a", "a"]),
])
def test_circles_are_found(edges: dict[str, list[str]], circle: list[str]) -> None:
    assert circle_in(edges) == circle


def test_imports_are_seen_wherever_they_stand(tmp_path: Path) -> None:
    path = tmp_path / "some.py"
    path.write_text("import os\nfrom huewright.files import sha256\nif TYPE_CHECKING:\n    import huewright.frames\n"
                    "def f():\n    from huewright import steps\n", encoding="utf-8")
    found = [(row.line, row.target) for row in imports_of("some", path, {"huewright.steps": path})]
    assert sorted(found) == [(1, "os"), (2, "huewright.files"), (4, "huewright.frames"), (6, "huewright.steps")]
