"""Fuzzing of one of the plug-in's own readers (C), with sanitizers, guided by what is reached (clang's libFuzzer):

    python tests/plugin/fuzz.py correction FOLDER -max_total_time=300

FOLDER takes what reaches more, and the program. It begins with the whole files of ``tests/badfiles``.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from badfiles import whole  # noqa: E402
from huewright.plugin import build as building  # noqa: E402

SHELL = ("settings.c", "isolation.c", "render.c", "describe.c", "entry.c")
BEGIN = {"correction": "correction.json", "cube": "*.cube", "patches": "patches.json"}


def main() -> int:
    kind, folder, *more = sys.argv[1], Path(sys.argv[2]).absolute(), *sys.argv[3:]
    compiler = next((found for name in ("clang", "clang-14", "clang-15", "clang-16") if (found := shutil.which(name))),
                    None)
    if compiler is None:
        print("there is no clang here", file=sys.stderr)
        return 2
    build, corpus = folder / "build", folder / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    if not (build / "fuzz").exists():
        build.mkdir(exist_ok=True)
        units = [str(HERE / "fuzz_files.c"), *(unit for unit in building.UNITS if unit not in SHELL),
                 *building.prepare(build)]
        subprocess.run([compiler, "-std=gnu11", "-g", "-O1", "-ffp-contract=off", "-I.", f"-DKIND=add_{kind}_file",
                        "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all", *units, "-lm", "-o",
                        "fuzz"], cwd=build, check=True)
    with tempfile.TemporaryDirectory() as made:
        whole.make(Path(made))
        for path in Path(made).glob(BEGIN[kind]):
            (corpus / path.name).write_bytes(b"\0" + path.read_bytes())
    return subprocess.run([build / "fuzz", corpus, "-timeout=20", f"-artifact_prefix={folder}{os.sep}", *more],
                          cwd=folder, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
