"""A stated worst error, kept: files whose form was chosen for it, read back by OpenColorIO and by OpenImageIO."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.colorimetry.deviation import natural_codes, random_codes
from huewright.colorimetry.lattice import bend_axes
from huewright.errors import InputError, NoAnswerError
from huewright.frames.opening import open_take
from huewright.steps.export import export_all, export_correction
from huewright_kernels import compile_chain, run_colours
from huewright_kernels.ops import Transfer
from lutfiles import ACESCCT, CHAIN, GAINS, HUES, MIXING, TONE, correction, opencolorio

pytestmark = pytest.mark.slow

PICTURE = (TONE, HUES)
LIGHT = (GAINS, Transfer("bt709", "encode"), TONE, HUES)
CODES = np.concatenate([natural_codes(20_000, seed=21), random_codes(80_000, seed=22)])


def off(found: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    return np.abs(np.clip(found, 0, 1) - np.clip(wanted, 0, 1)).max(axis=1)


def openimageio(path: Path, codes: np.ndarray) -> np.ndarray:
    picture = oiio.ImageBuf(np.ascontiguousarray(codes[None]))
    result = oiio.ImageBufAlgo.ociofiletransform(picture, str(path))
    assert not result.has_error, result.geterror()
    return result.get_pixels(oiio.FLOAT)[0]


def frame_files(folder: Path, codes: np.ndarray, count: int = 2) -> str:
    for number in range(1, count + 1):
        pixels = np.ascontiguousarray(codes.reshape(count, -1, 50, 3)[number - 1], np.float32)
        oiio.ImageBuf(pixels).write(str(folder / f"a.{number:04d}.exr"), "float")
    return str(folder / "a.####.exr")


@pytest.mark.parametrize(("suffix", "operations", "error"), [
    (".cube", PICTURE, 0.01), (".cube", LIGHT, 0.01), (".clf", PICTURE, 0.01), (".clf", LIGHT, 0.01)])
def test_the_worst_error_asked_for_is_kept_over_the_cube(tmp_path: Path, suffix: str, operations: tuple,
                                                         error: float) -> None:
    summary = export_correction(correction(operations), tmp_path / f"a{suffix}", error=error)
    wanted = run_colours(compile_chain(operations), CODES)
    for reader in (opencolorio, openimageio):
        seen = off(reader(tmp_path / f"a{suffix}", CODES), wanted).max()
        print(f"{suffix} of {summary.size} points, {reader.__name__}: worst {seen:.2e} over the cube, stated "
              f"{summary.worst_error:.2e}, asked {error:g}")
        # Libraries that optimise approximate powers and logarithms by some 1e-5.
        assert seen < summary.worst_error + 2e-5 and summary.worst_error <= error
    assert summary.asked == error and summary.size is not None and summary.size < 65
    if suffix == ".cube":
        assert summary.measured["tetrahedral_worst"] <= error


def test_of_linear_light_a_table_ahead_saves_most_of_the_lattice(tmp_path: Path) -> None:
    """Evenly spaced planes leave the dark end of light to a few cells; a smaller lattice behind a table keeps what an
    even one of 65 points doesn't."""
    summary = export_correction(correction(LIGHT), tmp_path / "a.cube", error=0.01)
    plain = export_correction(correction(LIGHT), tmp_path / "b.cube", size=65)
    assert summary.shaper == "bends" and summary.size is not None and summary.size <= 33
    assert plain.worst_error > 0.01 >= summary.worst_error
    text = (tmp_path / "a.cube").read_text()
    assert "LUT_1D_SIZE 16384" in text and f"LUT_3D_SIZE {summary.size}" in text


def test_planes_lie_where_a_curve_bends() -> None:
    """Of what bends nowhere they are even; of an encoding that bends in the dark they lie there."""
    even = bend_axes((), 33)
    np.testing.assert_allclose(even, np.linspace(0, 1, 33) * np.ones((3, 1)), atol=1e-9)
    axes = bend_axes((Transfer("bt709", "encode"),), 33)
    assert (np.diff(axes, axis=1) > 0).all() and (axes[:, 16] < 0.25).all()


def test_over_frames_beyond_the_cube_nothing_is_limited(tmp_path: Path) -> None:
    """Frames of floats hold codes under 0 and over 1: the .cube's domain takes them in, and every pixel is measured."""
    codes = np.random.default_rng(3).uniform(-0.05, 1.2, (2 * 50 * 20, 3)).astype(np.float32)
    codes[7] = np.nan
    take = open_take(frame_files(tmp_path, codes))
    finite = codes[np.isfinite(codes).all(axis=1)]
    wanted = run_colours(compile_chain(PICTURE), finite)
    for summary in export_all(correction(PICTURE), [tmp_path / "a.cube", tmp_path / "a.clf"], error=0.01, frames=take):
        seen = off(opencolorio(Path(summary.path), finite), wanted)
        print(f"{summary.path}: worst {seen.max():.2e} over frames, stated {summary.frames_worst:.2e}")
        assert summary.frames == 2 and summary.frames_worst is not None
        assert seen.max() <= summary.frames_worst + 2e-5 and summary.frames_worst <= 0.01
    text = (tmp_path / "a.cube").read_text()
    assert f"DOMAIN_MAX {finite.max():.9g}" in text
    cut = export_correction(correction(PICTURE), tmp_path / "b.cube")
    assert "DOMAIN" not in (tmp_path / "b.cube").read_text() and cut.frames_worst is None
    assert off(opencolorio(tmp_path / "b.cube", finite), wanted).max() > 0.01


def test_what_can_t_be_kept_is_said_and_nothing_is_written(tmp_path: Path) -> None:
    mixing = (ACESCCT, MIXING, Transfer("bt709", "encode"), TONE, HUES)
    with pytest.raises(NoAnswerError) as caught:
        export_all(correction(mixing), [tmp_path / "a.clf", tmp_path / "b.cdl"], error=0.03, over="gamut")
    said = str(caught.value.what)
    assert "b.cdl: no form keeps within 0.03" in said and "a CDL" in said and "\n" not in said
    assert list(tmp_path.iterdir()) == []
    for words, error, over in (("share of full scale", 2.0, "cube"), ("--frames", 0.01, "frames"),
                               ("--over takes --error", None, "gamut"), ("one of cube", 0.01, "sky")):
        with pytest.raises(InputError, match=words):
            export_correction(correction(), tmp_path / "a.cube", error=error, over=over)  # type: ignore[arg-type]


def test_a_correction_without_hues_needs_no_lattice_in_clf(tmp_path: Path) -> None:
    summary = export_correction(correction(CHAIN[:-1]), tmp_path / "a.clf", error=1e-3)
    assert summary.size is None and summary.worst_error < 1e-3
