"""Corrections as an OpenColorIO configuration, applied by OpenColorIO 2 and by OpenImageIO, and its references held to
the configurations for ACES that OpenColorIO brings with it (Academy, colorspaces v1.0.0 and v2.1.0).

The cameras and frames are the demo's: invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import PyOpenColorIO as ocio  # noqa: N813
import pytest
from huewright.cli import main
from huewright.colorimetry.declare import declare_footage
from huewright.colorimetry.deviation import natural_codes, random_codes
from huewright.colorimetry.display import display_named
from huewright.errors import InputError, NoAnswerError
from huewright.frames.opening import open_take
from huewright.models.card import load_card
from huewright.models.correction import Correction, save_correction
from huewright.models.reading import PatchReading, Reading
from huewright.models.settings import SolveSettings
from huewright.solver.answer import solve
from huewright.solver.chain import Balance, Chain
from huewright.steps.export_config import ConfigSummary, export_config, named_corrections
from huewright_demo.cameras import CAMERAS, acescct, expose, noise_tile
from huewright_demo.design_card import CARD as CARD_FILE
from huewright_demo.scene import room, still_life
from huewright_demo.shoot import LIGHT
from huewright_kernels import compile_chain, run_colours
from lutfiles import HUES, TONE

pytestmark = pytest.mark.slow

CODES = np.concatenate([natural_codes(20_000, seed=31), random_codes(20_000, seed=32)])
CARD = load_card(CARD_FILE)
ACES = "ocio://cg-config-v1.0.0_aces-v1.3_ocio-v2.1"
ACES_HLG = "ocio://studio-config-v2.1.0_aces-v1.3_ocio-v2.3"


def demo_correction(name: str, display: str = "bt709") -> Correction:
    """Of an invented camera of the demo, solved from what it records of the card's patches."""
    camera = CAMERAS[name]
    patches = []
    for patch in CARD.patches:
        code = acescct(camera.linear_of_raw(camera.raw_of_reflectance(np.array(patch.reflectance), LIGHT), LIGHT))
        red, green, blue = (float(value) for value in code)
        patches.append(PatchReading(patch.name, (red, green, blue), tuple(map(tuple, (np.eye(3) * 1e-8).tolist())),
                                    (2e-5, 2e-5, 2e-5), 1000.0))
    return solve(Reading(tuple(patches)), CARD, declare_footage(encoding="ACEScct"), SolveSettings(display=display))


def demo_frames(folder: Path, name: str) -> str:
    """Two small frames of the demo's scenes as the camera codes them."""
    camera = CAMERAS[name]
    for number, painted in enumerate((room, still_life), 1):
        raw = painted(camera, LIGHT, 192, 108, 7)
        expose(raw, noise_tile(300, 384, 7), 3, 5, camera.pack(LIGHT))
        oiio.ImageBuf(np.ascontiguousarray(raw, np.float32)).write(str(folder / f"{name}.{number:04d}.exr"), "half")
    return str(folder / f"{name}.####.exr")


def invented(encoding: str, display: str, primaries: str | None = None, look: Path | None = None,
             range_: str = "full") -> Correction:
    chain = Chain(declare_footage(encoding=encoding, primaries=primaries, look=look, range_=range_),
                  display_named(display))
    return Correction("sectors", chain.footage, display, chain.whole(Balance(0.4, 0.2, -0.3), tone=TONE, sectors=HUES),
                      chain.neutral(), ())


def rendered(operations: tuple, codes: np.ndarray) -> np.ndarray:
    return run_colours(compile_chain(operations), codes)


def off(found: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    return np.abs(np.clip(found, 0, 1) - np.clip(wanted, 0, 1))


def opened(folder: Path) -> ocio.Config:
    ocio.ClearAllCaches()
    config = ocio.Config.CreateFromFile(str(folder / "config.ocio"))
    config.validate()
    return config


def applied(processor: ocio.Processor, codes: np.ndarray) -> np.ndarray:
    result = np.array(codes, np.float32, order="C")
    processor.getDefaultCPUProcessor().applyRGB(result)
    return result


def by_view(config: ocio.Config, camera: str, display: str, view: str, codes: np.ndarray = CODES) -> np.ndarray:
    return applied(config.getProcessor(ocio.DisplayViewTransform(src=camera, display=display, view=view)), codes)


def by_look(config: ocio.Config, camera: str, display: str, look: str, codes: np.ndarray = CODES) -> np.ndarray:
    """As a program does that lets people choose a look for a viewer."""
    viewing = ocio.LegacyViewingPipeline()
    viewing.setDisplayViewTransform(ocio.DisplayViewTransform(src=camera, display=display, view="uncorrected"))
    viewing.setLooksOverrideEnabled(True)
    viewing.setLooksOverride(look)
    return applied(viewing.getProcessor(config), codes)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Correction], ConfigSummary]:
    """Both cameras of the demo; camera A with a second correction, for an HDR display."""
    folder = tmp_path_factory.mktemp("config")
    made = {"a": demo_correction("A"), "a hdr": demo_correction("A", "pq"), "b": demo_correction("B")}
    summary = export_config(made, folder, cameras={"a": "camera A", "a hdr": "camera A", "b": "camera B"}, size=49)
    return folder, made, summary


