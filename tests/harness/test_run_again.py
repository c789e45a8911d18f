"""A run that is stopped: what it says, what it leaves, and how it goes on."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.models.job import Asked, FilesAsked
from huewright.models.settings import SolveSettings
from huewright.steps.job import begin, kept_words

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import CARD, paint, say

pytestmark = pytest.mark.slow
SHOT_FRAMES = 14


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shoot")
    (folder / "scene").mkdir()
    paint(folder / "a.0001.png")
    paint(folder / "scene" / "b.0001.png", card=False)
    for number in range(2, SHOT_FRAMES + 1):
        (folder / "scene" / f"b.{number:04d}.png").write_bytes((folder / "scene" / "b.0001.png").read_bytes())
    return folder


def words(shoot: Path, out: Path, *more: str) -> list[str]:
    return ["run", f"{shoot}/a.####.png", "--card", str(CARD), "--encoding", "display", "--shot", str(shoot / "scene"),
            "--out", str(out), *more]


def rendered(out: Path) -> list[Path]:
    """Frames that have their name: what is still being written has another."""
    return sorted((out / "shots" / "b").glob("b.????.png"))


def stopped(shoot: Path, out: Path, number: signal.Signals, *more: str) -> tuple[int, str]:
    """Exit code and stderr of a run that got the signal when its first new frame had come."""
    start = ("import signal, sys\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"
             "from huewright.cli import main\nmain()\n")
    there = len(rendered(out))
    child = subprocess.Popen([sys.executable, "-c", start, *words(shoot, out, *more)], stderr=subprocess.PIPE,
                             stdout=subprocess.DEVNULL, text=True)
    until = time.monotonic() + 300
    while len(rendered(out)) <= there and child.poll() is None and time.monotonic() < until:
        time.sleep(0.01)
    child.send_signal(number)
    _, said = child.communicate(timeout=120)
    return child.returncode, said


@pytest.mark.long
def test_stopped_twice_and_gone_on(shoot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                   monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "job"
    code, said = stopped(shoot, out, signal.SIGTERM)
    assert code == 128 + signal.SIGTERM, said
    assert len(rendered(out)) < SHOT_FRAMES
    frames = 1 + len(rendered(out))
    assert said.splitlines()[-1] == (f"huewright: stopped; kept in {out}, all whole: survey.json, correction.json, "
                                     f"{frames} rendered frames; the same command with --resume goes on")
    assert json.loads((out / "job.json").read_text())["verdict"] is None
    if len(rendered(out)) < SHOT_FRAMES - 4:      # not on a machine that was too quick
        code, said = stopped(shoot, out, signal.SIGINT, "--resume")
        assert code == 128 + signal.SIGINT, said
        assert said.splitlines()[-1].startswith(f"huewright: stopped; kept in {out}, all whole: "), said
    assert {path.name for path in out.rglob("*") if path.is_file()} <= {
        "job.json", "survey.json", "frames.png", "correction.json", "a.0001.png",
        *(f"b.{number:04d}.png" for number in range(1, SHOT_FRAMES + 1))}      # no temporary file
    survey, kept = (out / "survey.json").stat().st_mtime_ns, rendered(out)[0].stat().st_mtime_ns

    code, _, said = say(capsys, monkeypatch, *words(shoot, out))
    assert code == 2 and "exists already" in said
    code, _, said = say(capsys, monkeypatch, *words(shoot, out, "--resume", "--strength", "0.5"))
    assert code == 2 and "not the same are the settings of the solve" in said
    code, _, said = say(capsys, monkeypatch, *words(shoot, out, "--resume"))
    assert code == 0, said
    assert len(rendered(out)) == SHOT_FRAMES
    assert (survey, kept) == ((out / "survey.json").stat().st_mtime_ns, rendered(out)[0].stat().st_mtime_ns)
    job = json.loads((out / "job.json").read_text())
    assert job["verdict"] and "proof/proof.html" in job["files"]

    (shoot / "scene" / "b.0003.png").touch()
    code, _, said = say(capsys, monkeypatch, *words(shoot, out, "--resume"))
    assert code == 2 and "not the same are the shots or their files" in said
    (out / "shots" / "other").mkdir()
    code, _, said = say(capsys, monkeypatch, *words(shoot, out, "--overwrite"))
    assert code == 2 and "also holds other" in said


def test_nothing_to_go_on_with(shoot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
                               monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "notes.txt").touch()
    code, _, said = say(capsys, monkeypatch, *words(shoot, tmp_path, "--resume"))
    assert code == 2 and "no job.json that says what they were begun with" in said


@pytest.mark.parametrize(("there", "words"), [
    ([], "no result yet"), (["survey.json"], "all whole: survey.json;"),
    (["survey.json", "correction.json", "take/a.0001.exr"], "survey.json, correction.json, 1 rendered frame;"),
    (["take/a.0001.exr", "shots/b/b.0001.dpx", "proof/a.png", "frames.png"], "all whole: 2 rendered frames;")])
def test_what_a_stopped_run_has_left_is_named(tmp_path: Path, there: list[str], words: str) -> None:
    assert kept_words(tmp_path / "none") == "nothing was written; start the command again"
    for name in there:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    assert words in kept_words(tmp_path)


def test_a_folder_is_one_run_s(tmp_path: Path) -> None:
    asked = Asked("0.1.0", FilesAsked("a", "1", "0" * 64), "0" * 64, "0" * 64, SolveSettings())
    for name in ("b", "c"):
        (tmp_path / "shots" / name).mkdir(parents=True)
    with pytest.raises(InputError, match="also holds b, c, which are not rendered now: an earlier run's"):
        begin(tmp_path, asked, overwrite=False, resume=False)
    assert not (tmp_path / "job.json").exists()


def test_killed_as_it_began(shoot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
                            monkeypatch: pytest.MonkeyPatch) -> None:
    """All that such a run leaves is a job file without its name, which is no file of somebody's."""
    from huewright.errors import InputError

    def looked(*_: object, **__: object) -> None:
        raise InputError("the take was looked at")

    monkeypatch.setattr("huewright.steps.survey.survey_take", looked)
    out = tmp_path / "job"
    out.mkdir()
    (out / ".job-0123456789ab.json").write_text("{")
    code, _, said = say(capsys, monkeypatch, *words(shoot, out, "--resume"))
    assert code == 2 and "the take was looked at" in said
    (out / "job.json").unlink()
    (out / "mine.txt").write_text("")
    code, _, said = say(capsys, monkeypatch, *words(shoot, out, "--resume"))
    assert code == 2 and "holds files, but no job.json" in said
