"""The kernels translated ahead of time: in a process that doesn't know the processor it runs on, kept on disk.

What is translated lies beside the kernels' compiled code, one folder for each kind, in it one for each state of the
sources.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from huewright_kernels import cache, native

from huewright.errors import InputError

KEPT = 2
"""How many older sets of a kind stay on disk."""


def folder(kind: str, key: str, needed_by: str) -> Path:
    """Where what ``key`` stands for lies; it need not be there yet. :class:`InputError`, in the words that
    ``needed_by`` begins, where nothing can be kept."""
    kept = cache.folder()
    if kept is None:
        raise InputError(f"{needed_by} a folder to work in, and neither the user's cache folder nor the temporary one "
                         "can be written; set XDG_CACHE_HOME to a folder of yours")
    return kept.parent.parent / kind / key


def translate(module: str, into: Path, *arguments: str, to: str) -> None:
    """Runs ``module`` as a program of ``into`` and ``arguments``, in a process that may lower kernels; older sets
    beside ``into`` are dropped. :class:`InputError` if it fails: could not be translated ``to``."""
    into.mkdir(parents=True, exist_ok=True, mode=0o700)
    with tempfile.TemporaryDirectory(dir=into) as name:
        environment = os.environ | native.ENVIRONMENT | {"NUMBA_CACHE_DIR": name}
        result = subprocess.run([sys.executable, "-m", module, str(into), *arguments], env=environment,
                                capture_output=True, text=True, check=False)
    if result.returncode != 0:
        raise InputError(f"the image kernels could not be translated to {to}: "
                         + (result.stderr.strip().splitlines() or ["no reason given"])[-1])
    others = sorted((path for path in into.parent.iterdir() if path != into and path.is_dir()),
                    key=lambda path: path.stat().st_mtime, reverse=True)
    for path in others[KEPT:]:
        shutil.rmtree(path, ignore_errors=True)
