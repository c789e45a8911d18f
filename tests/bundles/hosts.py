"""Runs bundles of other systems: the host of ``host.c``, compiled for each, under the emulator that has the system.

linux-x86-64 runs here, linux-arm64 in QEMU's user mode with Debian's cross C library, windows-x86-64 in Wine.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from huewright.plugin import build as building
from huewright.plugin import link
from huewright.plugin.golden import Golden
from huewright.plugin.targets import TARGETS
from huewright_kernels.ops import Operation

RUN = ("linux-x86-64", "linux-arm64", "windows-x86-64")
EVERY_RUN = ("linux-x86-64", "windows-x86-64")
"""Windows has another C library and linker, which most changes of the C sources can break; arm64's code is the same
sources and formulas on another processor, tried before a release."""
DEPTHS = {"float32": "Float", "float16": "Half", "uint16": "Short", "uint8": "Byte"}
ARM64_ROOT = Path("/usr/aarch64-linux-gnu")
SOURCE = Path(__file__).parent / "host.c"
IMPORTED = {
    "ucrtbase.dll": ("calloc", "fclose", "fgets", "fopen", "fread", "free", "fwrite", "localeconv", "malloc", "memcpy",
                     "memset", "setlocale", "strcat", "strchr", "strcmp", "strcpy", "strcspn", "strlen", "strstr",
                     "strtod", "strtol"),
    "kernel32.dll": ("CloseHandle", "CreateThread", "ExitProcess", "GetProcAddress", "LoadLibraryA",
                     "WaitForMultipleObjects")}


def missing(target: str) -> str | None:
    """Why bundles for ``target`` can't be run here, or None."""
    if link.zig() is None:
        return "needs the ziglang package"
    if target == "linux-arm64" and not (shutil.which("qemu-aarch64") and ARM64_ROOT.is_dir()):
        return "needs qemu-user and libc6-arm64-cross"
    if target == "windows-x86-64" and wine() is None:
        return "needs wine64"
    return None


def wine() -> str | None:
    beside = Path("/usr/lib/wine/wine64")  # Debian's; its `wine` would ask for a 32-bit one first
    return str(beside) if beside.is_file() else shutil.which("wine64") or shutil.which("wine")


def compile_host(target: str, folder: Path) -> Path:
    """The host for ``target``, made in ``folder``."""
    compiler = link.find_compiler(TARGETS[target])
    flags = ["-std=gnu11", "-O1", "-Wall", "-Wextra", "-I", str(building.SOURCES), str(SOURCE)]
    if target != "windows-x86-64":
        link.run([*compiler, *flags, "-o", "host", "-ldl", "-lpthread"], folder)
        return folder / "host"
    link.run([*compiler, *flags, "-g0", "-c", "-o", "host.o"], folder)
    link.link_windows(["host.o"], IMPORTED, ["/SUBSYSTEM:CONSOLE", "/ENTRY:start"], "host.exe", folder)
    return folder / "host.exe"


@dataclass
class Result:
    """Of one rendering: the plug-in's status, what it said, and the picture's bytes."""

    status: int
    message: str
    data: bytes

    def pixels(self, like: np.ndarray) -> np.ndarray:
        return np.frombuffer(self.data, like.dtype).reshape(like.shape)


@dataclass
class Asked:
    """A rendering: of what, through which operations if they are known, and held to which vectors."""

    title: str
    pixels: np.ndarray
    operations: tuple[Operation, ...]
    golden: Golden | None


class Job:
    """What the host is told, and the files that it needs."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.lines = folder, [f"load\t./{building.NAME}"]
        self.asked: list[Asked] = []
        self.comma = False  # whether the last run had a decimal comma from `locale` on

    def effect(self, name: str, settings: dict[str, object]) -> None:
        """``settings``: numbers (tuples of them, positions of options) and texts."""
        self.lines.append(f"effect\torg.huewright.{name}")
        for key, value in settings.items():
            values = value if isinstance(value, tuple) else (value,)
            words = [v if isinstance(v, str) else float(v).hex() for v in values]  # type: ignore[arg-type]
            self.lines.append("\t".join(["set", key, *words]))

    def render(self, pixels: np.ndarray, title: str, *, premultiplied: bool = False, threads: int = 2,
               operations: tuple[Operation, ...] = (), golden: Golden | None = None) -> None:
        """``pixels`` (height, width, channels) go to the plug-in as they lie, the first row lowest."""
        self.asked.append(Asked(title, pixels, operations, golden))
        name = f"picture{len(self.asked)}"
        (self.folder / name).write_bytes(np.ascontiguousarray(pixels).tobytes())
        height, width, channels = pixels.shape
        depth = DEPTHS[pixels.dtype.name]
        self.lines.append(f"picture\t{name}\t{width}\t{height}\t{channels}\t{depth}\t{int(premultiplied)}")
        self.lines.append(f"render\t{threads}")

    def run(self, target: str, bundle: Path, host: Path, prefix: Path) -> list[Result]:
        """Does it with the binary of ``target``; ``prefix`` is where Wine keeps its system."""
        shutil.copyfile(bundle / "Contents" / TARGETS[target].folder / building.NAME, self.folder / building.NAME)
        shutil.copy(host, self.folder / host.name)
        (self.folder / "job.txt").write_text("\n".join(self.lines) + "\n", encoding="utf-8")
        (self.folder / "results").unlink(missing_ok=True)
        command: Sequence[str] = [f"./{host.name}"]
        environment = os.environ | {"LC_ALL": "C.UTF-8"}
        if target == "linux-arm64":
            command = ["qemu-aarch64", "-L", str(ARM64_ROOT), *command]
        if target == "windows-x86-64":
            command = [wine() or "wine", host.name]
            environment |= {"WINEPREFIX": str(prefix), "WINEDEBUG": "-all", "WINEDLLOVERRIDES": "mscoree=;mshtml="}
            environment.pop("DISPLAY", None)
        done = subprocess.run(command, cwd=self.folder, env=environment, capture_output=True, check=False, timeout=300)
        line = self.lines[done.returncode - 1] if 0 < done.returncode <= len(self.lines) else done.stderr[-2000:]
        assert done.returncode == 0, f"{target}: exit code {done.returncode}: {line!r}"
        return self._unpacked((self.folder / "results").read_bytes())

    def _unpacked(self, data: bytes) -> list[Result]:
        results, at = [], 0

        def number() -> int:
            nonlocal at
            at += 4
            return int(struct.unpack_from("<i", data, at - 4)[0])

        def block() -> bytes:
            nonlocal at
            size = number()
            at += size
            return data[at - size:at]

        for line in self.lines:
            if line.startswith("locale"):
                self.comma = number() == 1
            elif line.startswith("render"):
                results.append(Result(number(), block().decode(), block()))
        assert at == len(data)
        return results
