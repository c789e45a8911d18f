"""What the system does to a render, and what comes of it: one sentence, the right exit code, whole frames."""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from huewright.claims import claimed, claimed_whole
from huewright.errors import InputError
from huewright.frames.frame import Frame
from huewright.frames.picture import write_frame
from huewright.frames.sequence import parse_sequence
from huewright.frames.wholeness import is_whole
from huewright.models.correction import load_correction
from huewright.steps.render import render_take
from huewright_kernels import cache

from hardening.conftest import FRAMES
from hardening.lab import Lab, files, small_disk
from hardening.moments import GONE

pytestmark = pytest.mark.slow


@pytest.fixture
def whole(correction: Path, frames: str, tmp_path: Path) -> Callable[[str], dict[str, bytes]]:
    """The bytes that a render into files of that suffix shall have."""
    def make(suffix: str) -> dict[str, bytes]:
        render_take(load_correction(correction), parse_sequence(frames), f"{tmp_path}/whole{suffix}/s.####{suffix}")
        return files(tmp_path / f"whole{suffix}")

    return make


# ---------------------------------------------------------------------------------------------------------- disks
@pytest.mark.parametrize("suffix", [".exr", *(pytest.param(other, marks=pytest.mark.long)
                                              for other in (".dpx", ".tif", ".png"))])
def test_a_disk_that_is_full(lab: Lab, correction: Path, frames: str, tmp_path: Path, suffix: str,
                             whole: Callable[[str], dict[str, bytes]]) -> None:
    """Every frame that has a name is whole; with room, --resume makes the rest."""
    wanted = whole(suffix)
    with small_disk(tmp_path / "disk", "60k") as disk:
        words = ("render", correction, frames, disk / f"s.####{suffix}")
        ended = lab.run(*words)
        there = files(disk)
        assert ended.code == 2 and "No space left on device; choose another place" in ended.sentence
        assert ended.sentence.startswith(f"cannot write {disk}/s.00") and len(there) < FRAMES
        assert there.items() <= wanted.items()
        subprocess.run(["mount", "-o", "remount,size=4m", disk], check=True)
        assert lab.run(*words, "--resume").code == 0 and files(disk) == wanted


@pytest.mark.long
@pytest.mark.parametrize("name", ["a.mkv", "a.mov", "a.mxf", "a.mp4"])
def test_a_movie_on_a_disk_that_is_full(lab: Lab, correction: Path, tmp_path: Path, name: str) -> None:
    for number in range(1, 13):
        write_frame(tmp_path / f"in/s.{number:04d}.dpx", Frame(noise(number, 144, 256), bits=10))
    with small_disk(tmp_path / "disk", "100k") as disk:
        codec = ("--codec", "ffv1") if name == "a.mkv" else ()
        ended = lab.run("render", correction, tmp_path / "in/s.####.dpx", disk / name, "--rate", "25", *codec)
        assert ended.code == 2 and "No space left on device; choose another place" in ended.sentence
        assert files(disk) == {}


# ---------------------------------------------------------------------------------------------------------- rights
def test_frames_and_folders_without_the_right_to(lab: Lab, correction: Path, frames: str, tmp_path: Path) -> None:
    words = ("render", correction, frames, tmp_path / "out/s.####.dpx")
    (tmp_path / "in/s.0005.dpx").chmod(0)
    ended = lab.run(*words, plain=True)
    assert (ended.code, ended.sentence) == (
        2, f"{tmp_path}/in/s.0005.dpx: cannot be read (Permission denied); see whose the file is")
    (tmp_path / "in/s.0005.dpx").chmod(0o600)
    (tmp_path / "out").mkdir(mode=0o500)
    ended = lab.run(*words, plain=True)
    assert ended.code == 2 and f"{tmp_path}/out can't be written by you" in ended.sentence
    assert list((tmp_path / "out").iterdir()) == []
    (tmp_path / "out").chmod(0o700)


# ------------------------------------------------------------------------------------------- files that change
@pytest.mark.parametrize(("harm", "says"), [
    ("gone", "there is no such picture file|cannot be read"), ("short", "cut short"), ("larger", "had another size"),
    ("pipe", "not a picture|no such picture")])
