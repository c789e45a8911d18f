"""Frames spread over a Dask scheduler's workers: the bytes of a render here, whoever is lost on the way; and what is
said where there is no scheduler, no worker, or one that is not as this process is."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.files import hidden_mark
from huewright.frames.sequence import parse_sequence
from huewright.models.cautions import FramesKept
from huewright.models.correction import correction_to_dict, save_correction
from huewright.provenance.digests import operations_digest
from huewright.rendering import farm
from huewright.rendering.away import Order, Refused, builds, differing, do_frame, source_of
from huewright.rendering.hands import Done
from huewright.steps.render import FrameDone, plan_render, render_take

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import say
from test_render_take import CORRECTION, SIZE, bytes_of, take

FRAMES = 24
NOBODY = "tcp://127.0.0.1:9"     # the port that discards (RFC 863): no scheduler is there


def order_for(pattern: str, mark: Path, **changes: object) -> Order:
    from huewright.files import json_text

    order = Order(builds(), pattern, json_text(correction_to_dict(CORRECTION)),
                  operations_digest(CORRECTION.operations), str(mark), (SIZE[1], SIZE[0]),
                  "full", 10, True, ".dpx", (), False, True)
    return replace(order, **changes)     # type: ignore[arg-type]


def test_one_frame_done_away(tmp_path: Path) -> None:
    """What a worker does with what travels: a frame's bytes, and the refusals."""
    pattern = take(tmp_path / "in", ".dpx", 10)
    render_take(CORRECTION, parse_sequence(pattern), tmp_path / "here/")
    out = tmp_path / "away" / "s.0002.dpx"
    source = source_of(Path(pattern.replace("####", "0002")))
    with hidden_mark(out) as mark:
        order = order_for(pattern, mark)
        done = do_frame(order, "render", 2, source, str(out))
        assert isinstance(done, Done) and done.state == "rendered" and done.sha256
        assert out.read_bytes() == (tmp_path / "here/s.0002.dpx").read_bytes()
        # A worker that was lost when it had written the frame and not yet said so: done again, it is found done.
        again = do_frame(order, "render", 2, source, str(out))
        assert isinstance(again, Done) and (again.state, again.sha256) == ("rendered", done.sha256)
        kept = do_frame(order, "compare", 2, source, str(out))
        assert isinstance(kept, Done) and kept.state == "same"
        third = do_frame(order, "render", 3, source_of(Path(pattern.replace("####", "0003"))), str(out))
        assert isinstance(third, Refused) and "exists already" in third.words     # another's frame stays
        touched = do_frame(order, "render", 1, replace(source, written_s=source.written_s - 9), str(out))
        assert isinstance(touched, Refused) and "another file" in touched.words
        gone = do_frame(replace(order, take=str(tmp_path / "no" / "s.####.dpx")), "render", 1, source, str(out))
        assert isinstance(gone, Refused) and "no folder" in gone.words
        older = do_frame(replace(order, builds=(("huewright", "0.0.1 (01234567)"),)), "render", 1, source, str(out))
        assert isinstance(older, Refused) and "where 0.0.1 (01234567) is needed" in older.other
        forged = do_frame(replace(order, digest="0" * 16), "render", 1, source, str(out))
        assert isinstance(forged, Refused) and "not the one that was sent" in forged.words
    assert not mark.exists() and sorted(bytes_of(out.parent)) == ["s.0002.dpx"]


def test_the_folder_is_another_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("huewright.rendering.away.MARK_S", 0.2)
    pattern = take(tmp_path / "in", ".dpx", 10, numbers=(1,))
    source = source_of(Path(pattern.replace("####", "0001")))
    refused = do_frame(order_for(pattern, tmp_path / ".nobody"), "render", 1, source, str(tmp_path / "a.dpx"))
    assert isinstance(refused, Refused) and "not the one that the render writes into" in refused.words
    assert not (tmp_path / "a.dpx").exists()


def test_builds_tell_versions_apart() -> None:
    assert [name for name, _ in builds()] == ["huewright", "OpenImageIO", "av"]
    assert differing(builds(), builds()) == ""
    assert differing((("av", "1"),), (("av", "2"), ("OpenImageIO", "3"))) == (
        "av 1 where 2 is needed, OpenImageIO of no version where 3 is needed")


