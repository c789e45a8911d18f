"""A scene run again: what is done anew after each change, what a stopped run leaves, and what is refused."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import huewright as hw
import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.errors import InputError
from huewright.frames import read_frame
from huewright.models.cautions import (
    FollowsCamera,
    Interpolated,
    LightMayDiffer,
    OfAnotherCamera,
    RenderBeyond,
    SignalBeyond,
    TakeAfterShot,
)
from huewright.models.correction import load_correction
from huewright.models.scene_made import (
    Differs,
    Failed,
    FilesAltered,
    FilesGone,
    Follows,
    LeftOut,
    NeverMade,
    NoCorrection,
    NotFinished,
    Same,
    load_made,
)
from huewright.steps.repeat import repeat
from huewright.steps.scene.job import SceneResult
from huewright.steps.scene.records import kept_words

sys.path.insert(0, str(Path(__file__).parent))

from scenes import TEXT, blocks, made_scene, make_scene
from test_command_line import say

pytestmark = pytest.mark.slow
Steps = set[tuple[str, str]]
COMMAND = [sys.executable, "-c", "from huewright.cli import main; main()"]
OF_A: Steps = {("survey", "a"), ("solve", "a"), ("export", "one"), ("export", "two"), ("render", "one")}
OF_B: Steps = {("survey", "b"), ("solve", "b"), ("export", "three"), ("render", "three")}


@pytest.fixture(scope="module")
def made(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    return made_once("kitchen", made_scene)


@pytest.fixture
def kitchen(made: Path, tmp_path: Path) -> Path:
    """A copy of the scene as it was made."""
    shutil.copytree(made, tmp_path / "kitchen")
    return tmp_path / "kitchen"


def done(result: SceneResult) -> Steps:
    return {(step.kind, step.name) for step in result.steps if step.done}


def why(result: SceneResult, kind: str, name: str) -> object:
    return next(step.why for step in result.steps if (step.kind, step.name) == (kind, name))


def edit(folder: Path, there: str, instead: str, file: str = "scene.toml") -> None:
    text = (folder / file).read_text()
    assert there in text
    (folder / file).write_text(text.replace(there, instead, 1))


def files(folder: Path) -> dict[str, bytes]:
    """Everything that was made but the records, which hold times."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted((folder / "made").rglob("*"))
            if path.is_file() and path.parent.name != "record"}


def times(folder: Path) -> dict[str, int]:
    return {path.as_posix(): path.stat().st_mtime_ns for path in sorted((folder / "made").rglob("*"))
            if path.is_file() and path.name != "scene.html"}


def test_what_a_scene_makes(made: Path) -> None:
    assert {tuple(path.stem.split("-")) for path in (made / "made/record").iterdir()} == OF_A | OF_B
    assert set(files(made)) == {
        "made/scene.html",
        *(f"made/luts/{name}.{kind}" for name in ("one", "two", "three") for kind in ("cube", "cdl")),
        *(f"made/pictures/{name}-{side}.jpg" for name in ("one", "two", "three") for side in ("before", "after")),
        *(f"made/takes/{name}/{file}" for name in "ab" for file in (
            "survey.json", "frames.png", "correction.json", "card-before.jpg", "card-after.jpg")),
        *(f"made/shots/{name}/{name}.000{number}.png" for name in ("one", "three") for number in (1, 2))}
    record = load_made(made / "made/record/export-one.json")
    assert record.finished and {each.kind for each in record.exports} == {"cube", "cdl"}
    page = (made / "made/scene.html").read_text()
    assert "Take a, 12 min before the shot" in page.replace("\u00a0", " ") and "its camera&#39;s only take" in page


def test_nothing_changed_nothing_done(kitchen: Path) -> None:
    assert done(hw.scene(kitchen / "scene.toml")) == set()      # in another folder than it was made in
    before = times(kitchen)
    result = hw.scene(kitchen / "scene.toml")
    assert done(result) == set() and times(kitchen) == before
    # The cameras agree on the card after, not before; what was measured of either take alone says so, too.
    apart, = result.apart
    before_mean, _, after_mean, after_worst = apart.figures("check") or (0, 0, 0, 0)
    assert before_mean > 5 > 1 > after_worst >= after_mean


