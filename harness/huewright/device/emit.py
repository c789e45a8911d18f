"""Run as a program, in a process with :data:`huewright_kernels.native.ENVIRONMENT`: writes what GPU kernels are made
of into a folder."""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

from huewright_kernels import ptx

from huewright.device.translated import NAME

if __name__ == "__main__":
    folder = Path(sys.argv[1])
    with tempfile.NamedTemporaryFile("w", dir=folder, delete=False, encoding="utf-8") as draft:
        json.dump(ptx.parts(), draft)
    Path(draft.name).replace(folder / NAME)