@pytest.mark.parametrize(("more", "words"), [
    ({"on": "127.0.0.1:8786"}, "takes the address of a Dask scheduler"),
    ({"on": "http://127.0.0.1:8786"}, "takes the address of a Dask scheduler"),
    ({"on": NOBODY, "device": "cuda"}, "leave out one or the other"),
    ({"on": NOBODY, "threads": 2}, "leave out one or the other"),
])
def test_refused_before_anything_is_asked(tmp_path: Path, more: dict[str, str], words: str,
                                          monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("huewright.device.choosing.require_device", lambda device: None)
    sequence = parse_sequence(take(tmp_path / "in", ".dpx", 10, numbers=(1,)))
    for step in (render_take, plan_render):
        with pytest.raises(InputError, match=words):
            step(CORRECTION, sequence, f"{tmp_path}/out/", **more)
    with pytest.raises(InputError, match="a movie is coded in one place"):
        render_take(CORRECTION, sequence, tmp_path / "a.mov", on=NOBODY)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in"]


def test_no_scheduler_there(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    sequence = parse_sequence(take(tmp_path / "in", ".dpx", 10, numbers=(1,)))
    began = time.monotonic()
    with pytest.raises(InputError, match="no Dask scheduler answers there"):
        plan_render(CORRECTION, sequence, f"{tmp_path}/out/", on=NOBODY)
    assert time.monotonic() - began < 30     # 5 s of waiting, and what a busy machine needs


@pytest.mark.slow
def test_the_bytes_of_a_render_here(tmp_path: Path) -> None:
    """Over a real scheduler and two workers, all within this process but reached by TCP."""
    distributed = pytest.importorskip("distributed")
    pattern = take(tmp_path / "in", ".exr")
    sequence, out = parse_sequence(pattern), f"{tmp_path}/away/s.####.exr"
    here = render_take(CORRECTION, sequence, f"{tmp_path}/here/")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=False, protocol="tcp",
                                  host="127.0.0.1", dashboard_address=None) as cluster:
        address = cluster.scheduler_address
        plan_render(CORRECTION, sequence, out, on=address)
        lines: list[FrameDone] = []
        away = render_take(CORRECTION, sequence, out, on=address, each=lines.append)
        assert bytes_of(tmp_path / "away") == bytes_of(tmp_path / "here")
        assert replace(away, seconds=0, out="", device="") == replace(here, seconds=0, out="", device="")
        assert (away.device, sorted(line.frame for line in lines)) == (address, [1, 2, 3])
        (tmp_path / "away/s.0002.exr").unlink()
        again = render_take(CORRECTION, sequence, out, on=address, resume=True)
        assert (again.frames, again.kept) == ((2,), (1, 3))
        assert bytes_of(tmp_path / "away") == bytes_of(tmp_path / "here")
        with pytest.raises(InputError, match="rendered with another correction"):
            render_take(CORRECTION, sequence, out, on=address, resume=True, range_="legal")
        render_take(CORRECTION, sequence, out, on=address, overwrite=True, remember=True)
    assert FramesKept(3, 3) in render_take(CORRECTION, sequence, out, resume=True).cautions     # noted by the workers


# ---------------------------------------------------------------- processes of their own

WORKER = ("import sys; from distributed.cli.dask_worker import main; sys.argv[1:] = [{address!r}, '--no-nanny', "
          "'--nthreads', '1', '--no-dashboard', '--host', '127.0.0.1', '--local-directory', {folder!r}]; {before}\n"
          "main()")
SCHEDULER = ("import sys; from distributed.cli.dask_scheduler import main; sys.argv[1:] = ['--host', '127.0.0.1', "
             "'--port', '0', '--no-dashboard', '--scheduler-file', {file!r}]; main()")
LACKS = ("sys.meta_path.insert(0, type('No', (), {'find_spec': lambda self, name, *more: "
         "(_ for _ in ()).throw(ModuleNotFoundError(name)) if name.split('.')[0] == 'huewright' else None})())")
OLDER = "import huewright.version; huewright.version.__version__ = '0.0.9'"


@contextmanager
def child(code: str, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                          cwd=folder, env={**os.environ, "OMP_NUM_THREADS": "1"}) as process:
        try:
            yield process
        finally:
            process.kill()


@contextmanager
def scheduler(folder: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    import json

    file = folder / "scheduler.json"
    with child(SCHEDULER.format(file=str(file)), folder) as process:
        until = time.monotonic() + 300
        while not file.exists() or not file.read_text():
            assert process.poll() is None and time.monotonic() < until
            time.sleep(0.1)
        yield json.loads(file.read_text())["address"], process


def worker(address: str, folder: Path, before: str = "") -> str:
    return WORKER.format(address=address, folder=str(folder), before=before)


def wait_for(address: str, count: int) -> None:
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=300)


@pytest.mark.long
@pytest.mark.slow
def test_a_worker_killed_half_way(tmp_path: Path) -> None:
    """A scheduler and two workers in processes of their own; one is killed while it renders, then the scheduler."""
    pytest.importorskip("distributed")
    pattern = take(tmp_path / "in", ".dpx", 10, numbers=range(1, FRAMES + 1))
    sequence = parse_sequence(pattern)
    render_take(CORRECTION, sequence, f"{tmp_path}/here/")
    with scheduler(tmp_path) as (address, head), ExitStack() as stack:
        workers = [stack.enter_context(child(worker(address, tmp_path), tmp_path)) for _ in range(2)]
        wait_for(address, 2)
        seen: list[int] = []

        def kill(done: FrameDone) -> None:
            seen.append(done.frame)
            if len(seen) == FRAMES // 4:
                workers[0].send_signal(signal.SIGKILL)

        summary = render_take(CORRECTION, sequence, f"{tmp_path}/away/", on=address, each=kill)
        assert workers[0].wait(120) == -signal.SIGKILL and workers[1].poll() is None
        assert sorted(seen) == list(sequence.numbers) == list(summary.frames)
        assert bytes_of(tmp_path / "away") == bytes_of(tmp_path / "here")

        def end(done: FrameDone) -> None:
            head.kill()

        with pytest.raises(InputError, match="the scheduler went away; frames that were finished are whole"):
            render_take(CORRECTION, sequence, f"{tmp_path}/cut/", on=address, each=end)
        assert all(data == (tmp_path / "here" / name).read_bytes() for name, data in bytes_of(tmp_path / "cut").items())


@pytest.mark.long
@pytest.mark.slow
def test_ctrl_c_ends_what_was_handed_out(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    pattern = take(tmp_path / "in", ".dpx", 10, numbers=range(1, 200))
    save_correction(CORRECTION, tmp_path / "c.json")
    with scheduler(tmp_path) as (address, _), child(worker(address, tmp_path), tmp_path):
        wait_for(address, 1)
        words = ["render", str(tmp_path / "c.json"), pattern, f"{tmp_path}/out/", "--on", address, "--json-lines"]
        code = f"import sys; from huewright.cli import main; sys.argv[1:] = {words!r}; main()"
        with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                              text=True) as process:
            assert process.stdout is not None and process.stdout.readline()
            process.send_signal(signal.SIGINT)
            _, said = process.communicate(timeout=60)
        assert process.returncode == 130 and "--resume goes on" in said and "Traceback" not in said
        time.sleep(2)
        count = len(bytes_of(tmp_path / "out"))
        time.sleep(1)
        assert count == len(bytes_of(tmp_path / "out")) < 199


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.parametrize(("before", "words"), [(LACKS, "has no huewright"), (OLDER, "huewright 0.0.9"),
                                               (None, "no workers")])
def test_workers_that_are_not_as_this_process_is(tmp_path: Path, before: str | None, words: str,
                                                 capfd: pytest.CaptureFixture[str],
                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    pattern = take(tmp_path / "in", ".dpx", 10, numbers=(1,))
    save_correction(CORRECTION, tmp_path / "c.json")
    with scheduler(tmp_path) as (address, _), ExitStack() as stack:
        if before is not None:
            stack.enter_context(child(worker(address, tmp_path, before), tmp_path))
            wait_for(address, 1)
        code, _, err = say(capfd, monkeypatch, "render", tmp_path / "c.json", pattern, f"{tmp_path}/out/", "--on",
                           address)
    assert code == 2 and words in err and err.count("\n") == 1 and not (tmp_path / "out").exists(), err



class Future:
    """What Dask says of a task, without Dask."""

    def __init__(self, status: str, result: object = None) -> None:
        self.status, self.said = status, result

    def result(self, timeout: float) -> object:
        if isinstance(self.said, BaseException):
            raise self.said
        return self.said

    def exception(self) -> object:
        return self.said

    def add_done_callback(self, call: Callable[[Future], None]) -> None:
        call(self)


class Client:
    """Gives the futures of ``each`` frame in turn (the order itself is no frame)."""

    def __init__(self, *each: Future, status: str = "running", workers: int = 1) -> None:
        self.each, self.status, self.workers, self.cancelled = list(each), status, workers, 0

    def submit(self, function: Callable[..., object], *words: object, **more: object) -> Future:
        return Future("finished") if function is farm.as_given else self.each.pop(0)

    def scheduler_info(self, n_workers: int) -> dict[str, dict[int, object]]:
        return {"workers": dict.fromkeys(range(self.workers))}

    def cancel(self, futures: list[Future], force: bool) -> None:
        self.cancelled += len(futures)

    def run(self, function: Callable[[], object], on_error: str) -> dict[str, object]:
        return {"worker-1": self.each[0].said}


DONE = Done("rendered", sha256="0" * 64)


@pytest.fixture
def one_frame(tmp_path: Path) -> Callable[..., tuple[list[tuple[int, Done]], Client]]:
    sequence = parse_sequence(take(tmp_path / "in", ".dpx", 10, numbers=(1,)))

    def do(*each: Future, **more: object) -> tuple[list[tuple[int, Done]], Client]:
        client, seen = Client(*each, **more), []      # type: ignore[arg-type]
        work = farm.Farm("tcp://h:1", client, order_for("x", tmp_path), sequence, {1: tmp_path / "o.dpx"})
        try:
            work.each("render", (1,), lambda number, done: seen.append((number, done)), lambda *words: None)
        except BaseException:
            assert client.cancelled <= 1
            raise
        return seen, client
    return do


@pytest.mark.parametrize("lost", [
    [Future("lost")], [Future("cancelled"), Future("pending")], [Future("finished", TimeoutError())],
    [Future("finished", CancelledError())]])
def test_what_was_lost_is_handed_out_again(one_frame, lost: list[Future]) -> None:
    seen, client = one_frame(*lost, Future("finished", DONE))
    assert seen == [(1, DONE)] and client.each == [] and client.cancelled == 0


@pytest.mark.parametrize(("each", "status", "words"), [
    ([Future("lost")] * 5, "running", "frame 1 of .* ended one worker after another, as too little memory does"),
    ([Future("lost")], "closed", "tcp://h:1: the scheduler went away; frames that were finished are whole"),
    ([Future("finished", Refused("its file is cut"))], "running", "on a worker of tcp://h:1: its file is cut; takes"),
    ([Future("finished", Refused("", "av 1 where 2 is needed"))], "running", "a worker has av 1 where 2 is"),
    ([Future("error", ImportError("huewright"))], "running", "a worker has no huewright"),
    ([Future("error", Exception("ModuleNotFoundError('numpy')"))], "running", "a worker has no huewright"),
    ([Future("error", InputError("the very error"))], "running", "the very error")])
def test_what_ends_a_render_over_workers(one_frame, each: list[Future], status: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        one_frame(*each, status=status)


def test_workers_that_ended_one_after_another_by_dask_s_own_count(one_frame) -> None:
    distributed = pytest.importorskip("distributed")
    with pytest.raises(InputError, match="ended one worker after another"):
        one_frame(Future("error", distributed.KilledWorker("task", None, 3)))


def test_waiting_has_an_end_where_nobody_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 100.0
    monkeypatch.setattr(farm.time, "monotonic", lambda: now)
    client = Client(workers=0)
    watch = farm._Watch("tcp://h:1", client)
    watch.look()
    now += 0.5
    watch.look()                    # no more than once a second
    assert watch.alone_since == 100.0
    now += farm.ALONE_S
    client.workers = 1              # one came back in time
    watch.look()
    client.workers, now = 0, now + 2
    watch.look()
    now += farm.ALONE_S + 1
    with pytest.raises(InputError, match="tcp://h:1 has had no worker for 60 s"):
        watch.look()
    client.status, now = "connecting", now + 2
    watch.look()
    client.status, client.workers, now = "running", 1, now + 2
    watch.look()
    client.status, now = "connecting", now + 2
    watch.look()
    now += farm.GONE_S + 1
    with pytest.raises(InputError, match="the scheduler went away"):
        watch.look()
    client.status, now = "closed", now + 2
    with pytest.raises(InputError, match="the scheduler went away"):
        farm._Watch("tcp://h:1", client).look()


@pytest.mark.parametrize(("said", "words"), [
    (ImportError("huewright"), "the worker worker-1 has no huewright"),
    (ValueError("odd\nlines"), "the worker worker-1 does not say what it is"),
    ((("huewright", "0.0.1"),), "the worker worker-1 has huewright 0.0.1 where"), (builds(), "")])
def test_workers_say_what_they_are(said: object, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if not words:
        farm._require_alike("tcp://h:1", Client(Future("", said)))
        return
    with pytest.raises(InputError, match=words):
        farm._require_alike("tcp://h:1", Client(Future("", said)))
    monkeypatch.setattr(farm, "FIRST_WORKER_S", 0.05)
    with pytest.raises(InputError, match="the scheduler there has no workers; start some with `dask worker tcp://h:1`"):
        farm._require_alike("tcp://h:1", Client(Future("", said), workers=0))


def test_a_take_that_others_would_not_find(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "x").mkdir()
    take(tmp_path / "in", ".dpx", 10, numbers=(1,))
    take(tmp_path / "x" / "in", ".dpx", 10, numbers=(2,))
    monkeypatch.chdir(tmp_path)
    sequence = parse_sequence("in/s.####.dpx")
    assert farm._whole_name(sequence) == f"{tmp_path}/in/s.####.dpx"
    monkeypatch.chdir(tmp_path / "x")
    with pytest.raises(InputError, match="names other frames, so the take can't be named to workers"):
        farm._whole_name(sequence)