@pytest.mark.parametrize(("there", "instead", "again"), [
    ('path = "shots/three', 'path = "./shots/three', set()),
    ('title = "A kitchen, invented"', 'title = "Another"', set()),
    ('path = "shots/three.####.png"', 'path = "shots/three.####.png:1"', {("export", "three"), ("render", "three")}),
    ('make = "export"\n', '', {("render", "two")}),
    ('lut_points = 9', 'lut_points = 8', {("export", "one"), ("export", "two"), ("export", "three")}),
    ('lut_points = 9', 'lut_points = 9\nbits = 8', {("render", "one"), ("render", "three")}),
    ('name = "B"\nencoding = "display"', 'name = "B"\nencoding = "display"\nrange = "legal"', OF_B),
    ('trust_encoding = true', 'trust_encoding = true\nlevels = { middle = 45 }',
     (OF_A | OF_B) - {("survey", "a"), ("survey", "b")})])
def test_what_an_edit_makes_anew(kitchen: Path, there: str, instead: str, again: Steps) -> None:
    edit(kitchen, there, instead)
    kept = times(kitchen)
    foretold = hw.scene(kitchen / "scene.toml", dry_run=True)
    assert times(kitchen) == kept
    result = hw.scene(kitchen / "scene.toml")
    assert done(result) == again <= done(foretold) and not result.failed
    assert done(hw.scene(kitchen / "scene.toml")) == set()
    if again == {("export", "three"), ("render", "three")}:      # the second frame is no longer asked for
        assert [path.name for path in (kitchen / "made/shots/three").iterdir()] == ["three.0001.png"]


def test_a_camera_that_follows_another(kitchen: Path) -> None:
    """Only its own steps are due; it is judged by patches left out, and repeats from its file alone."""
    alone, = hw.scene(kitchen / "scene.toml", only_export=True).apart
    edit(kitchen, 'name = "B"', 'name = "B"\nfollows = "A"')
    foretold = hw.scene(kitchen / "scene.toml", dry_run=True)
    result = hw.scene(kitchen / "scene.toml")
    assert done(result) == done(foretold) == {("solve", "b"), ("export", "three"), ("render", "three")}
    assert why(result, "solve", "b") == Differs(("leading",))
    correction = load_correction(kitchen / "made/takes/b/correction.json")
    assert correction.method == "following" and correction.provenance.led_by is not None
    assert correction.provenance.led_by.take == "a" and repeat(kitchen / "made/takes/b/correction.json").same
    said, = (one for one in correction.cautions if isinstance(one, FollowsCamera))
    apart, = result.apart
    assert alone.fitted() is None and alone.figures("bar") == pytest.approx(apart.figures("bar"), abs=0.05)
    judged = {row.name for row in apart.patches if row.fitted is not None}
    assert len(judged) == said.patches == 15 and judged == {row.name for row in apart.patches if row.role != "bar"}
    assert said.mean < said.left_out_mean == pytest.approx(
        sum(row.after for row in apart.patches if row.fitted is not None) / 15, abs=1e-3)
    text = (kitchen / "made/scene.html").read_text()
    assert "chips and check patches are judged by a fit that left each of them out" in text
    assert "no solve saw" not in text
    edit(kitchen, 'trust_encoding = true', 'trust_encoding = true\nfraction = 0.45')     # what A looks like is another
    assert why(hw.scene(kitchen / "scene.toml", dry_run=True), "solve", "b") == Follows("solve", "a")


def test_another_card_makes_all_anew(kitchen: Path) -> None:
    edit(kitchen, "level_ire = 40.9", "level_ire = 43", "card.toml")
    foretold = hw.scene(kitchen / "scene.toml", dry_run=True)
    assert why(foretold, "survey", "a") == Differs(("card",)) and why(foretold, "solve", "a") == Follows("survey", "a")
    assert done(hw.scene(kitchen / "scene.toml")) == OF_A | OF_B


def test_frames_are_told_by_their_bytes(kitchen: Path) -> None:
    touched = kitchen / "shots/one.0001.png"
    os.utime(touched)
    assert done(hw.scene(kitchen / "scene.toml")) == set()
    blocks(touched, 99)
    result = hw.scene(kitchen / "scene.toml")
    assert done(result) == {("export", "one"), ("render", "one")}
    assert why(result, "render", "one") == Differs(("files",))


def test_what_was_made_and_is_gone_or_changed(kitchen: Path) -> None:
    (kitchen / "made/luts/one.cube").unlink()
    result = hw.scene(kitchen / "scene.toml")
    assert done(result) == {("export", "one")} and why(result, "export", "one") == FilesGone(1, "luts/one.cube")
    mine = kitchen / "made/luts/two.cdl"
    mine.write_text("mine")
    result = hw.scene(kitchen / "scene.toml")
    failed = why(result, "export", "two")
    assert isinstance(failed, Failed) and "two.cdl was changed since it was written; move it away" in str(failed.what)
    assert mine.read_text() == "mine" and done(result) == set()
    result = hw.scene(kitchen / "scene.toml", overwrite=True)
    assert why(result, "export", "two") == FilesAltered(1, "luts/two.cdl") and mine.read_text() != "mine"


