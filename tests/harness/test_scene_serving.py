"""Which take serves a shot: named, the last before it by time code, between two, and what the person has to say."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any, cast

import pytest
from huewright.errors import InputError
from huewright.frames.take import Take
from huewright.frames.timecode import count_of, text_of
from huewright.models.scene import Scene, SceneCamera, SceneShot, SceneTake, fault_of
from huewright.models.scene_file import SceneFile
from huewright.steps.scene.serving import clip_of, leading, served, span_of

RATE = Fraction(25)


class Frames:
    """As much of a take as says when it was made."""

    def __init__(self, name: str, begins: str = "", seconds: float = 10.0, rate: Fraction | None = RATE,
                 first: int = 0) -> None:
        self.path, self.begins, self.rate = Path(f"/{name}"), begins, rate
        self.numbers = tuple(range(first, first + round(seconds * float(rate or 1))))

    def file(self, number: int) -> Path:
        return self.path

    def timecode(self, number: int) -> str | None:
        if not self.begins or self.rate is None:
            return None
        start = count_of(self.begins, self.rate)
        assert start is not None
        return text_of(start + number - self.numbers[0], self.rate, drop=False)


def serve(takes: dict[str, Frames], shots: dict[str, Frames], which: str, *, by: Any = (),
          moments: dict[str, str] | None = None) -> Any:
    moments = moments or {}
    rows = tuple(SceneTake("A", name, name, moments.get(name, "")) for name in takes)
    shot_rows = tuple(SceneShot("A", name, name, moments.get(name, ""), by if name == which else ()) for name in shots)
    scene = Scene("card.toml", (SceneCamera("A", "display"),), rows, shot_rows)
    assert fault_of(scene) is None
    clips = [clip_of(row, cast(Take, takes[row.name])) for row in rows]
    shot_clips = [clip_of(row, cast(Take, shots[row.name])) for row in shot_rows]
    return served(SceneFile(Path("scene.toml"), scene), list(shots).index(which), clips, shot_clips)


def follow(takes: dict[str, Frames], other: Frames, *, by: str = "") -> str | None:
    rows = (*(SceneTake("A", name, name) for name in takes), SceneTake("B", "b", "b", follows=by))
    scene = Scene("card.toml", (SceneCamera("A", "display"), SceneCamera("B", "display", follows="A")), rows)
    assert fault_of(scene) is None
    clips = [clip_of(row, cast(Take, frames)) for row, frames in zip(rows, (*takes.values(), other), strict=True)]
    assert leading(SceneFile(Path("scene.toml"), scene), 0, clips) is None
    return leading(SceneFile(Path("scene.toml"), scene), len(takes), clips)


def test_which_take_of_the_leading_camera_a_take_follows() -> None:
    assert follow({"m": Frames("m")}, Frames("b")) == "m"
    assert follow(DAY, Frames("b", "10:00:00:00")) == "m" and follow(DAY, Frames("b", "11:00:00:00")) == "n"
    assert follow(DAY, Frames("b"), by="n") == "n"
    with pytest.raises(InputError, match="take 'b': nothing says when 'b' was made"):
        follow(DAY, Frames("b"))


def test_corners_by_hand_are_of_takes() -> None:
    frames, corners = cast(Take, Frames("m")), ((1.0, 2.0), (3.0, 2.0), (3.0, 4.0), (1.0, 4.0))
    assert clip_of(SceneTake("A", "m", "m", corners=corners), frames).corners == corners
    assert clip_of(SceneTake("A", "m", "m"), frames).corners is None
    assert clip_of(SceneShot("A", "s", "s"), frames).corners is None


MORNING, NOON = Frames("m", "09:00:00:00"), Frames("n", "12:00:00:00")
DAY = {"m": MORNING, "n": NOON}


@pytest.mark.parametrize(("begins", "take", "after_s"), [
    ("09:30:00:00", "m", 1790.0), ("11:59:00:00", "m", 3 * 3600 - 70.0), ("12:01:00:00", "n", 50.0),
    ("08:00:00:00", "m", -3590.0)])
def test_the_last_take_before_it_serves_a_shot(begins: str, take: str, after_s: float) -> None:
    found = serve(DAY, {"s": Frames("s", begins)}, "s")
    assert (found.takes, found.choice, found.after_s) == ((take,), "time code", after_s)


def test_what_a_person_names_is_taken_and_its_age_told() -> None:
    found = serve(DAY, {"s": Frames("s", "12:30:00:00")}, "s", by="m")
    assert (found.takes, found.choice, found.after_s) == (("m",), "named", 3.5 * 3600 - 10)
    assert serve(DAY, {"s": Frames("s")}, "s", by="m").after_s is None


def test_one_take_serves_all_its_camera_has() -> None:
    found = serve({"m": Frames("m")}, {"s": Frames("s")}, "s")
    assert (found.takes, found.choice, found.after_s) == (("m",), "only take", None)


def test_the_card_in_the_shot_itself() -> None:
    shot = Frames("c.mov", "10:00:00:00", 60)
    takes = {**DAY, "c": Frames("c.mov", "10:00:00:00", 5)}
    assert serve(takes, {"s": shot}, "s").takes == ("c",) and serve(takes, {"s": shot}, "s").after_s == 0


def test_between_two_takes_by_the_share_of_time() -> None:
    found = serve(DAY, {"s": Frames("s", "09:45:00:00")}, "s", by=("n", "m"))
    assert found.takes == ("m", "n") and found.share == 0.25 and found.apart_s == 3 * 3600
    assert serve(DAY, {"s": Frames("s")}, "s", by=("m", "n"), moments={"s": "10:30"}).share == pytest.approx(
        0.5, abs=1e-3)


@pytest.mark.parametrize("begins", ["08:59:50:00", "12:00:20:00", "13:00:00:00"])
def test_nothing_is_extrapolated(begins: str) -> None:
    with pytest.raises(InputError, match="does not lie between takes 'm' .* and nothing is extrapolated"):
        serve(DAY, {"s": Frames("s", begins)}, "s", by=("m", "n"))


@pytest.mark.parametrize(("takes", "shots", "moments", "by", "said"), [
    (DAY, {"s": Frames("s")}, {}, (), "nothing says when 's' was made; name the take"),
    ({"m": Frames("m"), "n": NOON}, {"s": Frames("s", "13:00:00:00")}, {}, (), "nothing says when 'm' was made"),
    ({"m": Frames("m", "01:00:00:00"), "n": Frames("n", "01:00:00:00")}, {"s": Frames("s", "02:00:00:00")}, {}, (),
     "don't tell what was made when, for 'm' (from 01:00:00:00) and 'n' (from 01:00:00:00) overlap"),
    ({"m": Frames("m", "01:00:00:00"), "n": Frames("n", "02:00:00:00")}, {"s": Frames("s", "02:00:04:00")}, {}, (),
     "'n' (from 02:00:00:00) and 's' (from 02:00:04:00) overlap"),
    # Takes have the clock's time by hand, but all shots begin at the same number.
    ({"m": Frames("m"), "n": Frames("n")}, {"s": Frames("s", "01:00:00:00"), "t": Frames("t", "01:00:00:00")},
     {"m": "9:00", "n": "12:00"}, (), "'s' (from 01:00:00:00) and 't' (from 01:00:00:00) overlap"),
    ({"m": Frames("m"), "n": NOON}, {"s": Frames("s", "13:00:00:00")}, {}, ("m", "n"),
     "nothing says when 'm' was made, so there is no way between two takes"),
    ({"m": MORNING, "n": Frames("n", "09:00:05:00")}, {"s": Frames("s", "13:00:00:00")}, {}, ("m", "n"),
     "were made at once by their time codes"),
])
def test_what_the_person_has_to_say(takes: dict[str, Frames], shots: dict[str, Frames], moments: dict[str, str],
                                    by: Any, said: str) -> None:
    with pytest.raises(InputError) as refused:
        serve(takes, shots, "s", by=by, moments=moments)
    assert said in str(refused.value) and "\n" not in str(refused.value)


def test_moments_by_hand() -> None:
    takes = {"m": Frames("m", rate=None), "n": Frames("n", rate=None)}
    for moment, name in (("11:59", "m"), ("12:00", "n"), ("24:10:30", "n")):
        found = serve(takes, {"s": Frames("s", rate=None)}, "s", moments={"m": "9:00", "n": "12:00:00:12", "s": moment})
        assert found.takes == (name,), moment
    with pytest.raises(InputError, match="is no time code at 25 frames a second"):
        serve({"m": MORNING}, {"s": Frames("s")}, "s", moments={"s": "10:00:00:29"})


@pytest.mark.parametrize(("said", "rate", "begins"), [
    ("10:04", None, 36240.0), ("10:04:30", RATE, 36270.0), ("10:04:30.5", None, 36270.5),
    ("10:04:30:24", None, 36270.0),      # how long a frame lasts, nothing says
    ("01:01:01:05", RATE, 3661.2), ("25:00:01:00", RATE, 90001.0)])
def test_seconds_of_the_day_that_moments_say(said: str, rate: Fraction | None, begins: float) -> None:
    span = span_of(cast(Take, Frames("m", rate=rate)), said)
    assert span is not None and span.begin_s == pytest.approx(begins) and span.by_hand
    assert span.end_s == pytest.approx(begins + (10.0 if rate else 0.0))


def test_what_is_only_exported_is_a_shot_that_says_so() -> None:
    frames = cast(Take, Frames("m"))
    assert [clip_of(row, frames).exported_only for row in (
        SceneTake("A", "m", "m"), SceneShot("A", "s", "s"), SceneShot("A", "s", "s", make="export"))] == [
        False, False, True]


@pytest.mark.parametrize(("begins", "seconds", "share"), [
    ("09:00:00:00", 10.0, 0.0), ("12:00:00:00", 10.0, 1.0), ("10:00:00:00", 10.0, 1 / 3),
    ("09:00:00:00", 60.0, 0.002315)])
def test_a_shot_may_begin_with_the_one_take_and_end_with_the_other(begins: str, seconds: float, share: float) -> None:
    """Sharing a moment with one, its age is 0; the share is told to a millionth."""
    found = serve(DAY, {"s": Frames("s", begins, seconds)}, "s", by=("m", "n"))
    assert found.share == round(share, 6)
    assert found.after_s == (0.0 if share < 0.3 else pytest.approx(10790.0 if share == 1 else 3590.0))


def test_a_shot_that_began_before_its_take_and_goes_on_in_it_is_of_no_age() -> None:
    assert serve(DAY, {"s": Frames("s", "08:59:55:00")}, "s", by=("m",)).after_s == 0
