"""Everything that strangers' code has started is found and ended: children, their orphans, and those that hid.

A process that became the reaper of orphans (prctl, PR_SET_CHILD_SUBREAPER) stays the ancestor of all that was started
below it, whichever session or group they moved to. Where control groups can be written (root, or a group given to the
user), the kernel itself counts the processes and refuses more (:class:`Group`); a limit of the user's processes, which
``RLIMIT_NPROC`` is, does not bind root.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import time
from collections.abc import Callable, Iterable
from pathlib import Path

MOST_PROCESSES = 64
"""A plug-in may start some processes, not hundreds."""
MOST_TASKS = 1024
"""Processes and threads: large machines give a plug-in's threads one each of their processors."""
LOOK_S = 0.02
_SUBREAPER, _DEATH_SIGNAL = 36, 1     # PR_SET_CHILD_SUBREAPER, PR_SET_PDEATHSIG of linux/prctl.h


def adopt_orphans() -> None:
    """This process becomes the parent of what its descendants leave behind."""
    _prctl(_SUBREAPER, 1)


def die_with_parent(how: int = signal.SIGKILL) -> None:
    """Asks the kernel to send ``how`` to this process when the one that started it is gone."""
    _prctl(_DEATH_SIGNAL, how)


def _prctl(what: int, value: int) -> None:
    prctl = getattr(ctypes.CDLL(None), "prctl", None)
    if prctl is not None:
        prctl(what, value, 0, 0, 0)


def processes() -> dict[int, tuple[str, int, int]]:
    """(state, parent, session) of every process; "Z" is a dead one that nobody has collected."""
    found = {}
    for name in os.listdir("/proc") if os.path.isdir("/proc") else ():
        if name.isdigit():
            with contextlib.suppress(OSError):
                state, parent, _group, session = Path(f"/proc/{name}/stat").read_bytes().rpartition(b")")[2].split()[:4]
                found[int(name)] = (state.decode(), int(parent), int(session))
    return found


def tasks() -> int:
    """How many processes and threads there are. One that ends while they are counted is none."""
    count = 0
    for name in os.listdir("/proc") if os.path.isdir("/proc") else ():
        if name.isdigit():
            with contextlib.suppress(OSError):
                count += len(os.listdir(f"/proc/{name}/task"))
    return count


def descendants(root: int) -> list[int]:
    """Who was started below ``root`` and is alive."""
    known = processes()
    below = {root}
    size = 0
    while len(below) > size:
        size = len(below)
        below |= {pid for pid, (_, parent, _) in known.items() if parent in below}
    return [pid for pid in below if pid != root and known.get(pid, ("Z",))[0] not in "ZX"]


def ready_and_waiting_s(pid: int) -> float:
    """For how long the process's first thread, which calls the plug-in, has been ready to run while no processor was
    given to it, in seconds; 0 where the kernel keeps no account (Linux's /proc/PID/schedstat, the second number, in
    nanoseconds: Documentation/scheduler/sched-stats.rst)."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        return int(Path(f"/proc/{pid}/schedstat").read_bytes().split()[1]) * 1e-9
    return 0.0


def end_all(who: Callable[[], Iterable[int]], spare: Iterable[int] = ()) -> None:
    """Ends all that ``who`` names, again and again until it names none: first they are stopped, so that they start no
    more meanwhile."""
    spared = {os.getpid(), *spare}
    for _ in range(200):
        left = [pid for pid in who() if pid not in spared]
        for how in (signal.SIGSTOP, signal.SIGKILL):
            for pid in left:
                with contextlib.suppress(ProcessLookupError, PermissionError):
                    os.kill(pid, how)
        if not left:
            return
        time.sleep(0.005)


def end_descendants(of: int) -> None:
    """Ends the child ``of`` and whatever was started below this process; only ``of`` is left to be waited for."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(of, signal.SIGKILL)         # not collected yet: its number is nobody else's
    end_all(lambda: descendants(os.getpid()), (of,))
    for pid, (_, parent, _) in processes().items():
        if parent == os.getpid() and pid != of:        # adopted, and dead: nobody else collects them
            with contextlib.suppress(OSError):
                os.waitpid(pid, os.WNOHANG)


