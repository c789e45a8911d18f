"""How long work tells the caller how far it is, without knowing what shows it."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[int, int, str], None]
"""``progress(done, total, what)``: called now and then from the job's own thread."""


def silent(done: int, total: int, what: str) -> None:
    """The progress of nobody watching."""
