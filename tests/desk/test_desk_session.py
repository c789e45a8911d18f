"""The page's session: what it shows is what the verbs make, what it writes is what they write, byte for byte."""

from __future__ import annotations

import json
import re
import resource
import shlex
import struct
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from hardening.lab import files, small_disk
from huewright.cli import app
from huewright.colorimetry.display import to_ycbcr
from huewright.desk import session as module
from huewright.desk.choices import Choices
from huewright.desk.kept import Few, Frames
from huewright.desk.server import served
from huewright.desk.session import Asked
from huewright.errors import InputError, NoAnswerError
from huewright.models.by_hand import ByHand, Placed
from huewright.models.settings import SolveSettings, Strength
from huewright.report.draw import EXTENT
from huewright.report.graticule import HIGH, LOW
from huewright.steps.inputs import take_from
from starlette.testclient import TestClient

pytestmark = pytest.mark.slow

TAKE, REFLECTING, WITHOUT = "take/a.####.dpx", 4, 5     # as tests/desk/conftest.py makes them

BOTH = Asked(2, width=480, parts=("after", "scopes", "before", "scopes_before"))
OWN = Choices(levels_ire={"middle": 43.5}, fraction=0.45, fractions={"red": 0.55}, nudges_deg={"blue": -1.5})


@pytest.mark.parametrize("choices", [Choices(), OWN, Choices(strength=Strength(0.9, 0.4)),
                                     Choices(by_hand=ByHand(left_out=(2,)), nudges_deg={"red": 2.0})])
def test_what_is_shown_is_what_would_be_written(session, choices):
    """The quick solve leaves out diagnostics, not digits."""
    look = session.look(choices, Asked(2))
    assert look.operations == session.figures(choices).operations


def test_the_quick_solve_is_every_methods(session_in, tmp_path):
    for method in ("matrix-sectors", "balance", "matrix"):
        other = session_in(tmp_path, SolveSettings(method=method))
        assert other.look(Choices(), Asked(2)).operations == other.figures(Choices()).operations, method


def test_a_strength_solves_nothing(session, monkeypatch):
    session.look(OWN, Asked(2))
    monkeypatch.setattr(module, "set_up", lambda *_: pytest.fail("solved again"))
    part = Choices(levels_ire=OWN.levels_ire, fraction=OWN.fraction, fractions=OWN.fractions,
                   nudges_deg=OWN.nudges_deg, strength=Strength(hues=0.3))
    assert session.look(part, Asked(2)).operations != session.look(OWN, Asked(2)).operations


def test_chips_targets_do_not_solve_the_levels_again(session, monkeypatch):
    session.look(Choices(), Asked(2))
    monkeypatch.setattr(module, "levels_alone", lambda *_: pytest.fail("levels solved again"))
    turned = Choices(nudges_deg={"green": 3.0})
    assert session.look(turned, Asked(2)).operations == session.figures(turned).operations


def test_the_picture_is_the_corrected_frame(session):
    """The JPEG against the correction's own picture of the frame, reduced as the page has it."""
    look = session.look(OWN, BOTH)
    codes = take_from(TAKE).frame(2).rgb_float()
    reduced = cv2.resize(np.ascontiguousarray(codes[..., :3]), (480, 270), interpolation=cv2.INTER_AREA)
    wanted = {"after": session.figures(OWN).apply(reduced), "before": session._solve(
        session.survey(OWN), SolveSettings()).neutral_operations}
    shown = {name: cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)[..., ::-1].astype(float) / 255
             for name, content in look.pictures.items()}
    assert shown["after"].shape == (270, 480, 3)
    # The means of a JPEG's blocks of 8 pixels come in steps, at this quality half a code of luma and of chroma, which
    # counts 1.8 times in blue: 0.25 + 1.77 * 0.25 codes, and half a code for rounding; 24 pixels are nine blocks.
    blocks = [np.asarray(picture, np.float64)[:264].reshape(11, 24, 20, 24, 3).mean(axis=(1, 3))
              for picture in (shown["after"], np.clip(wanted["after"], 0, 1))]
    assert np.abs(blocks[0] - blocks[1]).max() < 1.2 / 255
    assert session.neutral == wanted["before"]
    assert np.abs(shown["before"] - shown["after"]).mean() > 0.02


