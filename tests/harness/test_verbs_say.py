"""What verbs print and how they end. Where the work takes long or needs a machine of its own, its outcome is given,
not made: that work has tests of its own, and here is only what is said of it."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import jsonschema
import numpy as np
import pytest
from huewright.accuracy.check import Check
from huewright.frames import Frame, write_frame
from huewright.handover.edit import Noted, edit_clips
from huewright.host.objects import Finding
from huewright.models.card import load_card
from huewright.models.cautions import EditMediaRelative, Flashing, NoiseMeasured
from huewright.models.correction import Correction, save_correction
from huewright.models.demo import ChecksApart, MovieRecorded, MoviesSummary
from huewright.models.footage import Footage
from huewright.models.scene_made import Failed, StepDone
from huewright.probe.probe import CheckResult, ProbeReport
from huewright.steps.edit import EditSummary
from huewright.steps.ofx import BinarySummary, BundleSummary, ThroughSummary
from huewright.steps.ofx_bench import PluginBench, PluginRow
from huewright.steps.repeat import Repeat
from huewright.steps.scene.job import SceneResult
from huewright.steps.verify import VerifyResult
from huewright.timing.rows import BenchResult, BenchRow, StageRow
from huewright.version import __version__
from huewright_kernels.ops import Matrix

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import CARD, refused, say

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Command:
    monkeypatch.chdir(tmp_path)
    return lambda *words: say(capsys, monkeypatch, *words)


@pytest.fixture
def comes_of(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, Any], list[tuple[Any, ...]]]:
    """``comes_of("verify.run_verify", result)``: that step gives ``result``; what it was asked is noted."""
    def give(step: str, result: Any) -> list[tuple[Any, ...]]:
        asked: list[tuple[Any, ...]] = []
        monkeypatch.setattr(f"huewright.steps.{step}", lambda *words, **more: asked.append((*words, more)) or result)
        return asked
    return give


def frame(name: str = "a.0001.png") -> str:
    write_frame(name, Frame(np.full((24, 32, 3), 20000, np.uint16)))
    return name


def halved(path: str = "c.json") -> str:
    half = Matrix(((0.5, 0.0, 0.0), (0.0, 0.5, 0.0), (0.0, 0.0, 0.5)))
    save_correction(Correction("balance", Footage(), "bt709", (half,), (), ()), path)
    return path


def test_what_is_asked_before_any_verb(command: Command) -> None:
    assert command("--version") == (0, f"huewright {__version__}\n", "")
    code, out, _ = command("survey", "none.png", "--card", CARD, "--encoding", "list")
    assert code == 0 and {"ACEScct", "display", "linear"} <= set(out.splitlines())


@pytest.mark.slow
def test_scopes(command: Command) -> None:
    code, out, err = command("scopes", frame(), "--json", "s.json")
    assert code == 0 and "caution" not in err
    assert out == "drew 3 pictures into scopes: a.0001-waveform.png, a.0001-parade.png, a.0001-vectorscope.png\n"
    assert json.loads(Path("s.json").read_text())["files"][0] == "a.0001-waveform.png"
    alone = cv2.imread("scopes/a.0001-waveform.png")
    code, _, err = command("scopes", "a.0001.png", "--correction", halved(), "--out", "both")
    assert code == 0, err
    assert cv2.imread("both/a.0001-waveform.png").shape[1] == 2 * alone.shape[1]


def test_card_check_and_schema_and_import(command: Command) -> None:
    code, out, _ = command("card", "check", CARD, "--picture", "card.png", "--json", "card.json")
    card = load_card(CARD)
    assert code == 0 and f"{CARD}: {card.name}, {len(card.patches)} patches (3 bars, 6 chips, 9 check)" in out
    assert "wrote card.png" in out and cv2.imread("card.png") is not None
    assert json.loads(Path("card.json").read_text())["patches"] == len(card.patches)
    code, out, _ = command("card", "schema", "s.json")
    assert (code, out) == (0, "wrote s.json\n")
    jsonschema.Draft202012Validator.check_schema(json.loads(Path("s.json").read_text()))
    Path("m.csv").write_text("name,L,a,b\nw,95,0,0\nm,50,0,0\nk,10,0,0\nr,50,60,40\n")
    code, out, err = command("card", "import", "m.csv", "--columns", "2", "--out", "four.toml")
    assert code == 0 and out.startswith("wrote four.toml: 4 patches, D50"), err
    assert [patch.name for patch in load_card("four.toml").patches] == ["w", "m", "k", "r"]


def test_what_comes_after_a_card_was_made(command: Command) -> None:
    said = [command("card", "new", "--columns", "3", "--out", f"{name}.toml", *more)[1] for name, more in (
        ("none", []), ("greys", ["--bar", "1=95", "--bar", "3=9"]),
        ("all", ["--bar", "1=95", "--bar", "3=9", "--chip", "red=2"]))]
    assert "Make two grey patches bars at least" in said[0] and "huewright run" not in said[0]
    assert "--method balance --out job" in said[1] and "card import MEASURED --layout greys.toml" in said[1]
    assert "--method balance" not in said[2] and "--card all.toml --encoding display --out job" in said[2]


@pytest.mark.long
@pytest.mark.slow
def test_a_photo_of_a_flat_card(command: Command) -> None:
    """Drawn from our own card, on a dark table and cut to it: levels are guessed and said to be."""
    card = load_card(CARD)
    scale = 900 / card.size[0]
    picture = np.full((round(card.size[1] * scale), 900, 3), 70, np.uint8)
    for patch in card.patches:
        light = np.clip(np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
                        @ np.array(patch.xyz), 0, 1)       # XYZ to linear sRGB: IEC 61966-2-1, four digits as printed
        code = np.round(255 * np.where(light < 0.0031308, 12.92 * light, 1.055 * light**(1 / 2.4) - 0.055))
        cv2.fillPoly(picture, [np.round(np.array(patch.polygon) * scale).astype(np.int32)], code[::-1].tolist())
    cv2.imwrite("p.png", cv2.copyMakeBorder(picture, 90, 90, 90, 90, cv2.BORDER_CONSTANT, value=(9, 9, 9)))
    code, out, err = command("card", "trace", "p.png", "--size", "280x200", "--out", "t.toml")
    assert code == 0, err
    assert out.startswith(f"wrote t.toml and t.png: {len(card.patches)} patches (3 bars, 6 chips, ")
    assert "Levels are what the trade sets such bars to (" in out
    assert "The card's outline was taken" in out and load_card("t.toml").size == (280, 200)
    outline = np.array([point.strip(",").split(",") for point in out.partition("--corners ")[2].split()[:4]], float)
    assert np.abs(outline - [(90, 90), (990, 90), (990, 90 + len(picture)), (90, 90 + len(picture))]).max() < 4
    cv2.imwrite("grey.png", cv2.cvtColor(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), cv2.COLOR_GRAY2BGR))
    code, out, err = command("card", "trace", "grey.png", "--cropped", "--out", "g.toml")
    assert code == 0, err
    assert "No chips: too few strong colours point at the 75 % bars' hues" in out and "outline was taken" not in out


@pytest.mark.slow
def test_an_edit(command: Command, comes_of: Any, tmp_path: Path) -> None:
    otio = pytest.importorskip("opentimelineio")
    track = otio.schema.Track("V1", children=[
        otio.schema.Clip("one", otio.schema.ExternalReference((tmp_path / "a.mov").as_uri())),
        otio.schema.Clip("", otio.schema.ExternalReference((tmp_path / "b.mov").as_uri()), otio.opentime.TimeRange(
            otio.opentime.RationalTime(86400, 24), otio.opentime.RationalTime(48, 24))),
        otio.schema.Clip("none")])
    timeline = otio.schema.Timeline("t")
    timeline.tracks.append(track)
    otio.adapters.write_to_file(timeline, "e.otio")
    halved()
    code, out, err = command("edit", "e.otio", "one.otio", "--for", "a.mov=c.json", "--size", "9", "--json", "e.json")
    assert code == 0, err
    lines = out.splitlines()
    assert lines[:3] == ["V1: one (a.mov): corrected as a.mov, by its path",
                         "V1: without a name (b.mov, 86400 to 86447 at 24 a second): no correction",
                         "V1: none (no media): no correction"]
    assert lines[3].startswith("wrote c.cdl: off the render, of full scale, mean ") and "wrote c.cube: " in lines[4]
    assert lines[-1] == "wrote one.otio: 1 clip with a correction, 2 without"
    assert len(json.loads(Path("e.json").read_text())["clips"]) == 3
    one = edit_clips(Path("e.otio"))[0]
    asked = comes_of("edit.hand_to_edit", EditSummary("all.otio", (Noted(one, ""), Noted(one, None, None, ("b", "c"))),
                                                      (), (EditMediaRelative(1),)))
    code, out, err = command("edit", "e.otio", "all.otio", "--correction", "c.json", "--lut", "clf")
    assert code == 0 and asked[0][2:4] == ({}, Path("c.json")) and asked[0][4]["lut"] == "clf"
    first, second, last = out.splitlines()
    assert first.endswith("(a.mov): corrected as all others") and "b" in second and "c" in second
    assert last == "wrote all.otio: 1 clip with a correction, 1 without" and err.startswith("caution: ")


def test_patches_and_effects_of_the_plug_in(command: Command) -> None:
    code, out, _ = command("ofx", "patches", CARD, "p.json", "--roles", "bar, chip")
    assert code == 0 and out.startswith("wrote p.json: 9 patches (white, ")
    assert len(json.loads(Path("p.json").read_text())["patches"]) == 9
    code, out, _ = command("ofx", "describe")
    assert code == 0 and "org.huewright.HueSectors" in out and out.startswith("#")


def test_a_bundle_that_was_built(command: Command, comes_of: Any) -> None:
    binary = BinarySummary(("one", "two"), Path("b/x"), "ab", 7)
    asked = comes_of("ofx.build_bundle", BundleSummary(Path("b"), (binary,), ("E.One", "E.Two"), 61.4))
    code, out, _ = command("ofx", "build", "plugins", "--for", "one, two,", "--json", "b.json")
    assert (code, out) == (0, "built b in 61 s: E.One, E.Two\none, two: 7 bytes, SHA-256 ab\n")
    assert asked[0][1]["targets"] == ["one", "two"] and json.loads(Path("b.json").read_text())["seconds"] == 61.4
    command("ofx", "build", "plugins")
    assert asked[1][1]["targets"] is None


def test_a_plug_in_that_was_probed(command: Command, comes_of: Any) -> None:
    good = CheckResult("org.x.E", "OfxImageEffectContextFilter", "render", "renders a frame", "passed")
    bad = replace(good, check="tiles", what="renders tiles", result="failed",
                  findings=(Finding("error", "other bytes"),))
    comes_of("ofx.probe_bundle", ProbeReport("b", (), (good,)))
    code, out, _ = command("ofx", "probe", "b", "--json", "p.json")
    assert code == 0 and out.endswith("nothing found against the standard in 1 checks\n")
    assert json.loads(Path("p.json").read_text())["clean"] is True
    comes_of("ofx.probe_bundle", ProbeReport("b", (), (good, bad, replace(bad, result="warned"))))
    asked = comes_of("ofx.probe_bundle", ProbeReport("b", (), (good, bad, replace(bad, result="warned"))))
    result = command("ofx", "probe", "b", "--frames", frame(), "--effect", "E", "--patience", "3")
    refused(result, 1, "b: 1 checks failed, 1 ended with a warning; the table says which")
    assert "error: other bytes" in result[1]
    assert asked[0][1].numbers == (1,) and asked[0][2]["effects"] == ["E"] and asked[0][2]["patience_s"] == 3
    comes_of("ofx.probe_bundle", ProbeReport("b", (), (), "crashed (SIGSEGV) in loading the binary"))
    refused(command("ofx", "probe", "b"), 1, "crashed (SIGSEGV) in loading the binary")


def test_frames_through_a_plug_in(command: Command, comes_of: Any) -> None:
    asked = comes_of("ofx.render_through", ThroughSummary((1,), "o.####.png", 0.24, (Finding("warning", "odd"),),
                                                          ("hello",)))
    code, out, err = command("ofx", "render", "b", frame(), "o.####.png", "--effect", "E", "--set", "gain=2")
    assert (code, out) == (0, "rendered 1 frame in 0.2 s to o.####.png\n")
    assert err.splitlines() == ["caution: hello", "caution: warning: odd"]
    assert asked[0][:2] == (Path("b"), "E") and asked[0][2] == {"gain": "2"}


def test_times_of_the_plug_in(command: Command, comes_of: Any) -> None:
    row = PluginRow("one instance", 1, 2, 2.69, 2.28, 0.11, 1.16, 1.13, 1.21, False)
    comes_of("ofx_bench.bench_plugin", PluginBench((row,), "this machine", 5, 3.0))
    code, out, _ = command("ofx", "bench", "b", "--json", "b.json")
    assert code == 0 and "this machine" in out and "1.130 to 1.210 ?" in out
    assert "? not to be relied on" in out and json.loads(Path("b.json").read_text())["rows"][0]["ratio"] == 1.16
    comes_of("ofx_bench.bench_plugin", PluginBench((replace(row, reliable=True),), "this machine", 5, 3.0))
    assert "not to be relied on" not in command("ofx", "bench", "b")[1]


def test_times_of_the_kernels(command: Command, comes_of: Any) -> None:
    row = BenchRow("chain", "HD", "noise", 2, 8.25, "NumPy", 82.5, 10.0, 2.5, 0.05, 0.04, True)
    stages = (StageRow("read", 3, 1.5, 0.1, True, 1.5), StageRow("compute", 3, 6.0, 0.4, False, 6.0),
              StageRow("write", 3, 2.5, 0.1, True, 2.5))
    comes_of("bench.run_bench", BenchResult((row,), stages, "this machine", {}, 9.0, threads=2))
    drawn = comes_of("bench.draw_bench", None)
    code, out, _ = command("bench", "--picture", "b.png", "--json", "b.json")
    assert code == 0 and "this machine" in out and "60%" in out and "40% unreliable" in out
    assert "On 2 threads a render of these takes 5.0 ms a frame at the least" in out and "82.5" in out
    assert drawn[0][1] == Path("b.png") and json.loads(Path("b.json").read_text())["threads"] == 2
    comes_of("bench.run_bench", BenchResult((replace(row, threads=0, reliable=False),), (), "a GPU", {}, 9.0))
    code, out, _ = command("bench", "--device", "cuda")
    assert code == 0 and "Medians in microseconds" in out and "8250.0" in out and "3.30" in out and "5% ?" in out


def test_accuracy(command: Command, comes_of: Any) -> None:
    good, bad = (Check(name, "a source", 1e-6, error, "(0, 0, 0)", error < 1e-6) for name, error in (
        ("sum", 1e-7), ("root", 1e-3)))
    comes_of("verify.run_verify", VerifyResult((good,), True, 1.0, "this machine", {}))
    code, out, _ = command("verify", "--json", "v.json")
    assert code == 0 and out.endswith("1 of 1 checks within tolerance\n") and "Errors are absolute" in out
    assert json.loads(Path("v.json").read_text())["passed"] is True
    comes_of("verify.run_verify", VerifyResult((good, bad), False, 1.0, "a GPU", {}))
    result = command("verify", "--device", "cuda")
    refused(result, 1, "outside its tolerance: root")
    assert "a GPU: any NaN counts as equal" in result[1] and "1 of 2 checks within" in result[1]


def test_a_correction_that_is_not_repeated(command: Command, comes_of: Any) -> None:
    comes_of("repeat.repeat", Repeat("c.json", False, 900, 3))
    refused(command("repeat", "c.json"), 1, "could not be repeated byte for byte")


def job(passed: bool) -> SimpleNamespace:
    worst = SimpleNamespace(worst_chip_hue_error_deg=9.5, worst_chip_radius_error=0.2, worst_bar_error_ire=3.0,
                            mean_check_delta_e=4.0, worst_check_delta_e=8.0)
    change, lut = SimpleNamespace(before=worst, after=worst), SimpleNamespace(mean=1e-4, worst=2e-3)
    return SimpleNamespace(frames=SimpleNamespace(chosen=(3, 5), chosen_with_reflections=(), refused=[
        SimpleNamespace(verdict="refused"), SimpleNamespace(verdict="no card"), SimpleNamespace(verdict="no card")]),
        against_targets=change, against_truth=change, luts=SimpleNamespace(cube=lut, clf=lut), passed=passed,
        cautions=(NoiseMeasured(7.0),))


def test_the_invented_shoot(command: Command, comes_of: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("huewright.words.verdict_words", lambda proof: f"the verdict on {proof}")
    monkeypatch.setattr("huewright.steps.outputs.write_figures", lambda path, record, *, overwrite: None)
    for passed in (True, False):
        comes_of("demo.run_demo", SimpleNamespace(proofs={"A": "a", "B": "b"}, summary=SimpleNamespace(
            cameras={"A": job(True), "B": job(passed)}, note="All is invented.", seconds={"total": 61.0})))
        result = command("demo", "--out", "d")
        assert "Camera B: frames 3, 5 chosen, 1 refused, 2 without a card" in result[1]
        assert "the verdict on b" in result[1] and ".clf mean 1.0e-04, worst 2.0e-03" in result[1]
        assert "caution: camera B: " in result[2] and "All is invented.\n61 s; everything is in d" in result[1]
        if passed:
            assert result[0] == 0
        else:
            refused(result, 1, "off target on camera B; see d/summary.json")


def test_the_invented_shoot_as_movies(command: Command, comes_of: Any) -> None:
    near, far = ChecksApart(9.0, 20.0, 0.5, 1.5), ChecksApart(9.0, 20.0, 6.5, 15.0)
    summary = MoviesSummary("All is invented.", 1, 9, (64, 36), {"A": MovieRecorded("a movie", 8.0, 7.6)}, near, near,
                            {"A": near}, {"total": 61.0})
    scene = SceneResult(Path("out"), Path("out/scene.html"), (), {})
    for between, code in ((near, 0), (far, 1)):
        comes_of("demo_movies.run_movies_demo", SimpleNamespace(
            summary=replace(summary, between_known=between), scene=scene, scene_file=Path("s.toml")))
        result = command("demo", "--movies", "--out", "d", "--json", f"{code}.json")
        assert result[0] == code and "Camera A: a movie, 8 Mbit/s (8 asked)" in result[1]
        assert "everything is in out: open out/scene.html" in result[1] and "the scene file is s.toml" in result[1]
        assert json.loads(Path(f"{code}.json").read_text())["between_known"]["mean_after"] == between.mean_after
        if code:
            refused(result, 1, "stay more than", "apart in the mean of check patches; see out/scene.html")


def test_steps_of_a_scene_that_failed(command: Command, comes_of: Any) -> None:
    Path("s.toml").touch()
    flashing = tuple(Flashing(f"b{k}", 5, False, 1, 9, 25.0, True) for k in range(2))
    steps = (StepDone("render", "b", Failed("the disk is full"), False), StepDone("solve", "a", Failed("no bars", None,
                                                                                                       False), False))
    result = SceneResult(Path("out"), Path("out/scene.html"), steps, {}, cautions=tuple(
        ("render", one.shot, one) for one in flashing))
    comes_of("scene.job.run_scene", result)
    code, out, err = command("scene", "s.toml")
    assert code == 2 and "the disk is full" in err and "no bars" in err
    assert "everything is in out: open out/scene.html" in out
    assert "everything" not in command("scene", "s.toml", "--dry-run")[1]
    comes_of("scene.job.run_scene", replace(result, steps=steps[1:]))
    assert command("scene", "s.toml")[0] == 1
