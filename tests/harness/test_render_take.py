"""Rendering a take: what lies in the files afterwards, read back with OpenImageIO and held against the float64
reference; and that nothing is half-written, whatever goes wrong."""

from __future__ import annotations

import resource
import signal
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.device.compute import Processor
from huewright.errors import InputError
from huewright.files import write_json
from huewright.frames.frame import Frame
from huewright.frames.picture import read_frame, write_frame
from huewright.frames.sequence import parse_sequence
from huewright.models.cautions import (
    BecameBroken,
    CameBroken,
    ChannelsLost,
    ColoursRetagged,
    ColoursUnsaid,
    DataWindowLost,
    FilesUnlike,
    FramesKept,
    LayersCarried,
    RenderBeyond,
    RenderLimited,
)
from huewright.models.coded import has
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.models.provenance import Provenance
from huewright.reference import apply_chain
from huewright.rendering import frame as rendering
from huewright.rendering.job import prepared, workers_for
from huewright.steps.render import read_and_write_take, render_take
from huewright_kernels.ops import HueSectors, LogDecode, Matrix, ToneCurve, Transfer

ACESCCT = LogDecode(2.0, 1 / 17.52, 9.72 / 17.52, 1.0, 0.0, 0.0078125)
CHAIN = (ACESCCT, Matrix(((1.8, 0.0, 0.0), (0.0, 1.4, 0.0), (0.0, 0.0, 1.1))), Transfer("bt709", "encode"),
         ToneCurve((0.0, 0.42, 1.0), (0.02, 0.41, 0.97)),
         HueSectors((13.0, 73.0, 109.0, 193.0, 256.0, 282.0), (6.0, -5.0, 4.0, -3.0, 5.0, -4.0),
                    (1.15, 0.9, 1.1, 1.2, 0.85, 1.05)))
CORRECTION = Correction("sectors", Footage(encoding="ACEScct", decode=(ACESCCT,)), "bt709", CHAIN, CHAIN[:3:2], ())
SIZE = (40, 70)


def take(folder: Path, suffix: str, bits: int = 16, numbers=(1, 2, 3), low=0.35, high=0.48) -> str:
    """An invented take of noise; returns its pattern."""
    for number in numbers:
        pixels = np.random.default_rng(number).uniform(low, high, (*SIZE, 3)).astype(np.float32)
        if suffix == ".exr" and bits == 16:
            pixels = pixels.astype(np.float16)
        write_frame(folder / f"s.{number:04d}{suffix}", Frame(pixels, bits=bits))
    return f"{folder}/s.####{suffix}"


def expected(path: Path) -> np.ndarray:
    return apply_chain(CHAIN, read_frame(path).rgb_float())


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@pytest.mark.parametrize(("suffix", "bits", "out", "out_bits", "step"), [
    (".exr", 16, ".exr", None, 2**-11), (".exr", 32, ".exr", None, 0), (".dpx", 10, ".dpx", None, 1 / 1023),
    (".dpx", 16, ".dpx", None, 1 / 65535), (".dpx", 8, ".dpx", None, 1 / 255), (".dpx", 12, ".dpx", None, 1 / 4095),
    (".dpx", 10, ".exr", None, 2**-11), (".dpx", 10, ".tif", None, 1 / 1023), (".dpx", 10, ".png", None, 1 / 65535),
    (".exr", 16, ".dpx", None, 1 / 1023), (".exr", 16, ".dpx", 12, 1 / 4095), (".exr", 16, ".tif", 12, 1 / 4095),
    (".exr", 32, ".exr", 16, 2**-11), (".tif", 12, ".dpx", 10, 1 / 1023), (".png", 8, ".png", 16, 1 / 65535),
    (".tif", 32, ".tif", None, 0)])
