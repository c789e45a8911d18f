"""Where the binary lies in a bundle: OpenFX programming reference, "Packaging OFX plug-ins"."""

from __future__ import annotations

import platform
import struct
from pathlib import Path

from huewright.errors import InputError

ARCHITECTURE = {"Windows": "Win64", "Darwin": "MacOS"}.get(
    platform.system(), f"{platform.system()}-{platform.machine().replace('_', '-')}")


_MACHINES = {"x86_64": 62, "aarch64": 183}


def why_not(path: Path | str) -> str:
    """Why the system's loader could not load a library, in words, where its first bytes tell; else empty. The loader
    itself would end the process over one that is cut short.

    Source: System V ABI, generic, chapters 4 and 5 (ELF header, program header); machines of the processors' ABIs.
    """
    with open(path, "rb") as file:
        head = file.read(64)
        size = file.seek(0, 2)
        if len(head) < 64 or head[:4] != b"\x7fELF":
            return "it is no ELF library, which Linux's are"
        if head[4:6] != b"\2\1":
            return "it is for a machine of other words"
        kind, machine = struct.unpack_from("<HH", head, 16)
        place, entry, count = (*struct.unpack_from("<Q", head, 32), *struct.unpack_from("<HH", head, 54))
        if machine != _MACHINES.get(platform.machine(), machine):
            return "it is for another kind of machine"
        if kind != 3:
            return "it is no shared library"
        file.seek(place)
        table = file.read(entry * count)
        if entry < 56 or len(table) < entry * count:
            return "it is cut short"
        for k in range(count):
            offset, _, _, length = struct.unpack_from("<QQQQ", table, k * entry + 8)
            if struct.unpack_from("<I", table, k * entry)[0] == 1 and offset + length > size:
                return "it is cut short"
    return ""


def find_binary(path: Path | str) -> Path:
    """The ``.ofx`` file in a bundle (or ``path`` itself if it is one); :class:`InputError` if there is none."""
    path = Path(path)
    if path.is_file():
        return path
    if not path.exists():
        raise InputError(f"{path}: there is no such plug-in; give an .ofx file or an .ofx.bundle folder")
    bundles = [path] if path.name.endswith(".ofx.bundle") else sorted(path.glob("*.ofx.bundle"))
    for bundle in bundles:
        binary = bundle / "Contents" / ARCHITECTURE / bundle.name.removesuffix(".bundle")
        if binary.is_file():
            return binary
    raise InputError(f"{path}: no Contents/{ARCHITECTURE}/NAME.ofx in it; give an .ofx file or an .ofx.bundle folder")
