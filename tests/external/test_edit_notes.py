"""Corrections noted in an edit, read back by OpenTimelineIO (ASWF), whose CMX 3600 adapter keeps a clip's CDL under
``cdl`` as ``asc_sop`` (slope, offset, power) and ``asc_sat`` (its tests and README name them so)."""

from __future__ import annotations

import copy
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest
from huewright.errors import InputError
from huewright.handover.clips import Match, clip_name, match
from huewright.handover.edit import Handed, Stated, clips_found, edit_clips, note_corrections
from huewright.models.correction import save_correction
from huewright.steps.edit import edit_with, hand_to_edit
from huewright.steps.export import export_correction
from huewright_kernels.ops import Transfer
from lutfiles import ACESCCT, GAINS, correction, opencolorio

otio = pytest.importorskip("opentimelineio")
CDL = ocio.CDLTransform(slope=[1.1, 0.9, 1.2], offset=[0.01, 0.0, -0.02], power=[1.0, 1.1, 0.9], sat=0.8)


def reference(url: str, start: float = 86400, rate: float = 24) -> Any:
    span = otio.opentime.TimeRange(otio.opentime.RationalTime(start, rate), otio.opentime.RationalTime(240, rate))
    return otio.schema.ExternalReference(target_url=url, available_range=span)


def clip(name: str, media: Any = None, start: float = 86410, count: float = 48, **metadata: Any) -> Any:
    span = otio.opentime.TimeRange(otio.opentime.RationalTime(start, 24), otio.opentime.RationalTime(count, 24))
    return otio.schema.Clip(name, media_reference=media, source_range=span, metadata=metadata)


def edit_of(folder: Path) -> Path:
    """Two video tracks, a nested stack, a gap, a transition, a marker, an effect, sound, and clips of every kind."""
    kitchen = (folder / "kitchen.mov").as_uri()
    sequence = otio.schema.ImageSequenceReference(
        (folder / "garden").as_uri() + "/", "b.", ".exr", start_frame=1001, rate=24, frame_zero_padding=4,
        available_range=otio.opentime.TimeRange(otio.opentime.RationalTime(1001, 24),
                                                otio.opentime.RationalTime(100, 24)))
    first = clip("kitchen wide", reference(kitchen), comment="ünïcode, kept", number=1e-7, whole=2**60)
    first.markers.append(otio.schema.Marker("look here"))
    first.effects.append(otio.schema.LinearTimeWarp("slow", time_scalar=0.5))
    inner = otio.schema.Stack("nested", children=[otio.schema.Track("inner", children=[
        clip("garden", sequence, 1010, 20)])])
    one = otio.schema.Track("V1", children=[
        first, otio.schema.Transition("SMPTE_Dissolve", in_offset=otio.opentime.RationalTime(4, 24),
                                      out_offset=otio.opentime.RationalTime(4, 24)),
        clip("kitchen again", reference("./kitchen.mov"), 86500), otio.schema.Gap(duration=otio.opentime.RationalTime(
            12, 24)), inner])
    two = otio.schema.Track("V2", children=[clip("title", otio.schema.GeneratorReference("title")),
                                            clip("street", reference("file:///elsewhere/street%20night.mov")),
                                            clip("lost")])
    sound = otio.schema.Track("A1", kind=otio.schema.TrackKind.Audio, children=[clip("kitchen wide",
                                                                                      reference(kitchen))])
    timeline = otio.schema.Timeline("a scene", metadata={"kept": [1, 2.5, None, {"deep": True}]})
    timeline.tracks.extend([one, two, sound])
    path = folder / "scene.otio"
    otio.adapters.write_to_file(timeline, str(path))
    record = json.loads(path.read_text())
    record["of_a_later_version"] = {"unknown": "kept too"}      # what no version of the library knows today
    path.write_text(json.dumps(record))
    return path


@pytest.fixture
def edit(tmp_path: Path) -> Path:
    return edit_of(tmp_path)


def cdl_file(path: Path) -> Path:
    CDL.getFormatMetadata().setID("test")
    ocio.GroupTransform([CDL]).write("ColorDecisionList", str(path), ocio.Config.CreateRaw())
    return path


