"""Fuzzing of one reader, guided by what of its code is reached, where Atheris is installed (no dependency):

    python -m badfiles.fuzz card FOLDER -max_total_time=300

FOLDER takes what was found to reach more; anything but a result or one sentence ends it, and the file is kept.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

NAMES = {"json": "any.json", "card": "card.toml", "scene": "scene.toml", "survey": "survey.json",
         "correction": "correction.json", "patches": "patches.json", "job": "job.json", "cube": "lattice.cube",
         "clf": "nodes.clf", "cdl": "a.cdl",
         "cgats": "lab.cgats", "table": "table.csv", "dpx": "d10.dpx", "edit": "edit.otio"}
MODULES = ["huewright.strict_json", "huewright.models", "huewright.cards.cgats", "huewright.cards.importing",
           "huewright.colorimetry.luts", "huewright.colorimetry.refusing", "huewright.frames.dpx",
           "huewright.handover.edit", "huewright.files", "tomllib", "json"]


def _json(path: Path) -> Any:
    """What the reader and Python's own take for a value must be the same."""
    import json

    from huewright import strict_json

    data = path.read_bytes()
    try:
        value = strict_json.loads(data)
    except strict_json.JsonError:
        return None
    assert json.dumps(value) == json.dumps(json.loads(data))
    return value


def _dpx(path: Path) -> Any:
    from huewright.frames.dpx import read_dpx, why_not

    found = None if why_not(path) else read_dpx(path)
    return found if found is None else (found.codes().shape, found.with_codes(found.codes()).payload)


def main() -> None:
    import atheris

    kind, *rest = sys.argv[1:]
    with atheris.instrument_imports(include=MODULES, enable_loader_override=False):
        from huewright.errors import InputError, NoAnswerError

        from badfiles.readers import reader_of, warm
    own: dict[str, Callable[[Path], Any]] = {"json": _json, "dpx": _dpx}
    warm()      # compiling takes longer than any file may
    read = own.get(kind) or reader_of(NAMES[kind])
    folder = Path(tempfile.mkdtemp(prefix="fuzz-", dir="/dev/shm" if os.path.isdir("/dev/shm") else None))
    path = folder / NAMES[kind]

    def one(data: bytes) -> None:
        path.write_bytes(data)
        try:
            read(path)
        except (InputError, NoAnswerError) as error:
            assert str(error).isprintable() and str(path) in str(error) and len(str(error)) < 1000, str(error)

    atheris.Setup([sys.argv[0], *rest], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
