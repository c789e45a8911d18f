"""One file read in a forked child that may take so much memory and time, and what came of it.

The parent has imported everything and computed nothing, so that a fork is cheap and no thread is lost in it.
"""

from __future__ import annotations

import faulthandler
import gc
import json
import os
import resource
import select
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError, NoAnswerError
from huewright_kernels import cache

from badfiles.readers import Read, Senseless

MEMORY_BYTES, SECONDS = 2 << 30, 20
WAITED = 6
"""So many times the seconds, which are the processor's, may pass by the clock: the machine may be busy."""
GOOD = ("sentence", "unchanged", "differs, said", "differs")
FAULTS = ("no sentence", "senseless", "wrote", "traceback", "crash", "hang", "memory")
KERNELS = str(cache.folder())
"""Where compiled code goes, which is no output."""
TEMPORARY = "temporary-of-a-trial"
_written: list[str] = []
_watching = False


@dataclass(frozen=True)
class Outcome:
    """``kind`` is one of :data:`GOOD` or :data:`FAULTS`; ``told`` the sentence, the traceback, or what was said."""

    kind: str
    told: str = ""
    fingerprint: str = ""
    seconds: float = 0.0


def _audit(event: str, arguments: tuple[Any, ...]) -> None:
    """Files opened to be written, made, moved or removed."""
    if not _watching:
        return
    if event == "open":
        path, mode, flags = arguments
        if isinstance(path, int) or not (isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)):
            return
        _written.append(str(path))
    elif event in ("os.remove", "os.rmdir"):
        path, folder = arguments
        around = "" if folder == -1 else os.readlink(f"/proc/self/fd/{folder}") + "/"
        _written.append(f"{event} {around}{path}")
    elif event in ("os.mkdir", "os.rename", "os.link", "os.symlink"):
        _written.append(f"{event} {arguments[0]}")


sys.addaudithook(_audit)


def tried(read: Callable[[Path], Read], path: Path, whole: str = "", *, memory: int = MEMORY_BYTES,
          seconds: float = SECONDS) -> Outcome:
    """What ``read`` of ``path`` comes to; ``whole`` is the fingerprint of the undamaged file."""
    began = time.monotonic()
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        os.close(reader)
        answer = json.dumps(_in_child(read, path, memory, seconds)).encode()
        while answer:
            answer = answer[os.write(writer, answer):]
        os._exit(0)
    os.close(writer)
    told = b""
    end = began + WAITED * seconds + 5
    late = False
    while True:
        if not select.select([reader], [], [], max(0.0, end - time.monotonic()))[0]:
            os.kill(child, signal.SIGKILL)
            late = True
            break
        part = os.read(reader, 1 << 16)
        if not part:
            break
        told += part
    os.close(reader)
    _, status = os.waitpid(child, 0)
    took = time.monotonic() - began
    if late or os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGALRM, signal.SIGXCPU):
        return Outcome("hang", "", "", took)
    if os.WIFSIGNALED(status):
        return Outcome("crash", f"ended by {signal.Signals(os.WTERMSIG(status)).name}", "", took)
    if not told:
        return Outcome("crash", f"ended with status {os.WEXITSTATUS(status)} and no word", "", took)
    kind, said, fingerprint = json.loads(told)
    if kind == "read":
        kind = "unchanged" if fingerprint == whole else "differs, said" if said else "differs"
    return Outcome(kind, said, fingerprint, took)


def _in_child(read: Callable[[Path], Read], path: Path, memory: int, seconds: float) -> tuple[str, str, str]:
    global _watching
    gc.disable()
    faulthandler.disable()
    try:
        signal.setitimer(signal.ITIMER_REAL, WAITED * seconds)
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 4))
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + memory, used + memory))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        silent = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silent, 1)
        os.dup2(silent, 2)
        os.chdir(path.parent)
        before = sorted(os.listdir(path.parent))
        # What is put there and taken away again is no output.
        tempfile.tempdir = str(path.parent.parent / TEMPORARY)
        os.makedirs(tempfile.tempdir, exist_ok=True)
        _watching = True
        try:
            fingerprint, said = read(path)
            result = ("read", said, fingerprint)
        except (InputError, NoAnswerError) as error:
            said = str(error)
            good = path.name in said[:200 + len(str(path))] and said.isprintable() and len(said) < 1000
            result = ("sentence" if good else "no sentence", said[:3000], "")
        finally:
            _watching = False
        written = [name for name in _written if name != os.devnull and KERNELS not in name
                   and f"/{TEMPORARY}/" not in name] or [
            name for name in os.listdir(path.parent) if name not in before] or os.listdir(tempfile.tempdir)
        return ("wrote", "; ".join(written), "") if written else result
    except Senseless as error:
        return "senseless", str(error), ""
    except MemoryError:
        return "memory", traceback.format_exc()[-3000:], ""
    except BaseException:
        return "traceback", traceback.format_exc()[-3000:].encode("utf-8", "replace").decode(), ""
