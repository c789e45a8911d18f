"""Threads that read, compute and write frames, and that nobody waits for without an end.

Python's own pool waits for its threads where it is left and once more when the process ends. One that hangs in a system
call (storage that answers no more, a reader of our output that has stopped) would so keep Ctrl-C from ending anything.
"""

from __future__ import annotations

import itertools
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType

PATIENCE_S = 20.0
"""How long what is under way may take to end, once the work as a whole was given up."""
_NAME = "huewright-workers"
_count = itertools.count()
_given_up: list[threading.Thread] = []


class Workers(ThreadPoolExecutor):
    """A pool for a ``with`` block. Where the block fails, nothing further is begun, and what is under way is waited for
    no longer than :data:`PATIENCE_S`."""

    def __init__(self, count: int) -> None:
        self._called = f"{_NAME}-{next(_count)}-"
        super().__init__(count, thread_name_prefix=self._called)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.shutdown(wait=kind is None, cancel_futures=kind is not None)
        until = time.monotonic() + PATIENCE_S
        left = _threads(self._called) if kind is not None else []
        for thread in left:
            try:
                thread.join(max(0.0, until - time.monotonic()))
            except BaseException:      # a second Ctrl-C
                _given_up.extend(left)
                raise
            if thread.is_alive():
                _given_up.append(thread)


def hanging() -> bool:
    """Whether a thread that was waited for in vain is still at work: then the process doesn't end by itself."""
    return any(thread.is_alive() for thread in _given_up)


def _threads(called: str) -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name.startswith(called)]


__all__ = ["PATIENCE_S", "Workers", "hanging"]
