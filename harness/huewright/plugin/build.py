"""Builds the OpenFX bundle: emitted kernels, generated tables and the C sources, linked into an ``.ofx`` a system."""

from __future__ import annotations

import logging
import plistlib
import shutil
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from huewright_kernels import native

from huewright import translating
from huewright.errors import InputError
from huewright.plugin import emit, exported, link, tables
from huewright.plugin.effect import VERSION
from huewright.plugin.effects_page import documentation
from huewright.plugin.link import find_compiler
from huewright.plugin.targets import TARGETS, Target, targets_named

log = logging.getLogger(__name__)

NAME = "huewright.ofx"
SOURCES = Path(__file__).parent / "native"
UNITS = ("system.c", "memory.c", "text.c", "card.c", "card_text.c", "program.c", "json.c", "fields.c", "correction.c",
         "cube.c", "patches.c", "settings.c", "isolation.c", "render.c", "describe.c", "entry.c", "tables.c")
"""From the lowest up: each knows only those before it (its header includes only theirs)."""


@dataclass(frozen=True)
class Binary:
    """A binary of the bundle, and the names of the targets that it serves."""

    targets: tuple[str, ...]
    path: Path


def native_objects(target: str | None = None, notify: Callable[[str], None] = lambda line: None) -> Path:
    """The folder of the kernels emitted for ``target`` (None: this machine)."""
    names = [target] if target is not None else [one.name for one in targets_named(None)]
    return _emitted(names, notify) / names[0]


def _emitted(targets: Iterable[str], notify: Callable[[str], None]) -> Path:
    """A folder with a folder of emitted kernels for each target and the text of the one for GPUs, made where not there
    yet."""
    folder = translating.folder("native", native.key(*exported.SOURCES), "building the OpenFX bundle needs")
    missing = [name for name in targets if not (folder / name).is_dir()]
    if not missing and (folder / emit.WALK).is_file():
        log.info("kernels translated before are taken from the cache")
        log.debug("they lie in %s", folder)
        return folder
    notify("translating the image kernels to native code (once)")
    translating.translate("huewright.plugin.emit", folder, *missing, to="native code")
    return folder


def gpu_kernel(notify: Callable[[str], None] = lambda line: None) -> str:
    """PTX of :mod:`huewright_kernels.walking`."""
    return (_emitted([], notify) / emit.WALK).read_text(encoding="ascii")


def build(directory: Path, *, targets: Iterable[str] | None = None, overwrite: bool = False,
          notify: Callable[[str], None] = lambda line: None) -> Path:
    """Writes ``directory/huewright.ofx.bundle`` for the named :data:`~huewright.plugin.targets.TARGETS` (None: this
    machine) and returns it. The same sources and compilers give the same bytes.

    Raises :class:`InputError` for an unknown target, without a C compiler for each, or if the bundle exists and
    ``overwrite`` is false.
    """
    bundle = Path(directory) / f"{NAME}.bundle"
    if bundle.exists() and not overwrite:
        raise InputError(f"{bundle} exists already; add --overwrite to replace it, or choose another folder")
    wanted = targets_named(targets)
    for target in wanted:
        log.info("compiling for %s with %s", target.name, " ".join(find_compiler(target)))
    _emitted([target.name for target in wanted], notify)
    try:
        bundle.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".huewright-", dir=bundle.parent) as name:
            made = Path(name) / bundle.name
            contents = made / "Contents"
            (contents / "Resources").mkdir(parents=True)
            for binary in binaries(made, wanted):
                parts = []
                for served in binary.targets:
                    notify(f"compiling and linking for {served}")
                    parts.append(_link(TARGETS[served], Path(name) / served))
                binary.path.parent.mkdir()
                binary.path.write_bytes(link.universal(parts))
            if any(target.system == "macos" for target in wanted):
                (contents / "Info.plist").write_bytes(_property_list())
            (contents / "Resources" / "effects.md").write_bytes(documentation().encode())
            for path in (made, *made.rglob("*")):
                path.chmod(0o755 if path.is_dir() or path.suffix == ".ofx" else 0o644)
            if bundle.exists():
                bundle.rename(Path(name) / "before")
            made.rename(bundle)
    except OSError as error:
        raise InputError(f"cannot write {bundle}: {error.strerror or error}; choose another place") from None
    return bundle


def binaries(bundle: Path, targets: Iterable[Target]) -> tuple[Binary, ...]:
    """The binaries of a bundle for ``targets``: one for each folder."""
    folders: dict[str, list[str]] = {}
    for target in targets:
        folders.setdefault(target.folder, []).append(target.name)
    return tuple(Binary(tuple(names), bundle / "Contents" / folder / NAME) for folder, names in folders.items())


def _property_list() -> bytes:
    """The keys that the standard's packaging wants; macOS reads them."""
    return plistlib.dumps({
        "CFBundleExecutable": NAME, "CFBundleIdentifier": "org.huewright.ofx", "CFBundleName": "Huewright",
        "CFBundlePackageType": "BNDL", "CFBundleInfoDictionaryVersion": "6.0",
        "CFBundleVersion": ".".join(map(str, VERSION)), "CFBundleDevelopmentRegion": "en"})


def prepare(work: Path, target: str | None = None) -> list[str]:
    """Puts everything that a build needs into ``work``: C sources, generated headers, emitted objects (returned)."""
    for source in SOURCES.iterdir():
        if source.suffix in (".c", ".h"):
            shutil.copyfile(source, work / source.name)
    declarations = native.declarations(exported.exported())
    (work / "kernels.h").write_text(f"/* Generated: do not edit. */\n#pragma once\n#include <stdint.h>\n{declarations}",
                                    encoding="utf-8", newline="\n")
    for name, text in tables.files_of_tables().items():
        (work / name).write_text(text, encoding="utf-8", newline="\n")
    (work / "card_text.c").write_text(tables.card_text(gpu_kernel()), encoding="ascii", newline="\n")
    objects = native_objects(target)
    emitted = sorted(path.name for path in objects.glob("*.o"))
    for name in emitted:
        shutil.copyfile(objects / name, work / name)
    return emitted


def _link(target: Target, work: Path) -> Path:
    """All in ``work`` under relative names, so that no path gets into the binary."""
    work.mkdir()
    return link.link(target, UNITS, prepare(work, target.name), work)