@pytest.mark.parametrize("suffix", [".dpx", ".exr"])
def test_a_source_frame_that_changes_while_it_is_rendered(correction: Path, tmp_path: Path, suffix: str, harm: str,
                                                          says: str) -> None:
    """After all was checked, and before the first frame is read."""
    for number in range(1, 5):
        write_frame(tmp_path / f"in/s.{number:04d}{suffix}", Frame(noise(number), bits=10))
    model, sequence = load_correction(correction), parse_sequence(f"{tmp_path}/in/s.####{suffix}")
    render_take(model, sequence, f"{tmp_path}/whole/")
    path = tmp_path / f"in/s.0003{suffix}"

    untouched = [path.read_bytes()]

    def meanwhile(done: int, total: int, what: str) -> None:
        if untouched:       # told again where the first frame takes long
            content = untouched.pop()
            path.unlink()
            if harm == "short":
                path.write_bytes(content[:-2000])
            elif harm == "larger":
                write_frame(path, Frame(noise(3, 50, 80), bits=10))
            elif harm == "pipe":
                os.mkfifo(path)

    with pytest.raises(InputError, match=says) as caught:
        render_take(model, sequence, f"{tmp_path}/out/", threads=1, progress=meanwhile)
    assert str(path) in str(caught.value)
    assert files(tmp_path / "out").items() <= files(tmp_path / "whole").items()


# ---------------------------------------------------------------------------------------------------------- memory
def test_too_little_memory(lab: Lab, correction: Path, frames: str, tmp_path: Path) -> None:
    ended = lab.run("render", correction, frames, tmp_path / "out/s.####.dpx", memory_bytes=30 << 20)
    assert ended.code == 2 and ("not enough memory" in ended.sentence) and files(tmp_path / "out") == {}


@pytest.mark.long
def test_too_little_memory_at_any_point(lab: Lab, correction: Path, job: Path, tmp_path: Path) -> None:
    """From too little to begin with to enough, in steps of 16 MiB: a render of HD frames on four threads, a survey, and
    a solve."""
    write_frame(tmp_path / "in/s.0001.exr", Frame(noise(1, 1080, 1920), bits=16))
    for number in range(2, 9):
        os.link(tmp_path / "in/s.0001.exr", tmp_path / f"in/s.{number:04d}.exr")
    whole = lab.run("render", correction, tmp_path / "in/s.####.exr", tmp_path / "whole/s.####.exr")
    assert whole.code == 0, whole.err
    survey = ("survey", "a.0001.png", "--card", "card.toml", "--encoding", "display")
    assert lab.run(*survey, "--out", tmp_path / "survey.json", cwd=job).code == 0
    codes: list[int] = []
    for megabytes in range(32, 720, 16):
        room, out = {"memory_bytes": megabytes << 20}, tmp_path / f"out{megabytes}"
        for words in (("render", correction, tmp_path / "in/s.####.exr", out / "s.####.exr", "--threads", "4"),
                      (*survey, "--out", out / "survey.json", "--sheet", out / "sheet.png"),
                      ("solve", tmp_path / "survey.json", "--card", "card.toml", "--out", out / "c.json",
                       "--trust-encoding")):
            ended = lab.run(*words, cwd=job, **room)
            codes.append(ended.code)
            assert ended.code == 0 or (ended.code == 2 and "memory" in ended.sentence), ended.err
        there = files(out) if out.exists() else {}
        assert {name: content for name, content in there.items() if name.endswith(".exr")}.items() <= files(
            tmp_path / "whole").items()
        shutil.rmtree(out, ignore_errors=True)
    assert codes.count(2) > 10 < codes.count(0)


