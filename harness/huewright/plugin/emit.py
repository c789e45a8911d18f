"""Run as a program, in a process with :data:`huewright_kernels.native.ENVIRONMENT`: writes the native objects."""

from __future__ import annotations

import sys
from pathlib import Path

from huewright_kernels import native

from huewright.plugin.exported import exported

if __name__ == "__main__":
    folder = Path(sys.argv[1])
    for name, data in native.emit(exported()).items():
        (folder / name).write_bytes(data)
