"""Libraries that fork, hide, kill and wait: the probe says what they did, and nothing of them is left."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import compiler
from huewright.errors import InputError, NoAnswerError
from huewright.files import workspace
from huewright.host.watching import Group, ready_and_waiting_s, tasks
from huewright.probe.child import Progress, forked
from huewright.steps.ofx import list_plugins, probe_bundle

pytestmark = pytest.mark.slow
SOURCE = Path(__file__).parent / "broken" / "hostile.c"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    folder = tmp_path_factory.mktemp("hostile")

    def make(way: str) -> Path:
        target = folder / f"hostile-{way}.ofx"
        subprocess.run([*compiler(), "-std=gnu11", "-O1", "-w", "-shared", "-fPIC", f"-DHOSTILE_{way}", SOURCE,
                        "-o", target], check=True)
        return target

    return make


def alive(library: Path) -> list[str]:
    """Processes that have the library loaded."""
    found = []
    for maps in Path("/proc").glob("[0-9]*/maps"):
        try:
            if str(library) in maps.read_text():
                found.append(maps.parent.name)
        except OSError:
            continue
    return found


def left_over(folder: Path) -> list[str]:
    """Files, and control groups that nobody is in."""
    groups = [path for around in Group._places() for path in around.glob(f"{Group.PREFIX}*")
              if not Path(f"/proc/{path.name.removeprefix(Group.PREFIX)}").exists()]
    return sorted(path.name for path in (*folder.rglob("*"), *groups))


@pytest.mark.parametrize(("way", "said"), [
    ("BOMB", "started process after process in loading the binary"),
    ("EXIT", "crashed (exit status 0) in loading the binary"),
    ("GREEDY", "crashed (SIGABRT) in loading the binary")])
def test_what_it_did_is_said_and_nothing_is_left(hostile: Callable[[str], Path], way: str, said: str) -> None:
    library = hostile(way)
    report = probe_bundle(library, patience_s=20.0)
    assert said in report.trouble and not report.clean
    assert alive(library) == [] and left_over(workspace()) == []


def test_a_hidden_process_is_found(hostile: Callable[[str], Path]) -> None:
    library = hostile("HIDING")
    assert probe_bundle(library).plugins == ()
    assert alive(library) == []


@pytest.mark.parametrize("way", ["KILLER"])
def test_a_killed_child_leaves_nothing(hostile: Callable[[str], Path], way: str) -> None:
    library = hostile(way)
    with pytest.raises(NoAnswerError, match="ended with signal 9"):
        probe_bundle(library)
    gone(library)
    assert left_over(workspace()) == []


def gone(library: Path) -> None:
    for _ in range(100):
        if not alive(library):
            return
        time.sleep(0.1)
    raise AssertionError(f"left: {alive(library)}")


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_an_ended_probe_leaves_nothing(hostile: Callable[[str], Path], tmp_path: Path, how: signal.Signals) -> None:
    """Killed outright, its folder stays until the next one is made: nobody else was there to remove it."""
    library = hostile("WAITING")
    # A shell's job in the background has SIGINT ignored, and so have its children, if they don't say otherwise.
    command = ("import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
               "from huewright.cli import main; main()")
    probe = subprocess.Popen([sys.executable, "-c", command, "ofx", "probe", str(library), "--patience", "600"],
                             env=os.environ | {"TMPDIR": str(tmp_path)}, stderr=subprocess.PIPE,
                             stdout=subprocess.DEVNULL)
    for _ in range(600):
        if len(alive(library)) >= 2:
            break
        time.sleep(0.1)
    probe.send_signal(how)
    _, said = probe.communicate(timeout=240)
    gone(library)
    if how == signal.SIGKILL:
        assert probe.returncode == -signal.SIGKILL
        subprocess.run([sys.executable, "-c", "from huewright.files import workspace; workspace()"], check=True,
                       env=os.environ | {"TMPDIR": str(tmp_path)})
    else:
        assert probe.returncode == 128 + how and b"Traceback" not in said
    assert left_over(tmp_path) == []


def test_the_control_group_of_a_living_process_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    empty = {pid: tmp_path / f"{Group.PREFIX}{pid}" for pid in (os.getppid(), gone.pid)}
    for path in empty.values():
        path.mkdir()
    monkeypatch.setattr(Group, "_places", staticmethod(lambda: [tmp_path]))
    Group()
    assert empty[os.getppid()].exists() and not empty[gone.pid].exists()


def test_a_control_group_that_vanished_is_done_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Group, "_places", staticmethod(list))
    group = Group()
    group.path = tmp_path / "vanished"
    assert group.members() == []
    group.enter()
    assert group.path is None


def test_a_process_that_ends_while_tasks_are_counted_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a plug-in would be said to have crashed for it, on a machine on which much begins and ends."""
    listed, gone = os.listdir, "999999999"      # more than Linux's highest number
    monkeypatch.setattr(os, "listdir", lambda path: [*listed(path), *([gone] if path == "/proc" else [])])
    mine = len(listed(f"/proc/{os.getpid()}/task"))
    assert tasks() >= mine + len(listed("/proc/1/task"))


