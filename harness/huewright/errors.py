"""The two ways in which a job ends early, each with one clear sentence for the person."""

from __future__ import annotations


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
