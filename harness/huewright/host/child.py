"""Strangers' native code in a process of its own: how it is started, told what to do, and listened to.

The request goes to the child as JSON on its standard input, the answers come as JSON lines through a pipe whose
number is the child's argument. Whatever a plug-in prints goes to standard error.
"""

from __future__ import annotations

import faulthandler
import json
import os
import resource
import select
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from typing import Any

from huewright.errors import NoAnswerError

Tell = Callable[[dict[str, Any]], None]


def talk(module: str, request: dict[str, Any], patience_s: float | None = None) -> Iterator[dict[str, Any]]:
    """Starts ``module`` as a child that gets ``request``; yields its answers; ends it if the caller stops listening.

    Raises :class:`NoAnswerError` if it dies, or says nothing for ``patience_s``.
    """
    reader, writer = os.pipe()
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen([sys.executable, "-m", module, str(writer)], stdin=subprocess.PIPE,
                                   stdout=subprocess.DEVNULL, stderr=said, pass_fds=(writer,))
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


def serve(work: Callable[[dict[str, Any], Tell], None]) -> None:
    """The child's side: ``work`` gets the request and a way to answer."""
    answers = os.fdopen(int(sys.argv[1]), "w", buffering=1)
    request = json.load(sys.stdin)
    os.dup2(2, 1)  # a plug-in's own printing must not get between
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    faulthandler.disable()
    work(request, lambda row: print(json.dumps(row), file=answers))
