"""The formulas as GPU kernels are made of them: translated once, and kept on disk."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from functools import cache
from pathlib import Path

from huewright_kernels import native

from huewright import translating

log = logging.getLogger(__name__)

NAME = "parts.json"


def parts(notify: Callable[[str], None] = lambda line: None) -> dict[str, str]:
    """Name -> LLVM text: see :func:`huewright_kernels.ptx.parts`. ``notify`` is called before translating."""
    folder = translating.folder("ptx", native.key(), "kernels for GPUs need")
    if not (folder / NAME).is_file():
        notify("translating the image kernels for GPUs (once, up to a minute)")
        translating.translate("huewright.device.emit", folder, to="kernels for GPUs")
    return _read(folder / NAME)


@cache
def _read(path: Path) -> dict[str, str]:
    log.debug("kernels for GPUs are made of %s", path)
    found: dict[str, str] = json.loads(path.read_text(encoding="utf-8"))
    return found