def without_notes(record: Any) -> Any:
    if isinstance(record, dict):
        return {key: without_notes(value) for key, value in record.items() if key not in ("cdl", "huewright")}
    return [without_notes(value) for value in record] if isinstance(record, list) else record


def test_the_clips_of_an_edit(edit: Path, tmp_path: Path) -> None:
    found = edit_clips(edit)
    assert [one.name for one in found] == ["kitchen wide", "kitchen again", "garden", "title", "street", "lost"]
    assert [one.track for one in found] == ["V1", "V1", "inner", "V2", "V2", "V2"]
    assert [one.media for one in found] == [tmp_path / "kitchen.mov", tmp_path / "kitchen.mov",
                                            tmp_path / "garden" / "b.1010.exr", None,
                                            Path("/elsewhere/street night.mov"), None]
    assert (found[0].first, found[0].last, found[0].rate) == (86410, 86457, 24.0)
    assert (found[2].first, found[2].last) == (1010, 1029)


def test_nothing_else_in_the_edit_changes(edit: Path, tmp_path: Path) -> None:
    cdl = cdl_file(tmp_path / "a.cdl")
    one = Handed("a.json", cdl, tmp_path / "luts" / "a.cube", Stated(0.01, 0.2), Stated(1e-4, 3e-3), ("hues",))
    handed = {str(tmp_path / "kitchen.mov"): one, str(tmp_path / "garden" / "b.####.exr"): one}
    before = json.loads(edit.read_text())
    text, noted = note_corrections(edit, handed, beside=tmp_path)
    after = json.loads(text)
    assert [note.how for note in noted] == ["path", "path", "path", None, None, None]
    assert without_notes(after) == before and after != before
    assert list(after) == list(before)
    back = otio.adapters.read_from_string(text, "otio_json")
    clips = list(back.find_clips())
    with_cdl = [item.name for item in clips if "cdl" in item.metadata]
    assert with_cdl == ["kitchen wide", "kitchen again", "garden"]      # not the sound of the same name
    assert len(clips) == 7
    note = clips[0].metadata["cdl"]
    assert list(note["asc_sop"]["slope"]) == pytest.approx([1.1, 0.9, 1.2])
    assert list(note["asc_sop"]["offset"]) == pytest.approx([0.01, 0.0, -0.02])
    assert list(note["asc_sop"]["power"]) == pytest.approx([1.0, 1.1, 0.9])
    assert note["asc_sat"] == pytest.approx(0.8)
    ours = clips[0].metadata["huewright"]
    assert (ours["cdl_file"], ours["lut_file"], ours["cdl_style"]) == ("a.cdl", "luts/a.cube", "Fwd")
    assert ours["cdl_off_render"]["worst"] == 0.2 and ours["lut_off_render"]["worst"] == 3e-3
    assert clips[0].metadata["comment"] == "ünïcode, kept" and clips[0].metadata["whole"] == 2**60
    # Without what was added the library finds the same edit.
    assert otio.adapters.read_from_string(json.dumps(without_notes(after)), "otio_json").is_equivalent_to(
        otio.adapters.read_from_file(str(edit)))


def test_an_edit_of_an_older_version_stays_one(tmp_path: Path) -> None:
    """Clip.1 has one media reference instead of several; the library would upgrade it on writing."""
    edit = edit_of(tmp_path)
    old = otio.adapters.write_to_string(otio.adapters.read_from_file(str(edit)), "otio_json",
                                        target_schema_versions={"Clip": 1})
    edit.write_text(old)
    assert "Clip.1" in old and "Clip.2" not in old
    text, noted = note_corrections(edit, {"kitchen.mov": Handed("a.json", cdl_file(tmp_path / "a.cdl"))})
    assert sum(note.named is not None for note in noted) == 2
    assert without_notes(json.loads(text)) == json.loads(old)


