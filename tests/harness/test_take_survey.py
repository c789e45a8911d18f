"""A take surveyed: chosen and refused frames, the merge, the advice, follow, and takes that can't be surveyed."""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from huewright.cards.own import own_card
from huewright.errors import InputError
from huewright.finding.advice import unusable_advice
from huewright.finding.find import find_card
from huewright.finding.grade import judge
from huewright.finding.light import LinearLight
from huewright.finding.read import read_patches
from huewright.frames import Frame, ahead, parse_sequence, sequence, write_frame
from huewright.models.by_hand import ByHand, Placed
from huewright.models.card import save_card
from huewright.models.cautions import FramesByHand
from huewright.models.reasons import (
    CardNoisy,
    LeftOutByHand,
    NoCardInTake,
    PatchesLost,
    PlacedByHand,
    TakenInByHand,
    Unusable,
    Usable,
)
from huewright.models.survey import load_survey, save_survey
from huewright.report.contact import contact_sheet
from huewright.steps.inputs import by_hand_from
from huewright.steps.survey import survey_take
from huewright.words import sentence, thirds
from testset.backgrounds import background
from testset.scene import FOOTAGE, Conditions, Plane, compose

pytestmark = pytest.mark.slow

CARD = own_card()
BASE = Conditions(width=960, height=540, size=0.5, roll_deg=4, gloss=0.0, shot_noise=2e-4)
REFLECTING = (3, 4)
WITHOUT = (0, 9)


def frame_of(c: Conditions, number: int) -> tuple[np.ndarray, object]:
    rng = np.random.default_rng([5, number])
    behind, _ = background(np.random.default_rng(21), c.width, c.height)
    return compose(CARD, behind, c, rng)


def held(number: int) -> Conditions:
    """Frame ``number`` of an invented take: the card drifts, and twice the lamp lies in it."""
    c = replace(BASE, centre=(0.48 + 0.004 * number, 0.5), roll_deg=4 + 0.3 * number)
    if number in WITHOUT:
        return replace(c, centre=(3.0, 0.5))
    if number in REFLECTING:
        c = replace(c, gloss=1.0, roughness=0.12)
        return replace(c, lamp=tuple(float(v) for v in Plane(CARD, c).mirror_lamp((150.0, 120.0), 2500.0)))
    return c


def write(path: Path, rgb: np.ndarray) -> None:
    write_frame(path, Frame(rgb.astype(np.float16)) if path.suffix == ".exr"
                else Frame(np.round(np.clip(rgb, 0, 1) * 65535).astype(np.uint16), bits=10))


@pytest.fixture(scope="module")
def card_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("card") / "card.toml"
    save_card(CARD, path)
    return path


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    folder = tmp_path_factory.mktemp("take")
    truths = {}
    for number in range(10):
        rgb, truths[number] = frame_of(held(number), number)
        write(folder / f"t.{number:04d}.dpx", rgb)
    return folder, truths


@pytest.fixture(scope="module")
def survey(take, card_file):
    return survey_take(parse_sequence(take[0]), CARD, card_file, FOOTAGE["display"])


def test_frames_with_reflections_are_refused_and_empty_ones_are_empty(survey):
    verdicts = {grade.frame: grade.verdict for grade in survey.grades}
    assert all(verdicts[number] == "no card" for number in WITHOUT)
    assert all(verdicts[number] == "refused" for number in REFLECTING)
    assert survey.usable and len(survey.chosen) >= 3
    assert not set(survey.chosen) & set(REFLECTING + WITHOUT)


def test_a_refusal_says_why(survey):
    for grade in survey.grades:
        if grade.frame in REFLECTING:
            assert any(reason.kind == "glare" for reason in grade.reasons)


def test_the_merge_is_nearer_to_the_truth_than_its_frames_and_says_how_certain_it_is(survey, take):
    truth = np.mean([take[1][number].patches for number in survey.chosen], axis=0)
    means = np.array([patch.mean for patch in survey.reading.patches])
    assert np.abs(means - truth).max() < 0.005
    assert survey.merge_gain > 1.3
    assert survey.reading.frame is None


