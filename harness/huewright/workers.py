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
        for thread in _threads(self._called) if kind is not None else ():
            thread.join(max(0.0, until - time.monotonic()))


def hanging() -> bool:
    """Whether a thread of such a pool is still at work: then the process doesn't end by itself."""
    return bool(_threads(_NAME))


def _threads(called: str) -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name.startswith(called)]


__all__ = ["PATIENCE_S", "Workers", "hanging"]
