"""The two ways in which a job ends early, each with one clear sentence for the person."""

from __future__ import annotations


class InputError(Exception):
    """The user can mend this: says what, where and what to do. Exit code 2."""


class NoAnswerError(Exception):
    """The footage or card cannot support an answer, or the proof is not within its limits: says why and what would
    help. Exit code 1."""