def test_corners_are_those_of_the_generator(survey, take):
    for grade in survey.grades:
        if grade.verdict in ("chosen", "usable"):
            assert np.abs(np.array(grade.corners) - take[1][grade.frame].corners).max() < 0.6


def test_the_advice_names_the_chosen_frames(survey):
    assert isinstance(survey.advice, Usable)
    assert sorted(survey.advice.frames) == list(survey.chosen) and survey.advice.gain == survey.merge_gain


def test_the_advice_says_when_one_frame_stands_alone(tmp_path, card_file):
    advice = one_frame(tmp_path, card_file, BASE).advice
    assert isinstance(advice, Usable) and advice.frames == (1,)
    assert "alone" in sentence(advice) and "a faint reflection would go unseen" in sentence(advice)


def test_a_survey_file_comes_back_as_it_was(survey, tmp_path):
    save_survey(survey, tmp_path / "s.json")
    assert load_survey(tmp_path / "s.json") == survey


def test_the_contact_sheet_is_drawn_and_never_over_another(survey, take, tmp_path):
    sheet = tmp_path / "sheet.png"
    contact_sheet(survey, parse_sequence(take[0]), CARD, sheet)
    assert sheet.read_bytes().startswith(b"\x89PNG")
    with pytest.raises(InputError, match="exists"):
        contact_sheet(survey, parse_sequence(take[0]), CARD, sheet)


def one_frame(tmp_path, card_file, c, footage="display"):
    write(tmp_path / "u.0001.dpx", frame_of(c, 1)[0])
    return survey_take(parse_sequence(tmp_path / "u.0001.dpx"), CARD, card_file, FOOTAGE[footage])


@pytest.mark.parametrize(("change", "reason", "cure", "thirds"), [
    ({"exposure_stops": 0.4}, "clipped", "close-down", 2),
    ({"exposure_stops": 1.6}, "clipped", "close-down", 5),
    ({"tilt_deg": 58.0}, "tilted", "turn-to-lens", None),
    ({"motion_px": (17.0, 5.0), "size": 0.35}, "blurred", "hold-still", None),
    ({"blur_px": 4.0, "size": 0.35}, "blurred", "focus", None),
    ({"size": 0.085}, "small", "move-closer", None),
])
def test_an_unusable_take_says_what_to_do(tmp_path, card_file, change, reason, cure, thirds):
    result = one_frame(tmp_path, card_file, replace(BASE, **change))
    assert not result.usable and result.reading is None
    assert isinstance(result.advice, Unusable) and result.advice.reason.kind == reason
    assert result.advice.remedy.action == cure
    if thirds is not None:
        assert np.ceil(3 * result.advice.remedy.stops - 1e-6) == thirds


def test_a_take_without_the_card_says_so(tmp_path, card_file):
    result = one_frame(tmp_path, card_file, replace(BASE, centre=(3.0, 0.5)))
    assert not result.usable and result.reading is None
    assert result.advice == NoCardInTake(1, CARD.name)


def stops_in(advice: Unusable) -> float:
    """The stops that an advice line names, in the thirds that a lens has: "1 2/3 stops"."""
    assert advice.remedy.action in ("close-down", "open-up") and advice.remedy.stops is not None, advice
    named = thirds(advice.remedy.stops)
    words = re.fullmatch(r"(?:(\d) )?(?:(\d)/3 )?stops?", named)
    assert words is not None and f" {named}" in sentence(advice), named
    return int(words[1] or 0) + int(words[2] or 0) / 3


@pytest.mark.parametrize("stops", [0.4, 0.9, 1.6, 2.3])
def test_closing_down_as_told_makes_the_take_usable(tmp_path, card_file, stops):
    (tmp_path / "a").mkdir()
    told = one_frame(tmp_path / "a", card_file, replace(BASE, exposure_stops=stops))
    assert not told.usable and told.advice.remedy.action == "close-down"
    after = one_frame(tmp_path, card_file, replace(BASE, exposure_stops=stops - stops_in(told.advice)))
    assert after.usable, after.advice


