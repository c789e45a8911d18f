"""Run as a program: ``emit FOLDER MACHINE ...`` writes the objects of each machine into FOLDER/MACHINE, and the kernel
for GPUs into FOLDER.

FOLDER keeps the kernels lowered (``lowered.json.gz``), which takes longest, needs a process with
:data:`huewright_kernels.native.ENVIRONMENT` and is done once; from these the objects of other machines are made later.
"""

from __future__ import annotations

import gzip
import json
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from huewright_kernels import native, walking

from huewright.plugin.exported import exported

LOWERED, WALK = "lowered.json.gz", "walk.ptx"


def lowered_in(folder: Path) -> dict[str, native.Lowered]:
    """What was lowered into ``folder`` before, or now."""
    kept = folder / LOWERED
    if not kept.is_file():
        records = {name: asdict(function) for name, function in native.lower(exported()).items()}
        _write(kept, gzip.compress(json.dumps(records).encode(), compresslevel=1, mtime=0))
    records = json.loads(gzip.decompress(kept.read_bytes()))
    return {name: native.Lowered(r["text"], r["symbol"], tuple(r["levels"])) for name, r in records.items()}


def _write(path: Path, data: bytes) -> None:
    with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as draft:
        draft.write(data)
    Path(draft.name).replace(path)


def emit(folder: Path, machines: list[str]) -> None:
    if not (folder / WALK).is_file():
        _write(folder / WALK, walking.text().encode("ascii"))
    if not machines:
        return
    made = native.compile_for(machines, lowered_in(folder))
    for machine in machines:
        with tempfile.TemporaryDirectory(dir=folder) as name:
            draft = Path(name) / machine
            draft.mkdir()
            for (of, file), data in made.items():
                if of == machine:
                    (draft / file).write_bytes(data)
            if not (folder / machine).exists():
                try:
                    draft.rename(folder / machine)
                except OSError:  # another process was quicker
                    if not (folder / machine).is_dir():
                        raise


if __name__ == "__main__":
    emit(Path(sys.argv[1]), sys.argv[2:])
