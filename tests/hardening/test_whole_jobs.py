"""Runs, scenes and single verbs under the same faults: ended at any moment, two at once, a disk that is full."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import time
from pathlib import Path

import pytest

from hardening.lab import Child, Lab, files, small_disk

pytestmark = [pytest.mark.slow, pytest.mark.long]
RUN = ("run", "a.0001.png", "--card", "card.toml", "--encoding", "display", "--trust-encoding", "--shot", "shot",
       "--out")
KILLS = 10
STOPPED = (130, -signal.SIGINT)
"""Python ends itself by SIGINT where that came while it evaluated a text (a dataclass being made); a shell says 130."""


def without_times(there: dict[str, bytes]) -> dict[str, bytes]:
    """Seconds that it took, and when files were written, aside."""
    return {name: re.sub(rb'("(seconds|mtime_ns|survey|solve|render|export|prove)": )[\d.]+', rb"\1-", content)
            for name, content in there.items() if "record/" not in name}


def ended_at(child: Child, seconds: float, number: signal.Signals) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until and child.running:
        time.sleep(0.01)
    if child.running:
        child.send(number)


def no_drafts(folder: Path) -> bool:
    return not any(path.name.startswith(".") and not path.name.endswith(".claim") for path in folder.rglob("*"))


@pytest.mark.parametrize("verb", ["run", "scene"])
def test_killed_at_random_moments_and_gone_on(lab: Lab, job: Path, scene: Path, tmp_path: Path, verb: str) -> None:
    """kill -9, Ctrl-C and SIGTERM by turns, at moments drawn anew each time; what comes out at last is what an
    undisturbed one makes."""
    out, cwd = (tmp_path / "out", job) if verb == "run" else (scene.parent / "made", scene.parent)
    words: tuple[object, ...] = (*RUN, out) if verb == "run" else ("scene", "scene.toml")
    began = time.monotonic()
    assert (first := lab.run(*words, cwd=cwd)).code == 0, first.err
    took = time.monotonic() - began
    wanted = without_times(files(out))
    assert ".huewright.claim" not in wanted
    shutil.rmtree(out)
    seed = random.randrange(1 << 32)
    at, more = random.Random(seed), ("--resume",) if verb == "run" else ()
    for number in (signal.SIGKILL, signal.SIGINT, signal.SIGKILL, signal.SIGTERM) * (KILLS // 4 + 1):
        if not out.is_dir():
            out.mkdir()
        child = lab.start(*words, *more, cwd=cwd, env={"TMPDIR": str(tmp_path)})
        ended_at(child, at.uniform(0.05, took), number)
        ended = child.wait()
        assert "Traceback" not in ended.err, (seed, ended.err)
        if number == signal.SIGKILL:
            assert ended.code in (0, -signal.SIGKILL), (seed, ended)
            continue
        assert ended.code in (0, *STOPPED, 128 + number, -number), (seed, ended)
        assert ended.code == 0 or ended.sentence.startswith("stopped; "), (seed, ended.err)
        assert no_drafts(out), seed
    last = lab.run(*words, *more, cwd=cwd)
    assert last.code == 0, (seed, last.err)
    assert without_times(files(out)) == wanted, seed


@pytest.mark.parametrize("verb", ["run", "scene"])
def test_two_into_one_folder(lab: Lab, job: Path, scene: Path, tmp_path: Path, verb: str) -> None:
    out, cwd = (tmp_path / "out", job) if verb == "run" else (scene.parent / "made", scene.parent)
    words: tuple[object, ...] = (*RUN, out) if verb == "run" else ("scene", "scene.toml")
    first = lab.start(*words, cwd=cwd)
    until = time.monotonic() + 120
    while not (out / ".huewright.claim").exists() and time.monotonic() < until:
        time.sleep(0.01)
    second = lab.run(*words, cwd=cwd)
    if first.running:      # else it was too quick for this machine
        assert second.code == 2 and "is being written by another huewright just now" in second.sentence
    assert first.wait().code == 0 and ".huewright.claim" not in files(out)


@pytest.mark.parametrize("megabytes", [0.02, 0.5, 3, 12, 24])
def test_a_run_on_a_disk_that_is_full(lab: Lab, job: Path, tmp_path: Path, megabytes: float) -> None:
    """At the survey, its picture, the frames, the LUT files and the proof, by how much there is."""
    with small_disk(tmp_path / "disk", f"{int(megabytes * 1024)}k") as disk:
        ended = lab.run(*RUN, disk / "out", cwd=job)
        assert ended.code == 2 and "No space left on device" in ended.sentence, ended.err
        assert no_drafts(disk)
        os.system(f"mount -o remount,size=80m {disk}")
        again = lab.run(*RUN, disk / "out", "--resume", cwd=job)
        assert again.code == 0, again.err


@pytest.mark.parametrize("verb", ["survey", "sheet", "solve", "cube", "clf", "config", "scene", "scopes", "page"])
def test_verbs_on_a_disk_that_is_full(lab: Lab, job: Path, scene: Path, correction: Path, tmp_path: Path,
                                      verb: str) -> None:
    """Each file that a verb writes; of several, none or all."""
    survey = ("survey", "a.0001.png", "--card", "card.toml", "--encoding", "display")
    where = tmp_path / "disk"
    words: dict[str, tuple[object, ...]] = {
        "survey": (*survey, "--out", where / "s.json"), "sheet": (*survey, "--out", tmp_path / "s.json", "--sheet",
                                                                  where / "s.png"),
        "cube": ("export", correction, where / "a.cube"), "clf": ("export", correction, where / "a.clf"),
        "config": ("export", correction, "--config", where / "config"),
        "scopes": ("scopes", "a.0001.png", "--out", where / "scopes"),
        "scene": ("scene", "scene.toml"), "page": (*RUN, where / "out"),
        "solve": ("solve", tmp_path / "r.json", "--card", "card.toml", "--trust-encoding", "--out", where / "c.json")}
    if verb == "solve":
        assert lab.run(*survey, "--out", tmp_path / "r.json", cwd=job).code == 0
    place = scene.parent / "made" if verb == "scene" else where
    with small_disk(place, "4k") as disk:
        ended = lab.run(*words[verb], cwd=scene.parent if verb == "scene" else job)
        assert ended.code == 2 and "No space left on device" in ended.err and "Traceback" not in ended.err, ended.err
        left = files(disk)
        assert no_drafts(disk) and all(content for content in left.values()), left


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_verbs_ended_at_any_moment(lab: Lab, job: Path, correction: Path, tmp_path: Path,
                                   number: signal.Signals) -> None:
    survey = ("survey", "a.0001.png", "--card", "card.toml", "--encoding", "display", "--out")
    assert lab.run(*survey, tmp_path / "r.json", cwd=job).code == 0
    out, at = tmp_path / "out", random.Random()
    for words in ((*survey, out / "s.json", "--sheet", out / "s.png"), ("export", correction, out / "a.cube"),
                  ("solve", tmp_path / "r.json", "--card", "card.toml", "--trust-encoding", "--out", out / "c.json"),
                  ("export", correction, "--config", out / "config")):
        began = time.monotonic()
        assert lab.run(*words, cwd=job).code == 0
        took, wanted = time.monotonic() - began, files(out)
        for _ in range(5):
            shutil.rmtree(out)
            out.mkdir()
            child = lab.start(*words, cwd=job, env={"TMPDIR": str(tmp_path)})
            ended_at(child, at.uniform(0.02, took), number)
            ended = child.wait()
            assert ended.code in (0, *STOPPED, 128 + number, -number) and "Traceback" not in ended.err, ended
            assert files(out).items() <= wanted.items()
        shutil.rmtree(out)
    assert not list(tmp_path.glob("huewright-work-*"))
