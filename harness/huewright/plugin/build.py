"""Builds the OpenFX bundle: emitted kernels, generated tables and the C sources, linked into one ``.ofx``."""

from __future__ import annotations

import importlib.util
import logging
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from huewright_kernels import cache, native

from huewright.errors import InputError
from huewright.plugin import exported
from huewright.plugin.effects_page import documentation
from huewright.plugin.tables import files_of_tables

log = logging.getLogger(__name__)

NAME = "huewright.ofx"
ARCHITECTURE = "Linux-x86-64"
"""The standard's name of the one platform that the bundle is built for."""
SOURCES = Path(__file__).parent / "native"
UNITS = ("memory.c", "text.c", "program.c", "json.c", "correction.c", "cube.c", "settings.c", "isolation.c", "render.c",
         "describe.c", "entry.c", "tables.c")
"""From the lowest up: each knows only those before it (its header includes only theirs)."""
EXPORTS = ("OfxGetNumberOfPlugins", "OfxGetPlugin")
COMPILER_VARIABLE = "CC"
KEPT = 2
"""How many older sets of emitted objects stay on disk."""
# No contraction into fused operations, no reordering: the packing must give the bits that Python gives.
COMPILE = ("-std=gnu11", "-O2", "-fPIC", "-ffp-contract=off", "-fno-fast-math", "-fvisibility=hidden", "-Wall",
           "-Wextra", "-Werror=implicit-function-declaration", "-fno-ident", "-g0", "-c")
WRAP = tuple(f"-Wl,--wrap={name}" for name in ("exp", "log", "log2", "pow"))
"""The functions whose oldest versions the plug-in asks the C library for: see program.c."""
LINK = ("-shared", "-s", "-Wl,--build-id=none", "-Wl,--version-script=exports.map", "-Wl,-z,relro", "-Wl,-z,now",
        "-Wl,-z,noexecstack", "-Wl,--no-undefined", *WRAP)


def find_compiler() -> list[str]:
    """The C compiler's command: $CC, cc, gcc, clang, or the one in the ziglang package.

    Raises :class:`InputError` if there is none.
    """
    named = os.environ.get(COMPILER_VARIABLE, "").split()
    if named:
        if shutil.which(named[0]):
            return named
        raise InputError(f"{COMPILER_VARIABLE} names the compiler {named[0]!r}, which is not there; "
                         f"install it or unset {COMPILER_VARIABLE}")
    for candidate in ("cc", "gcc", "clang"):
        if shutil.which(candidate):
            return [candidate]
    if importlib.util.find_spec("ziglang") is not None:
        return [sys.executable, "-m", "ziglang", "cc", "-target", "x86_64-linux-gnu.2.28"]
    raise InputError("building the OpenFX bundle needs a C compiler, and there is none; install gcc or clang, "
                     "or `pip install huewright[bundle]`")


def native_objects(notify: Callable[[str], None] = lambda line: None) -> Path:
    """A folder with the emitted kernels, made in a process of its own unless it is there already."""
    kept = cache.folder()
    if kept is None:
        raise InputError("building the OpenFX bundle needs a folder to work in, and neither the user's cache folder "
                         "nor the temporary one can be written; set XDG_CACHE_HOME to a folder of yours")
    folder = kept.parent.parent / "native" / native.key(*exported.SOURCES)
    if (folder / "complete").is_file():
        log.info("kernels translated before are taken from the cache")
        log.debug("they lie in %s", folder)
        return folder
    notify("translating the image kernels to native code (once)")
    folder.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    with tempfile.TemporaryDirectory(dir=folder.parent) as name:
        made = Path(name) / "objects"
        made.mkdir()
        environment = os.environ | native.ENVIRONMENT | {"NUMBA_CACHE_DIR": str(Path(name) / "cache")}
        result = subprocess.run([sys.executable, "-m", "huewright.plugin.emit", str(made)], env=environment,
                                capture_output=True, text=True, check=False)
        if result.returncode != 0:
            raise InputError("the image kernels could not be translated to native code: "
                             + (result.stderr.strip().splitlines() or ["no reason given"])[-1])
        (made / "complete").write_text("")
        try:
            made.rename(folder)
        except OSError:  # another process was quicker
            if not (folder / "complete").is_file():
                raise
    _prune(folder)
    return folder


