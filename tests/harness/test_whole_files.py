"""Files are written whole or not at all: the faults are made to happen, in threads and processes of their own."""

from __future__ import annotations

import errno
import os
import signal
import stat
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import pytest
from huewright import files
from huewright.errors import InputError
from huewright.files import read_text, remove_abandoned, whole_file, write_text


@pytest.fixture(params=["unnamed", "hidden"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways of writing: without a name until the end, and on systems that have no such files."""
    if request.param == "hidden":
        monkeypatch.setattr(files._Draft, "_begin_unnamed", lambda draft, path: False)
    return str(request.param)


@pytest.mark.slow
def test_other_threads_files_keep_their_mode(tmp_path: Path, way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one thread writes, the files of another are never open to everybody, and the umask is obeyed. (It belongs
    to the whole process; setting it even for the moment of reading it would seldom be caught by chance.)"""
    umask = os.umask
    interval, mask = sys.getswitchinterval(), umask(0o027)
    set_to: list[int] = []
    monkeypatch.setattr(os, "umask", lambda mask: (set_to.append(mask), umask(mask))[1])
    stop = threading.Event()
    modes: set[int] = set()

    def other() -> None:
        count = 0
        while not stop.is_set():
            handle = os.open(tmp_path / f"other{count}", os.O_CREAT | os.O_WRONLY, 0o666)
            modes.add(stat.S_IMODE(os.fstat(handle).st_mode))
            os.close(handle)
            count += 1

    sys.setswitchinterval(1e-6)
    thread = threading.Thread(target=other)
    try:
        thread.start()
        for n in range(100):
            write_text(tmp_path / "own.txt", str(n), overwrite=True)
    finally:
        stop.set()
        thread.join()
        sys.setswitchinterval(interval)
        umask(mask)
    assert modes == {0o640} and not set_to
    assert stat.S_IMODE((tmp_path / "own.txt").stat().st_mode) == 0o640


def test_a_file_that_comes_meanwhile_is_not_written_over(tmp_path: Path, way: str) -> None:
    path = tmp_path / "a.txt"
    with pytest.raises(InputError, match="exists already"), whole_file(path) as draft:
        draft.write_text("ours")
        path.write_text("theirs")
    assert path.read_text() == "theirs" and list(tmp_path.iterdir()) == [path]


def test_of_many_writers_one_wins(tmp_path: Path, way: str) -> None:
    path, won, refused = tmp_path / "a.txt", [], []
    ready = threading.Barrier(8)

    def write(n: int) -> None:
        try:
            with whole_file(path) as draft:
                draft.write_text(str(n))
                ready.wait()
            won.append(n)
        except InputError:
            refused.append(n)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(won) == 1 and len(refused) == 7 and path.read_text() == str(won[0])


def test_bytes_are_on_the_disk_before_the_name_is_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                        way: str) -> None:
    synced: list[tuple[int, bool]] = []
    real = os.fsync

    def fsync(handle: int) -> None:
        real(handle)
        synced.append((os.fstat(handle).st_size, (tmp_path / "a.txt").exists()))

    monkeypatch.setattr(os, "fsync", fsync)
    write_text(tmp_path / "a.txt", "twelve bytes")
    assert synced == [(12, False)]


@pytest.mark.parametrize("overwrite", [False, True])
def test_systems_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, overwrite: bool) -> None:
    def no_links(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(files._Draft, "_begin_unnamed", lambda draft, path: False)
    monkeypatch.setattr(os, "link", no_links)
    path = tmp_path / "a.txt"
    write_text(path, "first", overwrite=overwrite)
    if overwrite:
        write_text(path, "second", overwrite=True)
    else:
        with pytest.raises(InputError, match="exists already"), whole_file(path) as draft:
            draft.write_text("second")
    assert path.read_text() == ("second" if overwrite else "first") and list(tmp_path.iterdir()) == [path]


def test_faults_of_other_files_are_not_called_faults_of_this(tmp_path: Path, way: str) -> None:
    with pytest.raises(FileNotFoundError) as caught, whole_file(tmp_path / "out.txt") as draft:
        draft.write_text((tmp_path / "missing.txt").read_text())
    assert caught.value.filename == str(tmp_path / "missing.txt")
    with pytest.raises(InputError, match=r"cannot write .*out\.txt: Is a directory"):
        (tmp_path / "out.txt").mkdir()
        write_text(tmp_path / "out.txt", "x", overwrite=True)
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match=r"cannot write .*file/out\.txt: Not a directory"):
        write_text(tmp_path / "file" / "out.txt", "x")