def test_what_cannot_be_loaded_is_one_sentence(hostile: Callable[[str], Path], tmp_path: Path) -> None:
    honest = hostile("NOT").read_bytes()
    elsewhere = bytearray(honest)
    elsewhere[18] ^= 0xFF                       # the machine that an ELF file is for
    files = {"text.ofx": b"not a library", "none.ofx": b"", "half.ofx": honest[:900], "elsewhere.ofx": bytes(elsewhere),
             "zeros.ofx": bytes(5000), "windows.ofx": b"MZ" + bytes(5000), "mac.ofx": b"\xcf\xfa\xed\xfe" + bytes(5000),
             "empty.ofx": hostile("EMPTY").read_bytes(), "many.ofx": hostile("MANY").read_bytes()}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
        for ask in (probe_bundle, list_plugins) if name in ("text.ofx", "many.ofx") else (probe_bundle,):
            with pytest.raises(InputError, match="cannot be loaded as an OpenFX binary") as caught:
                ask(tmp_path / name)
            assert str(caught.value).isprintable() and "itself" not in str(caught.value)
    os.mkfifo(tmp_path / "pipe.ofx")
    with pytest.raises(InputError):
        probe_bundle(tmp_path / "pipe.ofx")


@pytest.mark.skipif(not os.path.exists("/proc/self/schedstat"), reason="this kernel keeps no account of waiting")
def test_what_a_process_waits_for_a_processor_is_seen() -> None:
    """Of one that shares a processor with another and gives way to it."""
    begun = f"import os; os.sched_setaffinity(0, {{{min(os.sched_getaffinity(0))}}}); os.nice(%d)\nwhile True: pass"
    first, second = (subprocess.Popen([sys.executable, "-c", begun % nice]) for nice in (0, 10))
    try:
        until = time.monotonic() + 300
        while ready_and_waiting_s(second.pid) < 0.3 and time.monotonic() < until:
            time.sleep(0.02)
        assert ready_and_waiting_s(second.pid) >= 0.3
    finally:
        for process in (first, second):
            process.kill()
            process.wait()
    assert ready_and_waiting_s(second.pid) == 0     # of nobody


@pytest.mark.parametrize(("waited", "end"), [(time.monotonic, ""), (lambda: 0.0, "hung")])
def test_what_a_busy_machine_takes_is_not_the_plugin_s(monkeypatch: pytest.MonkeyPatch, waited: Callable[[], float],
                                                       end: str) -> None:
    """Two seconds without a step are no hanging where all of it was spent waiting for a processor."""
    monkeypatch.setattr("huewright.probe.child.ready_and_waiting_s", lambda pid: waited())

    def act(progress: Progress) -> None:
        progress.say("render")
        time.sleep(2.0)

    assert forked(act, 0.5).get("end", "") == end


def test_one_that_waits_for_ever_is_hung_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("huewright.probe.child.ready_and_waiting_s", lambda pid: time.monotonic())
    assert forked(lambda progress: time.sleep(600), 0.05)["end"] == "hung"