def test_scopes_show_the_patches_where_their_pixels_lie(session):
    """Against plain means over the patches' outlines, drawn by OpenCV."""
    look = session.look(Choices(), Asked(2, width=480, parts=("scopes",), alone=True))
    ink = look.inks["after"]
    waveform, dial = ink["waveform"].ink[0], ink["vectorscope"].ink[0]
    assert ink["parade"].ink.shape[0] == 3 and waveform.dtype == np.uint8
    signal = to_ycbcr(session.figures(Choices()).apply(take_from(TAKE).frame(2).rgb_float()[..., :3]), session.luma)
    for patch in session.card.patches:
        outline = look.outlines[patch.name]
        inner = np.zeros(signal.shape[:2], np.uint8)
        cv2.fillConvexPoly(inner, np.rint(outline.mean(axis=0) + 0.7 * (outline - outline.mean(axis=0))).astype(int), 1)
        luma, cb, cr = signal[inner > 0].mean(axis=0)
        row = int((HIGH - luma) / (HIGH - LOW) * len(waveform))
        assert waveform[row - 1:row + 2].max() > 100, patch.name
        x, y = (int(size * (0.5 + 0.5 * value / EXTENT)) for size, value in zip(dial.shape, (cb, -cr), strict=True))
        assert dial[y - 1:y + 2, x - 1:x + 2].max() > 100, patch.name
    # Patches cover little of the dial; the whole frame covers more.
    whole = session.look(Choices(), Asked(2, width=480, parts=("scopes",))).inks["after"]["vectorscope"].ink
    assert (whole > 0).sum() > (dial > 0).sum()


def test_scopes_of_the_frame_at_full_size_count_every_pixel(session):
    fine = session.look(Choices(), Asked(2, width=240, parts=("scopes",), fine=True)).inks["after"]["waveform"].ink
    signal = session.figures(Choices()).apply(take_from(TAKE).frame(2).rgb_float()[..., :3])
    luma = to_ycbcr(signal, session.luma)[..., 0]
    top = (HIGH - luma.max()) / (HIGH - LOW) * fine.shape[1]
    assert abs(np.flatnonzero(fine[0].max(axis=1))[0] - top) <= 1


def test_any_shot_can_be_looked_at_but_has_no_patches(session):
    assert session.look(Choices(), Asked(1, shot=1, width=320)).pictures
    with pytest.raises(InputError, match="no card was found in this frame"):
        session.look(Choices(), Asked(1, shot=1, parts=("scopes",), alone=True))
    with pytest.raises(InputError, match="has no frame 9"):
        session.look(Choices(), Asked(9))
    with pytest.raises(InputError, match="there is no shot 7"):
        session.look(Choices(), Asked(1, shot=7))


def test_what_the_solve_refuses_the_page_says(session):
    with pytest.raises(InputError, match="keep their order"):
        session.look(Choices(levels_ire={"middle": 99.0}), Asked(2))
    with pytest.raises(InputError, match="every frame with a card is left out"):
        session.look(Choices(by_hand=ByHand(left_out=(1, 2, 3, 4))), Asked(2))
    # A picture as the camera has it needs no solve.
    assert session.look(Choices(levels_ire={"middle": 99.0}), Asked(2, parts=("before",))).pictures
    alone = Choices(by_hand=ByHand(left_out=(1, 2, 3)))
    with pytest.raises(NoAnswerError, match="no frame of this take can carry a correction"):
        session.look(alone, Asked(2))


def moved(session) -> ByHand:
    corners = next(grade.corners for grade in session.survey(Choices()).grades if grade.frame == 2)
    a, b, c, d = ((round(x + 1.25, 2), round(y, 2)) for x, y in corners)
    return ByHand((REFLECTING,), (1,), (Placed(2, (a, b, c, d)),))


def test_it_writes_what_the_commands_write(session_in, tmp_path):
    """Frames in, out and placed, levels, shares, turns and strengths: all bytes of both files are the same."""
    here = session_in(tmp_path)
    choices = Choices(moved(here), {"middle": 43.5, "white": 92.0}, 0.45, {"red": 0.55}, {"blue": -1.5, "red": 2.0},
                      Strength(0.95, 0.5))
    written = here.write(choices)
    page = [Path(file).read_bytes() for file in written.files]
    for file in written.files:
        Path(file).unlink()
    for command in here.commands(choices):
        words = shlex.split(command)
        assert words[0] == "huewright"
        app(words[1:], standalone_mode=False)
    assert [Path(file).read_bytes() for file in written.files] == page


def test_no_file_is_replaced_without_a_yes(session_in, tmp_path):
    here = session_in(tmp_path)
    correction = Path(here.named.out)
    correction.write_text("mine", encoding="utf-8")
    assert here.write(Choices()).there == (str(correction),)
    assert correction.read_text(encoding="utf-8") == "mine" and not Path(here.named.survey_file).exists()
    assert here.write(Choices(), overwrite=True).files == (here.named.survey_file, here.named.out)
    assert correction.read_text(encoding="utf-8") != "mine"