def test_formats(tmp_path: Path, suffix: str, bits: int, out: str, out_bits: int | None, step: float) -> None:
    sequence = parse_sequence(take(tmp_path / "in", suffix, bits, numbers=(1, 2)))
    summary = render_take(CORRECTION, sequence, f"{tmp_path}/out/r.%03d{out}", bits=out_bits, dither=False)
    assert summary.frames == (1, 2) and (summary.width, summary.height) == SIZE[::-1]
    for number in (1, 2):
        wanted = expected(sequence.path(number))
        assert wanted.min() > 0 and wanted.max() < 1
        result = read_frame(tmp_path / "out" / f"r.{number:03d}{out}")
        assert result.bits == summary.bits
        errors = np.abs(result.rgb_float() - wanted)
        # Half a step of the output's numbers, and the kernels' own error.
        assert errors.max() < step / 2 + 4e-6


def test_dpx_is_read_and_written_as_openimageio_does(tmp_path: Path) -> None:
    """The fast path against OpenImageIO's reader on both sides; header and timecode stay."""
    spec = oiio.ImageSpec(70, 40, 3, "uint16")
    spec.attribute("oiio:BitsPerSample", 10)
    spec.attribute("smpte:TimeCode", oiio.TypeTimeCode, np.array([0x01020304, 0], np.uint32))
    codes = np.random.default_rng(0).integers(300, 500, (40, 70, 3)).astype(np.uint16)
    (tmp_path / "in").mkdir()
    output = oiio.ImageOutput.create("a.dpx")
    output.open(str(tmp_path / "in" / "a.0007.dpx"), spec)
    output.write_image(codes << np.uint16(6))
    output.close()
    render_take(CORRECTION, parse_sequence(tmp_path / "in"), tmp_path / "out/", dither=False)
    source = oiio.ImageInput.open(str(tmp_path / "out" / "a.0007.dpx"))
    assert source.spec().getattribute("smpte:TimeCode")[0] == 0x01020304
    result = source.read_image(oiio.UINT16) >> np.uint16(6)
    wanted = np.rint(np.clip(apply_chain(CHAIN, codes / 1023), 0, 1) * 1023)
    assert np.abs(result - wanted).max() <= 1 and (result != wanted).mean() < 0.01
    assert (tmp_path / "in" / "a.0007.dpx").read_bytes()[:2048] == (tmp_path / "out" / "a.0007.dpx").read_bytes()[:2048]


def test_exr_keeps_windows_channels_and_metadata(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    spec = oiio.ImageSpec(30, 20, 5, "half")
    spec.channelnames = ("R", "G", "B", "A", "matte.card")
    spec.x, spec.y, spec.full_width, spec.full_height = -4, 6, 64, 48
    spec.attribute("framesPerSecond", oiio.TypeRational, (25, 1))
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), (0.7, 0.3, 0.2, 0.7, 0.1, 0.05, 0.31, 0.33))
    pixels = rng.uniform(0.2, 0.5, (20, 30, 5)).astype(np.float16)
    pixels[..., 3] = rng.choice([0.25, 0.5, 1.0], (20, 30))
    pixels[..., :3] *= pixels[..., 3:4]
    output = oiio.ImageOutput.create("a.exr")
    output.open(str(tmp_path / "a.exr"), spec)
    output.write_image(pixels)
    output.close()
    summary = render_take(CORRECTION, parse_sequence(tmp_path / "a.exr"), tmp_path / "b.exr")
    assert any(isinstance(said, ColoursRetagged) and said.display_named for said in summary.cautions)
    source = oiio.ImageInput.open(str(tmp_path / "b.exr"))
    after, result = source.spec(), source.read_image(oiio.HALF)
    assert (after.x, after.y, after.full_width, after.full_height) == (-4, 6, 64, 48)
    assert after.channelnames == ("R", "G", "B", "A", "matte.card")
    assert after.getattribute("framesPerSecond") == (25, 1) and after.getattribute("chromaticities") is not None
    np.testing.assert_array_equal(result[..., 3:], pixels[..., 3:])
    # Colours that carry their alpha are divided by it before the chain and multiplied after.
    alpha = pixels[..., 3:4].astype(np.float64)
    wanted = apply_chain(CHAIN, pixels[..., :3] / alpha) * alpha
    assert np.abs(result[..., :3] - wanted).max() < 2**-11


