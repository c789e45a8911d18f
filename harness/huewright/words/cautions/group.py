"""Cautions of one weight, each declared once: its sentence, its explanation, and by where it stands its place."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from huewright.models.cautions import Caution
from huewright.words.sentence import sentence

Kind = TypeVar("Kind", bound=Caution)


class Group:
    """``title`` is said above them; ``explained`` has them in their order, the weightiest first."""

    def __init__(self, title: str) -> None:
        self.title = title
        self.explained: dict[type[Caution], str] = {}

    def says(self, kind: type[Kind], explanation: str) -> Callable[[Callable[[Kind], str]], Callable[[Kind], str]]:
        """Declares ``kind``, after those declared before it: the function makes its sentence; ``explanation`` is what
        it means and what to do about it, for `huewright help cautions` and the documentation."""
        if kind in self.explained:
            raise TypeError(f"{kind.__name__} has its words already")
        self.explained[kind] = explanation

        def declare(words: Callable[[Kind], str]) -> Callable[[Kind], str]:
            sentence.register(kind, words)
            return words
        return declare
