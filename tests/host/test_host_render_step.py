"""`render_through`: a take through the binary against the harness's own render, file by file; and what goes wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from huewright.errors import InputError, NoAnswerError
from huewright.frames.frame import Frame
from huewright.frames.picture import read_frame, write_frame
from huewright.frames.sequence import parse_sequence
from huewright.models.correction import Correction, save_correction
from huewright.models.footage import Footage
from huewright.steps.ofx import parse_settings, probe_bundle, render_through
from huewright.steps.render import render_take
from huewright_kernels.ops import HueSectors, LogDecode, Matrix, ToneCurve, Transfer

pytestmark = pytest.mark.slow

# ACEScct (Academy S-2016-001) stands in for a camera's curve.
ACESCCT = LogDecode(2.0, 1 / 17.52, 9.72 / 17.52, 1.0, 0.0, 0.0078125)
CHAIN = (ACESCCT, Matrix(((1.8, 0.0, 0.0), (0.0, 1.4, 0.0), (0.0, 0.0, 1.1))), Transfer("bt709", "encode"),
         ToneCurve((0.0, 0.42, 1.0), (0.02, 0.41, 0.97)),
         HueSectors((13.0, 73.0, 109.0, 193.0, 256.0, 282.0), (6.0, -5.0, 4.0, -3.0, 5.0, -4.0),
                    (1.15, 0.9, 1.1, 1.2, 0.85, 1.05)))
CORRECTION = Correction("sectors", Footage(encoding="ACEScct", decode=(ACESCCT,)), "bt709", CHAIN, CHAIN[:3:2], ())


def take(folder: Path, suffix: str = ".exr", *, channels: int = 3, dtype: str = "float32", bits: int = 32) -> str:
    """An invented take of noise; returns its pattern."""
    for number in (8, 9, 10):
        pixels = np.random.default_rng(number).uniform(0.2, 0.6, (37, 70, channels))
        kind = np.dtype(dtype)
        stored = np.rint(pixels * np.iinfo(kind).max).astype(kind) if kind.kind == "u" else pixels.astype(kind)
        write_frame(folder / f"in.{number:04d}{suffix}", Frame(stored, bits=bits))
    return f"{folder}/in.####{suffix}"


@pytest.mark.parametrize(("suffix", "channels", "dtype", "bits", "threads"), [
    pytest.param(*kind, threads, marks=[pytest.mark.long] if threads == 1 and kind[:2] != (".exr", 4) else [])
    for kind in [(".exr", 3, "float32", 32), (".exr", 4, "float32", 32), (".exr", 5, "float32", 32),
                 (".exr", 3, "float16", 16), (".tif", 3, "uint16", 16), (".tif", 4, "uint8", 8)] for threads in (1, 2)])
def test_frames_are_those_of_the_harness(bundle: Path, tmp_path: Path, suffix: str, channels: int, dtype: str,
                                         bits: int, threads: int) -> None:
    sequence = parse_sequence(take(tmp_path, suffix, channels=channels, dtype=dtype, bits=bits))
    save_correction(CORRECTION, tmp_path / "correction.json")
    summary = render_through(bundle, "Correction", {"correctionFile": str(tmp_path / "correction.json")}, sequence,
                             f"{tmp_path}/through.####{suffix}", threads=threads)
    render_take(CORRECTION, sequence, f"{tmp_path}/own.####{suffix}", dither=False, threads=threads)
    assert summary.frames == (8, 9, 10) and summary.findings == () and summary.messages == ()
    for number in summary.frames:
        through, own = (read_frame(tmp_path / f"{name}.{number:04d}{suffix}") for name in ("through", "own"))
        assert through.channel_names == own.channel_names and through.bits == own.bits
        assert through.pixels.tobytes() == own.pixels.tobytes()
        assert np.ptp(through.pixels[..., :3]) > 0.1 * (255 if dtype == "uint8" else 1)


def test_settings_from_the_command_line(bundle: Path, tmp_path: Path) -> None:
    sequence = parse_sequence(take(tmp_path))
    settings = parse_settings(["redRotation@8=0", "redRotation@10=10"])
    render_through(bundle, "org.huewright.HueSectors", settings, sequence, f"{tmp_path}/out.####.exr")
    first, last = (read_frame(tmp_path / f"out.{n:04d}.exr").pixels for n in (8, 10))
    assert np.array_equal(first, read_frame(tmp_path / "in.0008.exr").pixels)  # identity there
    assert not np.array_equal(last, read_frame(tmp_path / "in.0010.exr").pixels)


def test_relative_paths_begin_where_the_person_is(bundle: Path, tmp_path: Path,
                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    """Although the process that runs the plug-in works in a folder of its own."""
    take(tmp_path)
    save_correction(CORRECTION, tmp_path / "correction.json")
    (tmp_path / "here").symlink_to(bundle.parent)
    monkeypatch.chdir(tmp_path)
    relative = Path("here") / bundle.name
    for settings in ({"correctionFile": "correction.json"}, {"correctionFile": f"{tmp_path}/correction.json"}):
        summary = render_through(relative, "Correction", settings, parse_sequence("in.####.exr"), "out.####.exr",
                                 overwrite=True)
        assert summary.messages == () and len(list(tmp_path.glob("out.*.exr"))) == 3
        assert not np.array_equal(read_frame(tmp_path / "out.0008.exr").pixels,
                                  read_frame(tmp_path / "in.0008.exr").pixels)
    report = probe_bundle(relative, effects=["Correction"], checks=["render"],
                          settings={"org.huewright.Correction": {"correctionFile": "correction.json"}})
    assert report.clean and {row.result for row in report.results} == {"passed"}


@pytest.mark.parametrize(("texts", "words"), [
    (["redGain"], "write name=value"), (["a@x=1"], "frame number"), (["a=1", "a@2=3"], "both for all frames")])
def test_settings_that_say_nothing(texts: list[str], words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_settings(texts)


@pytest.mark.parametrize(("name", "settings", "words"), [
    ("Blur", {}, "no effect 'Blur' in it; it has org.huewright"),
    ("HueSectors", {"twist": "1"}, "no parameter 'twist'"),
    ("HueSectors", {"redGain": "much"}, "takes 1 number, not 'much'"),
    ("HueSectors", {"redRotation": "80"}, "saying .*fold the order of hues")])
def test_what_the_person_can_mend(bundle: Path, tmp_path: Path, name: str, settings: dict, words: str) -> None:
    sequence = parse_sequence(take(tmp_path))
    with pytest.raises(InputError, match=words):
        render_through(bundle, name, settings, sequence, f"{tmp_path}/out.####.exr")
    assert not list(tmp_path.glob("out.*")) and not list(tmp_path.glob(".*"))


def test_existing_frames_stay(bundle: Path, tmp_path: Path) -> None:
    sequence = parse_sequence(take(tmp_path))
    (tmp_path / "out.0009.exr").write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        render_through(bundle, "HueSectors", {}, sequence, f"{tmp_path}/out.####.exr")
    assert (tmp_path / "out.0009.exr").read_text() == "mine" and not (tmp_path / "out.0008.exr").exists()


@pytest.mark.parametrize(("fault", "patience_s", "words"), [
    ("CRASH", 60.0, "ended with signal 11"), ("HANG", 2.0, "did not come back within 2 s")])
def test_a_plugin_that_crashes_or_hangs_is_reported(broken: Callable[[str], Path], tmp_path: Path, fault: str,
                                                    patience_s: float, words: str) -> None:
    sequence = parse_sequence(take(tmp_path, channels=4))
    with pytest.raises(NoAnswerError, match=words):
        render_through(broken(fault), "test.huewright.Half", {}, sequence, f"{tmp_path}/out.####.exr",
                       patience_s=patience_s)
    assert not list(tmp_path.glob("out.*"))


def test_somebody_elses_plugin(broken: Callable[[str], Path], tmp_path: Path) -> None:
    """The honest plug-in takes only float RGBA: integer RGB frames are brought to it and back."""
    sequence = parse_sequence(take(tmp_path, ".tif", dtype="uint16", bits=16))
    render_through(broken(""), "Half", {}, sequence, f"{tmp_path}/out.####.tif")
    given, made = (read_frame(tmp_path / f"{name}.0009.tif").pixels.astype(float) for name in ("in", "out"))
    assert np.abs(made - given / 2).max() <= 0.51
