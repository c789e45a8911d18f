"""Where the binary lies in a bundle: OpenFX programming reference, "Packaging OFX plug-ins"."""

from __future__ import annotations

import platform
from pathlib import Path

from huewright.errors import InputError

ARCHITECTURE = {"Windows": "Win64", "Darwin": "MacOS"}.get(
    platform.system(), f"{platform.system()}-{platform.machine().replace('_', '-')}")


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
