"""Picture files through read and write: number formats, windows, channels, metadata, damage. Read back with
OpenImageIO itself wherever the point is what lies in the file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.errors import InputError
from huewright.frames.frame import Frame
from huewright.frames.picture import read_frame, read_header, write_frame
from huewright.frames.wholeness import is_whole
from hypothesis import given
from hypothesis import strategies as st

RNG = np.random.default_rng(7)
CHROMATICITIES = (0.7, 0.3, 0.2, 0.7, 0.1, 0.05, 0.31, 0.33)


def _write(path: Path, pixels: np.ndarray, spec: oiio.ImageSpec) -> Path:
    output = oiio.ImageOutput.create(str(path))
    assert output.open(str(path), spec), output.geterror()
    assert output.write_image(np.ascontiguousarray(pixels)), output.geterror()
    output.close()
    return path


def _spec(width: int, height: int, channels: str | tuple[str, ...], kind: str, bits: int = 0) -> oiio.ImageSpec:
    spec = oiio.ImageSpec(width, height, len(channels), kind)
    spec.channelnames = tuple(channels)
    if bits:
        spec.attribute("oiio:BitsPerSample", bits)
    return spec


def _attributes(path: Path) -> dict[str, object]:
    source = oiio.ImageInput.open(str(path))
    return {item.name: item.value for item in source.spec().extra_attribs}


def _camera_metadata(spec: oiio.ImageSpec) -> None:
    spec.attribute("smpte:TimeCode", oiio.TypeTimeCode, np.array([0x01020304, 0], np.uint32))
    spec.attribute("smpte:KeyCode", oiio.TypeKeyCode, (1, 2, 3, 4, 5, 4, 64))
    spec.attribute("framesPerSecond", oiio.TypeRational, (24000, 1001))
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), CHROMATICITIES)
    spec.attribute("PixelAspectRatio", 2.0)
    spec.attribute("reelName", "invented reel")


@pytest.mark.parametrize("kind", [np.float16, np.float32])
@pytest.mark.parametrize("tile", [0, 16])
def test_exr_survives(tmp_path: Path, kind: type, tile: int) -> None:
    spec = _spec(50, 40, ("R", "G", "B", "A", "depth.Z"), "half" if kind is np.float16 else "float")
    spec.x, spec.y, spec.full_width, spec.full_height = 5, -3, 80, 60
    spec.tile_width = spec.tile_height = tile
    spec.attribute("compression", "piz")
    _camera_metadata(spec)
    pixels = RNG.normal(0.5, 1.0, (40, 50, 5)).astype(kind)
    pixels[0, 0] = np.inf
    pixels[0, 1, :3] = np.nan
    source = _write(tmp_path / "in.exr", pixels, spec)

    frame = read_frame(source)
    assert frame.pixels.dtype == kind
    np.testing.assert_array_equal(frame.pixels, pixels)
    assert frame.channel_names == ("R", "G", "B", "A", "depth.Z")
    assert frame.data_window == (5, -3, 55, 37) and frame.display_window == (0, 0, 80, 60)
    assert frame.pixel_aspect == 2.0 and frame.has_alpha and frame.premultiplied
    header = read_header(source)
    assert (header.width, header.height, header.dtype) == (50, 40, kind)

    write_frame(tmp_path / "out.exr", frame)
    back = oiio.ImageInput.open(str(tmp_path / "out.exr"))
    after = back.spec()
    np.testing.assert_array_equal(back.read_image(oiio.HALF if kind is np.float16 else oiio.FLOAT), pixels)
    assert (after.x, after.y, after.full_width, after.full_height) == (5, -3, 80, 60)
    assert after.tile_width == tile and after.channelnames == frame.channel_names
    found = _attributes(tmp_path / "out.exr")
    assert found["compression"] == "piz"
    assert found["smpte:TimeCode"] == (0x01020304, 0) and found["smpte:KeyCode"] == (1, 2, 3, 4, 5, 4, 64)
    assert found["framesPerSecond"] == (24000, 1001) and found["PixelAspectRatio"] == 2.0
    assert found["chromaticities"] == pytest.approx(CHROMATICITIES) and found["reelName"] == "invented reel"


def test_exr_channels_of_different_formats(tmp_path: Path) -> None:
    spec = _spec(20, 10, ("R", "G", "B", "Z"), "half")
    spec.channelformats = (oiio.HALF,) * 3 + (oiio.FLOAT,)
    pixels = RNG.random((10, 20, 4)).astype(np.float32)
    pixels[..., :3] = pixels[..., :3].astype(np.float16)
    frame = read_frame(_write(tmp_path / "in.exr", pixels, spec))
    assert frame.pixels.dtype == np.float16 and frame.pixels.shape == (10, 20, 3)
    write_frame(tmp_path / "out.exr", frame)
    back = oiio.ImageInput.open(str(tmp_path / "out.exr"))
    assert [str(kind) for kind in back.spec().channelformats] == ["half", "half", "half", "float"]
    np.testing.assert_array_equal(back.read_image(oiio.FLOAT), pixels)


def test_whole_number_channel_beside_half_is_not_harmed_silently(tmp_path: Path) -> None:
    spec = _spec(8, 8, ("R", "G", "B", "id"), "half")
    spec.channelformats = (oiio.HALF,) * 3 + (oiio.UINT32,)
    frame = read_frame(_write(tmp_path / "in.exr", np.zeros((8, 8, 4), np.float32), spec))
    with pytest.raises(InputError, match="channel id .* remove that channel"):
        write_frame(tmp_path / "out.exr", frame)
    assert not (tmp_path / "out.exr").exists()


def test_extra_channels_come_after_the_colours(tmp_path: Path) -> None:
    """In a file whose channels lie as A, B, G, R, X (EXR sorts them), the order in memory is R, G, B, A, X."""
    pixels = RNG.random((4, 6, 5)).astype(np.float32)
    frame = read_frame(_write(tmp_path / "in.exr", pixels, _spec(6, 4, ("X", "A", "B", "G", "R"), "float")))
    assert frame.channel_names == ("R", "G", "B", "A", "X")
    np.testing.assert_array_equal(frame.pixels, pixels[..., [4, 3, 2, 1, 0]])


@pytest.mark.parametrize("suffix", [".dpx", ".tif"])
@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("endian", ["big", "little"])
def test_integer_codes_are_exact(tmp_path: Path, suffix: str, bits: int, endian: str) -> None:
    """Every code value v of n bits reads as v / (2^n - 1) within float32 rounding, and is written back as v."""
    top = 2**bits - 1
    codes = np.arange(2**min(bits, 12) * 3) * (top / (2**min(bits, 12) - 1))
    codes = np.rint(np.mod(codes, top + 1)).astype(np.uint32).reshape(-1, 64, 3)
    spec = _spec(64, codes.shape[0], "RGB", "uint8" if bits == 8 else "uint16", bits)
    spec.attribute("oiio:Endian", endian)
    # OpenImageIO takes the upper bits of a 16-bit value.
    stored = codes.astype(np.uint8) if bits == 8 else (codes << (16 - bits)).astype(np.uint16)
    frame = read_frame(_write(tmp_path / f"in{suffix}", stored, spec))
    assert frame.bits == bits and frame.pixels.dtype == (np.uint8 if bits == 8 else np.uint16)
    assert read_header(tmp_path / f"in{suffix}").bits == bits
    expected = codes / top
    assert np.abs(frame.rgb_float() - expected).max() <= np.spacing(np.float32(1)) / 2
    write_frame(tmp_path / f"out{suffix}", frame)
    back = oiio.ImageInput.open(str(tmp_path / f"out{suffix}"))
    assert back.spec().get_int_attribute("oiio:BitsPerSample") == bits or bits in (8, 16)
    pixels = back.read_image(oiio.UINT8 if bits == 8 else oiio.UINT16)
    np.testing.assert_array_equal(pixels >> (0 if bits == 8 else 16 - bits), codes)


def test_png_keeps_unmultiplied_alpha(tmp_path: Path) -> None:
    pixels = RNG.integers(0, 256, (9, 11, 4)).astype(np.uint8)
    spec = _spec(11, 9, "RGBA", "uint8")
    spec.attribute("oiio:UnassociatedAlpha", 1)
    frame = read_frame(_write(tmp_path / "in.png", pixels, spec))
    np.testing.assert_array_equal(frame.pixels, pixels)
    assert frame.has_alpha and not frame.premultiplied
    write_frame(tmp_path / "out.png", frame)
    np.testing.assert_array_equal(read_frame(tmp_path / "out.png").pixels, pixels)


def test_floats_are_rounded_and_clipped_for_integer_files(tmp_path: Path) -> None:
    pixels = np.array([[[-0.5, 0.25, 2.0], [np.nan, np.inf, 0.5]]], np.float32)
    write_frame(tmp_path / "a.dpx", Frame(pixels, bits=10))
    read = read_frame(tmp_path / "a.dpx")
    assert read.bits == 10
    np.testing.assert_array_equal(np.rint(read.rgb_float() * 1023), [[[0, 256, 1023], [0, 1023, 512]]])


def test_dpx_to_exr_keeps_the_camera_metadata(tmp_path: Path) -> None:
    spec = _spec(16, 8, "RGB", "uint16", 10)
    spec.attribute("smpte:TimeCode", oiio.TypeTimeCode, np.array([0x10203040 & 0x3FFFFFFF, 0], np.uint32))
    frame = read_frame(_write(tmp_path / "in.dpx", np.zeros((8, 16, 3), np.uint16), spec))
    write_frame(tmp_path / "out.exr", frame)
    assert _attributes(tmp_path / "out.exr")["smpte:TimeCode"] == _attributes(tmp_path / "in.dpx")["smpte:TimeCode"]
    assert read_frame(tmp_path / "out.exr").pixels.dtype == np.float16
    write_frame(tmp_path / "again.dpx", read_frame(tmp_path / "out.exr"))
    assert _attributes(tmp_path / "again.dpx")["smpte:TimeCode"] == _attributes(tmp_path / "in.dpx")["smpte:TimeCode"]


@pytest.mark.parametrize("suffix", [".exr", ".dpx", ".png", ".tif"])
def test_damaged_files_get_one_sentence(tmp_path: Path, suffix: str) -> None:
    whole = tmp_path / f"whole{suffix}"
    write_frame(whole, Frame(RNG.integers(0, 65536, (64, 48, 3)).astype(np.uint16)))
    raw = whole.read_bytes()
    assert read_frame(whole).width == 48
    for length in (0, 3, 100, len(raw) // 2, int(len(raw) * 0.97)):
        cut = tmp_path / f"cut{length}{suffix}"
        cut.write_bytes(raw[:length])
        with pytest.raises(InputError) as error:
            read_frame(cut)
        said = str(error.value)
        assert str(cut) in said and "\n" not in said and said.count(". ") == 0


@pytest.mark.parametrize("suffix", [".exr", ".dpx", ".png", ".tif"])
def test_text_under_a_picture_name(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"notes{suffix}"
    path.write_text("these are notes and no picture at all\n" * 200)
    with pytest.raises(InputError, match="not a picture"):
        read_frame(path)


def test_what_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such picture file"):
        read_frame(tmp_path / "missing.exr")
    layers = _spec(8, 8, ("left.R", "left.G", "left.B"), "half")
    _write(tmp_path / "layers.exr", np.zeros((8, 8, 3), np.float16), layers)
    with pytest.raises(InputError, match="R, G and B are needed"):
        read_frame(tmp_path / "layers.exr")
    frame = Frame(np.zeros((4, 4, 3), np.float16))
    with pytest.raises(InputError, match="isn't a format written here"):
        write_frame(tmp_path / "a.xyz", frame)
    write_frame(tmp_path / "a.exr", frame)
    with pytest.raises(InputError, match="exists already"):
        write_frame(tmp_path / "a.exr", frame)
    write_frame(tmp_path / "a.exr", frame, overwrite=True)
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


@given(cut=st.integers(1, 400), at=st.integers(0, 10**6), bit=st.integers(0, 7))
def test_a_png_is_whole_or_not(tmp_path_factory: pytest.TempPathFactory, cut: int, at: int, bit: int) -> None:
    """OpenImageIO's file is; no shortened one, none with a changed bit and none with bytes behind its end."""
    folder = tmp_path_factory.mktemp("png")
    write_frame(folder / "a.png", Frame(np.arange(8 * 9 * 3, dtype=np.uint16).reshape(8, 9, 3) * 300, bits=16))
    data = (folder / "a.png").read_bytes()
    changed = bytearray(data)
    changed[at % len(data)] ^= 1 << bit
    for damaged in (data[:-min(cut, len(data))], bytes(changed), data + b"\0"):
        (folder / "b.png").write_bytes(damaged)
        assert not is_whole(folder / "b.png")
    assert is_whole(folder / "a.png")
