"""One piece of work at a time, and of those that wait only the newest."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager


class SupersededError(Exception):
    """A newer request came while this one waited or worked."""


class Latest:
    """``with latest.turn() as check:`` waits until no other turn is taken. One that waited while a newer came, or that
    calls ``check()`` after a newer came, ends by :class:`SupersededError`."""

    def __init__(self) -> None:
        self._working = threading.Lock()
        self._counting = threading.Lock()
        self._newest = 0

    @contextmanager
    def turn(self) -> Iterator[Callable[[], None]]:
        with self._counting:
            self._newest += 1
            mine = self._newest

        def check() -> None:
            if mine != self._newest:
                raise SupersededError

        with self._working:
            check()
            yield check

    @contextmanager
    def alone(self) -> Iterator[None]:
        """A turn that nothing supersedes, and that supersedes nothing."""
        with self._working:
            yield
