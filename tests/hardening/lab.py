"""The command line in children upon whom a fault is put by the system itself: limits, modes, disks, signals.

:class:`Lab` starts one process that imports everything, computes nothing and has no threads; it forks a child for each
command, so that a command costs no start-up. A child runs ``huewright.cli.main`` and ends as any Python process does.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

from hardening.moments import Watch, hand_over

PATIENCE_S = 300.0


@dataclass(frozen=True)
class Ended:
    """``code`` as a shell has it, negative for a signal that ended the process at once; ``seconds`` that it took, those
    of the processor, and the most memory that it had at a time."""

    code: int
    out: str
    err: str
    seconds: float
    processor_s: float
    peak_mb: float

    @property
    def sentence(self) -> str:
        """The one line for the person, without "huewright: "; fails where there is a traceback or another count."""
        lines = [line for line in self.err.splitlines() if line.startswith("huewright: ")]
        assert "Traceback" not in self.err and len(lines) == 1, self.err
        return lines[0].removeprefix("huewright: ")


class Status(NamedTuple):
    status: int
    processor_s: float
    peak_mb: float


class Child:
    def __init__(self, lab: Lab, pid: int, out: Path, err: Path, watch: Watch | None = None) -> None:
        self.watch = watch
        self.pid, self._lab, self._out, self._err, self._began = pid, lab, out, err, time.monotonic()

    @property
    def said(self) -> str:
        return self._err.read_text(errors="replace")

    @property
    def running(self) -> bool:
        return self._lab.status(self.pid, 0.0) is None

    def send(self, number: signal.Signals) -> None:
        os.kill(self.pid, number)

    def wait(self, patience_s: float = PATIENCE_S) -> Ended:
        status = self._lab.status(self.pid, patience_s)
        if status is None:
            os.kill(self.pid, signal.SIGKILL)
            self._lab.status(self.pid, 60.0)
            raise AssertionError(f"still running after {patience_s} s: {self.said}")
        return Ended(os.waitstatus_to_exitcode(status.status), self._out.read_text(errors="replace"), self.said,
                     time.monotonic() - self._began, status.processor_s, status.peak_mb)


class Lab:
    """``warm``: the kernels' compiled code is loaded before a child is forked; without, each finds the cache by
    itself."""

    def __init__(self, folder: Path, *, warm: bool = True) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder, self._count, self._ended = folder, 0, dict[int, Status]()
        self._server = subprocess.Popen([sys.executable, "-m", "hardening.lab", *(["warm"] if warm else [])],
                                        cwd=Path(__file__).parents[1], stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def __enter__(self) -> Lab:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.close()
        self._server.wait(60)
        self._server.stdout.close()

    def start(self, *words: object, cwd: Path | None = None, env: dict[str, str | None] | None = None,
              **fault: Any) -> Child:
        """``huewright WORDS`` in a child. ``env`` changes its environment (None: not set). Faults: ``file_bytes``, the
        most that a file may have; ``memory_bytes``, the most addresses above those in use; ``plain``, root without
        root's rights; ``threads``, the most that the user may have; ``out``, a file or pipe for stdout.
        ``calls``: it waits at each of these system calls (:mod:`hardening.moments`) for :attr:`Child.watch`."""
        self._count += 1
        out, err = (self._folder / f"{self._count}.{name}" for name in ("out", "err"))
        asked = {"words": list(map(str, words)), "cwd": str(cwd or self._folder), "env": env or {}, "stdout": str(out),
                 "stderr": str(err), **fault}
        watch = Watch(self._folder) if "calls" in fault else None
        if watch is not None:
            asked["watch"] = watch.place
        assert self._server.stdin is not None
        for place in (out, err):
            place.write_bytes(b"")
        self._server.stdin.write(json.dumps(asked).encode() + b"\n")
        self._server.stdin.flush()
        pid = None
        while pid is None:
            pid = self._hear(PATIENCE_S)
        return Child(self, pid, out, err, watch)

    def run(self, *words: object, patience_s: float = PATIENCE_S, **more: Any) -> Ended:
        return self.start(*words, **more).wait(patience_s)

    def status(self, pid: int, patience_s: float) -> Status | None:
        until = time.monotonic() + patience_s
        while pid not in self._ended:
            left = until - time.monotonic()
            self._hear(max(left, 0.0))
            if left <= 0 and pid not in self._ended:
                return None
        return self._ended[pid]

    def _hear(self, patience_s: float) -> int | None:
        """One line of the server: a child's number as it starts; that one ended is noted."""
        assert self._server.stdout is not None
        if not select.select([self._server.stdout], [], [], patience_s)[0]:
            return None
        line = self._line()
        if "status" in line:
            self._ended[line["pid"]] = Status(line["status"], line["processor_s"], line["peak_mb"])
            return None
        return int(line["pid"])

    def _line(self) -> dict[str, Any]:
        text = b""
        assert self._server.stdout is not None
        while not text.endswith(b"\n"):      # a byte at a time: what is buffered here select would not see
            byte = os.read(self._server.stdout.fileno(), 1)
            assert byte, "the lab's process ended"
            text += byte
        return dict(json.loads(text))


