"""Storage that stops answering while a render or a survey reads from it or writes to it, and comes back."""

from __future__ import annotations

import signal
import subprocess
import time
from pathlib import Path

import pytest

from hardening.conftest import FRAMES
from hardening.hanging import storage
from hardening.lab import Child, Lab, files

pytestmark = [pytest.mark.slow, pytest.mark.long]
# After how many times of being opened the third frame gives no answer.
MOMENTS: dict[str, tuple[int, ...]] = {"reading: the third frame is looked at before anything is rendered": (),
           "reading: the third frame is read to be rendered": (2,)}


def ends_within(child: Child, seconds: float) -> bool:
    until = time.monotonic() + seconds
    while child.running and time.monotonic() < until:
        time.sleep(0.05)
    return not child.running


def asked_to_end(child: Child, seconds: float, *, twice: bool) -> None:
    """Ctrl-C, once or a second time after a second, ends the command within ``seconds`` and with one sentence."""
    child.send(signal.SIGINT)
    if twice:
        time.sleep(1)
        assert child.running      # it waits for those under way
        child.send(signal.SIGINT)
    assert ends_within(child, seconds), child.said
    ended = child.wait()
    assert ended.code == 130 and ended.sentence.startswith("stopped; "), ended


@pytest.mark.parametrize("twice", [False, True])
@pytest.mark.parametrize("moment", MOMENTS)
def test_a_render_whose_storage_hangs(lab: Lab, correction: Path, frames: str, tmp_path: Path, moment: str,
                                      twice: bool) -> None:
    """Progress goes no further; Ctrl-C ends it within 20 s with one sentence, a second one at once; once the storage is
    back, what has a name is whole, and --resume makes the rest."""
    assert lab.run("render", correction, frames, tmp_path / "whole/s.####.dpx").code == 0
    wanted = files(tmp_path / "whole")
    with storage(tmp_path / "far", Path(frames).parent) as far:
        out = tmp_path / "out"
        words = ("render", correction, f"{far.place}/s.####.dpx", out / "s.####.dpx", "--threads", "2")
        far.hang_after("open", r"s\.0003\.dpx", *MOMENTS[moment])
        child = lab.start(*words)
        far.wait_until_it_hangs()
        time.sleep(3)
        said = child.said
        time.sleep(1)
        assert child.running and child.said == said and f"{FRAMES} of {FRAMES}" not in said
        asked_to_end(child, 3 if twice else 25, twice=twice)
        far.come_back()
        there = {name: content for name, content in files(out).items() if not name.startswith(".")} if out.is_dir(
            ) else {}
        assert len(there) < FRAMES and there.items() <= wanted.items()
        again = lab.run(*words, "--resume")
        assert again.code == 0, again.err
        assert files(out) == wanted


def test_a_survey_whose_main_thread_hangs(lab: Lab, job: Path, tmp_path: Path) -> None:
    """Where no other thread reads or writes, nothing in the program's own course can answer Ctrl-C."""
    behind = tmp_path / "behind"
    behind.mkdir()
    subprocess.run(["cp", "-r", *job.iterdir(), behind], check=True)
    with storage(tmp_path / "far", behind) as far:
        words = ("survey", far.place / "a.0001.png", "--card", far.place / "card.toml", "--encoding", "display",
                 "--out", tmp_path / "s.json")
        far.hang_after("open", "card.toml")
        for twice in (False, True):
            child = lab.start(*words)
            if not twice:
                far.wait_until_it_hangs()
            else:
                time.sleep(5)      # it hangs as it is
            child.send(signal.SIGINT)
            if twice:
                time.sleep(1)
                child.send(signal.SIGINT)
            assert ends_within(child, 5 if twice else 25), child.said
            ended = child.wait()
            assert ended.code == 130 and ended.sentence.startswith("stopped"), ended
        far.come_back()
        assert not (tmp_path / "s.json").exists()
        assert lab.run(*words).code == 0


@pytest.mark.parametrize("twice", [False, True])
@pytest.mark.parametrize("asked", ["write", "fsync", "link"])
def test_a_render_whose_storage_hangs_in_writing(lab: Lab, correction: Path, frames: str, tmp_path: Path, asked: str,
                                                 twice: bool) -> None:
    """Threads wait in the system, and so does the main one, once it answers Ctrl-C and takes the draft's name away.
    Progress says for how long no frame was finished."""
    assert lab.run("render", correction, frames, tmp_path / "whole/s.####.dpx").code == 0
    wanted, behind = files(tmp_path / "whole"), tmp_path / "behind"
    with storage(tmp_path / "far", behind) as far:
        out = far.place / "made"
        words = ("render", correction, frames, out / "s.####.dpx", "--threads", "2")
        far.hang_after(asked, r"s\.0002", 1)
        child = lab.start(*words)
        far.wait_until_it_hangs()
        time.sleep(4 if twice else 35)
        assert child.running and ("rendering: no frame finished for 3" in child.said) is not twice, child.said
        asked_to_end(child, 7 if twice else 28, twice=twice)
        far.come_back()
        there = {name: content for name, content in files(behind / "made").items() if not name.startswith(".")}
        assert len(there) < FRAMES and there.items() <= wanted.items()
        again = lab.run(*words, "--resume")
        assert again.code == 0, again.err
        assert files(behind / "made") == wanted
