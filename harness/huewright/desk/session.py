"""What the page works on: a take that was looked through, its shots, and what is answered to the page's questions.

Every answer is a function of the choices that come with the question; what is kept between them only saves time. One
question is worked on at a time, and a newer one supersedes those that wait (:mod:`huewright.desk.latest`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, Protocol

import msgspec
import numpy as np
from huewright_kernels.ops import Operation

from huewright.colorimetry.display import display_named
from huewright.desk.choices import Choices, Named, command_lines
from huewright.desk.drawn import Ink, alone, corrected, jpeg, scopes
from huewright.desk.kept import Few, Frames
from huewright.desk.latest import Latest
from huewright.errors import InputError, NoAnswerError
from huewright.files import write_texts
from huewright.frames.take import Take
from huewright.models.by_hand import ByHand
from huewright.models.card import Card
from huewright.models.correction import Correction, Solved, correction_text
from huewright.models.footage import Footage
from huewright.models.record import Frame, to_record
from huewright.models.settings import SolveSettings, Strength
from huewright.models.survey import Survey, survey_text
from huewright.solver.answer import is_right_already, solve_method
from huewright.solver.chain import Chain
from huewright.solver.declaration import demand_declaration
from huewright.solver.linear import refuse_unfaithful
from huewright.solver.problem import Problem, set_up
from huewright.solver.sectors import Levels, levels_alone, solve_sectors
from huewright.solver.strength import chain_at, solved_of

Part = Literal["after", "before", "scopes", "scopes_before"]
WIDEST = 1920
ANSWERS, SURVEYS = 32, 12


class Surveyor(Protocol):
    """A take that was looked through: what :mod:`huewright.steps.desk` hands in."""

    def survey(self, by_hand: ByHand) -> Survey: ...

    def outlines(self, by_hand: ByHand, frame: int) -> dict[str, np.ndarray]:
        """The patches' outlines (n, 2) px in one frame; none where it has no card."""


@dataclass(frozen=True)
class Asked:
    """What the page wants to see.

    shot    0 is the take, 1 and up the shots; ``frame`` by its number
    width   at most so many pixels wide; what is wider is reduced first
    parts   the pictures and scopes wanted
    alone   scopes of the card's patches alone, at full size; else of the whole frame
    fine    scopes of the frame at full size; else of the reduced one
    """

    frame: Frame
    shot: int = 0
    width: int = 1280
    parts: tuple[Part, ...] = ("after",)
    alone: bool = False
    fine: bool = False

    def __post_init__(self) -> None:
        if not 16 <= self.width <= WIDEST:
            raise ValueError(f"width lies between 16 and {WIDEST}")


@dataclass(frozen=True)
class Answer:
    """A solve without its diagnostics: the chain at full strength, and its parts where it has any."""

    problem: Problem
    operations: tuple[Operation, ...]
    solved: Solved | None

    def at(self, strength: Strength) -> tuple[Operation, ...]:
        if strength.full or self.solved is None:
            return self.operations
        return chain_at(self.problem.chain, self.solved, strength)


@dataclass(frozen=True)
class Look:
    """``size`` is the frame's (width, height), ``pixel_aspect`` a pixel's width over its height. ``outlines`` are those
    of the card in the frame, if it has one. ``answer`` and ``operations`` are None where nothing corrected was asked
    for. ``pictures`` are JPEG files."""

    size: tuple[int, int]
    pixel_aspect: float
    outlines: dict[str, np.ndarray]
    answer: Answer | None
    operations: tuple[Operation, ...] | None
    pictures: dict[str, bytes] = field(default_factory=dict)
    inks: dict[str, dict[str, Ink]] = field(default_factory=dict)


@dataclass(frozen=True)
class Written:
    """The ``files`` that were written; or those ``there`` already, and then nothing was."""

    files: tuple[str, ...] = ()
    there: tuple[str, ...] = ()


