"""What a person can choose on the page, and the same as options of the command line."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from huewright.models.by_hand import ByHand
from huewright.models.record import Name, Number, Positive
from huewright.models.settings import SolveSettings, Strength


@dataclass(frozen=True)
class Choices:
    """Everything that the page can set, as :class:`SolveSettings` and :class:`ByHand` hold it; the rest of the settings
    is what the page was opened with."""

    by_hand: ByHand = ByHand()
    levels_ire: dict[Name, Number] = field(default_factory=dict)
    fraction: Positive = 0.5
    fractions: dict[Name, Positive] = field(default_factory=dict)
    nudges_deg: dict[Name, Number] = field(default_factory=dict)
    strength: Strength = Strength()

    def settings(self, opened_with: SolveSettings) -> SolveSettings:
        return replace(opened_with, levels_ire=self.levels_ire, fraction=self.fraction, fractions=self.fractions,
                       nudges_deg=self.nudges_deg, strength=self.strength)


def choices_of(settings: SolveSettings, by_hand: ByHand | None) -> Choices:
    """The choices that a page is opened with."""
    return Choices(by_hand or ByHand(), settings.levels_ire, settings.fraction, settings.fractions,
                   settings.nudges_deg, settings.strength)


@dataclass(frozen=True)
class Named:
    """What the person typed: of the take and its footage (``survey``), of the settings that the page doesn't change
    (``solve``), and the names of the files."""

    take: str
    card: str
    survey: tuple[str, ...] = ()
    solve: tuple[str, ...] = ()
    survey_file: str = "survey.json"
    out: str = "correction.json"


def command_lines(named: Named, choices: Choices) -> tuple[str, str]:
    """The two commands that write the same correction file."""
    survey = ["huewright", "survey", named.take, "--card", named.card, *named.survey, *_by_hand(choices.by_hand),
              "--out", named.survey_file]
    solve = ["huewright", "solve", named.survey_file, "--card", named.card, *named.solve, *_targets(choices),
             "--out", named.out]
    return shlex.join(survey), shlex.join(solve)


def _by_hand(by_hand: ByHand) -> list[str]:
    words = []
    if by_hand.taken_in:
        words += ["--take-in", ",".join(map(str, by_hand.taken_in))]
    if by_hand.left_out:
        words += ["--leave-out", ",".join(map(str, by_hand.left_out))]
    for placed in by_hand.placed:
        points = " ".join(f"{plain(x)},{plain(y)}" for x, y in placed.corners)
        words += ["--corners-at", f"{placed.frame}={points}"]
    return words


def _targets(choices: Choices) -> list[str]:
    words = [] if choices.fraction == Choices.fraction else ["--fraction", plain(choices.fraction)]
    words += _each("--chip-fraction", choices.fractions)
    words += _each("--level", choices.levels_ire)
    words += [word for name, value in choices.nudges_deg.items()
              for word in ("--nudge", f"{name}={'+' if value > 0 else ''}{plain(value)}")]
    strength = choices.strength
    if not strength.full:
        words += ["--strength", f"levels={plain(strength.levels)},hues={plain(strength.hues)}"]
    return words


def _each(option: str, values: Mapping[str, float]) -> list[str]:
    return [word for name, value in values.items() for word in (option, f"{name}={plain(value)}")]


def plain(value: float) -> str:
    """``value`` so that it is read back as the same number, without needless digits."""
    return repr(float(value)).removesuffix(".0")


def option_words(options: Sequence[tuple[str, object, object]]) -> tuple[str, ...]:
    """(option, value, what it is if not given) as words of a command line; what is as if not given is left out."""
    words: list[str] = []
    for option, value, usual in options:
        if value == usual:
            continue
        if value is True:
            words.append(option)
        elif isinstance(value, (tuple, list)):
            words += [option, *map(str, value)]
        else:
            words += [option, str(value)]
    return tuple(words)