def test_a_cdl_that_a_clip_has_is_not_replaced_without_being_told(edit: Path, tmp_path: Path) -> None:
    record = json.loads(edit.read_text())
    held = {"asc_sat": 0.5, "of_its_own": 1}
    record["tracks"]["children"][0]["children"][0]["metadata"]["cdl"] = copy.deepcopy(held)
    edit.write_text(json.dumps(record))
    handed = {"kitchen.mov": Handed("a.json", cdl_file(tmp_path / "a.cdl"))}
    with pytest.raises(InputError, match="kitchen wide has a CDL of its own already; add --replace-cdl"):
        note_corrections(edit, handed)
    text, _ = note_corrections(edit, handed, replace=True)
    note = json.loads(text)["tracks"]["children"][0]["children"][0]["metadata"]["cdl"]
    assert note["asc_sat"] == pytest.approx(0.8) and note["of_its_own"] == 1


@pytest.mark.parametrize(("media", "name", "named", "wanted"), [
    ("/a/c.0012.exr", "", ["/a/c.####.exr"], Match("/a/c.####.exr", "path")),
    ("/a/c.0012.exr", "", ["/a/c.%04d.exr:10-20", "/b/c.%04d.exr"], Match("/a/c.%04d.exr:10-20", "path")),
    ("/a/c.0012.exr", "", ["/a"], Match("/a", "path")),
    ("/x/a/c.mov", "", ["/y/a/c.mov:100-240"], Match("/y/a/c.mov:100-240", "file")),
    ("/x/c.mov", "", ["c.mov"], Match("c.mov", "file")), ("/x/c.mov", "", ["/a/c.mov"], Match(None)),
    ("/x/a/c.mov", "", ["/y/a/c.mov", "/z/a/c.mov"], Match(None, None, ("/y/a/c.mov", "/z/a/c.mov"))),
    (None, "c.mov", ["/a/c.mov"], Match("/a/c.mov", "name")),
    ("/x/c2.mov", "c2", ["/a/c.mov", "/a/c1.mov"], Match(None)),
    ("/x/A_C001.mov", "", ["A_C002.mov"], Match(None))])
@pytest.mark.skipif(sys.platform == "win32", reason="paths as POSIX has them")
def test_which_clip_is_meant(media: str | None, name: str, named: list[str], wanted: Match) -> None:
    assert match(None if media is None else Path(media), name, named) == wanted


def test_a_name_alone_is_not_enough_where_several_folders_have_it(tmp_path: Path) -> None:
    """Frames are called alike from folder to folder: what is another clip's by its path is nobody else's."""
    track = otio.schema.Track("V1", children=[clip("kitchen", reference("scenes/kitchen/b.0001.png")),
                                              clip("garden", reference("scenes/garden/b.0001.png"))])
    timeline = otio.schema.Timeline("a")
    timeline.tracks.append(track)
    otio.adapters.write_to_file(timeline, str(tmp_path / "a.otio"))
    one = Handed("a.json", cdl_file(tmp_path / "a.cdl"))
    for named, wanted in ((str(tmp_path / "scenes" / "garden" / "b.####.png"), [None, "path"]),
                          ("/elsewhere/garden/b.####.png", [None, "file"]), ("b.####.png", [None, None])):
        _, noted = note_corrections(tmp_path / "a.otio", {named: one})
        assert [note.how for note in noted] == wanted
    assert all(note.several == ("b.####.png",) for note in noted)


