"""Compiles the C sources and links them with the emitted kernels, for one target, with the compiler that can.

Nothing of a folder, a time or a machine gets into a binary. On Linux for itself the system's own compiler does it;
everything else is the ziglang package's: its C compiler with the headers of each system, its linkers. For Windows no C
library is linked in: the system's own (the universal C runtime, part of Windows 10 and later) has all that is called,
and an import library of these names is made here.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import struct
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from huewright.errors import InputError
from huewright.plugin.targets import Target, this_machine

COMPILER_VARIABLE = "CC"
EXPORTS = ("OfxGetNumberOfPlugins", "OfxGetPlugin")
# No contraction into fused operations, no reordering: the packing must give the bits that Python gives.
COMPILE = ("-std=gnu11", "-O2", "-ffp-contract=off", "-fno-fast-math", "-fvisibility=hidden", "-Wall",
           "-Wextra", "-Werror=implicit-function-declaration", "-fno-ident", "-g0", "-c")
ELF = ("-shared", "-s", "-Wl,--build-id=none", "-Wl,--version-script=exports.map", "-Wl,-z,relro", "-Wl,-z,now",
       "-Wl,-z,noexecstack", "-Wl,--no-undefined")
MACHO = ("-dynamiclib", "-s", "-Wl,-install_name,huewright.ofx")
PE = ("/MACHINE:X64", "/NODEFAULTLIB", "/BREPRO", "/OPT:REF")
DLL = ("/DLL", "/NOENTRY", "/NOIMPLIB", *(f"/EXPORT:{name}" for name in EXPORTS))
IMPORTED = {
    "ucrtbase.dll": ("__stdio_common_vsprintf", "_close", "_create_locale", "_errno", "_free_locale", "_read",
                     "_strtod_l", "_strtof_l", "_wopen", "calloc", "ceil", "floor", "fmax", "fmin", "free", "getenv",
                     "malloc", "memchr", "memcmp", "memcpy", "memmove", "memset", "strchr", "strcmp", "strcpy",
                     "strerror_s", "strlen", "strtol"),
    "kernel32.dll": ("GetFileAttributesExW", "GetProcAddress", "LoadLibraryExA", "MultiByteToWideChar",
                     "SwitchToThread")}
"""What may be called of Windows, by the sources or by what a compiler makes of them (malloc and memset to 0 become
calloc); the linker refuses the rest."""
FAT_ALIGNMENT = 14
"""Binaries within a universal one begin at multiples of 2 to this: a page of Apple's processors."""


def zig() -> list[str] | None:
    """The ziglang package's command, or None if it is not installed."""
    return [sys.executable, "-m", "ziglang"] if importlib.util.find_spec("ziglang") is not None else None


def find_compiler(target: Target | None = None) -> list[str]:
    """The C compiler's command for ``target`` (None: this machine). On Linux for itself: $CC, cc, gcc, clang, or the
    one in the ziglang package; for all else the latter.

    Raises :class:`InputError` if there is none.
    """
    itself = target is None or (target.name == this_machine() and target.system == "linux")
    if itself:
        named = os.environ.get(COMPILER_VARIABLE, "").split()
        if named:
            if shutil.which(named[0]):
                return named
            raise InputError(f"{COMPILER_VARIABLE} names the compiler {named[0]!r}, which is not there; "
                             f"install it or unset {COMPILER_VARIABLE}")
        for candidate in ("cc", "gcc", "clang"):
            if shutil.which(candidate):
                return [candidate]
    command = zig()
    if command is not None:
        return [*command, "cc", *(["-target", target.zig] if target else [])]
    if itself:
        raise InputError("building the OpenFX bundle needs a C compiler, and there is none; install gcc or clang, "
                         "or `pip install huewright[bundle]`")
    assert target is not None
    raise InputError(f"building the OpenFX bundle for {target.name} on this machine needs the ziglang package; "
                     "`pip install huewright[bundle]`")


def link(target: Target, units: Sequence[str], objects: Sequence[str], work: Path) -> Path:
    """Compiles ``units`` and links them with ``objects``, all in ``work`` under relative names; the binary made there.

    Raises :class:`InputError` if a compiler is missing or fails.
    """
    compiler = find_compiler(target)
    position = () if target.system == "windows" else ("-fPIC",)
    made = [unit.replace(".c", ".o") for unit in units]
    for unit, name in zip(units, made, strict=True):
        run([*compiler, *COMPILE, *position, unit, "-o", name], work)
    if target.system == "linux":
        (work / "exports.map").write_text("{ global: " + " ".join(f"{name};" for name in EXPORTS) + " local: *; };\n",
                                        encoding="ascii", newline="\n")
        run([*compiler, *ELF, *made, *objects, "-lm", "-o", "linked.ofx"], work)
    elif target.system == "macos":
        run([*compiler, *MACHO, *made, *objects, "-o", "linked.ofx"], work)
    else:
        link_windows([*made, *objects], IMPORTED, DLL, "linked.ofx", work)
    return work / "linked.ofx"


def link_windows(objects: Sequence[str], imported: Mapping[str, Sequence[str]], flags: Sequence[str], name: str,
                 work: Path) -> None:
    """Links ``objects`` with nothing but what is ``imported``: library -> names. All in ``work``."""
    command = zig()
    if command is None:
        raise InputError("linking for Windows needs the ziglang package; `pip install huewright[bundle]`")
    libraries = []
    for number, (library, names) in enumerate(imported.items()):
        (work / f"{number}.def").write_text(f"LIBRARY {library}\nEXPORTS\n" + "\n".join(names) + "\n",
                                             encoding="ascii", newline="\n")
        libraries.append(f"{number}.lib")
        run([*command, "dlltool", "-d", f"{number}.def", "-m", "i386:x86-64", "-l", libraries[-1]], work)
    # Many objects: their names go through a file, which no limit of a command line holds up.
    (work / "objects.txt").write_text("\n".join([*objects, *libraries]) + "\n", encoding="ascii", newline="\n")
    run([*command, "lld-link", *PE, *flags, f"/OUT:{name}", "@objects.txt"], work)


def universal(parts: Sequence[Path]) -> bytes:
    """The binaries of several processors in one, in the layout of Apple's mach-o/fat.h: a big-endian header, each
    part aligned. One part alone stays as it is."""
    if len(parts) == 1:
        return parts[0].read_bytes()
    page = 1 << FAT_ALIGNMENT
    at, rows, body = page, [], b""
    for part in parts:
        data = part.read_bytes()
        kind, subkind = struct.unpack("<4x2I", data[:12])
        rows.append(struct.pack(">5I", kind, subkind, at + len(body), len(data), FAT_ALIGNMENT))
        body += data + bytes(-len(data) % page)
    head = struct.pack(">2I", 0xCAFEBABE, len(parts)) + b"".join(rows)
    return (head + bytes(at - len(head)) + body)[:at + len(body)]


def run(command: Sequence[str], work: Path) -> None:
    """Runs a compiler in ``work``; raises :class:`InputError` with what it says if it fails."""
    environment = os.environ | {"LC_ALL": "C", "SOURCE_DATE_EPOCH": "0"}
    result = subprocess.run(command, cwd=work, env=environment, capture_output=True, text=True, check=False)
    if result.returncode != 0:
        reason = (result.stderr.strip() or result.stdout.strip()).splitlines() or ["no reason given"]
        told = next((line for line in reason if "error" in line), reason[-1])
        if "ziglang" in command:
            raise InputError(f"the ziglang package's compiler failed: {told}; try another version of it")
        raise InputError(f"the C compiler {command[0]!r} failed: {told}; try another one through {COMPILER_VARIABLE}")