# ---------------------------------------------------------------------------------------------- a reader that stops
def test_ctrl_c_where_nobody_reads_our_output(lab: Lab, correction: Path, frames: str, tmp_path: Path) -> None:
    """A full pipe holds a thread in the system as storage does that answers no more. One Ctrl-C waits a while for it,
    another one doesn't; the progress goes no further meanwhile, and frames are whole."""
    os.mkfifo(tmp_path / "pipe")
    reader = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
    try:
        fcntl.fcntl(reader, 1031, 4096)      # F_SETPIPE_SZ: the least, a page
        out = tmp_path / ("long" * 40)
        child = lab.start("render", correction, frames, out / "s.####.dpx", "--json-lines", "--threads", "2",
                          out=str(tmp_path / "pipe"))
        before, until = -1, time.monotonic() + 300
        while (there := len(list(out.glob("s.*"))) if out.is_dir() else 0) != before or there == 0:
            assert time.monotonic() < until
            before = there
            time.sleep(0.5)
        assert child.running and f"{FRAMES} of {FRAMES}" not in child.said
        child.send(signal.SIGINT)
        time.sleep(0.5)
        assert child.running      # it waits for those under way
        child.send(signal.SIGINT)
        ended = child.wait(15)
    finally:
        os.close(reader)
    assert ended.code == 130 and ended.sentence.startswith("stopped; the frames that were finished are whole")


@pytest.mark.parametrize("after", [1, *(pytest.param(each, marks=pytest.mark.long) for each in (2, 3, 4, 5))])
def test_a_second_ctrl_c_while_the_first_is_answered(held: Lab, correction: Path, tmp_path: Path, after: int) -> None:
    """The first as the file is brought to the disk; the second while the way to it is taken away, the sentence is said,
    the temporary folder is removed, or the process ends."""
    out = tmp_path / "out"
    out.mkdir()
    child = held.start("export", correction, out / "a.cube", "--size", "5", env={"TMPDIR": str(tmp_path)},
                       calls=("fsync", *GONE, "write", "exit_group"))
    assert child.watch is not None
    since = -1
    for call in child.watch.calls():
        since += since >= 0 or call.name == "fsync"
        if since in (0, after):
            child.send(signal.SIGINT)
    ended = child.wait()
    assert since >= after and ended.code in (130, -signal.SIGINT) and "Traceback" not in ended.err, ended
    assert files(out) == {} and not list(tmp_path.glob("huewright-work-*"))


ANSWERED = """
import os, signal, sys, time
from pathlib import Path
from huewright import files
from huewright.cli import signals

signals.PATIENCE_S, signals.TIDYING_S, signals.AGAIN_S = 0.2, 0.2, 0.1
again = sys.argv[1] == "again"
if again:
    signals.PATIENCE_S = 300.0
signal.signal(signal.SIGINT, signal.default_int_handler)
signals.begin()
draft = files._Draft()
draft.begin_named(Path("whole.exr"))
try:
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(600)
except KeyboardInterrupt:
    if again:
        signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])     # as where the system answers nothing
        os.kill(os.getpid(), signal.SIGINT)
    time.sleep(600)
    os._exit(0)
"""


def test_what_answered_ctrl_c_and_comes_to_no_end(tmp_path: Path) -> None:
    """The process is ended once its patience and the time to tidy are over; sooner where Ctrl-C is said once more and
    not answered. The name of what was being written is said."""
    both = {how: subprocess.Popen([sys.executable, "-c", ANSWERED, how], cwd=tmp_path, stderr=subprocess.PIPE,
                                  text=True) for how in ("once", "again")}
    for child in both.values():
        said = child.communicate(timeout=200)[1]
        assert child.returncode == 130 and said.count("\n") == 1, said
        left = re.search(r"what may be left of others is (\.whole-[0-9a-f]{12}\.exr); start again", said)
        assert left and (tmp_path / left[1]).exists() and said.startswith("huewright: stopped; what was being read")


