"""What the bundle is built for: the systems and processors, and where each one's binary lies in it.

Folders: OpenFX programming reference, "Packaging OFX Plug-ins" (version 1.5: one universal binary in ``MacOS``; on
Linux the name of the processor is that of ``uname -m``).
"""

from __future__ import annotations

import platform
from collections.abc import Iterable
from dataclasses import dataclass

from huewright.errors import InputError


@dataclass(frozen=True)
class Target:
    """A system and a processor. ``name`` is also the machine's in :data:`huewright_kernels.native.MACHINES`."""

    name: str
    system: str   # linux, windows or macos
    folder: str   # below Contents
    zig: str      # the ziglang package's words for it, with the oldest C library or system that is served


TARGETS = {target.name: target for target in (
    Target("linux-x86-64", "linux", "Linux-x86-64", "x86_64-linux-gnu.2.28"),
    Target("linux-arm64", "linux", "Linux-aarch64", "aarch64-linux-gnu.2.28"),
    Target("windows-x86-64", "windows", "Win64", "x86_64-windows-gnu"),
    Target("macos-x86-64", "macos", "MacOS", "x86_64-macos.10.13"),
    Target("macos-arm64", "macos", "MacOS", "aarch64-macos.11.0"))}
_SYSTEMS = {"Linux": "linux", "Windows": "windows", "Darwin": "macos"}
_PROCESSORS = {"x86_64": "x86-64", "AMD64": "x86-64", "aarch64": "arm64", "arm64": "arm64", "ARM64": "arm64"}


def this_machine() -> str | None:
    """The name of the target that this is, or None if it is none."""
    name = f"{_SYSTEMS.get(platform.system())}-{_PROCESSORS.get(platform.machine())}"
    return name if name in TARGETS else None


def targets_named(names: Iterable[str] | None) -> tuple[Target, ...]:
    """The targets of these names, in the order of :data:`TARGETS`; None: this machine. Raises :class:`InputError`."""
    if names is None:
        here = this_machine()
        if here is None:
            raise InputError(f"the OpenFX bundle is not built for {platform.system()} {platform.machine()}; name what "
                             f"it is to be built for with --for: {', '.join(TARGETS)}")
        return (TARGETS[here],)
    wanted = list(names)
    for name in wanted:
        if name not in TARGETS:
            raise InputError(f"the OpenFX bundle is not built for {name!r}; there are {', '.join(TARGETS)}")
    if not wanted:
        raise InputError(f"--for names nothing to build for; there are {', '.join(TARGETS)}")
    return tuple(target for name, target in TARGETS.items() if name in wanted)