def test_views_and_looks_do_what_the_render_does(demo: tuple) -> None:
    folder, made, summary = demo
    config = opened(folder)
    for row in summary.corrections:
        wanted = rendered(made[row.name].operations, CODES)
        name = f"{row.name.replace(' ', '-')}-corrected.clf"
        file = applied(config.getProcessor(ocio.FileTransform(src=name)), CODES)
        assert row.looked is not None
        for found, said in ((by_view(config, row.camera, row.display, row.view), row.shown),
                            (by_look(config, row.camera, row.display, row.name), row.looked)):
            seen = off(found, wanted)
            print(f"{row.name}: mean {seen.mean():.2e}, worst {seen.max():.2e}, stated {said.mean:.2e}, "
                  f"{said.worst:.2e}, in gamut {said.in_gamut_worst:.2e}, stepwise {said.stepwise_worst:.2e}")
            assert off(found, file).max() < 1e-5      # the way there and back cancels
            assert seen.max() <= said.worst + 2e-5 and seen.mean() < 1.2 * said.mean + 1e-6
            assert said.mean < 2e-4 and said.in_gamut_worst < 0.02
            assert said.stepwise_worst < said.in_gamut_worst + 2e-3
        before = by_view(config, row.camera, row.display, row.uncorrected)
        seen = off(before, rendered(made[row.name].neutral_operations, CODES))
        print(f"{row.name} before: mean {seen.mean():.2e}, worst {seen.max():.2e}")
        assert seen.max() <= row.before.worst + 2e-5 and row.before.worst < 2e-3 and row.before.mean < 1e-5


def test_over_the_demos_frames(demo: tuple, tmp_path: Path) -> None:
    """OpenImageIO reads configuration and frames by itself."""
    made = demo[1]
    for name, camera in (("a", "A"), ("b", "B")):
        frames = demo_frames(tmp_path, camera)
        summary = export_config({name: made[name]}, tmp_path / name, size=49, frames=open_take(frames))
        said = summary.corrections[0].shown
        worst, total = 0.0, []
        for number in (1, 2):
            picture = oiio.ImageBuf(str(tmp_path / f"{camera}.{number:04d}.exr")).copy(oiio.FLOAT)
            wanted = rendered(made[name].operations, picture.get_pixels(oiio.FLOAT).reshape(-1, 3))
            shown = oiio.ImageBufAlgo.ociodisplay(picture, "bt709", f"{name} corrected", name,
                                                  colorconfig=str(tmp_path / name / "config.ocio"))
            assert not shown.has_error, shown.geterror()
            seen = off(shown.get_pixels(oiio.FLOAT).reshape(-1, 3), wanted)
            worst, total = max(worst, float(seen.max())), [*total, float(seen.mean())]
        print(f"camera {camera}: mean {np.mean(total):.2e}, worst {worst:.2e}; stated {said.frames_mean:.2e}, "
              f"{said.frames_worst:.2e}")
        assert worst == pytest.approx(said.frames_worst, abs=2e-5) and worst < 5e-3
        assert np.mean(total) == pytest.approx(said.frames_mean, abs=2e-6)