# ----------------------------------------------------------------------------------------------------- two at once
def _holding(*numbers: int, folder: Path, whole: bool = False) -> subprocess.Popen[str]:
    """A process that has claimed these frames in ``folder``, or all of it, until it ends."""
    child = subprocess.Popen([sys.executable, "-c", textwrap.dedent(f"""
        import time
        from pathlib import Path
        from huewright.claims import claimed, claimed_whole
        folder = Path({str(folder)!r})
        outputs = {{number: folder / f"s.{{number:04d}}.dpx" for number in {numbers}}}
        with claimed_whole(folder, folder=True) if {whole} else claimed(outputs):
            print("claimed", flush=True)
            time.sleep(60)
    """)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None and child.stdout.readline() == "claimed\n"
    return child


def test_two_at_once(correction: Path, frames: str, tmp_path: Path) -> None:
    """The same frames are refused to the second, other ones of the folder are not; what a killed process held is free,
    and nothing is left."""
    out, model, sequence = tmp_path / "out", load_correction(correction), parse_sequence(frames)
    with _holding(1, 2, 3, 6, folder=out) as other:
        with pytest.raises(InputError, match=r"out/s\.0002\.dpx is being written by another huewright just now"):
            render_take(model, sequence.only((2, 5)), f"{out}/")
        render_take(model, sequence.only((4, 5)), f"{out}/")
        other.kill()
    render_take(model, sequence.only((1, 2, 3)), f"{out}/")
    assert sorted(files(out)) == [f"s.000{number}.dpx" for number in range(1, 6)]
    with _holding(folder=tmp_path / "run", whole=True) as other:
        with pytest.raises(InputError, match="run is being written"), claimed_whole(tmp_path / "run", folder=True):
            pass
        with claimed_whole(tmp_path / "other", folder=True), claimed({1: tmp_path / "run/shots/s.0001.dpx"}):
            pass
        other.kill()
    with claimed_whole(tmp_path / "run", folder=True):
        assert files(tmp_path / "run").keys() == {".huewright.claim"}
    assert not (tmp_path / "other").exists() and files(tmp_path / "run") == {}


# -------------------------------------------------------------------------------------------------------- the cache
def _double(x: float) -> float:
    return 2.0 * x


def test_compiled_code_that_is_damaged_or_has_no_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def entry() -> cache.Entry:
        made = cache.Entry(_double, "float64(float64)")
        cache._ENTRIES.remove(made)      # known to nobody else
        return made

    monkeypatch.setattr(cache, "_searched", True)
    monkeypatch.setattr(cache, "_folder", tmp_path / "kept")
    assert entry()(1.5) == 3.0
    for kind in ("nbi", "nbc"):
        for damaged in (lambda content: b"", lambda content: content[:len(content) // 2]):
            path, = (tmp_path / "kept").rglob(f"*._double-*.{kind}")
            good = path.read_bytes()
            path.write_bytes(damaged(good))
            assert entry()(1.5) == 3.0
            again, = (tmp_path / "kept").rglob(f"*._double-*.{kind}")
            assert len(again.read_bytes()) > len(good) // 2 + 100      # made anew
    with small_disk(tmp_path / "disk", "4k") as disk:
        monkeypatch.setattr(cache, "_folder", disk)
        monkeypatch.setattr(cache, "_trouble", "")
        assert entry()(1.5) == 3.0 and cache._trouble == "No space left on device"


@pytest.mark.long
def test_no_place_for_compiled_code(correction: Path, frames: str, tmp_path: Path) -> None:
    """A home, a temporary folder and a cache that can't be written: compiled for this process, and said so."""
    home = tmp_path / "home"
    (home / "tmp").mkdir(parents=True)
    (home / "tmp").chmod(0o500)
    home.chmod(0o500)
    with Lab(tmp_path / "lab", warm=False) as cold:
        ended = cold.run("render", correction, frames, tmp_path / "out/s.####.dpx", plain=True,
                         env={"HOME": str(home), "XDG_CACHE_HOME": None, "TMPDIR": str(home / "tmp")})
    assert ended.code == 0 and len(files(tmp_path / "out")) == FRAMES
    assert files(home) == {}


def noise(seed: int, height: int = 40, width: int = 70) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0.35, 0.48, (height, width, 3)).astype(np.float32)


@pytest.mark.parametrize(("name", "kind"), [("a.exr", np.float16), ("a.exr", np.float32), ("a.tif", np.float16),
                                            ("a.tif", np.float32), ("a.png", np.float16)])
def test_a_missing_end_is_seen(tmp_path: Path, name: str, kind: type) -> None:
    """OpenImageIO's writers hold the last bytes back until they close, and say nothing if these can't be written."""
    path = tmp_path / name
    write_frame(path, Frame(noise(1).astype(kind), bits=16))
    content = path.read_bytes()
    assert is_whole(path)
    for missing in (1, 2, 3, 4, 7, 8, 9, 100, *range(500, len(content) + 1, 500), len(content)):
        path.write_bytes(content[:-missing])
        assert not is_whole(path), missing
