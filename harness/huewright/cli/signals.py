"""How a signal ends the command: by an exception where the work is, and by a thread of ours where that never comes.

Python runs a signal's handler between two steps of its main thread. One that waits in the system for storage that
answers no more comes to no next step; then :class:`_Watcher` ends the process. So it does where the exception was
raised, and what it passes on its way (waiting for threads, taking a draft's name away) comes to no end.
"""

from __future__ import annotations

import _thread
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

from huewright.files import hidden_names, remove_workspace
from huewright.workers import PATIENCE_S

AGAIN_S = 0.5
"""So long the work may take to answer where a second signal comes while the first one waits."""
TIDYING_S = 5.0
"""So long the command may take to end once its threads were waited for, or after a second signal was answered."""
SAYING_S = 1.0
LOOKS_S = 0.25
_ANSWERED, _LOST = 0, 255
_NUMBERS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))

_CAN_TAKE = hasattr(signal, "sigtimedwait")


class Ended(BaseException):
    """The system asked this process to end."""


def begin() -> None:
    """From here on SIGINT, SIGTERM and SIGHUP, where nobody has them ignored, are :class:`KeyboardInterrupt` and
    :class:`Ended` in the main thread."""
    for number in _NUMBERS:
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):     # nohup has them ignored
            signal.signal(number, _end)
    _Watcher.begin()


def _end(number: int, _: FrameType | None) -> None:
    _Watcher.tell(_ANSWERED)
    if number == signal.SIGINT:
        raise KeyboardInterrupt
    raise Ended(number)


@contextmanager
def asked_again() -> Iterator[None]:
    """A signal may arrive while Python runs what ends an object, where no exception gets out: it is then raised again
    a moment later instead of being reported and forgotten."""
    before = sys.unraisablehook

    def hook(lost: Any) -> None:
        if not isinstance(lost.exc_value, (Ended, KeyboardInterrupt)):
            before(lost)
            return
        number = lost.exc_value.args[0] if isinstance(lost.exc_value, Ended) else signal.SIGINT
        _Watcher.tell(_LOST)
        later = threading.Timer(0.05, _thread.interrupt_main, [number])     # not in here, where it would be lost again
        later.daemon = True
        later.start()

    sys.unraisablehook = hook
    try:
        yield
    finally:
        sys.unraisablehook = before


def on_the_way_out() -> None:
    """What was asked for is done or given up, and only tidying is left, where an exception of a signal's would be a
    traceback: from here on a signal ends the process at once."""
    for number in _NUMBERS:
        if signal.getsignal(number) == _end:
            signal.signal(number, _leave_by)


def _leave_by(number: int, _: FrameType | None) -> None:
    signal.signal(number, signal.SIG_DFL)      # the next one doesn't even wait for this
    remove_workspace()
    os._exit(128 + number)


def leave(code: int) -> None:
    """Ends the process without what libraries do at its end."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(Exception):
            stream.flush()
    remove_workspace()
    os._exit(code)


class _Watcher:
    """A thread that knows of each signal, and of each handler that was run. Where the main thread computes outside
    Python, it is told by one pipe of both (:func:`signal.set_wakeup_fd`); where the main thread is in the system, the
    signal itself is still pending. One thread of a process."""

    _of: dict[int, _Watcher] = {}

    def __init__(self) -> None:
        self._hears, self._tells = os.pipe()
        os.set_blocking(self._tells, False)
        self._forwarded, self._pending = 0, set[int]()
        threading.Thread(target=self._watch, name="huewright-signals", daemon=True).start()

    @classmethod
    def begin(cls) -> None:
        if not hasattr(os, "register_at_fork") or threading.current_thread() is not threading.main_thread():   # POSIX
            return
        if os.getpid() not in cls._of:
            cls._of[os.getpid()] = cls()
            os.register_at_fork(after_in_child=cls._forked)      # it would tell the parent's thread of its own signals
        signal.set_wakeup_fd(cls._of[os.getpid()]._tells, warn_on_full_buffer=False)

    @staticmethod
    def _forked() -> None:
        with suppress(ValueError):      # a thread forked, which has no signals
            signal.set_wakeup_fd(-1)

    @classmethod
    def tell(cls, what: int) -> None:
        watcher = cls._of.get(os.getpid())
        if watcher is not None:
            with suppress(OSError):
                os.write(watcher._tells, bytes([what]))

    def _watch(self) -> None:
        import select

        if _CAN_TAKE:
            signal.pthread_sigmask(signal.SIG_BLOCK, _NUMBERS)     # in this thread: only then are they seen as pending
        waits, until = 0, 0.0       # the number of a signal that nobody has answered, or 0
        ends, by = 0, 0.0           # that of one by which the command is ending
        while True:
            ready = select.select([self._hears], [], [], LOOKS_S if _CAN_TAKE else AGAIN_S)[0]
            for number in [*(os.read(self._hears, 64) if ready else ()), *self._stuck()]:
                now = time.monotonic()
                if number == _LOST:
                    ends = 0
                elif number == _ANSWERED:
                    if waits and ends:
                        by = min(by, now + TIDYING_S)
                    elif waits:
                        ends, by = waits, now + PATIENCE_S + TIDYING_S
                    waits = 0
                elif self._forwarded and number > 0:
                    self._forwarded -= 1
                else:
                    until = now + (AGAIN_S if waits or ends else PATIENCE_S)
                    waits = abs(number)
            now = time.monotonic()
            if waits and now >= until:
                if signal.getsignal(waits) in (_end, _leave_by):      # else it is another's to answer
                    _give_up(waits)
                waits = 0
            if ends and now >= by:
                _give_up(ends)

    def _stuck(self) -> list[int]:
        """Signals, as negative numbers, that the main thread has not taken since the last look: taken from it, and
        noted as Python would have noted them, should it come back."""
        if not _CAN_TAKE:
            return []
        pending = {int(number) for number in signal.sigpending()}
        still, self._pending = pending & self._pending, pending
        taken = [number for number in sorted(still) if signal.sigtimedwait([number], 0) is not None]
        for number in taken:
            self._forwarded += 1
            _thread.interrupt_main(signal.Signals(number))
        return [-number for number in taken]


def _give_up(number: int) -> None:
    says = threading.Thread(target=_say, args=(_without_answer(),), daemon=True)     # stderr may give no answer either
    with suppress(RuntimeError):
        says.start()
        says.join(SAYING_S)
    os._exit(128 + number)


def _without_answer() -> str:
    left = [os.fspath(path) for path in hidden_names()]
    return ("stopped; what was being read, written or computed just then gave no answer; files that have their names "
            "are whole" + (f", and what may be left of others is {' and '.join(left[:2])}" if left else "")
            + (f" and {len(left) - 2} more of that kind" if len(left) > 2 else "") + "; start again")


def _say(sentence: str) -> None:
    with suppress(OSError):
        os.write(2, f"huewright: {sentence}\n".encode(errors="replace"))


__all__ = ["Ended", "asked_again", "begin", "leave", "on_the_way_out"]
