"""Renders that nobody watches: killed at any moment, gone on with; planned without writing; a line of JSON a frame."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest
from huewright.cli import show
from huewright.errors import InputError
from huewright.frames.frame import Frame
from huewright.frames.picture import write_frame
from huewright.frames.sequence import parse_sequence
from huewright.models.correction import save_correction
from huewright.steps.render import render_take

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import say
from test_render_take import CORRECTION, bytes_of, take

FRAMES = 24


@pytest.fixture
def correction(tmp_path: Path) -> Path:
    path = tmp_path / "correction.json"
    save_correction(CORRECTION, path)
    return path


@pytest.mark.slow
def test_kills_at_any_moment_lose_nothing(tmp_path: Path, correction: Path) -> None:
    """Where files being written have hidden names, so that kill -9 leaves them, at moments drawn anew each time."""
    pattern = take(tmp_path / "in", ".dpx", 10, numbers=range(1, FRAMES + 1))
    render_take(CORRECTION, parse_sequence(pattern), tmp_path / "whole/")
    whole, out = bytes_of(tmp_path / "whole"), tmp_path / "out"
    script = textwrap.dedent(f"""
        import sys, time
        from huewright import files
        from huewright.cli import main
        from huewright.frames import dpx
        from huewright.rendering import frame
        files._Draft._begin_unnamed = lambda draft, path: False
        slow = files.whole_file
        def whole_file(path, **more):
            print("begun", flush=True)
            time.sleep(0.01)
            return slow(path, **more)
        dpx.whole_file = whole_file
        sys.argv = ["huewright", "render", {str(correction)!r}, {pattern!r}, {str(out / 's.####.dpx')!r}, "--resume",
                    "--threads", "2"]
        main()
    """)
    at, said = random.Random(), ""
    for number in (signal.SIGKILL, signal.SIGTERM, signal.SIGKILL):
        left = {path.name for path in out.glob(".*")} if out.is_dir() else set()
        with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                              text=True, env={**os.environ, "TMPDIR": str(tmp_path)}) as child:
            assert child.stdout is not None
            for _ in range(at.randint(1, 12)):     # writings begun, those of comparing among them
                child.stdout.readline()
            child.send_signal(number)
            _, said = child.communicate(timeout=60)
        assert child.returncode == (-number if number == signal.SIGKILL else 128 + number), said
        there = bytes_of(out) if out.is_dir() else {}
        hidden = {name for name in there if name.startswith(".")}
        assert not left & hidden and (number == signal.SIGKILL or not hidden)
        assert all(there[name] == whole[name] for name in set(there) - hidden)
    (out / ".s.0001-0123456789ab.dpx").write_bytes(whole["s.0001.dpx"][:3000])     # one at least
    summary = render_take(CORRECTION, parse_sequence(pattern), f"{out}/", resume=True)
    assert bytes_of(out) == whole and len(summary.frames) + len(summary.kept) == FRAMES
    (swept,) = (one for one in summary.cautions if one.code == "leftovers-removed")
    assert f"{out}/.s.0001-0123456789ab.dpx" in swept.files


def test_missing_frames_come_before_all_is_compared(tmp_path: Path) -> None:
    """So that a render which is stopped again and again gets on; what differs is named all the same, and stays."""
    pattern, out = take(tmp_path / "in", ".dpx", 10, numbers=range(1, 31)), tmp_path / "out"
    sequence = parse_sequence(pattern)
    render_take(CORRECTION, sequence, f"{out}/")
    whole = bytes_of(out)
    for number in (7, 19):
        (out / f"s.{number:04d}.dpx").unlink()
    (out / "s.0004.dpx").write_bytes(whole["s.0004.dpx"][:-100])     # cut short
    (out / "s.0003.dpx").write_bytes(whole["s.0002.dpx"])            # of another source
    steps: list[str] = []
    with pytest.raises(InputError, match=r"s\.0003\.dpx was rendered with another correction, or from other frames"):
        render_take(CORRECTION, sequence, f"{out}/", resume=True,
                    progress=lambda done, total, what: steps.append(f"{what} {done}/{total}"))
    order = list(dict.fromkeys(steps))
    assert order.index("checking 8/8") < order.index("rendering 2/2") < order.index("checking 0/20")
    assert bytes_of(out) == {**whole, "s.0003.dpx": whole["s.0002.dpx"], "s.0004.dpx": whole["s.0004.dpx"][:-100]}
    (out / "s.0003.dpx").write_bytes(whole["s.0003.dpx"])
    summary = render_take(CORRECTION, sequence, f"{out}/", resume=True)
    assert bytes_of(out) == whole and summary.frames == (4,) and len(summary.kept) == 29


def test_a_line_a_frame(tmp_path: Path, correction: Path, capsys: pytest.CaptureFixture[str],
                        monkeypatch: pytest.MonkeyPatch) -> None:
    pattern, out = take(tmp_path / "in", ".exr", 32, numbers=range(1, 7)), tmp_path / "out"
    bright = np.full((64, 64, 3), 0.9, np.float32)
    write_frame(tmp_path / "in/s.0005.exr", Frame(bright), overwrite=True)
    write_frame(tmp_path / "in/s.0003.exr", Frame(np.full((40, 70, 3), np.nan, np.float32)), overwrite=True)
    words = ["render", correction, pattern, f"{out}/s.####.exr", "--json-lines"]
    code, printed, said = say(capsys, monkeypatch, *words, "--frames", "1-4")
    assert code == 0, said
    lines = [json.loads(line) for line in printed.splitlines()]
    assert sorted(line["frame"] for line in lines) == [1, 2, 3, 4] and "rendered 4 frames" in said
    for line in lines:
        assert list(line) == ["frame", "file", "sha256", "seconds", "kept", "cautions"] and not line["kept"]
        assert line["sha256"] == hashlib.sha256(Path(line["file"]).read_bytes()).hexdigest() and line["seconds"] > 0
        assert ("came-broken" in [one["code"] for one in line["cautions"]]) == (line["frame"] == 3)
    code, printed, said = say(capsys, monkeypatch, *words, "--frames", "1-4", "--resume")
    again = [json.loads(line) for line in printed.splitlines()]
    assert code == 0 and all(line["kept"] for line in again)
    assert [(line["frame"], line["sha256"], line["cautions"]) for line in again] == sorted(
        (line["frame"], line["sha256"], line["cautions"]) for line in lines)
    # The frames of a range that are not there, and a frame of another size: nothing is written.
    for frames, problem in (("5-8", "there are no 7-8"), ("5-6", "s.0006.exr is 70x40")):
        code, printed, said = say(capsys, monkeypatch, *words, "--frames", frames)
        assert code == 2 and printed == "" and problem in said
    code, printed, said = say(capsys, monkeypatch, *words[:3], f"{out}/a.mov", "--json-lines", "--frames", "1-2",
                              "--rate", "25")
    assert code == 2 and "no line for each" in said and len(list(out.iterdir())) == 4


def test_a_plan_writes_nothing_and_refuses_what_a_render_would(
        tmp_path: Path, correction: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    pattern, out = take(tmp_path / "in", ".dpx", 10, numbers=range(1, 7)), tmp_path / "out"
    words = ["render", correction, pattern, f"{out}/s.####.dpx", "--dry-run"]
    code, printed, _ = say(capsys, monkeypatch, *words, "--frames", "2-5", "--json", tmp_path / "plan.json")
    assert code == 0 and not out.exists()
    assert printed.startswith(f"would render 4 frames of 70x40, 10 bits, full range, {out}/s.0002.dpx to {out}/s.0005")
    # 70 x 40 words of 32 bits each.
    plan = json.loads((tmp_path / "plan.json").read_text())
    assert plan["frames"] == [2, 3, 4, 5] and plan["bytes_at_most"] == 4 * 70 * 40 * 4
    render_take(CORRECTION, parse_sequence(pattern).only((2, 3)), f"{out}/")
    there = bytes_of(out)
    code, printed, said = say(capsys, monkeypatch, *words)
    assert code == 2 and "exists already" in said
    code, printed, _ = say(capsys, monkeypatch, *words, "--resume")
    assert code == 0 and "would render 4 frames" in printed and "2 frames there already would be compared" in printed
    code, printed, _ = say(capsys, monkeypatch, *words[:3], f"{out}/a.mov", "--dry-run", "--rate", "25", "--codec",
                           "ffv1")
    assert code == 0 and "would render 6 frames" in printed and "legal range" in printed
    assert bytes_of(out) == there


def test_how_long_it_takes_still(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr(show.time, "monotonic", lambda: now[0])
    with show.progress_line() as progress:
        for shot in range(2):
            for done in range(0, 101, 10):
                progress(done, 100, "rendering")
                now[0] += 4
            assert shot == 0 or now[0] == 188
    lines = capsys.readouterr().err.splitlines()
    assert lines[:4] == ["rendering: 0 of 100", "rendering: 10 of 100", "rendering: 20 of 100, about 32 s left",
                         "rendering: 30 of 100, about 28 s left"]
    assert lines[10] == "rendering: 100 of 100" and lines[11:] == lines[:11]
    assert [show.duration(seconds) for seconds in (0.2, 99, 101, 5999, 6100, 90000)] == [
        "1 s", "99 s", "2 min", "1 h 40 min", "1 h 42 min", "25 h 00 min"]


def test_that_nothing_moves(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """A line when it has stood still for the period and when for twice that; none while frames are finished, nor when
    all are."""
    monkeypatch.setattr(show, "STILL_AFTER_S", 0.2)
    monkeypatch.setattr(show, "duration", lambda seconds: f"{'1st' if seconds < 0.4 else '2nd'} period")
    with show.progress_line() as progress:
        for done in (0, 1):
            progress(done, 2, "kitchen: rendering")
        time.sleep(0.7)
        progress(2, 2, "kitchen: rendering")
        time.sleep(0.4)
        progress(0, 1, "solving")
        time.sleep(0.3)
    said = capsys.readouterr().err.splitlines()
    assert said == ["kitchen: rendering: 0 of 2", "kitchen: rendering: 1 of 2",
                    "kitchen: rendering: no frame finished for 1st period",
                    "kitchen: rendering: no frame finished for 2nd period", "kitchen: rendering: 2 of 2",
                    "solving: 0 of 1", "solving: nothing finished for 1st period"]
