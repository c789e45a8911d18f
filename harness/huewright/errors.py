"""The two ways in which a job ends early, each with one clear sentence for the person."""

from __future__ import annotations


class InputError(Exception):
    """The user can mend this: says what, where and what to do. Exit code 2."""


class NoAnswerError(Exception):
    """The footage or card cannot support an answer, or the proof is not within its limits: says why and what would
    help. Exit code 1.

    ``why`` is that as data where there is such (a survey's advice); the command line says it after the sentence.
    """

    def __init__(self, sentence: str, why: object | None = None) -> None:
        super().__init__(sentence)
        self.why = why