@pytest.mark.parametrize("stops", [-0.8, -1.5, -2.2])
def test_opening_up_as_told_brings_light_and_never_clips_white(tmp_path, card_file, stops):
    """A camera that crushes the lowest eighth of its code range."""
    def taken(exposure: float, name: str):
        rgb, _ = frame_of(replace(BASE, exposure_stops=exposure), 1)
        write(tmp_path / f"{name}.0001.dpx", np.maximum(rgb - 0.12, 0) / 0.88)
        return survey_take(parse_sequence(tmp_path / f"{name}.0001.dpx"), CARD, card_file, FOOTAGE["display"])

    told = taken(stops, "u")
    lost = told.advice.reason
    assert isinstance(lost, PatchesLost) and (lost.why, lost.bars) == ("clipped", ("black",))
    assert (lost.clipped.channels, lost.clipped.at, lost.clipped.of_codes) == ("RGB", 0.0, 1023)
    assert told.advice.remedy.action == "open-up" and told.advice.remedy.survey_again
    assert stops_in(told.advice) <= 1
    after = taken(stops + stops_in(told.advice), "v").advice
    assert isinstance(after, Usable) or "white" not in getattr(after.reason, "bars", ())


def test_noise_is_answered_by_light_as_far_as_white_bears_it():
    light = LinearLight(FOOTAGE["display"])
    for stops, action, open_up in ((-1.0, "open-up", 1.0), (0.0, "more-light", None)):
        rgb, _ = frame_of(replace(BASE, exposure_stops=stops - 0.15), 1)
        found = find_card(rgb, CARD)
        judged = judge(read_patches(rgb, CARD, found, light), CARD, found, 1)
        noisy = replace(judged, reasons=(CardNoisy(0.006),))
        remedy = unusable_advice([noisy], 1, CARD, light).remedy
        assert remedy.action == action and remedy.or_closer
        if open_up is not None:
            assert np.ceil(3 * remedy.stops - 1e-6) / 3 == open_up


def test_a_lamp_in_the_card_is_answered_by_tilting_it(tmp_path, card_file):
    result = one_frame(tmp_path, card_file, held(REFLECTING[0]))
    assert not result.usable and result.advice.remedy.action == "tilt-card"


def test_stops_are_said_in_thirds():
    said = [thirds(stops) for stops in (0.1, 0.6, 1.0, 1.1, 2.0)]
    assert said == ["1/3 stop", "2/3 stop", "1 stop", "1 1/3 stops", "2 stops"]


def test_corners_by_hand_are_used_in_every_frame(tmp_path, card_file):
    rgb, truth = frame_of(BASE, 1)
    for number in (1, 2):
        write(tmp_path / f"h.{number:04d}.dpx", rgb)
    given = truth.corners + 0.7
    result = survey_take(parse_sequence(tmp_path), CARD, card_file, FOOTAGE["display"], corners=given)
    for grade in result.grades:
        np.testing.assert_allclose(grade.corners, given)


def surveyed(take, card_file, by_hand):
    return survey_take(parse_sequence(take[0]), CARD, card_file, FOOTAGE["display"], by_hand=by_hand)


def test_a_frame_left_out_is_as_if_it_were_not_in_the_take(take, card_file, survey):
    out = max(survey.chosen)
    assert out == 8, "the last with a card, so that no other frame's card is looked for from where it was in this one"
    without = surveyed(take, card_file, ByHand(left_out=(out,)))
    assert out not in without.chosen and without.chosen
    (grade,) = [grade for grade in without.grades if grade.frame == out]
    assert (grade.verdict, grade.reasons[0]) == ("refused", LeftOutByHand())
    assert without.reading != survey.reading
    # Copied without that frame, the take gives the same reading.
    kept = [number for number in range(10) if number != out]
    fewer = survey_take(parse_sequence(take[0]).only(kept), CARD, card_file, FOOTAGE["display"])
    assert fewer.reading == without.reading
    assert sentence(next(iter(without.cautions))) == f"decided by hand: frames {out} left out"


