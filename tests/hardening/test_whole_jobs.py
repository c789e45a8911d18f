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
from hardening.moments import DRAFTED, GONE, NAMED, Moment, at

pytestmark = [pytest.mark.slow, pytest.mark.long]
RUN = ("run", "a.0001.png", "--card", "card.toml", "--encoding", "display", "--trust-encoding", "--shot", "shot",
       "--out")
STOPPED = (130, -signal.SIGINT)
"""Python ends itself by SIGINT where that came while it evaluated a text (a dataclass being made); a shell says 130."""


def without_times(there: dict[str, bytes]) -> dict[str, bytes]:
    """Seconds that it took, and when files were written, aside."""
    return {name: re.sub(rb'("(seconds|mtime_ns|survey|solve|render|export|prove)": )[\d.]+', rb"\1-", content)
            for name, content in there.items() if "record/" not in name}


def ended_after(child: Child, seconds: float, number: signal.Signals) -> None:
    """At a random moment: what no call of the system parts, such as computing, is met by these alone."""
    until = time.monotonic() + seconds
    while time.monotonic() < until and child.running:
        time.sleep(0.01)
    if child.running:
        child.send(number)


def drafts(folder: Path) -> list[Path]:
    return [path for path in folder.rglob(".*") if not path.name.endswith(".claim")]


KILL, INT, TERM = signal.SIGKILL, signal.SIGINT, signal.SIGTERM
MOMENTS: dict[str, list[tuple[signal.Signals, Moment]]] = {
    "run": [
        (KILL, Moment("the job's record gets its name", NAMED, r"/job\.json$")),
        (INT, Moment("the survey is begun to be written", DRAFTED, r"-survey\.json$")),
        (TERM, Moment("the survey gets its name", NAMED, r"/survey\.json$")),
        (KILL, Moment("the correction gets its name", NAMED, r"/correction\.json$")),
        (INT, Moment("the second frame is read", ("openat",), r"/shot/s\.0002\.png$")),
        (KILL, Moment("the third frame is brought to the disk", ("fsync",), r"/shots/s/", 3)),
        (TERM, Moment("another two frames have names, the third gets it", NAMED, r"/shots/s/s\.\d+\.png$", 3)),
        (INT, Moment("one frame has a name and is looked at", ("openat",), r"/shots/s/s\.\d+\.png$")),
        (KILL, Moment("the second LUT file gets its name", NAMED, r"/correction\.clf$")),
        (INT, Moment("the third line is said", ("write",), r"\.err$", 5)),
        (KILL, Moment("a picture of the proof gets its name", NAMED, r"/proof/waveform_card\.png$")),
        (TERM, Moment("the page gets its name", NAMED, r"/proof/proof\.html$")),
        (KILL, Moment("the finished record takes the first one's place", NAMED, r"/job\.json$")),
        (INT, Moment("the claim on the folder is let go", GONE, r"/\.huewright\.claim$")),
        (TERM, Moment("the temporary folder is removed, on the way out", GONE, r"/huewright-work-[^/]+$")),
        (INT, Moment("the process ends", ("exit_group",)))],
    "scene": [
        (KILL, Moment("a step's record takes its place", NAMED, r"/record/survey-a\.json$")),
        (INT, Moment("a survey has a hidden name", NAMED, r"/takes/a/\.survey-\w+\.json$")),
        (KILL, Moment("a survey takes its place", NAMED, r"/takes/a/survey\.json$")),
        (TERM, Moment("its record is noted as done", NAMED, r"/record/survey-a\.json$", 2)),
        (KILL, Moment("the second take's correction has a hidden name", NAMED, r"/takes/b/\.correction-\w+\.json$")),
        (INT, Moment("a LUT file takes its place", NAMED, r"/luts/one\.cube$")),
        (KILL, Moment("one frame of a shot has its name, the next gets it", NAMED, r"/shots/one/one\.\d+\.png$", 2)),
        (TERM, Moment("a frame of the last shot is brought to the disk", ("fsync",), r"/shots/three/")),
        (KILL, Moment("the page takes its place", NAMED, r"/scene\.html$")),
        (INT, Moment("the claim on the folder is let go", GONE, r"/\.huewright\.claim$")),
        (INT, Moment("the process ends", ("exit_group",)))]}
ANY = 3
"""Further ends of a job at random moments."""