class Session:
    """``solve`` is the verb's own: from a survey and settings to the correction that is written."""

    def __init__(self, take: Take, shots: tuple[Take, ...], card: Card, footage: Footage, settings: SolveSettings,
                 choices: Choices, named: Named, surveyor: Surveyor,
                 solve: Callable[[Survey, SolveSettings], Correction]) -> None:
        self.takes, self.card, self.footage, self.named = (take, *shots), card, footage, named
        self.opened_with, self.choices = settings, choices
        self.display = display_named(settings.display)
        self.neutral = Chain(footage, self.display, settings.adaptation).neutral()
        self.latest = Latest()
        self.frames = Frames(self.takes)
        self._surveyor, self._solve = surveyor, solve
        self._surveys: Few[Survey] = Few(SURVEYS)
        self._answers: Few[Answer] = Few(ANSWERS)
        self._levels: Few[Levels] = Few(ANSWERS)

    @property
    def luma(self) -> tuple[float, float]:
        return self.display.kr, self.display.kb

    # ------------------------------------------------------------------ what the page asks

    def survey(self, choices: Choices) -> Survey:
        """With the frames as chosen; raises :class:`InputError` for frames by hand that can't be."""
        with self.latest.turn():
            return self._survey(choices)

    def look(self, choices: Choices, asked: Asked) -> Look:
        """Raises as a solve where a corrected picture is asked for, :class:`InputError` for a frame that isn't there,
        and :class:`.SupersededError`."""
        with self.latest.turn() as check:
            survey = self._survey(choices)
            check()
            answer = operations = None
            if {"after", "scopes"} & set(asked.parts):
                answer = self._answer(choices, survey)
                operations = answer.at(choices.strength)
                check()
            if not 0 <= asked.shot < len(self.takes):
                raise InputError(f"there is no shot {asked.shot}")
            whole = self.frames.whole(asked.shot, asked.frame)
            shown = self.frames.reduced(asked.shot, asked.frame, asked.width)
            check()
            outlines = self._surveyor.outlines(choices.by_hand, asked.frame) if asked.shot == 0 else {}
            look = Look((whole.codes.shape[1], whole.codes.shape[0]), whole.pixel_aspect, outlines, answer, operations)
            for side, chain in (("", operations), ("_before", self.neutral)):
                picture = "after" if not side else "before"
                signal = None
                if chain is None:
                    continue
                if picture in asked.parts:
                    signal = corrected(chain, shown.codes)
                    look.pictures[picture] = jpeg(signal, self.display.name)
                if f"scopes{side}" in asked.parts:
                    check()
                    look.inks[picture] = self._scopes(chain, asked, whole.codes, shown.codes, signal, outlines)
            self.choices = choices
            return look

    def figures(self, choices: Choices) -> Correction:
        """The correction in full, as it would be written; raises as a solve, and :class:`.SupersededError`."""
        with self.latest.turn() as check:
            survey = self._survey(choices)
            check()
            return self._solve(survey, choices.settings(self.opened_with))

    def write(self, choices: Choices, *, overwrite: bool = False) -> Written:
        """The survey and the correction, as the two commands of :meth:`commands` write them. Nothing is written where
        one of the files is there and may not be replaced, nor where one of them has no room."""
        files = (self.named.survey_file, self.named.out)
        with self.latest.alone():
            there = tuple(file for file in files if Path(file).exists())
            if there and not overwrite:
                return Written(there=there)
            survey = self._survey(choices)
            correction = self._solve(survey, choices.settings(self.opened_with))
            texts = survey_text(survey), correction_text(correction, files[1])
            write_texts(dict(zip(files, texts, strict=True)), overwrite=overwrite)
            self.choices = choices
            return Written(files)

    def commands(self, choices: Choices) -> tuple[str, str]:
        return command_lines(self.named, choices)

    # ------------------------------------------------------------------ how it is answered

    def _survey(self, choices: Choices) -> Survey:
        return self._surveys.get(choices.by_hand, lambda: self._surveyor.survey(choices.by_hand))

    def _answer(self, choices: Choices, survey: Survey) -> Answer:
        """Of the same targets at any strength the same, so that a strength solves nothing."""
        full = replace(choices, strength=Strength())
        return self._answers.get(msgspec.json.encode(to_record(full)),
                                 lambda: self._answered(survey, full))

    def _answered(self, survey: Survey, choices: Choices) -> Answer:
        """The solve of the survey's reading without diagnostics: the same chain that the full solve writes.

        Raises as :func:`huewright.solver.answer.solve` and where the bars contradict what was declared.
        """
        if survey.reading is None:
            raise NoAnswerError(f"{survey.take}: no frame of this take can carry a correction", survey.advice)
        settings = choices.settings(self.opened_with)
        problem = set_up(survey.reading, self.card, survey.footage, settings)
        demand_declaration(survey.cautions, settings)
        if is_right_already(problem):
            return Answer(problem, problem.chain.neutral(), None)
        if settings.method == "sectors":
            # Chips' targets don't move the levels that the bars alone give.
            key = msgspec.json.encode(to_record((choices.by_hand, choices.levels_ire)))
            levels = self._levels.get(key, lambda: levels_alone(problem))
            solution = solve_sectors(problem, levels=levels, described=False)
        else:
            solution = solve_method(problem)
            refuse_unfaithful(solution)
        return Answer(problem, solution.operations(problem.chain), solved_of(solution))

    def _scopes(self, chain: tuple[Operation, ...], asked: Asked, whole: np.ndarray, shown: np.ndarray,
                signal: np.ndarray | None, outlines: Mapping[str, np.ndarray]) -> dict[str, Ink]:
        if asked.alone:
            codes, mask = alone(whole, outlines)
            return scopes(corrected(chain, codes), self.luma, mask)
        if asked.fine:
            return scopes(corrected(chain, whole), self.luma)
        return scopes(corrected(chain, shown) if signal is None else signal, self.luma)