def test_two_renders_give_the_same_bytes(tmp_path: Path) -> None:
    sequence = parse_sequence(take(tmp_path / "in", ".dpx", 10, numbers=range(1, 6)))
    for out, threads in (("one", 1), ("two", 3), ("again", 3)):
        render_take(CORRECTION, sequence, f"{tmp_path}/{out}/", threads=threads)
    assert bytes_of(tmp_path / "one") == bytes_of(tmp_path / "two") == bytes_of(tmp_path / "again")
    # A frame's noise follows from its number, not from its place in the take.
    render_take(CORRECTION, sequence.only((4,)), f"{tmp_path}/single/")
    assert (tmp_path / "single" / "s.0004.dpx").read_bytes() == (tmp_path / "one" / "s.0004.dpx").read_bytes()


def test_dither_keeps_the_mean_between_codes(tmp_path: Path) -> None:
    """Triangular dither: the mean of a flat field is kept far below one code, and differs from frame to frame."""
    value = 0.3 + 0.4 / 255
    for number in (1, 2):
        write_frame(tmp_path / f"in/s.{number}.exr", Frame(np.full((64, 64, 3), value, np.float32)))
    sequence = parse_sequence(tmp_path / "in")
    render_take(CORRECTION, sequence, f"{tmp_path}/out/s.#.png", operations=(), bits=8)
    first, second = (read_frame(tmp_path / f"out/s.{number}.png").pixels.astype(np.float64) for number in (1, 2))
    # Variance of triangular noise of one code is 1/6, and 1/4 at most with rounding: 5 sigma of 12288 samples.
    assert abs(first.mean() / 255 - value) * 255 < 5 * np.sqrt(0.25 / first.size)
    assert (first != second).mean() > 0.2


def test_legal_range(tmp_path: Path) -> None:
    """ITU-R BT.709-6: black 64 and white 940 of 10 bits."""
    write_frame(tmp_path / "in.dpx", Frame(np.repeat(np.linspace(0, 1, 32, dtype=np.float32)[None, :, None], 3, 2)
                                           .repeat(4, 0), bits=10))
    summary = render_take(CORRECTION, parse_sequence(tmp_path / "in.dpx"), tmp_path / "out.dpx", operations=(),
                          range_="legal", dither=False)
    codes = np.rint(read_frame(tmp_path / "out.dpx").rgb_float() * 1023)
    assert (codes.min(), codes.max()) == (64, 940) and summary.range == "legal" and summary.fraction_clipped == 0
    with pytest.raises(InputError, match="full or legal"):
        render_take(CORRECTION, parse_sequence(tmp_path / "in.dpx"), tmp_path / "x.dpx", range_="broadcast")


def test_a_pixel_that_is_no_number_hides_nothing_of_what_leaves_the_range(tmp_path: Path) -> None:
    pixels = np.full((64, 64, 3), 0.5, np.float32)
    pixels[:, :16, 0] = 1.5
    pixels[:, 63, 2] = np.nan
    write_frame(tmp_path / "in.exr", Frame(pixels))
    summary = render_take(CORRECTION, parse_sequence(tmp_path / "in.exr"), tmp_path / "a.dpx", operations=())
    assert (summary.fraction_over, summary.fraction_under, summary.fraction_clipped) == (0.25, 0.0, 0.25)


def test_what_leaves_the_range_is_said(tmp_path: Path) -> None:
    pixels = np.full((64, 64, 3), 0.5, np.float32)
    pixels[:, :16, 0] = 1.5
    pixels[:, 16:24, 1] = -0.5
    write_frame(tmp_path / "in.exr", Frame(pixels))
    sequence = parse_sequence(tmp_path / "in.exr")
    kept = render_take(CORRECTION, sequence, tmp_path / "a.exr", operations=())
    assert (kept.fraction_over, kept.fraction_under, kept.fraction_clipped) == (0.25, 0.125, 0.0)
    np.testing.assert_array_equal(read_frame(tmp_path / "a.exr").pixels, pixels)
    lost = render_take(CORRECTION, sequence, tmp_path / "a.dpx", operations=())
    assert lost.fraction_clipped == 0.375
    assert lost.cautions == (RenderLimited(0.375, 10, "full"), RenderBeyond(0.25, 0.125))
    quiet = render_take(CORRECTION, sequence, tmp_path / "b.exr", operations=(Matrix(((0.3, 0, 0), (0, 0.3, 0), (
        0, 0, 0.3)), (0.2, 0.2, 0.2)),))
    assert quiet.cautions == ()