@pytest.mark.parametrize("verb", ["run", "scene"])
def test_killed_and_gone_on(held: Lab, job: Path, scene: Path, tmp_path: Path, verb: str) -> None:
    """kill -9, Ctrl-C and SIGTERM at each of these moments, the next time going on from there, and then at random ones;
    what comes out at last is what an undisturbed one makes."""
    lab, (out, cwd) = held, (tmp_path / "out", job) if verb == "run" else (scene.parent / "made", scene.parent)
    words: tuple[object, ...] = (*RUN, out) if verb == "run" else ("scene", "scene.toml")
    began = time.monotonic()
    assert (first := lab.run(*words, cwd=cwd)).code == 0, first.err
    took = time.monotonic() - began
    wanted = without_times(files(out))
    assert ".huewright.claim" not in wanted
    shutil.rmtree(out)
    seed = random.randrange(1 << 32)
    at_random, more = random.Random(seed), ("--resume",) if verb == "run" else ()
    for number, moment in [*MOMENTS[verb], *((INT, at_random.uniform(0.05, took)) for _ in range(ANY))]:
        if not out.is_dir():
            out.mkdir()
        by_call = isinstance(moment, Moment)
        child = lab.start(*words, *more, cwd=cwd, env={"TMPDIR": str(tmp_path)},
                          **({"calls": moment.calls} if by_call else {}))
        if by_call:
            met = at(child.watch, moment, lambda child=child, number=number: child.send(number))
            assert met, (moment, child.wait().err)
        else:
            ended_after(child, moment, number)
        ended = child.wait()
        assert "Traceback" not in ended.err, (seed, moment, ended.err)
        if number == KILL:
            assert ended.code == -KILL, (moment, ended)
            continue
        assert ended.code in (0, *STOPPED, 128 + number, -number), (seed, moment, ended)
        if by_call and moment not in [late for _, late in MOMENTS[verb][-3:]] or "huewright: " in ended.err:
            assert ended.sentence.startswith("stopped; "), (seed, moment, ended)
        assert drafts(out) == [], (seed, moment)
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
        assert drafts(disk) == []
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
        assert drafts(disk) == [] and all(content for content in left.values()), left


READ = Moment("an input is read", ("openat",), r"/(a\.0001\.png|c\.json|r\.json)$")
OF_VERBS = [
    READ, Moment("a file is begun to be written", DRAFTED, "/huewright-work-"),
    Moment("it is brought to the disk", ("fsync",), "/out/"), Moment("it gets its name", NAMED, "/out/"),
    Moment("it has its name, and the way to it is taken away", GONE, r"/huewright-work-[^/]+/"),
    Moment("the temporary folder is removed, on the way out", GONE, r"/huewright-work-[^/]+$"),
    Moment("the process ends", ("exit_group",))]


@pytest.mark.parametrize("number", [INT, TERM])
def test_verbs_ended_at_any_moment(held: Lab, job: Path, correction: Path, tmp_path: Path,
                                   number: signal.Signals) -> None:
    survey = ("survey", "a.0001.png", "--card", "card.toml", "--encoding", "display", "--out")
    assert held.run(*survey, tmp_path / "r.json", cwd=job).code == 0
    out, seed = tmp_path / "out", random.randrange(1 << 32)
    at_random = random.Random(seed)
    for words in ((*survey, out / "s.json", "--sheet", out / "s.png"), ("export", correction, out / "a.cube"),
                  ("solve", tmp_path / "r.json", "--card", "card.toml", "--trust-encoding", "--out", out / "c.json"),
                  ("export", correction, "--config", out / "config")):
        began = time.monotonic()
        assert held.run(*words, cwd=job).code == 0
        took, wanted = time.monotonic() - began, files(out)
        for moment in (*OF_VERBS, at_random.uniform(0.02, took)):
            shutil.rmtree(out)
            out.mkdir()
            by_call = isinstance(moment, Moment)
            child = held.start(*words, cwd=job, env={"TMPDIR": str(tmp_path)},
                               **({"calls": moment.calls} if by_call else {}))
            if by_call:
                assert at(child.watch, moment, lambda child=child: child.send(number)), (words, moment)
            else:
                ended_after(child, moment, number)
            ended = child.wait()
            assert ended.code in (0, *STOPPED, 128 + number, -number), (seed, moment, ended)
            assert "Traceback" not in ended.err, (seed, moment, ended)
            if moment in OF_VERBS[:-2]:
                assert ended.code in (*STOPPED, 128 + number), (moment, ended)
                assert ended.sentence.startswith("stopped; "), (moment, ended)
            assert files(out).items() <= wanted.items(), (seed, moment)
        shutil.rmtree(out)
    assert not list(tmp_path.glob("huewright-work-*"))
