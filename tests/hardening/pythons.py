"""The same work by several interpreters, each with its own packages, and whether the bytes are the same.

``python -m hardening.pythons FOLDER PYTHON [PYTHON ...]`` in ``tests/``, each PYTHON an interpreter that has the
package and its extra ``test``. A run (survey, correction, frames, LUT files, proof) and a scene of two cameras, made
once; exits with 1 where files differ from the first one's.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from hardening.lab import files
from hardening.test_determinism import PLAIN
from hardening.test_whole_jobs import RUN

VERSIONS = ("import platform as p, numpy, scipy, numba\n"
            "print(p.python_version(), 'NumPy', numpy.__version__, 'SciPy', scipy.__version__, 'numba', "
            "numba.__version__)")
TIMES = rb'("(survey|solve|render|export|prove|mtime_ns)": )([\d.e-]+)'
"""How long steps took, and when their files were written, is all that may differ."""


def done_by(python: str, place: Path) -> dict[str, bytes]:
    """What comes of the folders below ``place``, by their names in it."""
    made: dict[str, bytes] = {}
    for words in ((*RUN, "out"), ("scene", "scene.toml")):
        cwd = place / str(words[0])
        done = subprocess.run([python, "-c", "from huewright.cli import main; main()", *words], cwd=cwd,
                              env={**os.environ, **PLAIN}, capture_output=True, text=True, check=False)
        print(f"  {words[0]}: exit {done.returncode} {done.stderr.strip().splitlines()[-1:]}")
        made |= {f"{words[0]}/{name}": re.sub(TIMES, rb"\1-", data) for name, data in files(cwd).items()}
    return made


def main(folder: Path, *pythons: str) -> int:
    from scenes import blocks, make_scene
    from test_command_line import CARD, paint

    source, place = folder / "source", folder / "work"
    (source / "run").mkdir(parents=True)
    paint(source / "run" / "a.0001.png")
    shutil.copy(CARD, source / "run" / "card.toml")
    for number in range(1, 11):
        blocks(source / f"run/shot/s.{number:04d}.png", number)
    make_scene(source / "scene")
    wanted: dict[str, bytes] = {}
    worst = 0
    for python in pythons:      # each at the same place, since paths are in what is made
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(source, place)
        print(python, subprocess.run([python, "-c", VERSIONS], capture_output=True, text=True,
                                     check=True).stdout.strip(), flush=True)
        made = done_by(python, place)
        shutil.rmtree(folder / "made" / Path(python).parts[-3], ignore_errors=True)
        shutil.copytree(place, folder / "made" / Path(python).parts[-3])
        wanted = wanted or made
        other = [name for name in sorted(wanted.keys() | made.keys()) if wanted.get(name) != made.get(name)]
        print(f"  {len(made)} files, {len(other)} unlike the first one's {other[:8]}", flush=True)
        worst = max(worst, len(other))
    return 1 if worst else 0


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit(__doc__)
    sys.exit(main(Path(sys.argv[1]), *sys.argv[2:]))
