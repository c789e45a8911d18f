"""Tiles of a picture shared among threads: each takes the next tile when it is done with its last.

The compiled code holds no interpreter lock, so plain Python threads serve. The caller works too; helpers that
get no turn are called off, so nothing waits for a busy pool, and a call from inside a tile runs alone.
"""

from __future__ import annotations

import itertools
import os
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

VARIABLE = "HUEWRIGHT_THREADS"

_inside = threading.local()
_pool: ThreadPoolExecutor | None = None
_pool_size = 0
_lock = threading.Lock()


def default_threads() -> int:
    """``HUEWRIGHT_THREADS`` if set to a whole number above 0, else the processors this process may use."""
    text = os.environ.get(VARIABLE, "")
    if text.isdecimal() and int(text) > 0:
        return int(text)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def for_each_tile(work: Callable[[int], None], tiles: int, threads: int | None = None) -> None:
    """Calls ``work(k)`` once for each k below ``tiles``, on up to ``threads`` threads; raises what ``work`` raised.

    ``threads`` None means :func:`default_threads`. Raises ``ValueError`` for fewer than one.
    """
    threads = default_threads() if threads is None else threads
    if threads < 1:
        raise ValueError("at least one thread is needed")
    threads = min(threads, tiles)
    if threads <= 1 or getattr(_inside, "tile", False):
        for k in range(tiles):
            work(k)
        return
    counter = itertools.count()  # taking the next number is one step of the interpreter, hence safe
    failed = threading.Event()

    def worker() -> None:
        _inside.tile = True
        try:
            while not failed.is_set() and (k := next(counter)) < tiles:
                work(k)
        except BaseException:
            failed.set()
            raise
        finally:
            _inside.tile = False

    helpers = [_pool_for(threads - 1).submit(worker) for _ in range(threads - 1)]
    try:
        worker()
    finally:
        late = [helper for helper in helpers if not helper.cancel()]
        problems = [problem for helper in late if (problem := helper.exception()) is not None]
    if problems:
        raise problems[0]


def _pool_for(helpers: int) -> ThreadPoolExecutor:
    global _pool, _pool_size
    with _lock:
        if _pool is None or _pool_size < helpers:
            if _pool is not None:
                _pool.shutdown(wait=False)
            _pool, _pool_size = ThreadPoolExecutor(helpers, thread_name_prefix="huewright"), helpers
        return _pool


def _forget_pool() -> None:
    """Threads don't live on in a forked child."""
    global _pool, _pool_size, _lock
    _pool, _pool_size, _lock = None, 0, threading.Lock()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forget_pool)