def test_all_is_checked_before_anything_is_written(tmp_path: Path) -> None:
    out = tmp_path / "out"
    holed = parse_sequence(take(tmp_path / "holed", ".exr", numbers=(1, 2, 4)))
    with pytest.raises(InputError, match="frame 3 is missing"):
        render_take(CORRECTION, holed, f"{out}/")
    pattern = take(tmp_path / "sizes", ".exr", numbers=(1, 2, 3, 4))
    for number in (3, 4):
        write_frame(tmp_path / f"sizes/s.{number:04d}.exr", Frame(np.zeros((8, 9, 3), np.float16)), overwrite=True)
    with pytest.raises(InputError, match=r"s\.0003\.exr is 9x8 pixels, but the take begins with 70x40"):
        render_take(CORRECTION, parse_sequence(pattern), f"{out}/")
    good = parse_sequence(take(tmp_path / "good", ".exr"))
    (tmp_path / "good/s.0004.exr").write_bytes(b"nothing")
    with pytest.raises(InputError, match=r"s\.0004\.exr: not a picture"):
        render_take(CORRECTION, parse_sequence(tmp_path / "good/s.####.exr"), f"{out}/")
    with pytest.raises(InputError, match="16, 32 bits a channel, not 10"):
        render_take(CORRECTION, good, f"{out}/", bits=10)
    with pytest.raises(InputError, match="isn't a format written here"):
        render_take(CORRECTION, good, f"{out}/s.####.jpg")
    with pytest.raises(InputError, match="the take itself"):
        render_take(CORRECTION, good, tmp_path / "good", overwrite=True)
    assert not out.exists()


def test_existing_outputs(tmp_path: Path) -> None:
    sequence = parse_sequence(take(tmp_path / "in", ".exr"))
    out = tmp_path / "out"
    out.mkdir()
    (out / "s.0003.exr").write_bytes(b"somebody's work")
    with pytest.raises(InputError, match=r"s\.0003\.exr exists already"):
        render_take(CORRECTION, sequence, out)
    assert bytes_of(out) == {"s.0003.exr": b"somebody's work"}
    render_take(CORRECTION, sequence, out, overwrite=True)
    whole = bytes_of(out)
    assert len(whole) == 3

    # Resuming: a frame cut short and one that is missing are rendered, the whole one is left as it is.
    (out / "s.0001.exr").write_bytes(whole["s.0001.exr"][:-200])
    (out / "s.0002.exr").unlink()
    before = (out / "s.0003.exr").stat().st_mtime_ns
    summary = render_take(CORRECTION, sequence, out, resume=True)
    assert summary.frames == (1, 2) and summary.kept == (3,) and FramesKept(1) in summary.cautions
    assert (out / "s.0003.exr").stat().st_mtime_ns == before and bytes_of(out) == whole


@pytest.mark.parametrize(("suffix", "bits"), [(".exr", 16), (".dpx", 10)])
def test_resuming_with_another_correction_is_refused(tmp_path: Path, suffix: str, bits: int) -> None:
    """Before anything is written, so that no shot holds two corrections; also where no file names its correction."""
    sequence = parse_sequence(take(tmp_path / "in", suffix, bits))
    out = tmp_path / "out"
    render_take(CORRECTION, sequence, out)
    (out / f"s.0002{suffix}").unlink()
    there = bytes_of(out)
    other = replace(CORRECTION, operations=(*CORRECTION.operations, Matrix(((0.97, 0, 0), (0, 1, 0), (0, 0, 1)))))
    with pytest.raises(InputError, match=r"s\.0001.* (was|were) rendered with another correction"):
        render_take(other, sequence, out, resume=True)
    with pytest.raises(InputError, match=r"s\.0001.* rendered with another correction, or from other"):
        render_take(CORRECTION, sequence, out, resume=True, range_="legal")
    assert bytes_of(out) == there
    assert render_take(CORRECTION, sequence, out, resume=True).frames == (2,)


