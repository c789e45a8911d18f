"""Builds the example plug-ins of a checkout of the OpenFX standard's repository, to try the probe on them.

Run as a program: ``python tests/outside/examples.py CHECKOUT FOLDER``. Every folder of C++ sources that defines
plug-ins becomes ``FOLDER/NAME.ofx``. Nothing of the checkout is kept but the binaries. Needs a C++17 compiler and, for
some of them, the development files of OpenGL, CImg and spdlog; what cannot be built is listed with the reason.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

FLAGS = ("-std=c++17", "-O1", "-g", "-fPIC", "-w", "-fvisibility=hidden", "-DOFX_SUPPORTS_OPENGLRENDER",
         "-DFMT_HEADER_ONLY")
LIBRARIES = ("-lGL", "-lpthread")
NO_PLUGINS = ("Library", "OSXStaticLoader")


def compiler() -> str:
    return os.environ.get("CXX", "g++")


def _compile(sources: list[Path], arguments: list[str]) -> str:
    """The reason why it failed, or nothing."""
    made = subprocess.run([compiler(), *FLAGS, *map(os.fspath, sources), *arguments], capture_output=True, text=True)
    if made.returncode == 0:
        return ""
    return next((line for line in made.stderr.splitlines() if "error" in line), made.stderr.strip()[-200:])


def folders(checkout: Path) -> Iterator[tuple[str, Path, bool]]:
    """(name, folder, whether it needs the C++ support library) of each plug-in there."""
    for parent, supported in ((checkout / "Examples", False), (checkout / "Support" / "Plugins", True),
                              (checkout / "Support", True)):
        for folder in sorted(path for path in parent.iterdir() if path.is_dir()):
            text = "".join(path.read_text(errors="replace") for path in folder.glob("*.cpp"))
            if folder.name not in NO_PLUGINS and ("OfxGetPlugin" in text or "getPluginIDs" in text):
                yield f"{'support-' if supported else ''}{folder.name}", folder, supported


def build(checkout: Path, target: Path) -> dict[str, Path | str]:
    """Name -> the binary, or why there is none."""
    target.mkdir(parents=True, exist_ok=True)
    includes = [f"-I{checkout / part}" for part in ("include", "Examples/include", "Support/include",
                                                    "Support/Plugins/include", "openfx-cpp/include")]
    library = target / "support.a"
    if not library.exists():
        objects = []
        for source in sorted((checkout / "Support" / "Library").glob("*.cpp")):
            objects.append(target / f"{source.stem}.o")
            if reason := _compile([source], [*includes, "-c", "-o", os.fspath(objects[-1])]):
                raise SystemExit(f"{source}: {reason}")
        subprocess.run(["ar", "rcs", library, *objects], check=True)
    made: dict[str, Path | str] = {}
    for name, folder, supported in folders(checkout):
        binary = target / f"{name}.ofx"
        reason = ""
        if not binary.exists():
            # Kernels for a GPU's own interface are left out: their libraries need not be there.
            sources = [path for path in sorted(folder.glob("*.cpp")) if "OpenCL" not in path.name]
            reason = _compile(sources, [*includes, "-shared", "-o", os.fspath(binary),
                                        *([os.fspath(library)] if supported else []), *LIBRARIES])
        made[name] = reason or binary
    return made


if __name__ == "__main__":
    for name, outcome in build(Path(sys.argv[1]), Path(sys.argv[2])).items():
        print(f"{name}: {outcome}")