def test_a_disk_that_is_full(session_in, tmp_path, monkeypatch):
    """Neither file, however many of the two have room, nor half a one; what was there stays. The page goes on."""
    here = session_in(tmp_path / "disk")
    solved = here.figures(Choices())
    monkeypatch.setattr(here, "_solve", lambda *_: solved)      # once is enough
    with small_disk(tmp_path / "disk", "1m") as disk:
        written = here.write(Choices())
        survey, correction = (Path(file).read_bytes() for file in written.files)
        for name in ("survey.json", "correction.json"):
            (disk / name).write_bytes(b"mine")
        there, page = files(disk), resource.getpagesize()
        needs = [-(-len(each) // page) for each in (survey, correction)]
        client = TestClient(served(here, "token", "127.0.0.1:4321"), base_url="http://127.0.0.1:4321")
        for room in (1, needs[0] + 1, sum(needs) - 1):      # beside the two that are there
            subprocess.run(["mount", "-o", f"remount,size={(room + 2) * page}", disk], check=True)
            answer = client.post("/token/write", json={"choices": {}, "overwrite": True})
            assert answer.status_code == 422, room
            assert re.fullmatch(rf"Cannot write {disk}/(survey|correction)\.json: No space left on device; choose "
                                r"another place\.", answer.json()["sentence"])
            assert files(disk) == there
            assert client.post("/token/figures", json={"choices": {}}).status_code == 200
        subprocess.run(["mount", "-o", "remount,size=1m", disk], check=True)
        assert client.post("/token/write", json={"choices": {}, "overwrite": True}).status_code == 200
        assert files(disk) == {"survey.json": survey, "correction.json": correction}


def test_nothing_is_written_where_nothing_can_be_solved(session_in, tmp_path):
    here = session_in(tmp_path)
    with pytest.raises(InputError):
        here.write(Choices(levels_ire={"middle": 99.0}))
    assert not list(tmp_path.iterdir())


def test_a_card_placed_by_hand_where_none_was_found(session):
    corners = ((100.0, 100.0), (500.0, 100.0), (500.0, 400.0), (100.0, 400.0))
    choices = Choices(by_hand=ByHand(placed=(Placed(WITHOUT, corners),)))
    grade = next(grade for grade in session.survey(choices).grades if grade.frame == WITHOUT)
    assert grade.corners == corners and grade.verdict != "no card"
    outlines = session.look(choices, Asked(WITHOUT, parts=("before",))).outlines
    points = np.concatenate(list(outlines.values()))
    assert points.min() > 100 and points[:, 0].max() < 500 and points[:, 1].max() < 400


def test_few_frames_are_kept(shoot, monkeypatch):
    monkeypatch.chdir(shoot)
    one = 960 * 540 * 3 * 4
    frames = Frames((take_from(TAKE),), most_bytes=2 * one + one // 2)
    for number in (1, 2, 3, 1):
        frames.whole(0, number)
        assert frames.bytes_kept <= 2 * one
    assert frames.reduced(0, 1, 480).codes.shape == (270, 480, 3)
    assert frames.reduced(0, 1, 4000) is frames.whole(0, 1)
    few, made = Few(2), []
    for key in (1, 2, 1, 3, 1, 2):
        few.get(key, lambda key=key: made.append(key))
    assert made == [1, 2, 3, 2]


def test_over_http_the_parts_lie_as_their_sizes_say(session_in, tmp_path):
    """A look as the page takes it apart: the head, then the JPEG and the scopes, to the last byte."""
    session = session_in(tmp_path)
    host, token = "127.0.0.1:1", "token"
    client = TestClient(served(session, token, host), base_url=f"http://{host}")
    opened = client.get(f"/{token}/opened").json()
    assert opened["takes"][0]["numbers"] == [1, 2, 3, 4, 5] and opened["usual"] == opened["choices"]
    told = client.post(f"/{token}/survey", json={"choices": opened["choices"]}).json()
    assert told["merged"] == list(session.survey(Choices()).chosen)
    assert len(told["reading"]) == len(session.card.patches)
    assert all(len(row["light"]) == 3 for row in told["reading"])
    asked = {"frame": 2, "width": 320, "parts": ["after", "scopes"]}
    answer = client.post(f"/{token}/look", json={"choices": opened["choices"], "asked": asked}).content
    (length,) = struct.unpack_from("<I", answer)
    head, at = json.loads(answer[4:4 + length]), 4 + length
    for part in head["parts"]:
        piece, at = answer[at:at + part["bytes"]], at + part["bytes"]
        if part["kind"] == "jpeg":
            assert cv2.imdecode(np.frombuffer(piece, np.uint8), cv2.IMREAD_COLOR).shape == (180, 320, 3)
        else:
            assert len(piece) == np.prod(part["shape"])
    assert at == len(answer) and [part["kind"] for part in head["parts"]] == ["jpeg", "ink", "ink", "ink"]
    assert head["size"] == [960, 540] and len(head["commands"]) == 2
    figures = client.post(f"/{token}/figures", json={"choices": opened["choices"]}).json()
    assert [row["name"] for row in figures["patches"]] == [patch.name for patch in session.card.patches]
    crossed = {**opened["choices"], "levels_ire": {"middle": 99.0}}
    refused = client.post(f"/{token}/look", json={"choices": crossed, "asked": asked})
    assert refused.status_code == 422 and "keep their order" in refused.json()["sentence"]
    # Loaded again, the page goes on with what was chosen last.
    turned = {**opened["choices"], "nudges_deg": {"red": 2.0}}
    client.post(f"/{token}/look", json={"choices": turned, "asked": asked})
    assert client.get(f"/{token}/opened").json()["choices"] == turned