@contextmanager
def small_disk(place: Path, size: str) -> Iterator[Path]:
    """A disk of ``size`` (``tmpfs``, as mount takes it) at ``place``; skips where none may be mounted."""
    import pytest

    place.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size},mode=755", "tmpfs", place], capture_output=True,
                          text=True, check=False) if os.geteuid() == 0 else None
    if done is None or done.returncode != 0:
        pytest.skip("no disk may be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", place], check=False)


def files(folder: Path) -> dict[str, bytes]:
    """What lies in ``folder`` and below, hidden files too."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*"))
            if path.is_file()}


# --- the process that forks ---------------------------------------------------------------------------------------
def _serve(warm: bool) -> dict[str, Any] | None:
    """What a child is asked to do, in the child; None in the parent, at the end."""
    import huewright.cli
    import huewright.proof.cameras
    import huewright.report.contact
    import huewright.report.page
    import huewright.steps.desk
    import huewright.steps.export
    import huewright.steps.export_config
    import huewright.steps.prove
    import huewright.steps.render
    import huewright.steps.run
    import huewright.steps.scene.job
    import huewright.steps.scopes
    import huewright.steps.solve
    import huewright.steps.survey

    if warm:
        import huewright.frames.movie  # noqa: F401
        from huewright_kernels.executor import warm_up
        warm_up()
    children: set[int] = set()
    text = b""
    while True:
        for pid in tuple(children):
            done, status, used = os.wait4(pid, os.WNOHANG)
            if done:
                children.discard(pid)
                _tell(pid=pid, status=status, processor_s=used.ru_utime + used.ru_stime, peak_mb=used.ru_maxrss / 1024)
        if not select.select([0], [], [], 0.02)[0]:
            continue
        part = os.read(0, 1 << 16)
        if not part:
            for pid in children:
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            return None
        text += part
        while b"\n" in text:
            line, text = text.split(b"\n", 1)
            pid = os.fork()
            if pid == 0:
                return dict(json.loads(line))
            children.add(pid)
            _tell(pid=pid)


def _tell(**what: float) -> None:
    os.write(1, json.dumps(what).encode() + b"\n")


def _put_upon(asked: dict[str, Any]) -> None:
    """The child's files, folder, environment and limits; last, whose it is."""
    import resource

    os.setpgid(0, 0)
    for name in (signal.SIGTERM, signal.SIGHUP, signal.SIGPIPE):
        signal.signal(name, signal.SIG_DFL)
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)      # as Python has it
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for handle, place in ((0, os.devnull), (1, asked.get("out", asked["stdout"])), (2, asked["stderr"])):
        opened = os.open(place, os.O_RDONLY if handle == 0 else os.O_WRONLY)
        os.dup2(opened, handle)
        os.close(opened)
    for name, value in asked["env"].items():
        os.environ.pop(name, None)
        if value is not None:
            os.environ[name] = value
    os.chdir(asked["cwd"])
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if "file_bytes" in asked:
        resource.setrlimit(resource.RLIMIT_FSIZE, (asked["file_bytes"],) * 2)
    if "memory_bytes" in asked:
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + asked["memory_bytes"],) * 2)
    if "threads" in asked:
        resource.setrlimit(resource.RLIMIT_NPROC, (asked["threads"],) * 2)
    if asked.get("plain"):
        _give_up_rights()
    if "watch" in asked:
        hand_over(asked["watch"], asked["calls"])


def _give_up_rights() -> None:
    """Of root's rights none is left (capset, capabilities(7)), so that files' modes hold for it as for anybody. Another
    user would do as well, but need not reach the Python that root has."""
    import ctypes

    header = (ctypes.c_uint32 * 2)(0x20080522, 0)      # _LINUX_CAPABILITY_VERSION_3, this process
    if ctypes.CDLL(None, use_errno=True).capset(header, (ctypes.c_uint32 * 6)()) != 0:
        raise OSError(ctypes.get_errno(), "capset")


def main() -> None:
    asked = _serve("warm" in sys.argv[1:])
    if asked is None:
        return
    _put_upon(asked)
    from huewright import cli

    sys.argv = ["huewright", *asked["words"]]
    cli.main()


if __name__ == "__main__":
    main()
