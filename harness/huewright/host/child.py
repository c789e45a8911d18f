"""Strangers' native code in a process of its own: how it is started, told what to do, and listened to.

The request goes to the child as JSON on its standard input, the answers come as JSON lines through a pipe whose
number is the child's argument. Whatever a plug-in prints goes to standard error.

The child splits in two before it does anything: one half runs the strangers' code, the other knows nothing of it,
watches, and ends all that was started when the first is gone, when it is asked to, or when the one that asked is gone.
"""

from __future__ import annotations

import faulthandler
import json
import os
import resource
import select
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from typing import Any, NoReturn

from huewright.errors import NoAnswerError
from huewright.files import workspace
from huewright.host.watching import MOST_PROCESSES, Group, adopt_orphans, die_with_parent, end_session, tasks, watch

PARTING_S = 5.0
"""In which the watching half ends all when asked."""
Tell = Callable[[dict[str, Any]], None]


def talk(module: str, request: dict[str, Any], patience_s: float | None = None) -> Iterator[dict[str, Any]]:
    """Starts ``module`` as a child that gets ``request``; yields its answers; ends it if the caller stops listening.

    Raises :class:`NoAnswerError` if it dies, or says nothing for ``patience_s``.
    """
    reader, writer = os.pipe()
    with tempfile.TemporaryFile() as said, tempfile.TemporaryDirectory(
            prefix="child-", dir=workspace(), ignore_cleanup_errors=True) as folder:
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
                process.terminate()         # it ends what was started below it
                try:
                    process.wait(PARTING_S)
                except subprocess.TimeoutExpired:
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


ADDRESS_SPACE, FILE_SIZE, OPEN_FILES, PROCESSES = 16 << 30, 1 << 30, 512, 256
"""What strangers' code may take: bytes of addresses, of a file, open files, processes and threads of its own."""


def set_limits(*, addresses: bool = True) -> None:
    """Limits for this process and all that it starts, that of ``addresses`` if wished; lower ones that are there
    already stay."""
    for kind, most in ((resource.RLIMIT_CORE, 0), (resource.RLIMIT_AS, ADDRESS_SPACE),
                       (resource.RLIMIT_FSIZE, FILE_SIZE), (resource.RLIMIT_NOFILE, OPEN_FILES),
                       (resource.RLIMIT_NPROC, tasks() + PROCESSES)):
        if kind == resource.RLIMIT_AS and not addresses:
            continue
        _, hard = resource.getrlimit(kind)
        allowed = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (allowed, allowed))


def serve(work: Callable[[dict[str, Any], Tell], None], most: int = 4 * MOST_PROCESSES) -> None:
    """The child's side: ``work`` gets the request and a way to answer. With more than ``most`` processes below it, it
    is ended."""
    answers = os.fdopen(int(sys.argv[1]), "w", buffering=1)
    request = json.load(sys.stdin)
    os.dup2(2, 1)  # a plug-in's own printing must not get between
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    faulthandler.disable()
    adopt_orphans()
    watcher, started_by = os.getpid(), os.getppid()
    group = Group()
    worker = os.fork()
    if worker:
        answers.close()
        die_with_parent(signal.SIGTERM)
        if os.getppid() != started_by:          # gone before the kernel was asked
            group.close()
            os.kill(os.getpid(), signal.SIGTERM)
        _end_as(watch(worker, most, group))
    group.enter()
    adopt_orphans()     # no fork inherits it
    die_with_parent()
    if os.getppid() != watcher:
        os._exit(1)
    work(request, lambda row: print(json.dumps(row), file=answers))


def _end_as(status: int) -> NoReturn:
    """This process ends as the one with this wait status did."""
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        signal.signal(number, signal.SIG_DFL) if number not in (signal.SIGKILL, signal.SIGSTOP) else None
        os.kill(os.getpid(), number)
    os._exit(os.WEXITSTATUS(status))
