"""The formulas as GPU kernels are made of them: translated once, in a process of its own, and kept on disk."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from huewright_kernels import cache as kernels_cache
from huewright_kernels import native

from huewright.errors import InputError

log = logging.getLogger(__name__)

KEPT = 2
"""How many older sets stay on disk."""


def parts(notify: Callable[[str], None] = lambda line: None) -> dict[str, str]:
    """Name -> LLVM text: see :func:`huewright_kernels.ptx.parts`. ``notify`` is called before translating."""
    kept = kernels_cache.folder()
    if kept is None:
        raise InputError("kernels for GPUs need a folder to be kept in, and neither the user's cache folder nor the "
                         "temporary one can be written; set XDG_CACHE_HOME to a folder of yours")
    path = kept.parent.parent / "ptx" / f"{native.key()}.json"
    if not path.is_file():
        notify("translating the image kernels for GPUs (once, up to a minute)")
        _translate(path)
    return _read(path)


@cache
def _read(path: Path) -> dict[str, str]:
    log.debug("kernels for GPUs are made of %s", path)
    found: dict[str, str] = json.loads(path.read_text(encoding="utf-8"))
    return found


def _translate(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    with tempfile.TemporaryDirectory(dir=path.parent) as name:
        made = Path(name) / path.name
        environment = os.environ | native.ENVIRONMENT | {"NUMBA_CACHE_DIR": str(Path(name) / "cache")}
        result = subprocess.run([sys.executable, "-m", "huewright.device.emit", str(made)], env=environment,
                                capture_output=True, text=True, check=False)
        if result.returncode != 0:
            raise InputError("the image kernels could not be translated for GPUs: "
                             + (result.stderr.strip().splitlines() or ["no reason given"])[-1])
        os.replace(made, path)
    older = sorted((one for one in path.parent.glob("*.json") if one != path), key=lambda one: one.stat().st_mtime)
    for one in older[:-KEPT]:
        one.unlink(missing_ok=True)
