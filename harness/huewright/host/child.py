"""Strangers' native code in a process of its own: how it is started, told what to do, and listened to.

The request goes to the child as JSON on its standard input, the answers come as JSON lines through a pipe whose
number is the child's argument. Whatever a plug-in prints goes to standard error.
"""

from __future__ import annotations

import contextlib
import ctypes
import faulthandler
import json
import os
import resource
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from huewright.errors import NoAnswerError

Tell = Callable[[dict[str, Any]], None]


def talk(module: str, request: dict[str, Any], patience_s: float | None = None) -> Iterator[dict[str, Any]]:
    """Starts ``module`` as a child that gets ``request``; yields its answers; ends it if the caller stops listening.

    Raises :class:`NoAnswerError` if it dies, or says nothing for ``patience_s``.
    """
    reader, writer = os.pipe()
    with tempfile.TemporaryFile() as said, tempfile.TemporaryDirectory(prefix="huewright-child-") as folder:
        process = subprocess.Popen([sys.executable, "-m", module, str(writer)], stdin=subprocess.PIPE,
                                   stdout=subprocess.DEVNULL, stderr=said, pass_fds=(writer,), cwd=folder,
                                   env=os.environ | {"TMPDIR": folder}, start_new_session=True)
        os.close(writer)
        try:
            assert process.stdin is not None
            with process.stdin:
                process.stdin.write(json.dumps(request).encode())
            yield from map(json.loads, _lines(reader, patience_s))
            process.wait()
        finally:
            os.close(reader)
            if process.poll() is None:
                process.kill()
            process.wait()
            end_session(process.pid)
        said.seek(0)
        last = said.read().decode(errors="replace").strip().splitlines()[-1:]
    if process.returncode != 0:
        how = f"signal {-process.returncode}" if process.returncode < 0 else f"status {process.returncode}"
        raise NoAnswerError(f"the process that ran the plug-in ended with {how}"
                            f"{': ' + last[0] if last else ''}; `huewright ofx probe` tells what is wrong with it")


def _lines(reader: int, patience_s: float | None) -> Iterator[bytes]:
    rest = b""
    while True:
        if not select.select([reader], [], [], patience_s)[0]:
            raise NoAnswerError(f"the plug-in did not come back within {patience_s:g} s; "
                                "`huewright ofx probe` tells in which action it hangs")
        chunk = os.read(reader, 1 << 16)
        if not chunk:
            return
        *whole, rest = (rest + chunk).split(b"\n")
        yield from whole


def end_session(session: int) -> None:
    """Ends every process of the session, whoever's child it is by now; first those there, then what they started."""
    for _ in range(20):
        left = [pid for pid in _processes() if pid != os.getpid() and _session(pid) == session]
        for pid in left:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        if not left:
            return
        time.sleep(0.01)


def _processes() -> list[int]:
    return [int(name) for name in os.listdir("/proc") if name.isdigit()] if os.path.isdir("/proc") else []


def _session(pid: int) -> int:
    """0 for a process that is gone, or dead and not yet collected."""
    try:
        state, _parent, _group, session = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[:4]
    except OSError:
        return 0
    return 0 if state == "Z" else int(session)


def group_size(group: int) -> int:
    """How many processes the group has: a plug-in may start some, not hundreds."""
    found = 0
    for pid in _processes():
        with contextlib.suppress(ProcessLookupError, PermissionError):
            found += os.getpgid(pid) == group
    return found


ADDRESS_SPACE, FILE_SIZE, OPEN_FILES, PROCESSES = 16 << 30, 1 << 30, 512, 256
"""What strangers' code may take: bytes of addresses, of a file, open files, processes and threads of its own."""


def set_limits(*, addresses: bool = True) -> None:
    """Limits for this process and all that it starts, that of ``addresses`` if wished; lower ones that are there
    already stay."""
    tasks = sum(1 for _ in Path("/proc").glob("[0-9]*/task/*")) if os.path.isdir("/proc") else 0
    for kind, most in ((resource.RLIMIT_CORE, 0), (resource.RLIMIT_AS, ADDRESS_SPACE),
                       (resource.RLIMIT_FSIZE, FILE_SIZE), (resource.RLIMIT_NOFILE, OPEN_FILES),
                       (resource.RLIMIT_NPROC, tasks + PROCESSES)):
        if kind == resource.RLIMIT_AS and not addresses:
            continue
        _, hard = resource.getrlimit(kind)
        allowed = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (allowed, allowed))


def die_with_parent() -> None:
    """Asks the kernel to end this process when the one that started it is gone (Linux only)."""
    prctl = getattr(ctypes.CDLL(None), "prctl", None)
    if prctl is not None:
        prctl(1, signal.SIGKILL, 0, 0, 0)  # PR_SET_PDEATHSIG of linux/prctl.h


def serve(work: Callable[[dict[str, Any], Tell], None]) -> None:
    """The child's side: ``work`` gets the request and a way to answer."""
    answers = os.fdopen(int(sys.argv[1]), "w", buffering=1)
    request = json.load(sys.stdin)
    os.dup2(2, 1)  # a plug-in's own printing must not get between
    die_with_parent()
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    faulthandler.disable()
    work(request, lambda row: print(json.dumps(row), file=answers))
