"""A scene's configuration and its edits: read back by OpenColorIO and OpenTimelineIO (ASWF), done again as its other
steps are, and refused where they would do harm."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import huewright as hw
import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest
from huewright.errors import InputError
from huewright.models.cautions import EditMediaRelative, HandedInPart
from huewright.models.scene_made import Differs, Failed, FilesGone, Follows, LeftBehind, NoCorrection, load_made
from huewright.steps.scene.draft import draft_scene

sys.path.insert(0, str(Path(__file__).parent))

from scenes import made_scene
from test_command_line import paint, say
from test_scene_runs import COMMAND, Stop, done, edit, files, stopping_at, why

otio = pytest.importorskip("opentimelineio")
pytestmark = pytest.mark.slow
WANTED = 'lut_points = 9\nconfig = "ocio"\nedit = "cut.otio"'


def clip(name: str, url: str, **metadata: Any) -> Any:
    span = otio.opentime.TimeRange(otio.opentime.RationalTime(1, 24), otio.opentime.RationalTime(2, 24))
    return otio.schema.Clip(name, otio.schema.ExternalReference(url, span), span, metadata=metadata)


def write_edit(folder: Path, *clips: Any) -> None:
    timeline = otio.schema.Timeline("cut")
    timeline.tracks.append(otio.schema.Track("V1", children=list(clips)))
    otio.adapters.write_to_file(timeline, str(folder / "cut.otio"))


@pytest.fixture
def kitchen(made_once: Callable[[str, Callable[[Path], object]], Path], tmp_path: Path) -> Path:
    """A copy of a scene that is made, with a configuration and an edit asked for now."""
    folder = tmp_path / "kitchen"
    shutil.copytree(made_once("kitchen", made_scene), folder)
    write_edit(folder, clip("one", (folder / "shots/one.0001.png").as_uri()),
               clip("three again", (folder / "shots/three.0001.png").as_uri()), clip("title", "title.png"))
    edit(folder, "lut_points = 9", WANTED)
    return folder


def codes(path: Path) -> np.ndarray:
    return cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1].astype(np.float32) / 65535


def test_what_other_programs_get(kitchen: Path, capsys: pytest.CaptureFixture[str],
                                 monkeypatch: pytest.MonkeyPatch) -> None:
    """Rendered frames against the view of each camera, applied by OpenColorIO: within what is said of it."""
    code, out, said = say(capsys, monkeypatch, "scene", kitchen / "scene.toml")
    assert code == 0 and "write configuration ocio  not done before" in out and "note in edit cut" in out, said
    assert "cut.otio: 2 clips with a correction, 1 without (title)" in out and "clip of the edit names media by" in said
    config = ocio.Config.CreateFromFile(str(kitchen / "made/ocio/config.ocio"))
    config.validate()
    assert {"A", "B"} <= set(config.getColorSpaceNames()) and set(config.getLookNames()) == {"a", "b"}
    stated = {one.name: one for one in load_made(kitchen / "made/record/config-ocio.json").configured}
    for camera, take, shot in (("A", "a", "one"), ("B", "b", "three")):
        view = config.getProcessor(ocio.DisplayViewTransform(camera, "bt709", stated[take].view))
        picture = codes(kitchen / f"shots/{shot}.0001.png").copy()
        view.getDefaultCPUProcessor().applyRGB(picture)
        off = np.abs(np.clip(picture, 0, 1) - codes(kitchen / f"made/shots/{shot}/{shot}.0001.png")).max()
        print(f"camera {camera}: worst {off:.2e} off the rendered frame, {stated[take].shown.worst:.2e} stated")
        assert off <= stated[take].shown.worst + 1 / 65535
    clips = list(otio.adapters.read_from_file(str(kitchen / "made/cut.otio")).find_clips())
    assert [one.metadata.get("huewright", {}).get("lut_file") for one in clips] == [
        "luts/one.cube", "luts/three.cube", None]
    assert clips[1].metadata["huewright"]["correction"] == "takes/b/correction.json"
    for one, shot in zip(clips, ("one", "three"), strict=False):
        cdl = ocio.CDLTransform.CreateFromFile(str(kitchen / f"made/luts/{shot}.cdl"), "")
        sop = one.metadata["cdl"]["asc_sop"]
        np.testing.assert_allclose([*sop["slope"], *sop["offset"], *sop["power"]], cdl.getSOP(), atol=1e-12)
        assert one.metadata["huewright"]["cdl_leaves_out"] and one.metadata["huewright"]["lut_off_render"]["worst"] > 0
    page = (kitchen / "made/scene.html").read_text().replace("\u00a0", " ")
    assert "look b" in page and "Corrected as shot three, by its path" in page
    # Nothing is due now; another edit is that edit alone; a shot taken out is out of the edit, and its files are named.
    assert done(hw.scene(kitchen / "scene.toml")) == set()
    write_edit(kitchen, clip("three", "shots/three.0001.png"), clip("two", str(kitchen / "shots/two.0002.png")))
    result = hw.scene(kitchen / "scene.toml")
    assert done(result) == {("edit", "cut")} and why(result, "edit", "cut") == Differs(("edit",))
    assert [one.shot for one in result.noted["cut"]] == ["three", "two"]
    assert [one for _, _, one in result.cautions if isinstance(one, EditMediaRelative)] == [EditMediaRelative(1)]
    edit(kitchen, '[[shot]]\ncamera = "A"\npath = "shots/two.####.png"\nmake = "export"\n', "")
    (kitchen / "made/ocio/luts/a-corrected.clf").unlink()
    foretold = hw.scene(kitchen / "scene.toml", dry_run=True)
    assert why(foretold, "config", "ocio") == FilesGone(1, "ocio/luts/a-corrected.clf")
    edit(kitchen, 'config = "ocio"\n', "")
    result = hw.scene(kitchen / "scene.toml")
    assert done(result) == {("edit", "cut")} and [one.shot for one in result.noted["cut"]] == ["three", None]
    assert {(one.kind, one.name, one.count) for one in result.left} == {("config", "ocio", 3), ("export", "two", 4)}
    assert "the scene file no longer asks for it; 4 files of it" in (kitchen / "made/scene.html").read_text().replace(
        "\u00a0", " ")


def test_what_is_refused(kitchen: Path) -> None:
    """Before anything is done, but for what only the step can see; the others are done then."""
    text = (kitchen / "scene.toml").read_text()
    for there, instead, said in (
            ('"ocio"', '"luts"', "'luts' is a folder of the scene's own"), ('"ocio"', '"a/b"', "can't be a file's"),
            ('"cut.otio"', '"cut.xml"', "none in OpenTimelineIO's own form"),
            ('"cut.otio"', '"gone.otio"', "gone.otio"),
            ('"cut.otio"', '["cut.otio", "old/CUT.otio"]', "would be written to one file"),
            ('folder = "made"', 'folder = "."', "lies where it would be written with its notes"),
            ('path = "takes/a.####.png"', 'path = "takes/a.####.png"\nname = "a+b"', "'a+b' can't be a name in an"),
            ('"A"', '"raw"', "would be called 'raw'; give that take")):
        assert there in text
        (kitchen / "scene.toml").write_text(text.replace(there, instead))
        with pytest.raises(InputError) as refused:
            hw.scene(kitchen / "scene.toml")
        assert said in str(refused.value) and "\n" not in str(refused.value)
    (kitchen / "scene.toml").write_text(text.replace('config = "ocio"\n', ""))
    mine = kitchen / "made/cut.otio"
    mine.write_text("mine")
    graded = clip("one", str(kitchen / "shots/one.0001.png"), cdl={"asc_sat": 1.1})
    for clips, said in (((clip("one", str(kitchen / "shots/one.0001.png")),), "was not made for this scene"),
                        ((clip("title", "title.png"),), "none of its clips is a shot of this scene"),
                        ((graded,), "one has a CDL of its own already")):
        write_edit(kitchen, *clips)
        failed = why(hw.scene(kitchen / "scene.toml"), "edit", "cut")
        assert isinstance(failed, Failed) and said in str(failed.what)
        if mine.exists():
            assert mine.read_text() == "mine"
            mine.unlink()
    edit(kitchen, 'edit = "cut.otio"', 'edit = "cut.otio"\nreplace_cdl = true')
    assert [one.shot for one in hw.scene(kitchen / "scene.toml").noted["cut"]] == ["one"]


def test_stopped_half_way_and_gone_on(kitchen: Path) -> None:
    for words in ("ocio: measuring the configuration", "cut: noting"):
        with pytest.raises(Stop):
            hw.scene(kitchen / "scene.toml", progress=stopping_at(words))
    assert not load_made(kitchen / "made/record/edit-cut.json").finished
    assert done(hw.scene(kitchen / "scene.toml")) == {("edit", "cut")}


def test_a_draft_proposes_both(kitchen: Path) -> None:
    (kitchen / "takes/b.0001.png").unlink()
    shutil.rmtree(kitchen / "shots")
    (kitchen / "shots").mkdir()
    paint(kitchen / "shots/one.0001.png", card=False)
    write_edit(kitchen, clip("one", "shots/one.0001.png", cdl={"asc_sat": 1.1}), clip("title", "title.png"))
    (kitchen / "shots/broken.otio").write_text("{}")
    draft_scene(kitchen / "drafted.toml", kitchen, kitchen / "card.toml", encoding="display")
    text = (kitchen / "drafted.toml").read_text()
    proposed = ['# [out]', '# config = "ocio"', '# # 1 of the 2 clips in "cut.otio" are of shots here',
                '# edit = "cut.otio"', '# replace_cdl = true']
    lines = text.splitlines()
    at = lines.index("# [out]")
    assert [line.partition("  #")[0] for line in lines[at:at + 5]] == proposed and max(map(len, lines)) <= 100
    assert "Left out: shots/broken.otio." in text
    (kitchen / "drafted.toml").write_text("\n".join(
        line[2:] if at <= number < at + 5 else line for number, line in enumerate(lines)))
    foretold = hw.scene(kitchen / "drafted.toml", dry_run=True)
    assert {("config", "ocio"), ("edit", "cut")} <= done(foretold) and not foretold.failed


@pytest.mark.long
def test_with_other_points_another_correction_and_without_a_take(kitchen: Path) -> None:
    hw.scene(kitchen / "scene.toml")
    edit(kitchen, "lut_points = 9", "lut_points = 10")
    assert done(hw.scene(kitchen / "scene.toml")) == {
        ("export", "one"), ("export", "two"), ("export", "three"), ("config", "ocio"), ("edit", "cut")}
    edit(kitchen, "trust_encoding = true", "trust_encoding = true\nfraction = 0.45")
    foretold = hw.scene(kitchen / "scene.toml", dry_run=True)
    assert why(foretold, "config", "ocio") == Follows("solve", "a")
    assert why(foretold, "edit", "cut") == Follows("export", "one")
    result = hw.scene(kitchen / "scene.toml")
    assert {("config", "ocio"), ("edit", "cut")} <= done(result)
    shutil.copy(kitchen / "shots/one.0001.png", kitchen / "takes/b.0001.png")
    result = hw.scene(kitchen / "scene.toml", only_export=True)
    assert why(result, "config", "ocio") == Differs(("corrections",)) and not (
        kitchen / "made/ocio/luts/b-corrected.clf").exists()
    assert [one for _, _, one in result.cautions if isinstance(one, HandedInPart)] == [HandedInPart(("b",))]
    assert [one.shot for one in result.noted["cut"]] == ["one", None, None]
    shutil.copy(kitchen / "shots/one.0001.png", kitchen / "takes/a.0001.png")
    result = hw.scene(kitchen / "scene.toml", only_export=True)
    assert why(result, "config", "ocio") == NoCorrection("a") and why(result, "edit", "cut") == NoCorrection("one")


@pytest.mark.long
def test_killed_twice_and_gone_on(kitchen: Path) -> None:
    """At moments drawn anew each time; what comes out at last is what an undisturbed run makes."""
    shutil.rmtree(kitchen / "made")
    command = [*COMMAND, "scene", str(kitchen / "scene.toml")]
    began = time.monotonic()
    first = subprocess.run(command, check=False, capture_output=True, text=True)
    assert "everything is in" in first.stdout, first.stderr
    took, wanted = time.monotonic() - began, files(kitchen)
    assert "made/cut.otio" in wanted and "made/ocio/config.ocio" in wanted
    seed = random.randrange(1 << 32)
    for at in (random.Random(seed).uniform(0.05, took) for _ in range(2)):
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(at)
        child.send_signal(signal.SIGKILL)
        child.wait(60)
    last = subprocess.run(command, check=False, capture_output=True, text=True)
    assert "everything is in" in last.stdout, (seed, last.stderr)
    assert files(kitchen) == wanted, seed


def test_left_behind_is_said_in_words() -> None:
    from huewright.words.scene import left_words

    said, = left_words((LeftBehind("export", "two", 4, "luts/two.cube"), LeftBehind("render", "two", 2, "shots/two/1")))
    assert said == ("export shot two and render shot two: the scene file no longer asks for it; 6 files of it, such as "
                    "luts/two.cube, stay until you remove them")