def test_what_the_scene_did_not_make_stays(tmp_path: Path) -> None:
    file = make_scene(tmp_path / "s")
    mine = tmp_path / "s/made/luts/one.cube"
    mine.parent.mkdir(parents=True)
    mine.write_text("mine")
    result = hw.scene(file, only_export=True)
    failed = why(result, "export", "one")
    assert isinstance(failed, Failed) and "exists already and was not made for this scene" in str(failed.what)
    assert mine.read_text() == "mine" and ("export", "two") in done(result)
    assert why(result, "render", "one") == LeftOut() and not (tmp_path / "s/made/shots").exists()


class Stop(BaseException):
    """In the place of a person's Ctrl-C."""


def stopping_at(words: str) -> Callable[[int, int, str], None]:
    def progress(done: int, total: int, what: str) -> None:
        if words in what and (done or "rendering" not in words):
            raise Stop

    return progress


def test_stopped_at_every_step_and_gone_on(tmp_path: Path) -> None:
    folder = tmp_path / "kitchen"
    file = make_scene(folder)
    for words, begun in (("a: looking for the card", "survey of a"), ("b: solving", "solve of b"),
                         ("two: making LUT files", "export of two"), ("three: looking at the light", "export of three"),
                         ("one: rendering", "render of one")):
        with pytest.raises(Stop):
            hw.scene(file, progress=stopping_at(words))
        assert f"; {begun} will be done again; the same command goes on" in kept_words(folder / "made")
    result = hw.scene(file)
    assert done(result) == {("render", "one"), ("render", "three")} and why(result, "render", "one") == NotFinished()
    stopped = files(folder)
    shutil.rmtree(folder / "made")
    hw.scene(file)
    assert files(folder) == stopped


def test_killed_and_gone_on(made: Path, kitchen: Path) -> None:
    for name in range(3, 40):
        shutil.copy(kitchen / "shots/one.0002.png", kitchen / f"shots/one.{name:04d}.png")
    out = kitchen / "made/shots/one"
    child = subprocess.Popen([*COMMAND, "scene", str(kitchen / "scene.toml")], stdout=subprocess.DEVNULL,
                             stderr=subprocess.DEVNULL)
    until = time.monotonic() + 240
    while (not (out / "one.0003.png").exists()) and child.poll() is None and time.monotonic() < until:
        time.sleep(0.005)
    child.send_signal(signal.SIGKILL)
    assert child.wait(60) in (0, -signal.SIGKILL) and (out / "one.0003.png").exists()
    finished = load_made(kitchen / "made/record/render-one.json").finished
    named = {path.name for path in out.iterdir() if not path.name.startswith(".")}
    assert named <= {f"one.{number:04d}.png" for number in range(1, 40)}
    result = hw.scene(kitchen / "scene.toml")
    assert finished or ("render", "one") in done(result)
    first = (made / "made/shots/one/one.0001.png").read_bytes()
    assert (out / "one.0001.png").read_bytes() == first and len(list(out.iterdir())) == 39