def test_the_references_are_those_of_others(demo: tuple, tmp_path: Path) -> None:
    """Light and displays meet those of the configurations for ACES by the interchange roles, and change nothing."""
    config, aces = opened(demo[0]), ocio.Config.CreateFromFile(ACES)
    for ours, theirs, reach, kind in (
            ("linear BT.709", "Linear Rec.709 (sRGB)", 12.0, ocio.REFERENCE_SPACE_SCENE),
            ("linear BT.2020", "Linear Rec.2020", 12.0, ocio.REFERENCE_SPACE_SCENE),
            ("bt709", "Rec.1886 Rec.709 - Display", 1.0, ocio.REFERENCE_SPACE_DISPLAY),
            ("pq", "Rec.2100-PQ - Display", 1.0, ocio.REFERENCE_SPACE_DISPLAY)):
        assert config.getColorSpace(ours).getReferenceSpaceType() == kind
        colours = CODES[CODES.min(axis=1) > 0.02] * reach
        found = applied(ocio.Config.GetProcessorFromConfigs(config, ours, aces, theirs), colours)
        assert np.abs(found - colours).max() < 1e-4 * reach
    export_config({"a": invented("ACEScct", "hlg", "ACEScg"), "b": invented("srgb", "srgb"),
                   "c": invented("linear", "bt2020")}, tmp_path, size=9)
    config = opened(tmp_path)
    for ours, theirs, which in (("a", "ACEScct", ACES), ("b", "sRGB - Texture", ACES),
                                ("srgb", "sRGB - Display", ACES), ("hlg", "Rec.2100-HLG - Display", ACES_HLG)):
        colours = CODES[(CODES.min(axis=1) > 0.02)]
        other = ocio.Config.CreateFromFile(which)
        assert np.abs(applied(ocio.Config.GetProcessorFromConfigs(config, ours, other, theirs), colours)
                      - colours).max() < 2e-4


def test_it_is_what_the_standard_asks_and_comes_back_the_same(demo: tuple) -> None:
    folder, _, summary = demo
    text = (folder / "config.ocio").read_text()
    config = opened(folder)
    assert config.serialize() == text and "/" not in "".join(
        line for line in text.splitlines() if "src" in line or "search_path" in line)
    assert (config.getMajorVersion(), config.getMinorVersion()) == (2, 1)
    assert list(config.getDisplays()) == ["bt709", "pq"]
    assert list(config.getViews("bt709")) == ["uncorrected", "a corrected", "b corrected"]
    assert [look.getName() for look in config.getLooks()] == ["a", "a hdr", "b"]
    assert config.getRoleColorSpace("aces_interchange") == "ACES2065-1"
    assert config.getRoleColorSpace("cie_xyz_d65_interchange") == "CIE XYZ D65"
    assert {Path(file).name for file in summary.files} == {path.name for path in (folder / "luts").iterdir()}
    for space in config.getColorSpaces():
        if space.getReferenceSpaceType() == ocio.REFERENCE_SPACE_SCENE and not space.isData():
            back = applied(config.getProcessor(space.getName(), "aces_interchange"), CODES)
            again = applied(config.getProcessor("aces_interchange", space.getName()), back)
            # float32 next to a channel of 200 times white, as the brightest codes of a log curve are
            assert np.abs(again - CODES).max() < 1e-3


@pytest.mark.parametrize(("encoding", "display", "primaries", "range_"), [
    ("ACEScct", "hlg", "ITU-R BT.2020", "legal"), ("display", "bt709", None, "legal"),
    ("ACEScct", "pq", "ACEScg", "full"), *(
        pytest.param(*case, marks=pytest.mark.long)
        for case in (("linear", "bt2020", None, "full"), ("hlg", "bt1886", None, "full")))])
def test_every_kind_of_footage_and_display(tmp_path: Path, encoding: str, display: str, primaries: str | None,
                                           range_: str) -> None:
    made = invented(encoding, display, primaries, range_=range_)
    row, = export_config({"x": made}, tmp_path, cameras={"x": "cam"}, size=9).corrections
    config = opened(tmp_path)
    file = applied(config.getProcessor(ocio.FileTransform(src="x-corrected.clf")), CODES)
    assert off(by_view(config, "cam", display, "x corrected"), file).max() < 1e-5
    assert off(by_look(config, "cam", display, "x"), file).max() < 1e-5
    before = off(by_view(config, "cam", display, row.uncorrected), rendered(made.neutral_operations, CODES))
    print(f"{encoding} {display}: before {before.mean():.2e} {before.max():.2e}")
    assert before.mean() < 5e-6 and before.max() < 1e-3
    # White that we adapt by CAT16 and the scene reference by Bradford: the display's own view would be off.
    assert (row.uncorrected == "x uncorrected") == (primaries == "ACEScg")


def look_cube(folder: Path) -> Path:
    axis = np.linspace(0, 1, 9)
    blue, green, red = np.meshgrid(axis, axis, axis, indexing="ij")
    rows = np.stack([red, green, blue], axis=-1).reshape(-1, 3) ** 0.9 * 0.9 + 0.02
    path = folder / "look.cube"
    path.write_text("LUT_3D_SIZE 9\n" + "\n".join("{:.6f} {:.6f} {:.6f}".format(*row) for row in rows) + "\n")
    return path