def end_session(session: int) -> None:
    """Ends every process of the session, whoever's child it is by now."""
    end_all(lambda: [pid for pid, (state, _, of) in processes().items() if of == session and state not in "ZX"])


class Group:
    """A control group for one process and all that it starts, made where the system lets us: the kernel then starts no
    more than :data:`MOST_TASKS` in it. ``path`` is None where it doesn't. The process that is to be in it is forked
    after it was made, and enters it before all else: so whatever it makes is within."""

    PREFIX = "huewright-child-"

    def __init__(self) -> None:
        self.path: Path | None = None
        for around in self._places():
            path = around / f"{self.PREFIX}{os.getpid()}"
            try:
                for other in self._ownerless(around):
                    self._remove(other)         # of a process that was killed; one that holds any stays
                path.mkdir()
            except OSError:
                continue
            try:
                if not (path / "pids.max").exists():     # no file of the kernel's: written, it would be one of ours
                    raise OSError
                (path / "pids.max").write_text(str(MOST_TASKS))
                self.path = path
                return
            except OSError:
                with contextlib.suppress(OSError):
                    path.rmdir()

    @staticmethod
    def _places() -> list[Path]:
        """Where a group of this process' own may be made: version 1's controller of processes, version 2's tree."""
        places = []
        with contextlib.suppress(OSError):
            for line in Path("/proc/self/cgroup").read_text().splitlines():
                _, controllers, own = line.split(":", 2)
                if "pids" in controllers.split(","):
                    places.append(Path("/sys/fs/cgroup/pids") / own.lstrip("/"))
                elif not controllers:
                    places.append(Path("/sys/fs/cgroup") / own.lstrip("/"))
        return places

    def enter(self) -> None:
        """This process is in it from now on."""
        if self.path is not None:
            try:
                (self.path / "cgroup.procs").write_text(str(os.getpid()))
            except OSError:             # gone: then without
                self.path = None

    def members(self) -> list[int]:
        """Also of the groups that were made in it."""
        found = []
        for group in () if self.path is None else self._with_inner(self.path):
            with contextlib.suppress(OSError):
                found += [int(pid) for pid in (group / "cgroup.procs").read_text().split()]
        return found

    @classmethod
    def _with_inner(cls, path: Path) -> list[Path]:
        """Innermost first."""
        inner: list[Path] = []
        with contextlib.suppress(OSError):      # removed by another process meanwhile
            inner += path.rglob(f"{cls.PREFIX}*")
        return [*sorted(inner, key=lambda one: -len(one.parts)), path]

    @classmethod
    def _ownerless(cls, around: Path) -> list[Path]:
        """Those whose maker, and the makers of those in them, are gone: a living one may have made its group just now,
        and not have taken anyone into it. One with this process' own number is an earlier one's."""
        groups = {path: cls._with_inner(path) for path in around.glob(f"{cls.PREFIX}*")}
        living = {str(pid) for pid, (state, _, _) in processes().items() if state not in "ZX"} if groups else set()
        living.discard(str(os.getpid()))
        return [path for path, inner in groups.items()
                if living.isdisjoint(one.name.removeprefix(cls.PREFIX) for one in inner)]

    @classmethod
    def _remove(cls, path: Path) -> bool:
        for group in cls._with_inner(path):
            with contextlib.suppress(OSError):
                group.rmdir()
        return not path.exists()

    def close(self) -> None:
        """Ends who is still in it, and removes it."""
        end_all(self.members)
        for _ in range(50):
            if self.path is None or self._remove(self.path):
                break
            time.sleep(0.01)            # the last ones' ends take a moment
        self.path = None


def watch(pid: int, most: int, group: Group) -> int:
    """Waits for the child ``pid``, which entered ``group``, and gives its wait status; then, or where this process is
    asked to end (SIGTERM, as :func:`die_with_parent` may ask), nothing that it started is left. It and they are ended
    where they become more than ``most``."""
    asked = False

    def ask(*_: object) -> None:
        nonlocal asked
        asked = True

    signal.signal(signal.SIGTERM, ask)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    looks = 0
    while not asked and os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        looks += 1
        if looks % 10 == 0 and len(descendants(os.getpid())) > most:
            break
        time.sleep(LOOK_S)
    end_descendants(pid)
    group.close()
    return os.waitpid(pid, 0)[1]