def test_a_take_without_a_card_holds_up_its_shots_only(kitchen: Path, capsys: pytest.CaptureFixture[str],
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copy(kitchen / "shots/one.0001.png", kitchen / "takes/b.0001.png")
    result = hw.scene(kitchen / "scene.toml", only_export=True)
    failed = why(result, "solve", "b")
    assert isinstance(failed, Failed) and not failed.input and why(result, "export", "three") == NoCorrection("b")
    code, out, said = say(capsys, monkeypatch, "scene", kitchen / "scene.toml")
    assert code == 1 and "solve take b: take b can't support a correction" in said
    assert "left out, for take b, on which it rests, gives no correction" in " ".join(out.split())
    assert "Not done: left out" in (kitchen / "made/scene.html").read_text()


def test_between_two_takes_and_before_any(kitchen: Path) -> None:
    shutil.copy(kitchen / "takes/a.0001.png", kitchen / "takes/late.0001.png")
    edit(kitchen, "[[shot]]", '[[take]]\ncamera = "A"\npath = "takes/late.####.png"\nmoment = "11:00"\n\n[[shot]]')
    edit(kitchen, 'make = "export"', 'make = "export"\nmoment = "8:30"')
    edit(kitchen, 'moment = "9:12"', 'moment = "9:30"\nserved_by = ["a", "late"]')
    result = hw.scene(kitchen / "scene.toml", only_export=True)
    assert done(result) == {("survey", "late"), ("solve", "late"), ("export", "one")}      # of the same correction: two
    said = load_made(kitchen / "made/record/export-one.json").cautions
    assert any(isinstance(one, Interpolated) and (one.first, one.second, one.share) == ("a", "late", 0.25)
               for one in said)
    assert load_correction(kitchen / "made/corrections/one.json").provenance.take == "between a and late"
    assert result.served["two"].after_s == -1800


def test_a_shot_before_its_take_and_another_light_are_said(kitchen: Path) -> None:
    for number in (1, 2):
        blocks(kitchen / f"shots/two.{number:04d}.png", 40 + number, light=(0.55, 1.0, 1.7))
    shutil.copy(kitchen / "takes/a.0001.png", kitchen / "takes/late.0001.png")
    edit(kitchen, "[[shot]]", '[[take]]\ncamera = "A"\npath = "takes/late.####.png"\nmoment = "11:00"\n\n[[shot]]')
    edit(kitchen, 'make = "export"', 'make = "export"\nmoment = "8:30"')
    result = hw.scene(kitchen / "scene.toml", only_export=True)
    said = load_made(kitchen / "made/record/export-two.json").cautions
    assert any(isinstance(one, TakeAfterShot) and one.take == "a" and one.seconds == 1800 for one in said)
    light = next(one for one in said if isinstance(one, LightMayDiffer))
    assert light.red_stops is not None and light.blue_stops is not None and light.red_stops < 0 < light.blue_stops
    assert not any(isinstance(one, LightMayDiffer) for kind, name, one in result.cautions if name == "one")


def test_a_shot_of_another_camera_by_its_files_ends_with_1(kitchen: Path, capsys: pytest.CaptureFixture[str],
                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    for name, make in (("takes/a.0001", "One"), ("shots/one.0001", "Two"), ("shots/one.0002", "Two"),
                       ("shots/two.0001", "One"), ("shots/two.0002", "One")):
        picture = read_frame(kitchen / f"{name}.png")
        said = oiio.ImageSpec(picture.width, picture.height, 3, "half")
        said.attribute("cameraMake", f"Invented {make}")
        output = oiio.ImageOutput.create("a.exr")
        assert output.open(str(kitchen / f"{name}.exr"), said) and output.write_image(picture.rgb_float())
        output.close()
    for name in ("takes/a", "shots/one", "shots/two"):
        edit(kitchen, f"{name}.####.png", f"{name}.####.exr")
    code, _, said_there = say(capsys, monkeypatch, "scene", kitchen / "scene.toml", "--only-export")
    assert code == 1 and "shot one is NOT of the camera and settings of take a" in said_there
    assert "make 'Invented Two'" in said_there and "shot two is NOT" not in said_there
    result = hw.scene(kitchen / "scene.toml", only_export=True)      # nothing due: said again
    assert not result.failed and [(one.shot, one.take) for one in result.strange] == [("one", "a")]
    assert all(isinstance(one, OfAnotherCamera) for one in result.strange)
    assert "is NOT of the camera and settings" in (kitchen / "made/scene.html").read_text()


def test_rendered_shots_are_looked_through(kitchen: Path, capsys: pytest.CaptureFixture[str],
                                           monkeypatch: pytest.MonkeyPatch) -> None:
    """A quarter of the picture is white, which the correction lifts beyond it; the rest goes up and down six times in
    the second that its frames last: over the three of ITU-R BT.1702."""
    for number in range(1, 26):
        codes = np.full((72, 96, 3), 6500 if number // 2 % 2 else 52000, np.uint16)
        codes[:18] = 65535
        assert cv2.imwrite(str(kitchen / f"shots/one.{number:04d}.png"), codes)
    edit(kitchen, "lut_points = 9", 'lut_points = 9\nformat = "dpx"\nbits = 10\nrange = "legal"')
    code, _, said_there = say(capsys, monkeypatch, "scene", kitchen / "scene.toml")
    assert code == 0 and "in one there are 6 flashes within a second" in said_there
    assert "which is no certified test" in said_there
    record = load_made(kitchen / "made/record/render-one.json")
    seen = record.screened
    assert seen is not None and (seen.frames, seen.flashes, seen.flashes_too_many) == (25, 6, True)
    assert seen.pixels_over_range_percent == 25 and seen.pixels_at_end_stops_percent == 0     # legal range leaves room
    assert any(isinstance(one, RenderBeyond) and one.shot == "one" for one in record.cautions)
    assert not any(isinstance(one, SignalBeyond) for one in record.cautions)     # the render has said it
    result = hw.scene(kitchen / "scene.toml")      # nothing due: from the record
    assert done(result) == set() and [one.shot for one in result.flashing] == ["one"]
    assert result.screened["one"] == seen and not result.screened["three"].flashes_too_many
    assert "6 flashes within a second at the most" in (kitchen / "made/scene.html").read_text().replace("\u00a0", " ")


def test_a_movie_and_a_form_of_its_own(kitchen: Path) -> None:
    edit(kitchen, "lut_points = 9", 'lut_points = 9\nformat = "tif"')
    assert done(hw.scene(kitchen / "scene.toml")) == {("render", "one"), ("render", "three")}
    assert sorted(path.name for path in (kitchen / "made/shots/one").iterdir()) == ["one.0001.tif", "one.0002.tif"]
    exported = hw.scene(kitchen / "scene.toml", only_export=True)      # what is there stays, and on the page
    assert why(exported, "render", "one") == Same() and "2 rendered" in (kitchen / "made/scene.html").read_text()
    edit(kitchen, 'format = "tif"', 'format = "mkv"\ncodec = "ffv1"\nrate = "25"')
    assert done(hw.scene(kitchen / "scene.toml")) == {("render", "one"), ("render", "three")}
    assert [path.name for path in (kitchen / "made/shots/one").iterdir()] == ["one.mkv"]


def test_what_is_wrong_is_said_before_anything_is_done(tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    file = make_scene(tmp_path / "s")
    for there, instead, said in (
            ("shots/three.", "shots/tree.", "line 39, shot 'tree': "), ('"card.toml"', '"cart.toml"', "scene.toml: "),
            ('name = "B"\nencoding = "display"', 'name = "B"\nencoding = "nonesuch"', "line 16, camera 'B': "),
            ("trust_encoding = true", 'display = "crt"', "unknown display 'crt'")):
        file.write_text(TEXT.replace(there, instead, 1))
        code, _, err = say(capsys, monkeypatch, "scene", file)
        assert code == 2 and said in err and "Traceback" not in err and not (tmp_path / "s/made").exists(), err
    file.write_text(TEXT)
    code, out, _ = say(capsys, monkeypatch, "scene", file, "--dry-run")
    assert code == 0 and "survey take a      not done before" in out and not (tmp_path / "s/made").exists()
    foretold = hw.scene(file, dry_run=True)
    assert done(foretold) == OF_A | OF_B and all(isinstance(step.why, NeverMade | LeftOut) for step in foretold.steps)


def test_a_movie_tagged_otherwise_than_its_take_is_refused(tmp_path: Path) -> None:
    sys.path.insert(0, str(Path(__file__).parents[1]))
    import clips

    file = make_scene(tmp_path / "s")
    clips.write_clip(tmp_path / "s/shots/tv.mov", [clips.planes((64, 96), "yuv420p", 3)] * 2, tags=clips.HD_TAGS,
                     **clips.LOSSLESS)
    file.write_text(TEXT.replace("shots/three.####.png", "shots/tv.mov"))
    with pytest.raises(InputError, match="its tags say legal range, those of its take full; declare what camera 'B'"):
        hw.scene(file)


def test_a_damaged_record_is_named(kitchen: Path) -> None:
    (kitchen / "made/record/survey-a.json").write_text("{}")
    result = hw.scene(kitchen / "scene.toml")
    failed = why(result, "survey", "a")
    assert isinstance(failed, Failed) and "remove it, and the step is done again" in str(failed.what)
    assert cv2.imread(str(kitchen / "made/takes/a/frames.png")) is not None


@pytest.mark.long
def test_shots_are_rendered_over_a_scheduler_s_workers(kitchen: Path) -> None:
    distributed = pytest.importorskip("distributed")
    shots = sorted((kitchen / "made" / "shots").rglob("*.png"))
    whole = {path: path.read_bytes() for path in shots}
    for path in shots:
        path.unlink()
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=False, protocol="tcp",
                                  host="127.0.0.1", dashboard_address=None) as cluster:
        result = hw.scene(kitchen / "scene.toml", on=cluster.scheduler_address)
        movies = TEXT.replace("lut_points = 9", 'lut_points = 9\nformat = "mov"\nrate = "25"')
        (kitchen / "scene.toml").write_text(movies)
        with pytest.raises(InputError, match="shots of this scene become movies"):
            hw.scene(kitchen / "scene.toml", on=cluster.scheduler_address)
    assert done(result) == {("render", "one"), ("render", "three")} and not result.failed
    assert shots and all(path.read_bytes() == data for path, data in whole.items())
