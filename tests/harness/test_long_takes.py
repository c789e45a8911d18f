"""Long takes are looked at sparsely first: the card is found where it is, and what was looked at is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from clips import HD_TAGS, write_clip
from huewright.frames import open_take
from huewright.frames.take import Take
from huewright.models.cautions import LookedSparsely
from huewright.steps import sparsely
from huewright.steps.sparsely import CLOSELY, where_the_card_is


def movie(path: Path, count: int, options: dict[str, str]) -> Take:
    """Each frame's luma is its number, so that a stand-in for finding knows where it is."""
    flat = np.full((24, 32), 128, np.uint8)
    known = [[np.full((48, 64), 16 + k % 200, np.uint8), flat, flat] for k in range(count)]
    return open_take(write_clip(path, known, options={"qp": "0", "preset": "ultrafast", **options}, tags=HD_TAGS))


def only_between(monkeypatch: pytest.MonkeyPatch, first: int, last: int) -> list[int]:
    """Finding stands in for: a card is in the frames from ``first`` to ``last``. Gives the numbers looked at."""
    looked: list[int] = []

    def find(rgb: np.ndarray, card: object, **_: object) -> object | None:
        number = round(float(rgb[20, 30, 1]) * 255) - 16
        looked.append(number)
        return object() if first <= number <= last else None

    monkeypatch.setattr(sparsely, "find_card", find)
    return looked


@pytest.mark.parametrize("options", [{"g": "20"}, {"g": "400"}])
def test_all_frames_near_the_card_are_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                options: dict[str, str]) -> None:
    take = movie(tmp_path / "a.mp4", 200, options)
    looked = only_between(monkeypatch, 90, 131)
    where = where_the_card_is(take, None, lambda *_: None)      # type: ignore[arg-type]
    assert set(range(90, 132)) <= set(where.near)
    assert len(where.near) < 42 + 2 * 25 and len(looked) < 20
    assert set(where.empty) | {n for n in looked if n in where.near} == set(looked)
    if options["g"] == "20":
        assert set(looked) <= set(take.entries())               # each could be decoded alone


def test_a_card_shown_shortly_is_found_between(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    take = movie(tmp_path / "a.mp4", 200, {"g": "40"})
    only_between(monkeypatch, 55, 65)                           # between the keys at 40 and 80
    where = where_the_card_is(take, None, lambda *_: None)      # type: ignore[arg-type]
    assert set(range(55, 66)) <= set(where.near)


def test_no_card_is_said_with_what_was_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    take = movie(tmp_path / "a.mp4", 200, {"g": "20"})
    looked = only_between(monkeypatch, 900, 901)
    where = where_the_card_is(take, None, lambda *_: None)      # type: ignore[arg-type]
    assert where.near == () and sorted(looked) == list(where.empty)


def test_no_more_frames_are_looked_at_closely_than_are_of_use(tmp_path: Path,
                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    take = movie(tmp_path / "a.mp4", 200, {"g": "20"})
    only_between(monkeypatch, 0, 400)
    where = where_the_card_is(take, None, lambda *_: None)      # type: ignore[arg-type]
    assert len(where.near) == CLOSELY and where.near[0] == 0 and where.near[-1] == 199


def test_a_survey_of_a_long_take_says_so(tmp_path: Path) -> None:
    from huewright.cards.own import own_card
    from huewright.steps.inputs import footage_from
    from huewright.steps.survey import survey_take

    take = movie(tmp_path / "a.mp4", 150, {"g": "10"})
    survey = survey_take(take, own_card(), None, footage_from(take, encoding="display"))
    said = [one for one in survey.cautions if isinstance(one, LookedSparsely)]
    assert not survey.usable and len(said) == 1 and not said[0].found
    assert said[0].looked == len(survey.grades) < 60 and said[0].frames == 150
    assert survey.clip is not None and survey.clip.frames == 150
