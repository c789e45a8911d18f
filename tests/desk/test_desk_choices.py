"""What can be chosen on the page is what the command line can say; and of what waits only the newest is worked on."""

from __future__ import annotations

import shlex
import threading

import pytest
from huewright.desk.choices import Choices, Named, command_lines, option_words
from huewright.desk.latest import Latest, SupersededError
from huewright.models.by_hand import ByHand, Placed
from huewright.models.settings import SolveSettings, Strength
from huewright.steps.inputs import by_hand_from, named_numbers, strength_named


def test_commands_say_all_that_can_be_chosen():
    by_hand = ByHand((7,), (3, 4), (Placed(5, ((90.0, 80.0), (820.25, 95.0), (810.0, 600.0), (85.0, 590.0))),))
    choices = Choices(by_hand, {"middle": 43.5}, 0.45, {"red": 0.55}, {"blue": -1.5, "red": 2.0}, Strength(1.0, 0.5))
    words = option_words([("--encoding", "it's so", None), ("--every-frame", True, False), ("--bits", None, None),
                          ("--corners", ("1,2", "3,2", "3,4", "1,4"), None)])
    survey, solve = (shlex.split(line) for line in command_lines(Named("a #.dpx", "card.toml", words), choices))
    assert survey[2:13] == ["a #.dpx", "--card", "card.toml", "--encoding", "it's so", "--every-frame", "--corners",
                            "1,2", "3,2", "3,4", "1,4"]

    def given(words: list[str], option: str) -> list[str]:
        return [words[k + 1] for k, word in enumerate(words) if word == option]

    assert by_hand_from(*given(survey, "--take-in"), *given(survey, "--leave-out"),
                        given(survey, "--corners-at")) == by_hand
    assert float(*given(solve, "--fraction")) == 0.45
    assert named_numbers(given(solve, "--level"), "", "") == choices.levels_ire
    assert named_numbers(given(solve, "--chip-fraction"), "", "") == choices.fractions
    assert named_numbers(given(solve, "--nudge"), "", "") == choices.nudges_deg
    assert strength_named(given(solve, "--strength")) == choices.strength


def test_of_those_that_wait_only_the_newest_works():
    latest, working, go, done = Latest(), threading.Event(), threading.Event(), []

    def first() -> None:
        with pytest.raises(SupersededError), latest.turn() as check:
            working.set()
            go.wait(120)
            check()

    def later(name: str) -> None:
        try:
            with latest.turn():
                done.append(name)
        except SupersededError:
            done.append(f"{name} superseded")

    threads = [threading.Thread(target=first)]
    threads[0].start()
    assert working.wait(120)
    for name in ("second", "third"):
        threads.append(threading.Thread(target=later, args=(name,)))
        threads[-1].start()
        while latest._newest < len(threads):
            pass
    go.set()
    for thread in threads:
        thread.join(120)
    assert sorted(done) == ["second superseded", "third"]


def test_choices_leave_the_other_settings_alone():
    opened_with = SolveSettings(method="matrix", display="bt2020", trust_encoding=True)
    asked = Choices(levels_ire={"middle": 43.5}, fraction=0.4).settings(opened_with)
    assert (asked.method, asked.display, asked.trust_encoding) == ("matrix", "bt2020", True)
    assert (asked.levels_ire, asked.fraction) == ({"middle": 43.5}, 0.4)