def test_folders_and_pipes_are_no_text(tmp_path: Path) -> None:
    """A pipe that nobody writes to would be waited for without an end."""
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match=r"pipe: this is no ordinary file; give the card file itself"):
        read_text(tmp_path / "pipe", "card file")
    with pytest.raises(InputError, match="this is a folder"):
        read_text(tmp_path, "card file")


def _child(code: str, **options: object) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", textwrap.dedent(code)], text=True, stdout=subprocess.PIPE,
                            stderr=subprocess.PIPE, **options)  # type: ignore[call-overload, no-any-return]


def test_a_full_disk_is_one_sentence_and_leaves_nothing(tmp_path: Path, way: str) -> None:
    """The system itself stops the writing, at 4 kB a file (with EFBIG, as a full disk does with ENOSPC)."""
    child = _child(f"""
        import resource, signal
        from pathlib import Path
        from huewright import files
        if {way!r} == "hidden":
            files._Draft._begin_unnamed = lambda draft, path: False
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
        files.write_text(Path({str(tmp_path)!r}) / "small.txt", "fits")
        try:
            files.write_text(Path({str(tmp_path)!r}) / "large.txt", "x" * 100_000)
        except files.InputError as error:
            print(error)
    """)
    said, problems = child.communicate(timeout=60)
    assert said == f"cannot write {tmp_path}/large.txt: File too large; choose another place\n", problems
    assert [path.name for path in tmp_path.iterdir()] == ["small.txt"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGKILL])
@pytest.mark.parametrize("named", ["unnamed", "hidden"])
def test_a_process_that_is_ended_leaves_no_half_file(tmp_path: Path, number: signal.Signals, named: str) -> None:
    """In the middle of a file, through the command line's own way of ending."""
    child = _child(f"""
        import signal, time
        import huewright.cli as cli
        from huewright import files
        if {named!r} == "hidden":
            files._Draft._begin_unnamed = lambda draft, path: False
        def job():
            with files.whole_file({str(tmp_path / "out" / "a.txt")!r}) as draft:
                draft.write_text("half of it")
                print("begun", flush=True)
                time.sleep(60)
        cli.app = job
        signal.signal(signal.SIGINT, signal.default_int_handler)
        cli.main()
    """, env={**os.environ, "TMPDIR": str(tmp_path)})
    assert child.stdout is not None and child.stdout.readline() == "begun\n"
    assert remove_abandoned(tmp_path / "out") == ()     # somebody still writes it
    child.send_signal(number)
    _, said = child.communicate(timeout=60)
    if number == signal.SIGKILL:
        assert child.returncode == -number
    else:
        assert child.returncode == 128 + number
        assert said.startswith("huewright: stopped; files that were finished are whole") and said.count("\n") == 1
        assert [path.name for path in tmp_path.iterdir()] == ["out"]
    left = sorted((tmp_path / "out").iterdir())
    assert len(left) == (named == "hidden" and number == signal.SIGKILL)
    assert remove_abandoned(tmp_path / "out", (tmp_path / "out" / "b.txt",)) == ()     # another file's
    assert remove_abandoned(tmp_path / "out", (tmp_path / "out" / "a.txt",)) == tuple(left)
    assert list((tmp_path / "out").iterdir()) == []


def test_what_is_no_draft_is_left_alone(tmp_path: Path) -> None:
    for name in (".a-0123456789ab.txt", ".a-0123456789.txt", "a-0123456789ab.txt", ".hidden"):
        (tmp_path / name).touch()
    (tmp_path / ".b-0123456789ab.txt").mkdir()
    assert [path.name for path in remove_abandoned(tmp_path)] == [".a-0123456789ab.txt"]
    assert len(list(tmp_path.iterdir())) == 4


def test_a_killed_process_s_own_folder_goes_with_the_next(tmp_path: Path) -> None:
    """Among the system's temporary ones; that of a process which still runs stays."""
    code = """
        import time
        from huewright import files
        with files.whole_file("a.txt"):
            print(files.workspace(), flush=True)
            time.sleep(60)
    """
    here = {"cwd": tmp_path, "env": {**os.environ, "TMPDIR": str(tmp_path)}}
    first, second = _child(code, **here), _child(code, **here)
    with first, second:
        assert first.stdout is not None and second.stdout is not None
        folders = [Path(each.stdout.readline().strip()) for each in (first, second)]
        first.kill()
        first.wait(60)
        assert all(each.is_dir() for each in folders)
        third = _child("from huewright import files; print(files.workspace())", **here)
        said, _ = third.communicate(timeout=60)
        assert [each.is_dir() for each in (*folders, Path(said.strip()))] == [False, True, False]
        second.kill()
