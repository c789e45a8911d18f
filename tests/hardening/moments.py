"""Moments of a process, told by what it asks of the system: it waits there until the test lets it go on.

The kernel itself holds it (seccomp's user notification, seccomp_unotify(2)): a filter that the child puts upon itself
hands a few system calls to whoever has its listener, before they are done. So a test meets "the third frame gets its
name" on a slow machine as on a quick one. Linux on x86-64 and arm64; elsewhere :func:`usable` says no.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import platform
import re
import select
import socket
import struct
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple


class _Number(NamedTuple):
    """Of a system call: its number on x86-64 and on arm64 (None: there is none), and which arguments are the folder's
    handle and the path."""

    x86: int
    arm: int | None
    folder: int | None
    path: int | None


CALLS = {
    "openat": _Number(257, 56, 0, 1), "mkdir": _Number(83, None, None, 0), "mkdirat": _Number(258, 34, 0, 1),
    "link": _Number(86, None, None, 1), "linkat": _Number(265, 37, 2, 3), "symlink": _Number(88, None, None, 1),
    "symlinkat": _Number(266, 36, 1, 2), "rename": _Number(82, None, None, 1), "renameat": _Number(264, 38, 2, 3),
    "renameat2": _Number(316, 276, 2, 3), "unlink": _Number(87, None, None, 0), "unlinkat": _Number(263, 35, 0, 1),
    "rmdir": _Number(84, None, None, 0), "fsync": _Number(74, 82, 0, None), "write": _Number(1, 64, 0, None),
    "exit_group": _Number(231, 94, None, None)}
"""Calls that may be waited for. Of "write" only what goes to stdout and stderr."""

_SECCOMP = {"x86_64": 317, "aarch64": 277}
_SET_FILTER, _NEW_LISTENER, _NO_NEW_PRIVS = 1, 8, 38
_RECEIVE, _SEND = 0xC0502100, 0xC0182101
_GO_ON = 1
_NOTIFIED, _ALLOWED = 0x7FC00000, 0x7FFF0000
_LOAD, _EQUAL, _RETURN = 0x20, 0x15, 0x06
_HERE = -100     # AT_FDCWD


class _Step(ctypes.Structure):
    _fields_ = (("code", ctypes.c_uint16), ("true", ctypes.c_uint8), ("false", ctypes.c_uint8),
                ("value", ctypes.c_uint32))


class _Program(ctypes.Structure):
    _fields_ = (("length", ctypes.c_uint16), ("steps", ctypes.POINTER(_Step)))


def _number(name: str) -> int | None:
    return CALLS[name].x86 if platform.machine() == "x86_64" else CALLS[name].arm


def usable() -> bool:
    """Whether this system holds processes so (a container may forbid it)."""
    if platform.system() != "Linux" or platform.machine() not in _SECCOMP:
        return False
    pid = os.fork()
    if pid == 0:
        try:
            hand_over(None, ["fsync"])
            os._exit(0)
        finally:
            os._exit(1)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 0


def hand_over(to: str | None, names: Sequence[str]) -> None:
    """In the child, before it has threads: from here on it waits at each of the calls ``names``; the listener goes to
    the socket at ``to``."""
    numbers = [number for name in names if name != "write" and (number := _number(name)) is not None]
    count = len(numbers)
    steps = [_Step(_LOAD, 0, 0, 0),      # the call's number; then its first argument
             *(_Step(_EQUAL, count + 4 - at, 0, number) for at, number in enumerate(numbers)),
             _Step(_EQUAL, 0, 3, (_number("write") if "write" in names else None) or 0xFFFFFFFF),
             _Step(_LOAD, 0, 0, 16), _Step(_EQUAL, 2, 0, 1), _Step(_EQUAL, 1, 0, 2),
             _Step(_RETURN, 0, 0, _ALLOWED), _Step(_RETURN, 0, 0, _NOTIFIED)]
    program = _Program(len(steps), (_Step * len(steps))(*steps))
    system = ctypes.CDLL(None, use_errno=True)
    system.syscall.restype = ctypes.c_long
    if system.prctl(_NO_NEW_PRIVS, 1, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl")
    with socket.socket(socket.AF_UNIX) as way:
        if to is not None:
            way.connect(to)
        listener = system.syscall(_SECCOMP[platform.machine()], _SET_FILTER, _NEW_LISTENER, ctypes.byref(program))
        if listener < 0:
            raise OSError(ctypes.get_errno(), "seccomp")
        if to is not None:
            socket.send_fds(way, [b"."], [listener])
        os.close(listener)


@dataclass(frozen=True)
class Call:
    """One that a thread of the child waits in: ``name`` as in :data:`CALLS`, and the path that it is about, if any."""

    id: int
    name: str
    path: str


class Watch:
    """The listener's side: :meth:`calls` gives each call as the child comes to it; asked for the next one, it lets the
    one before go on."""

    def __init__(self, folder: Path) -> None:
        self._place = folder / f"watch-{time.monotonic_ns()}"
        self._way = socket.socket(socket.AF_UNIX)
        self._way.bind(os.path.relpath(self._place))     # a socket's path is short
        self._way.listen(1)

    @property
    def place(self) -> str:
        return str(self._place)

    def calls(self, patience_s: float = 300.0) -> Iterator[Call]:
        """Until the child has ended."""
        self._way.settimeout(patience_s)
        way, _ = self._way.accept()
        with self._way, way:
            _, (listener,), _, _ = socket.recv_fds(way, 1, 1)
        self._place.unlink()
        waiting = select.poll()
        waiting.register(listener, select.POLLIN)
        try:
            while True:
                ready = waiting.poll(1000 * patience_s)
                assert ready, "the child neither comes to a call nor ends"
                if not ready[0][1] & select.POLLIN:
                    return
                call = _received(listener)
                if call is None:
                    continue
                yield call
                _let_go_on(listener, call.id)
        finally:
            os.close(listener)      # whoever waits is let go with an error, which nobody meets: the child has ended


def _received(listener: int) -> Call | None:
    """None where the process was ended meanwhile."""
    asked = bytearray(80)
    try:
        fcntl.ioctl(listener, _RECEIVE, asked)
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.EINTR):
            return None
        raise
    id_, thread, _, number, _, _ = struct.unpack_from("QIIiIQ", asked)
    arguments = struct.unpack_from("6Q", asked, 32)
    name = next(name for name in CALLS if _number(name) == number)
    return Call(id_, name, _path(thread, CALLS[name], arguments))


def _path(thread: int, known: _Number, arguments: Sequence[int]) -> str:
    """In full; empty where there is none, or the thread was ended meanwhile."""
    try:
        folder = ""
        if known.folder is not None:
            handle = struct.unpack("i", struct.pack("I", arguments[known.folder] & 0xFFFFFFFF))[0]
            folder = os.readlink(f"/proc/{thread}/cwd" if handle == _HERE else f"/proc/{thread}/fd/{handle}")
        if known.path is None:
            return folder
        with open(f"/proc/{thread}/mem", "rb", buffering=0) as memory:
            memory.seek(arguments[known.path])
            text = memory.read(256).split(b"\0")[0]      # a page's end may be near
        return os.path.join(folder or os.readlink(f"/proc/{thread}/cwd"), os.fsdecode(text))
    except OSError:
        return ""


def _let_go_on(listener: int, id_: int) -> None:
    try:
        fcntl.ioctl(listener, _SEND, bytearray(struct.pack("QqiI", id_, 0, 0, _GO_ON)))
    except OSError as error:
        if error.errno != errno.ENOENT:      # it was ended, or left the call for a signal's sake
            raise


NAMED = ("link", "linkat", "rename", "renameat", "renameat2")
"""What gives a file the name that the path says."""
DRAFTED = ("symlink", "symlinkat")
"""What makes the way by which a library writes a file that has no name yet (:mod:`huewright.files`)."""
GONE = ("unlink", "unlinkat", "rmdir")


@dataclass(frozen=True)
class Moment:
    """``what`` happens: one of the ``calls`` is about to be done upon a path in which ``path`` is found, for the
    ``nth`` time."""

    what: str
    calls: tuple[str, ...]
    path: str = ""
    nth: int = 1


def at(watch: Watch, moment: Moment, do: Callable[[], None]) -> bool:
    """``do()`` at the moment; the child is followed to its end. Whether it came to it at all."""
    seen, before = 0, ""
    for call in watch.calls():
        if call.name not in moment.calls or not re.search(moment.path, call.path):
            continue
        seen += call.name != "openat" or call.path != before      # libraries open one file several times
        before = call.path
        if seen == moment.nth:
            seen += 1
            do()
    return seen > moment.nth