def coded_files(folder: Path, code: str, reel: str = "", count: int = 3, rate: int = 24) -> str:
    """EXR frames that say their time code (SMPTE ST 12-1: decimal digits, packed), rate and reel, as OpenImageIO writes
    OpenEXR's standard attributes."""
    import OpenImageIO as oiio  # noqa: N813

    folder.mkdir()
    for k in range(count):
        spec = oiio.ImageSpec(8, 8, 3, "half")
        frames = int(code[-2:]) + k
        word = int(code.replace(":", "")[:6], 16) << 8 | (frames // 10) << 4 | frames % 10
        spec.attribute("smpte:TimeCode", oiio.TypeDesc("timecode"), (word, 0))
        spec.attribute("FramesPerSecond", oiio.TypeDesc("rational"), (rate, 1))
        if reel:
            spec.attribute("reelName", reel)
        out = oiio.ImageOutput.create("x.exr")
        assert out.open(str(folder / f"x.{k + 1:04d}.exr"), spec) and out.write_image(np.zeros((8, 8, 3), np.float16))
        out.close()
    return str(folder / "x.####.exr")


def test_clips_told_by_reel_and_time_code(tmp_path: Path) -> None:
    """Conformed media bear other names: the reel that the CMX 3600 adapter keeps, and time codes, are what is left.
    Times of day repeat from reel to reel, so either both agree, or the whole media begins and ends as the file does."""
    one = coded_files(tmp_path / "one", "10:00:00:05", "A001")
    two = coded_files(tmp_path / "two", "10:00:00:05", "A002")
    twin = coded_files(tmp_path / "twin", "10:00:00:05", "A002")
    bare = coded_files(tmp_path / "bare", "11:00:00:00")
    zero = coded_files(tmp_path / "zero", "00:00:00:00")
    at = 10 * 3600 * 24 + 5

    def found(named: list[str], start: float, count: float, reel: str = "", whole: tuple[float, float] | None = None,
              rate: float = 24, name: str = "sc 12") -> Match:
        time = otio.opentime.RationalTime
        media = otio.schema.ExternalReference(target_url="file:///conformed/0001.mxf")
        if whole is not None:
            media.available_range = otio.opentime.TimeRange(time(whole[0], rate), time(whole[1], rate))
        item = otio.schema.Clip(name, media_reference=media, metadata={"cmx_3600": {"reel": reel}} if reel else {},
                                source_range=otio.opentime.TimeRange(time(start, rate), time(count, rate)))
        timeline = otio.schema.Timeline("a")
        timeline.tracks.append(otio.schema.Track("V1", children=[item]))
        path = tmp_path / "edit.otio"
        otio.adapters.write_to_file(timeline, str(path))
        (noted,) = clips_found(path, named)
        return Match(noted.named, noted.how, noted.several)

    assert found([one, two], at + 1, 2, "A002") == Match(two, "reel")
    assert found([one, two], at + 1, 2, "a001") == Match(one, "reel")
    assert found([one, two], at + 1, 2, name="A001") == Match(one, "reel")
    assert found([one, two], at + 1, 3, "A002") == Match(None)              # beyond the file's last frame
    assert found([one, two], at + 1, 2, "A003") == Match(None)
    assert found([one, two], at + 1, 2, "A002", rate=25) == Match(None)
    assert found([one, two, twin], at + 1, 2, "A002") == Match(None, None, (two, twin))
    assert found([one, bare], at, 2) == Match(None)                          # within it, but so may be others
    hour = 11 * 3600 * 24
    assert found([one, bare], hour, 2, whole=(hour, 3)) == Match(bare, "time code")
    assert found([one, bare], hour, 2, whole=(hour, 4)) == Match(None)
    assert found([zero, bare], 0, 2, whole=(0, 3)) == Match(None)            # where every clip without one begins
    assert found([str(tmp_path / "elsewhere.mov")], hour, 2, "A002", (hour, 3)) == Match(None)


@pytest.mark.parametrize(("named", "name"), [
    ("scene/a.####.exr", "a"), ("clip.mov:100-240", "clip"), ("scene/b_%04d.dpx", "b"), ("scene/garden", "garden"),
    ("scene/####.exr", "scene"), ("clip.mov:range=full,matrix=bt601:1-9", "clip"), ("two.parts.mov", "two.parts")])
def test_what_a_clip_is_called(named: str, name: str) -> None:
    assert clip_name(named) == name


@pytest.mark.parametrize(("text", "words"), [
    ("{", "not an edit that OpenTimelineIO can read"), ('{"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": 1.0}',
                                                       "holds no timeline"), ("[]", "no")])
def test_what_is_no_edit_is_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "a.otio").write_text(text)
    with pytest.raises(InputError, match=words) as caught:
        edit_clips(tmp_path / "a.otio")
    assert "\n" not in str(caught.value) and str(tmp_path / "a.otio") in str(caught.value)
    (tmp_path / "a.edl").write_text("TITLE: a")
    with pytest.raises(InputError, match="only edits in OpenTimelineIO's own form"):
        edit_clips(tmp_path / "a.edl")