def test_footage_that_can_t_be_had_from_light(tmp_path: Path) -> None:
    made = invented("through-look", "bt709", look=look_cube(tmp_path))
    row, = export_config({"x": made}, tmp_path / "out", cameras={"x": "cam"}, size=17).corrections
    assert row.look is None and row.looked is None
    config = opened(tmp_path / "out")
    assert not list(config.getLooks()) and "x corrected" in config.getNamedTransformNames()
    seen = off(by_view(config, "cam", "bt709", "x corrected"), rendered(made.operations, CODES))
    assert seen.max() <= row.shown.worst + 2e-5
    before = off(by_view(config, "cam", "bt709", row.uncorrected), rendered(made.neutral_operations, CODES))
    assert before.max() < 1e-3


def test_a_camera_with_a_look_keeps_it_in_its_uncorrected_view(tmp_path: Path) -> None:
    made = invented("ACEScct", "bt709", look=look_cube(tmp_path))
    row, = export_config({"x": made}, tmp_path / "out", size=17).corrections
    config = opened(tmp_path / "out")
    assert row.uncorrected == "x uncorrected" and row.look == "x"
    assert off(by_view(config, "x", "bt709", "x uncorrected"), rendered(made.neutral_operations, CODES)).max() < 1e-3
    plain = by_view(config, "x", "bt709", "uncorrected")
    assert off(plain, rendered(made.neutral_operations, CODES)).max() > 0.05


def test_what_can_t_be_is_refused_and_nothing_written(tmp_path: Path) -> None:
    made, other = invented("ACEScct", "bt709"), invented("linear", "bt709")
    for corrections, cameras, words in (
            ({}, {}, "needs a correction"), ({"a/b": made}, {}, "can't be a name"),
            ({"bt709": made}, {}, "called 'bt709'"),
            ({"a": made, "A": made}, {}, "called 'a'"), ({"a": made}, {"b": "x"}, "no correction 'b'"),
            ({"a": made, "b": other}, {"a": "x", "b": "x"}, "of one camera, 'x'"),
            ({"a": invented("display", "bt709"), "b": invented("display", "srgb")}, {"a": "x", "b": "x"},
             "of one camera")):
        with pytest.raises(InputError, match=words):
            export_config(corrections, tmp_path / "out", cameras=cameras, size=9)
    assert not (tmp_path / "out").exists()
    with pytest.raises(NoAnswerError, match=f"^{tmp_path / 'out' / 'luts' / 'a-corrected.clf'}: no form keeps"):
        export_config({"a": replace(made, operations=made.neutral_operations)}, tmp_path / "out", error=1e-7)
    assert not (tmp_path / "out").exists()
    (tmp_path / "out" / "luts").mkdir(parents=True)
    (tmp_path / "out" / "luts" / "a-corrected.clf").write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        export_config({"a": made}, tmp_path / "out", size=9)
    assert not (tmp_path / "out" / "config.ocio").exists()


def test_names_on_the_command_line(tmp_path: Path) -> None:
    assert named_corrections(["cam/one.json", "b=two.json", "C:noon=three.json"]) == (
        {"one": Path("cam/one.json"), "b": Path("two.json"), "noon": Path("three.json")}, {"noon": "C"})
    alike = named_corrections([str(tmp_path / "a" / "correction.json"), str(tmp_path / "b" / "correction.json")])
    assert list(alike[0]) == ["a", "b"]
    with pytest.raises(InputError, match="both called b"):
        named_corrections(["b=one.json", "b=two.json"])


def test_on_the_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                             capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    save_correction(invented("ACEScct", "bt709"), tmp_path / "one.json")
    save_correction(invented("through-look", "bt709", look=look_cube(tmp_path)), tmp_path / "two.json")
    monkeypatch.setattr("sys.argv", ["huewright", "export", "one.json", "second=two.json", "--config", "out",
                                     "--size", "9", "--json", "figures.json"])
    with pytest.raises(SystemExit) as left:
        main()
    assert not left.value.code
    said = capsys.readouterr().out
    assert "look 'one' ahead of the view 'uncorrected'" in said and "right for this camera's own pictures only" in said
    opened(tmp_path / "out")
    assert (tmp_path / "figures.json").exists()