def test_a_shot_of_other_files_than_the_card_take(tmp_path: Path) -> None:
    sequence = parse_sequence(take(tmp_path / "in", ".dpx", 10))
    for kind, told in (("10-bit DPX", False), ("half float EXR", True), ("", False)):
        correction = replace(CORRECTION, provenance=Provenance(files_kind=kind))
        cautions = render_take(correction, sequence, tmp_path / f"out{told}{len(kind)}/").cautions
        assert (FilesUnlike("in/s.####.dpx", "10-bit DPX", "half float EXR") in cautions) == told, cautions


def test_a_frame_damaged_in_its_middle_stops_the_render_between_whole_frames(tmp_path: Path) -> None:
    sequence = parse_sequence(take(tmp_path / "in", ".exr", 32, numbers=range(1, 9)))
    damaged = sequence.path(4)
    damaged.write_bytes(damaged.read_bytes()[:-3000])
    with pytest.raises(InputError, match=r"s\.0004\.exr: damaged or cut short"):
        render_take(CORRECTION, sequence, tmp_path / "out/", threads=2)
    for path in (tmp_path / "out").iterdir():
        assert not path.name.startswith(".") and path.name != "s.0004.exr"
        assert read_frame(path).width == 70


@contextmanager
def files_no_larger_than(size: int) -> Iterator[None]:
    """Writing on fails as on a full disk: the system's own limit for this process, whoever writes (Python ignores its
    signal)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("size", [0, 1000, 5000])
@pytest.mark.parametrize(("suffix", "bits"), [(".dpx", 10), (".dpx", 16), (".exr", 16), (".exr", 32), (".tif", 16),
                                              (".png", 8), (".png", 16)])
def test_a_full_disk_leaves_nothing_half_written(tmp_path: Path, suffix: str, bits: int, size: int) -> None:
    sequence = parse_sequence(take(tmp_path / "in", ".exr", 32))
    render_take(CORRECTION, sequence, f"{tmp_path}/whole/s.####{suffix}", bits=bits)
    assert (tmp_path / "whole" / f"s.0001{suffix}").stat().st_size > 5000
    with files_no_larger_than(size), pytest.raises(InputError):
        render_take(CORRECTION, sequence, f"{tmp_path}/out/s.####{suffix}", bits=bits)
    assert not (tmp_path / "out").exists() or list((tmp_path / "out").iterdir()) == []


def test_a_disk_that_fills_up_keeps_the_file_that_was_there(tmp_path: Path) -> None:
    kept = tmp_path / "kept.json"
    write_json(kept, {"mine": 1})
    before = kept.read_bytes()
    with files_no_larger_than(100), pytest.raises(InputError, match="cannot write .*kept.json.*File too large"):
        write_json(kept, {"rows": list(range(1000))}, overwrite=True)
    assert kept.read_bytes() == before and [path.name for path in tmp_path.iterdir()] == ["kept.json"]


@pytest.mark.parametrize(("suffix", "bits"), [(".dpx", 10), (".exr", 16)])
def test_every_kept_frame_is_held_against_its_own_source(tmp_path: Path, suffix: str, bits: int) -> None:
    """A frame of another correction, one with half its picture lost, one whose source was replaced since: each alone
    and not the first, each whole as a file."""
    pattern = take(tmp_path / "in", suffix, bits, numbers=range(1, 6))
    sequence, out = parse_sequence(pattern), tmp_path / "out"
    render_take(CORRECTION, sequence, out)
    whole = bytes_of(out)
    other = Matrix(((0.97, 0, 0), (0, 1, 0), (0, 0, 1)))
    render_take(CORRECTION, sequence.only((4,)), tmp_path / "other/", operations=(*CORRECTION.operations, other))
    (out / f"s.0004{suffix}").write_bytes((tmp_path / f"other/s.0004{suffix}").read_bytes())
    with pytest.raises(InputError, match=r"s\.0004.* was rendered with another correction"):
        render_take(CORRECTION, sequence, out, resume=True)
    (out / f"s.0004{suffix}").write_bytes(whole[f"s.0004{suffix}"])

    frame = read_frame(out / f"s.0003{suffix}")
    frame.pixels[20:] = 0
    write_frame(out / f"s.0003{suffix}", frame, overwrite=True)
    with pytest.raises(InputError, match=r"s\.0003.* harmed since"):
        render_take(CORRECTION, sequence, out, resume=True)
    (out / f"s.0003{suffix}").write_bytes(whole[f"s.0003{suffix}"])

    sequence.path(5).write_bytes(sequence.path(2).read_bytes())
    with pytest.raises(InputError, match=r"s\.0005.* from other frames"):
        render_take(CORRECTION, sequence, out, resume=True)
    assert bytes_of(out) == whole


def test_frames_of_a_longer_render_do_not_stay_beside_those_of_a_shorter_one(tmp_path: Path) -> None:
    long = parse_sequence(take(tmp_path / "long", ".dpx", 10, numbers=range(1, 6)))
    short = parse_sequence(take(tmp_path / "short", ".dpx", 10, numbers=range(1, 4)))
    render_take(CORRECTION, long, tmp_path / "out/")
    there = bytes_of(tmp_path / "out")
    with pytest.raises(InputError, match=r"out also holds frames 4-5 of the same name, which are not rendered"):
        render_take(CORRECTION, short, tmp_path / "out/", overwrite=True)
    assert bytes_of(tmp_path / "out") == there
    # A range of the same take is no shorter take: its other frames may be there, unless the folder is to be its own.
    render_take(CORRECTION, long.only((2, 3)), tmp_path / "out/", overwrite=True)
    with pytest.raises(InputError, match="out also holds frames 1, 4-5"):
        render_take(CORRECTION, long.only((2, 3)), tmp_path / "out/", overwrite=True, alone=True)
    assert bytes_of(tmp_path / "out") == there


def test_pixels_that_are_no_numbers_are_said(tmp_path: Path) -> None:
    """Of the camera's files, and those that come about: past half's range, or from an absurd code through a curve."""
    plain = np.full((64, 64, 3), 0.5, np.float32)
    for number, (at, value) in enumerate([((3, 5, 1), 0.25), ((3, 5, 1), np.nan), ((63, 0, 2), np.inf),
                                          ((1, 1, 0), 60000.0)], 1):
        pixels = plain.copy()
        pixels[at] = value
        write_frame(tmp_path / f"s.{number}.exr", Frame(pixels.astype(np.float16)))
    sequence = parse_sequence(tmp_path / "s.#.exr")
    double = Matrix(((2.0, 0, 0), (0, 2, 0), (0, 0, 2)))
    said = render_take(CORRECTION, sequence, tmp_path / "a/", operations=(double,)).cautions
    assert CameBroken((2, 3)) in said and BecameBroken((4,)) in said
    absurd = 5 * (Matrix(((1e9, 0, 0), (0, 1, 0), (0, 0, 1))),)      # past float32 together
    done = render_take(CORRECTION, sequence.only((1,)), tmp_path / "b.#.dpx", operations=absurd)
    assert BecameBroken((1,)) in done.cautions
    quiet = render_take(CORRECTION, sequence.only((1,)), tmp_path / "c/", operations=(double,)).cautions
    assert not has(quiet, CameBroken, BecameBroken)


def test_tags_of_the_cameras_colours_do_not_outlive_them(tmp_path: Path) -> None:
    """AP0's chromaticities (SMPTE ST 2065-1), an ICC profile, DPX transfer and colorimetric bytes (ST 268-1)."""
    ap0 = (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767)
    spec = oiio.ImageSpec(16, 16, 3, "half")
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), ap0)
    spec.attribute("acesImageContainerFlag", 1)
    spec.attribute("compression", "none")
    spec.attribute("colorInteropID", "lin_ap0_scene")
    spec.attribute("reelName", "invented reel")
    output = oiio.ImageOutput.create(str(tmp_path / "a.1.exr"))
    assert output.open(str(tmp_path / "a.1.exr"), spec) and output.write_image(np.full((16, 16, 3), 0.5, np.float16))
    output.close()
    done = render_take(CORRECTION, parse_sequence(tmp_path / "a.#.exr"), tmp_path / "out/")
    found = read_frame(tmp_path / "out/a.1.exr").metadata.attributes()
    assert found["reelName"] == "invented reel"
    # ITU-R BT.709-6, items 1.3 and 1.4.
    assert found["chromaticities"] == pytest.approx((0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329))
    assert "acesImageContainerFlag" not in found and "colorInteropID" not in found
    (retagged,) = (one for one in done.cautions if isinstance(one, ColoursRetagged))
    assert "chromaticities" in retagged.attributes and retagged.display_named

    write_frame(tmp_path / "b.1.dpx", Frame(np.full((16, 16, 3), 30000, np.uint16), bits=10))
    raw = bytearray((tmp_path / "b.1.dpx").read_bytes())
    raw[801:803] = bytes((3, 4))     # logarithmic, unspecified video
    (tmp_path / "b.1.dpx").write_bytes(raw)
    done = render_take(CORRECTION, parse_sequence(tmp_path / "b.#.dpx"), tmp_path / "out/")
    assert (tmp_path / "out/b.1.dpx").read_bytes()[801:803] == bytes(2) and ColoursUnsaid() in done.cautions