@pytest.mark.slow
def test_the_whole_way(edit: Path, tmp_path: Path) -> None:
    """The CDL's numbers in the metadata do, by OpenColorIO, what the file does that is named there."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    primaries = (ACESCCT, GAINS, Transfer("bt709", "encode"))
    save_correction(correction(), tmp_path / "one" / "correction.json")
    save_correction(correction(primaries), tmp_path / "two" / "correction.json")
    out = tmp_path / "graded" / "scene.otio"
    summary = hand_to_edit(edit, out, {"kitchen.mov": tmp_path / "one" / "correction.json",
                                       "b.####.exr": tmp_path / "two" / "correction.json",
                                       "nowhere.mov": tmp_path / "two" / "correction.json"}, size=17)
    assert [(note.clip.name, note.how) for note in summary.clips] == [
        ("kitchen wide", "file"), ("kitchen again", "file"), ("garden", "file"), ("title", None), ("street", None),
        ("lost", None)]
    assert {path.name for path in out.parent.iterdir()} == {
        "scene.otio", *(f"{name}-correction.{suffix}" for name in ("one", "two") for suffix in ("cdl", "cube"))}
    codes = np.random.default_rng(1).random((1000, 3)).astype(np.float32)
    for item in otio.adapters.read_from_file(str(out)).find_clips():
        if "cdl" not in item.metadata:
            continue
        sop = item.metadata["cdl"]["asc_sop"]
        noted = ocio.CDLTransform(slope=list(sop["slope"]), offset=list(sop["offset"]), power=list(sop["power"]),
                                  sat=item.metadata["cdl"]["asc_sat"])
        noted.setStyle(ocio.CDL_ASC)
        wanted = codes.copy()
        ocio.Config.CreateRaw().getProcessor(noted).getDefaultCPUProcessor().applyRGB(wanted)
        ours = item.metadata["huewright"]
        file = ocio.FileTransform(src=str(out.parent / ours["cdl_file"]))
        file.setCDLStyle(ocio.CDL_ASC)
        found = codes.copy()
        ocio.Config.CreateRaw().getProcessor(file).getDefaultCPUProcessor().applyRGB(found)
        np.testing.assert_allclose(found, wanted, atol=1e-5)
        assert (out.parent / ours["lut_file"]).is_file()
        print(f"{item.name}: CDL off the render by {ours['cdl_off_render']['worst']:.2e} at worst, LUT by "
              f"{ours['lut_off_render']['worst']:.2e}")
    hues, plain = (next(made for made in summary.exports if made.path.endswith(f"{name}-correction.cdl"))
                   for name in ("one", "two"))
    assert hues.mean_error > 2 * plain.mean_error                       # a CDL holds no hues, and it is said
    with pytest.raises(InputError, match="exists already"):
        hand_to_edit(edit, out, {}, tmp_path / "one" / "correction.json")
    with pytest.raises(InputError, match="none of its clips has a correction"):
        hand_to_edit(edit, tmp_path / "b.otio", {"nowhere.mov": tmp_path / "one" / "correction.json"})
    assert not (tmp_path / "b.otio").exists()


@pytest.mark.slow
def test_a_map_made_elsewhere_and_all_others(edit: Path, tmp_path: Path) -> None:
    """As another step calls it: clips with corrections and files that it made itself."""
    export_correction(correction(), tmp_path / "c.cdl")
    export_correction(correction(), tmp_path / "c.clf", size=17)
    assert np.isfinite(opencolorio(tmp_path / "c.clf", np.full((1, 3), 0.5, np.float32))).all()
    one = Handed("c.json", tmp_path / "c.cdl", tmp_path / "c.clf")
    noted = edit_with(edit, tmp_path / "out.otio", {str(tmp_path / "garden"): one}, one)
    assert [note.how for note in noted] == ["others", "others", "path", None, "others", None]
