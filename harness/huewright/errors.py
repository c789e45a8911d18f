"""The two ways in which a job ends early, each with one clear sentence; and what libraries say, made fit for one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any


class InputError(Exception):
    """The user can mend this: says what, where and what to do. Exit code 2."""


class NoAnswerError(Exception):
    """The footage or card cannot support an answer, or the proof says no: says why and what would
    help. Exit code 1.

    ``what`` is a sentence, or a code and its figures (a :class:`huewright.models.refusals.Refusal`), of which the
    command line and the public functions make one. ``why`` is the reason as data where there is such beside a sentence
    (a survey's advice); it is said after it.
    """

    def __init__(self, what: str | object, why: object | None = None) -> None:
        super().__init__(what if isinstance(what, str) else repr(what))
        self.what, self.why = what, why


def printable(text: str) -> str:
    """``text`` from a file, fit for a sentence: what a terminal would obey or swallow is a question mark."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def library_words(said: Exception | Callable[[], Any]) -> str:
    """The first line of :func:`library_text`, for use in a sentence."""
    lines = library_text(said).strip().splitlines() or ["no reason given"]
    return printable(lines[0][:300]).rstrip(". ")


def library_text(said: Exception | Callable[[], Any]) -> str:
    """What a library says went wrong: its exception, or what asks it.

    Libraries repeat what stands in a damaged file, so that their words need be no UTF-8 and may hold control
    characters.
    """
    try:
        if isinstance(said, UnicodeDecodeError):
            raise said
        return str(said if isinstance(said, Exception) else said())
    except UnicodeDecodeError as error:
        return bytes(error.object).decode("utf-8", "replace")