def test_what_a_format_cannot_hold_is_said(tmp_path: Path) -> None:
    spec = oiio.ImageSpec(16, 8, 6, "half")
    spec.channelnames = ("R", "G", "B", "left.R", "left.G", "left.B")
    spec.x, spec.full_width, spec.full_height = 4, 32, 16
    spec.attribute("framesPerSecond", oiio.TypeRational, (24000, 1001))
    output = oiio.ImageOutput.create(str(tmp_path / "a.1.exr"))
    assert output.open(str(tmp_path / "a.1.exr"), spec) and output.write_image(np.full((8, 16, 6), 0.5, np.float16))
    output.close()
    sequence = parse_sequence(tmp_path / "a.#.exr")
    layers = ("left.R", "left.G", "left.B")
    assert LayersCarried(layers) in render_take(CORRECTION, sequence, tmp_path / "exr/").cautions
    said = render_take(CORRECTION, sequence, tmp_path / "b.#.dpx").cautions
    assert DataWindowLost("(4, 0, 20, 8)", "(0, 0, 32, 16)", ".dpx") in said and ChannelsLost(layers, ".dpx") in said
    found = read_frame(tmp_path / "b.1.dpx").metadata.attributes()
    assert found["dpx:FrameRate"] == pytest.approx(24000 / 1001)
    assert found["dpx:TemporalFrameRate"] == pytest.approx(24000 / 1001)