def _prune(current: Path) -> None:
    """Keeps the newest of the older sources' objects beside ``current``."""
    others = sorted((path for path in current.parent.iterdir() if path != current and (path / "complete").is_file()),
                    key=lambda path: path.stat().st_mtime, reverse=True)
    for path in others[KEPT:]:
        shutil.rmtree(path, ignore_errors=True)


def build(directory: Path, *, overwrite: bool = False, notify: Callable[[str], None] = lambda line: None) -> Path:
    """Writes ``directory/huewright.ofx.bundle`` and returns it. The same sources give the same bytes.

    Raises :class:`InputError` without a C compiler, on another processor than x86-64 Linux, or if the bundle
    exists and ``overwrite`` is false.
    """
    bundle = Path(directory) / f"{NAME}.bundle"
    if bundle.exists() and not overwrite:
        raise InputError(f"{bundle} exists already; add --overwrite to replace it, or choose another folder")
    if (platform.system(), platform.machine()) != ("Linux", "x86_64"):
        raise InputError(f"the OpenFX bundle is built on Linux x86-64 only, not on {platform.system()} "
                         f"{platform.machine()}; build it there")
    compiler = find_compiler()
    log.info("compiling with %s", " ".join(compiler))
    native_objects(notify)
    notify("compiling and linking the bundle")
    try:
        bundle.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".huewright-", dir=bundle.parent) as name:
            made = Path(name) / bundle.name
            contents = made / "Contents"
            (contents / ARCHITECTURE).mkdir(parents=True)
            (contents / "Resources").mkdir()
            _link(compiler, Path(name) / "work", contents / ARCHITECTURE / NAME)
            (contents / "Resources" / "effects.md").write_text(documentation(), encoding="utf-8")
            for path in (made, *made.rglob("*")):
                path.chmod(0o755 if path.is_dir() or path.suffix == ".ofx" else 0o644)
            if bundle.exists():
                bundle.rename(Path(name) / "before")
            made.rename(bundle)
    except OSError as error:
        raise InputError(f"cannot write {bundle}: {error.strerror or error}; choose another place") from None
    return bundle


def prepare(work: Path) -> list[str]:
    """Puts everything that a build needs into ``work``: C sources, generated headers, emitted objects (returned)."""
    for source in SOURCES.iterdir():
        if source.suffix in (".c", ".h"):
            shutil.copyfile(source, work / source.name)
    declarations = native.declarations(exported.exported())
    (work / "kernels.h").write_text(f"/* Generated: do not edit. */\n#pragma once\n#include <stdint.h>\n{declarations}",
                                    encoding="utf-8")
    for name, text in files_of_tables().items():
        (work / name).write_text(text, encoding="utf-8")
    (work / "exports.map").write_text("{ global: " + " ".join(f"{name};" for name in EXPORTS) + " local: *; };\n")
    objects = native_objects()
    emitted = sorted(path.name for path in objects.glob("*.o"))
    for name in emitted:
        shutil.copyfile(objects / name, work / name)
    return emitted


def _link(compiler: list[str], work: Path, target: Path) -> None:
    """All in ``work`` under relative names, so that no path gets into the binary."""
    work.mkdir()
    emitted = prepare(work)
    for unit in UNITS:
        _run([*compiler, *COMPILE, unit, "-o", unit.replace(".c", ".o")], work)
    _run([*compiler, *LINK, *(unit.replace(".c", ".o") for unit in UNITS), *emitted, "-lm", "-o", "linked.ofx"], work)
    shutil.copyfile(work / "linked.ofx", target)


def _run(command: list[str], work: Path) -> None:
    environment = os.environ | {"LC_ALL": "C", "SOURCE_DATE_EPOCH": "0"}
    result = subprocess.run(command, cwd=work, env=environment, capture_output=True, text=True, check=False)
    if result.returncode != 0:
        reason = (result.stderr.strip() or result.stdout.strip()).splitlines() or ["no reason given"]
        told = next((line for line in reason if "error" in line), reason[-1])
        raise InputError(f"the C compiler {command[0]!r} failed: {told}; try another one through {COMPILER_VARIABLE}")
