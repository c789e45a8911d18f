"""The same bytes, whatever the circumstances: threads, hash seeds, locale, time zone, the hour."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.frames.sequence import parse_sequence
from huewright.models.correction import load_correction
from huewright.steps.render import render_take

from hardening.lab import files
from hardening.test_whole_jobs import RUN

PLAIN = {"PYTHONHASHSEED": "0", "TZ": "UTC", "LC_ALL": "C.UTF-8", "HUEWRIGHT_THREADS": "2"}
OTHER = {"hash seed": {"PYTHONHASHSEED": "4711"},
         "place": {"TZ": "Pacific/Kiritimati", "LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
         "one thread": {"HUEWRIGHT_THREADS": "1"}, "four threads": {"HUEWRIGHT_THREADS": "4"}}


@pytest.mark.parametrize("suffix", [".exr", ".tif", ".dpx", ".png"])
def test_frames_on_any_number_of_threads(correction: Path, frames: str, tmp_path: Path, suffix: str) -> None:
    """Of a take that says no date a frame says none: OpenImageIO would put in when it was written."""
    made = []
    for threads in (1, 2, 4):
        out = tmp_path / f"out{threads}"
        render_take(load_correction(correction), parse_sequence(frames), f"{out}/s.####{suffix}", threads=threads)
        made.append(files(out))
    assert made[0] == made[1] == made[2]
    said = oiio.ImageInput.open(str(out / f"s.0001{suffix}")).spec()
    assert said.getattribute("DateTime") in (None, "") and said.getattribute("capDate") is None


@pytest.mark.slow
@pytest.mark.long
def test_a_run_in_other_circumstances(job: Path, tmp_path: Path) -> None:
    """Survey, correction, frames, LUT files, proof and its pictures; seconds that it took aside. In processes of their
    own, since a hash seed holds for a process."""
    def made(name: str, changed: dict[str, str]) -> dict[str, bytes]:
        out = tmp_path / name.replace(" ", "-") / "out"
        out.parent.mkdir()
        done = subprocess.run([sys.executable, "-c", "from huewright.cli import main; main()", *RUN, "../out"],
                              cwd=shutil.copytree(job, out.parent / "job"), env={**os.environ, **PLAIN, **changed},
                              capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        there = files(out)
        # Of the sources' paths and times, and how long each step took.
        there["job.json"] = re.sub(rb'("(sha256|survey|solve|render|export|prove)": )("\w+"|[\d.]+)', rb"\1-",
                                   there["job.json"])
        return there

    wanted = made("as it is", {})
    for name, changed in OTHER.items():
        there = made(name, changed)
        assert there.keys() == wanted.keys()
        assert [file for file in wanted if there[file] != wanted[file]] == [], name
