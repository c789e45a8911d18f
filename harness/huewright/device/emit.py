"""Run as a program, in a process with :data:`huewright_kernels.native.ENVIRONMENT`: writes what GPU kernels are made
of."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from huewright_kernels import ptx

if __name__ == "__main__":
    Path(sys.argv[1]).write_text(json.dumps(ptx.parts()), encoding="utf-8")