def test_dpx_to_exr_reads_each_frame_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from huewright.frames.dpx import DpxPicture

    sequence = parse_sequence(take(tmp_path / "in", ".dpx", 10))
    decoded: list[int] = []
    codes = DpxPicture.codes
    monkeypatch.setattr(DpxPicture, "codes", lambda picture: (decoded.append(1), codes(picture))[1])
    render_take(CORRECTION, sequence, tmp_path / "out.####.exr")
    assert not decoded
    for number in sequence.numbers:
        expected = CORRECTION.apply(read_frame(sequence.path(number)).rgb_float())
        np.testing.assert_allclose(read_frame(tmp_path / f"out.{number:04d}.exr").pixels, expected, atol=1e-3)


def test_interrupt_leaves_whole_frames_only(tmp_path: Path) -> None:
    """A real Ctrl-C: SIGINT to a process that renders; afterwards every file there is whole, and resuming works."""
    sequence = parse_sequence(take(tmp_path / "in", ".exr", 32, numbers=range(1, 41)))
    script = textwrap.dedent(f"""
        import signal, sys, time
        sys.path.insert(0, {str(Path(__file__).parent)!r})
        from test_render_take import CORRECTION
        from huewright.frames import picture
        from huewright.frames.sequence import parse_sequence
        from huewright.rendering import frame
        from huewright.steps import render
        # A shell that starts jobs in the background leaves SIGINT ignored; a terminal does not.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        slow = frame.write_frame
        def write(*args, **kwargs):
            time.sleep(0.05)
            slow(*args, **kwargs)
        frame.write_frame = write
        def progress(done, total, what):
            if what == "rendering" and done:
                print("begun", flush=True)
        try:
            render.render_take(CORRECTION, parse_sequence({sequence.text!r}), {f"{tmp_path}/out/"!r}, threads=2,
                               progress=progress)
        except KeyboardInterrupt:
            sys.exit(130)
    """)
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None and child.stdout.readline() == "begun\n"
        child.send_signal(signal.SIGINT)
        assert child.wait(timeout=60) == 130
    there = sorted((tmp_path / "out").iterdir())
    assert 0 < len(there) < 40
    for path in there:
        assert path.suffix == ".exr" and not path.name.startswith(".") and read_frame(path).height == 40
    summary = render_take(CORRECTION, sequence, tmp_path / "out/", resume=True)
    assert len(summary.kept) == len(there) and len(summary.frames) == 40 - len(there)