def test_a_frame_taken_in_is_merged_whatever_its_grade(take, card_file, survey):
    assert all(number not in survey.chosen for number in REFLECTING)
    taken = surveyed(take, card_file, ByHand(taken_in=(REFLECTING[0],)))
    (grade,) = [grade for grade in taken.grades if grade.frame == REFLECTING[0]]
    assert grade.verdict == "chosen" and grade.reasons[0] == TakenInByHand() and len(grade.reasons) > 1
    assert taken.reading != survey.reading
    assert FramesByHand((REFLECTING[0],), (REFLECTING[0],)) in taken.cautions
    # One that was chosen anyway: the same frames, so the same levels.
    same = surveyed(take, card_file, ByHand(taken_in=survey.chosen))
    assert set(same.chosen) == set(survey.chosen)
    for one, other in zip(same.reading.patches, survey.reading.patches, strict=True):
        np.testing.assert_allclose(one.mean, other.mean, atol=1e-9)


def test_corners_of_one_frame_change_that_frame_alone(take, card_file, survey):
    number = survey.chosen[0]
    given = tuple((float(x) + 3.0, float(y)) for x, y in
                  next(grade.corners for grade in survey.grades if grade.frame == number))
    placed = surveyed(take, card_file, ByHand(placed=(Placed(number, given),)))
    for before, after in zip(survey.grades, placed.grades, strict=True):
        if before.frame == number:
            np.testing.assert_allclose(after.corners, given)
            assert PlacedByHand() in after.reasons
        else:
            assert after.corners == before.corners and after.motion_px == before.motion_px
    # Where none was found, a person may say where it is.
    somewhere = surveyed(take, card_file, ByHand(placed=(Placed(WITHOUT[0], given),)))
    assert next(grade for grade in somewhere.grades if grade.frame == WITHOUT[0]).verdict != "no card"


@pytest.mark.parametrize(("by_hand", "words"), [
    (dict(taken_in=(0,)), "no card was found in frame 0"),
    (dict(taken_in=(77,)), "frame 77 was not looked at"),
    (dict(left_out=(77,)), "frame 77 was not looked at"),
    (dict(left_out=tuple(range(10))), "every frame with a card is left out"),
    (dict(placed=(Placed(1, ((0, 0), (0, 9), (9, 9), (9, 0))),)), "frame 1: these corners make no convex shape"),
])
def test_frames_by_hand_that_cannot_be_are_refused(take, card_file, by_hand, words):
    with pytest.raises(InputError, match=words):
        surveyed(take, card_file, ByHand(**by_hand))


def test_frames_by_hand_are_named_as_on_the_command_line():
    found = by_hand_from("3,7-9", "12", ["5=90,80 820,95 810.5,600 85,590"])
    assert found == ByHand((3, 7, 8, 9), (12,), (Placed(5, ((90, 80), (820, 95), (810.5, 600), (85, 590))),))
    assert by_hand_from() is None
    for wrong in ("5", "5=1,2 3,4 5,6", "x=1,2 3,4 5,6 7,8", "5=1,2 3,4 5,6 7,nan"):
        with pytest.raises(InputError, match="--corners-at takes a frame and four points"):
            by_hand_from(None, None, [wrong])
    with pytest.raises(InputError, match="frame 3 is both taken in and left out"):
        by_hand_from("3", "2-4")


class Clock:
    """A clock that stands still but while somebody sleeps; each sleep lets the camera do the next thing it does."""

    def __init__(self, camera: Iterator[object]) -> None:
        self.now, self.camera, self.alone = 1e9, camera, threading.Lock()

    def monotonic(self) -> float:
        return self.now

    time = monotonic

    def sleep(self, seconds: float) -> None:
        with self.alone:
            self.now += seconds
            written = next(self.camera, None)
            if written is not None:
                os.utime(written, (self.now, self.now))