def test_progress_and_the_measure_of_reading_and_writing(tmp_path: Path) -> None:
    sequence = parse_sequence(take(tmp_path / "in", ".dpx", 10))
    told: list[tuple[int, int, str]] = []
    render_take(CORRECTION, sequence, tmp_path / "out/", progress=lambda *step: told.append(step))
    assert told[-1] == (3, 3, "rendering") and [step[0] for step in told] == sorted(step[0] for step in told)
    assert read_and_write_take(sequence, tmp_path / "copy/") > 0
    assert bytes_of(tmp_path / "copy") == bytes_of(tmp_path / "in")


@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_the_largest_magnitude_is_that_of_the_numbers(kind: type) -> None:
    """By their bits as by NumPy's own absolute values, whatever the sign, and infinite where one is no number."""
    pixels = np.random.default_rng(3).normal(0, 3, (70, 900, 3)).astype(kind)     # of more than one part
    for at, value in ((None, 0.0), ((69, 899, 2), -900.0), ((0, 0, 0), 6.1e4), ((5, 5, 1), -0.0)):
        if at is not None:
            pixels[at] = value
        assert rendering.magnitude(pixels) == float(np.abs(pixels).max()) and rendering.broken_pixels(pixels) == 0
    for value in (np.nan, -np.nan, np.inf, -np.inf):
        broken = pixels.copy()
        broken[69, 3, 1] = broken[2, 2, :2] = value
        assert rendering.magnitude(broken) == np.inf and rendering.broken_pixels(broken) == 2
    beside = np.concatenate([pixels, np.full((70, 900, 1), np.nan, kind)], axis=2)     # alpha is no colour
    assert rendering.broken_pixels(beside) == 0 and rendering.magnitude(np.zeros((4, 4, 3), kind)) == 0


def test_frames_under_way() -> None:
    """More than there are threads, so that those which wait for the storage leave none idle; and never many more."""
    assert [workers_for(threads, 100) for threads in (1, 2, 4, 16)] == [(1, 1), (4, 1), (8, 1), (20, 1)]
    assert workers_for(8, 2) == (2, 4) and workers_for(3, 1) == (1, 3)
    with pytest.raises(InputError, match="at least one thread"):
        workers_for(0, 5)


def test_sampled_rows_lie_in_the_picture() -> None:
    """The rows on which the range is measured, of a packed picture and of an array, are the same rows."""
    from huewright.frames.dpx import new_dpx

    codes = np.random.default_rng(1).integers(0, 1024, (100, 12, 3)).astype(np.uint16)
    picture = new_dpx(oiio.ImageSpec(), 12, 100, 10).with_codes(codes)
    scale = Matrix(((1.2, 0, 0), (0, 1.2, 0), (0, 0, 1.2)), (-0.1, -0.1, -0.1))
    job = prepared((scale,), "full", 10, False, Processor(1), ".dpx", lambda line: None, (0, 0))
    packed = rendering._sampled(job, picture.kernel_view(), False, False)
    plain = rendering._sampled(job, (codes / 1023).astype(np.float32), False, False)
    assert packed == plain and packed.range.pixels == 3 * 12 and packed.range.over > 0 and packed.range.under > 0