@pytest.fixture
def followed(monkeypatch, card_file):
    """A survey of a take that ``camera`` goes on writing: an iterator that yields the file of each thing it wrote, None
    where it wrote nothing."""
    def survey(path: Path, camera: Iterator[object], quiet_s: float):
        clock = Clock(camera)
        for module in (ahead, sequence):
            monkeypatch.setattr(module, "time", clock)
        return survey_take(parse_sequence(path), CARD, card_file, FOOTAGE["display"], follow=True, quiet_s=quiet_s)
    return survey


def test_a_take_is_followed_while_it_is_written(tmp_path, followed):
    rgb, _ = frame_of(BASE, 1)
    write(tmp_path / "f.0001.dpx", rgb)

    def camera() -> Iterator[Path | None]:
        for number in (2, 3):
            yield None
            write(tmp_path / f"f.{number:04d}.dpx", rgb)
            yield tmp_path / f"f.{number:04d}.dpx"
        yield from [None] * 20
        write(tmp_path / "f.0004.dpx", rgb)     # later than anybody waits
        yield tmp_path / "f.0004.dpx"

    result = followed(tmp_path, camera(), quiet_s=4.0)
    assert [grade.frame for grade in result.grades] == [1, 2, 3]


@pytest.mark.parametrize(("suffix", "claims_room_first"), [
    ("dpx", True), ("exr", False),
    pytest.param("dpx", False, marks=pytest.mark.long), pytest.param("exr", True, marks=pytest.mark.long)])
def test_a_frame_that_is_written_slowly_is_waited_for(tmp_path, followed, suffix, claims_room_first):
    """Piece by piece, by a writer that may have set the file's size before it fills it."""
    rgb, truth = frame_of(BASE, 1)
    whole = tmp_path / f"whole.{suffix}"
    write(whole, rgb)
    take = tmp_path / "take"
    take.mkdir()
    (take / f"f.0001.{suffix}").write_bytes(whole.read_bytes())
    data = whole.read_bytes()

    def camera() -> Iterator[Path | None]:
        path = take / f"f.0002.{suffix}"
        with path.open("wb") as file:
            if claims_room_first:
                file.write(data[:2048])
                file.truncate(len(data))
            file.seek(0)
            for k in range(6):
                file.write(data[k * len(data) // 6:(k + 1) * len(data) // 6])
                file.flush()
                yield path
                if not claims_room_first:       # then a file that stays as it is may lack its end
                    yield None

    result = followed(take, camera(), quiet_s=4.0)
    assert [(grade.frame, grade.verdict) for grade in result.grades] == [(1, "chosen"), (2, "chosen")]
    assert np.abs([patch.mean for patch in result.reading.patches] - truth.patches).max() < 0.005


def test_frames_of_two_sizes_are_one_clear_sentence(tmp_path, card_file):
    write(tmp_path / "x.0001.dpx", np.zeros((90, 160, 3), np.float32))
    write(tmp_path / "x.0002.dpx", np.zeros((72, 128, 3), np.float32))
    with pytest.raises(InputError, match="128 x 72 pixels, the frames before it 160 x 90"):
        survey_take(parse_sequence(tmp_path), CARD, card_file, FOOTAGE["display"])


@pytest.mark.parametrize("named", ["", "x.####.dpx:1-9", "x.*.dpx", "*.dpx"])
def test_a_survey_needs_no_continuity(tmp_path, card_file, named):
    """A take with a hole, part of one, and stills picked by hand are surveyed as they are."""
    for number in (1, 3):
        write(tmp_path / f"x.{number:04d}.dpx", np.zeros((90, 160, 3), np.float32))
    result = survey_take(parse_sequence(tmp_path / named), CARD, card_file, FOOTAGE["display"])
    assert [grade.frame for grade in result.grades] == [1, 3]
