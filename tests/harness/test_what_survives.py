"""The table of what survives a render (``harness/docs/rendering.md``): a row a test, on files that OpenImageIO wrote,
or of a layout written here byte by byte from its standard, and read back by OpenImageIO."""

from __future__ import annotations

import struct
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.errors import InputError
from huewright.frames.picture import read_frame, read_header, write_frame
from huewright.frames.sequence import parse_sequence
from huewright.models.cautions import ChannelsLost, DataWindowLost, LayersCarried, StructureChanged
from huewright.models.coded import has
from huewright.reference import apply_chain
from huewright.steps.render import RenderSummary, render_take

sys.path.insert(0, str(Path(__file__).parent))

from test_render_take import CHAIN, CORRECTION

RNG = np.random.default_rng(11)
HALF_STEP, TEN_BITS = 2**-11, 1 / 1023
LUMINANCE = (0.2, 0.2, 0.21, 0.22)


def colours(height: int = 12, width: int = 20, channels: int = 3) -> np.ndarray:
    return RNG.uniform(0.35, 0.48, (height, width, channels)).astype(np.float32)


def spec_of(pixels: np.ndarray, kind: str, names: tuple[str, ...] = (), **said: object) -> oiio.ImageSpec:
    spec = oiio.ImageSpec(pixels.shape[1], pixels.shape[0], pixels.shape[2], kind)
    if names:
        spec.channelnames = names
    for name, value in said.items():
        spec.attribute(name.replace("__", ":"), value)
    return spec


def written(path: Path, *parts: tuple[np.ndarray, oiio.ImageSpec]) -> Path:
    output = oiio.ImageOutput.create(path.name)
    specs = tuple(spec for _, spec in parts)
    assert output.open(str(path), specs if len(specs) > 1 else specs[0]), output.geterror()
    for number, (pixels, spec) in enumerate(parts):
        assert number == 0 or output.open(str(path), spec, "AppendSubimage"), output.geterror()
        assert output.write_image(np.ascontiguousarray(pixels)), output.geterror()
    output.close()
    return path


def rendered(path: Path, out: str) -> tuple[np.ndarray, oiio.ImageSpec, RenderSummary]:
    """(R, G, B and what else, as OpenImageIO reads them in float; its description; the summary)."""
    summary = render_take(CORRECTION, parse_sequence(path), path.parent / out, dither=False)
    source = oiio.ImageInput.open(str(path.parent / out))
    assert source is not None, oiio.geterror()
    spec = oiio.ImageSpec(source.spec())
    return source.read_image(oiio.FLOAT), spec, summary


def close(result: np.ndarray, light: np.ndarray, step: float) -> None:
    assert np.abs(result - apply_chain(CHAIN, light.astype(np.float64))).max() < step / 2 + 2e-5


def changes(summary: RenderSummary) -> dict[str, tuple[str, ...]]:
    return {one.what: one.names for one in summary.cautions if isinstance(one, StructureChanged)}


def test_smaller_levels_are_left_out_and_said(tmp_path: Path) -> None:
    pixels = colours(32, 32).astype(np.float16)
    asked = oiio.ImageSpec()
    asked.attribute("maketx:fileformatname", "openexr")
    assert oiio.ImageBufAlgo.make_texture(oiio.MakeTxTexture, oiio.ImageBuf(pixels), str(tmp_path / "a.exr"), asked)
    source = oiio.ImageInput.open(str(tmp_path / "a.exr"))
    assert source.seek_subimage(0, 3) and source.spec().tile_width
    result, spec, summary = rendered(tmp_path / "a.exr", "b.exr")
    close(result, pixels, HALF_STEP)
    after = oiio.ImageInput.open(str(tmp_path / "b.exr"))
    assert spec.tile_width and not after.seek_subimage(0, 1) and changes(summary) == {"levels": ()}
    told = {item.name for item in spec.extra_attribs}
    assert not told & {"openexr:levelmode", "oiio:AverageColor", "textureformat"}
    tiled = spec_of(pixels, "half")
    tiled.tile_width = tiled.tile_height = 16
    _, spec, summary = rendered(written(tmp_path / "c.exr", (pixels, tiled)), "d.exr")
    assert spec.tile_width == 16 and changes(summary) == {}


def test_views_are_corrected_all_alike(tmp_path: Path) -> None:
    """Channels of further views in one part, declared by OpenEXR's multiView; other layers are named."""
    names = ("R", "G", "B", "right.R", "right.G", "right.B", "diffuse.R", "diffuse.G", "diffuse.B")
    pixels = colours(channels=9).astype(np.float16)
    spec = spec_of(pixels, "half", names)
    spec.attribute("multiView", oiio.TypeDesc("string[2]"), ("left", "right"))
    result, after, summary = rendered(written(tmp_path / "a.exr", (pixels, spec)), "b.exr")
    by_name = {name: result[..., place] for place, name in enumerate(after.channelnames)}
    for place in (0, 3):
        close(np.stack([by_name[name] for name in names[place:place + 3]], 2), pixels[..., place:place + 3], HALF_STEP)
    for place in (6, 7, 8):
        np.testing.assert_array_equal(by_name[names[place]], pixels[..., place].astype(np.float32))
    assert LayersCarried(names[6:]) in summary.cautions and after.getattribute("multiView") == ("left", "right")
    _, _, summary = rendered(tmp_path / "a.exr", "b.dpx")
    (lost,) = (one for one in summary.cautions if isinstance(one, ChannelsLost))
    assert set(lost.channels) == set(names[3:])


def test_parts_become_layers_of_one(tmp_path: Path) -> None:
    """Two views and a depth in parts of their own, the colours second; one of another size is left out."""
    depth, left, right, small = colours(channels=1) + 7, colours(), colours(), colours(4, 4)
    window = spec_of(small, "half", oiio__subimagename="window")
    window.full_width, window.full_height = 20, 12
    path = written(tmp_path / "a.exr", (depth, spec_of(depth, "float", ("Z",), oiio__subimagename="depth")),
                   (left, spec_of(left, "half", oiio__subimagename="rgb.left", view="left", reelName="invented")),
                   (right, spec_of(right, "half", oiio__subimagename="rgb.right", view="right")),
                   (small, window))
    header = read_header(path)
    assert (header.width, header.height, header.dtype) == (20, 12, np.float16)
    result, after, summary = rendered(path, "b.exr")
    by_name = {name: result[..., place] for place, name in enumerate(after.channelnames)}
    assert set(by_name) == {"R", "G", "B", "depth.Z", "right.R", "right.G", "right.B"}
    close(np.stack([by_name[name] for name in "RGB"], 2), left.astype(np.float16), HALF_STEP)
    close(np.stack([by_name[f"right.{name}"] for name in "RGB"], 2), right.astype(np.float16), HALF_STEP)
    np.testing.assert_array_equal(by_name["depth.Z"], depth[..., 0])
    assert changes(summary) == {"joined": ("depth", "rgb.right"), "left out": ("window",)}
    assert not has(summary.cautions, LayersCarried) and after.getattribute("multiView") == ("left", "right")
    assert after.get_string_attribute("reelName") == "invented" and after.get_int_attribute("oiio:subimages", 1) == 1
    again = read_frame(tmp_path / "b.exr")
    assert not again.metadata.changes and render_take(CORRECTION, parse_sequence(path), tmp_path / "b.exr",
                                                      resume=True).kept == summary.frames


def test_further_pages_are_left_out(tmp_path: Path) -> None:
    pixels, small = colours(), colours(4, 4)
    path = written(tmp_path / "a.tif", (pixels, spec_of(pixels, "uint16")), (small, spec_of(small, "uint16")))
    result, _, summary = rendered(path, "b.tif")
    close(result, pixels, 1e-4)
    assert changes(summary) == {"left out": ("page 2",)}
    assert not oiio.ImageInput.open(str(tmp_path / "b.tif")).seek_subimage(1, 0)


@pytest.mark.parametrize(("suffix", "kind", "out", "step"), [
    (".exr", "half", ".exr", HALF_STEP), (".png", "uint8", ".png", 1 / 255), (".tif", "uint16", ".tif", 1 / 65535),
    (".dpx", "uint16", ".dpx", 1 / 65535), (".exr", "float", ".dpx", TEN_BITS)])
def test_luminance_alone_becomes_three_channels(tmp_path: Path, suffix: str, kind: str, out: str, step: float) -> None:
    pixels = colours(channels=1)
    path = written(tmp_path / f"a{suffix}", (pixels, spec_of(pixels, kind, ("Y",))))
    source = oiio.ImageInput.open(str(path))
    assert source.spec().channelnames == ("Y",)
    light = source.read_image(oiio.FLOAT)
    result, after, summary = rendered(path, f"b{out}")
    assert after.channelnames == ("R", "G", "B") and changes(summary) == {"grey": ()}
    close(result, np.repeat(light.reshape(12, 20, 1), 3, 2), step)


def with_chroma(path: Path, size: int = 2, *, more: bool = False) -> Path:
    """OpenEXR's luminance and chroma channels, Y beside RY (1) and BY (0.5) of 2 x 2 pixels a sample, and with ``more``
    a small channel C and a full one D; the file from OpenEXR's description of its layout, without compression."""
    def said(name: str, kind: str, data: bytes) -> bytes:
        return name.encode() + b"\0" + kind.encode() + b"\0" + struct.pack("<i", len(data)) + data

    channels = b"".join(name + b"\0" + struct.pack("<iB3xii", 1, 0, across, across)
                        for name, across in ((b"BY", size), (b"C", 2), (b"D", 1), (b"RY", 2), (b"Y", 1))
                        if more or name not in (b"C", b"D")) + b"\0"
    window = struct.pack("<4i", 0, 0, 3, 1)
    head = (struct.pack("<II", 20000630, 2) + said("channels", "chlist", channels)
            + said("compression", "compression", b"\0") + said("dataWindow", "box2i", window)
            + said("displayWindow", "box2i", window) + said("lineOrder", "lineOrder", b"\0")
            + said("pixelAspectRatio", "float", struct.pack("<f", 1))
            + said("screenWindowCenter", "v2f", bytes(8)) + said("screenWindowWidth", "float", struct.pack("<f", 1))
            + b"\0")
    small, full = (struct.pack("<2e", 7, 7), struct.pack("<4e", 1, 2, 3, 4)) if more else (b"", b"")
    luminance = struct.pack("<4e", *LUMINANCE)
    lines = [struct.pack("<ii", row, len(data)) + data for row, data in enumerate(
        (struct.pack("<2e", 0.5, 0.5) + small + full + struct.pack("<2e", 1, 1) + luminance, full + luminance))]
    begin = len(head) + 16
    path.write_bytes(head + struct.pack("<2Q", begin, begin + len(lines[0])) + b"".join(lines))
    return path


def test_luminance_and_chroma_become_three_channels(tmp_path: Path) -> None:
    """R = (RY + 1) Y and B = (BY + 1) Y; G from the weights of ITU-R BT.709-6, item 3.2, to their four digits."""
    pytest.importorskip("OpenEXR")
    frame = read_frame(with_chroma(tmp_path / "a.exr"))
    light = np.array(LUMINANCE, np.float16)[None, :, None].repeat(2, 0) * np.array(
        [2, (1 - 0.2126 * 2 - 0.0722 * 1.5) / 0.7152, 1.5])
    np.testing.assert_allclose(frame.pixels, light, rtol=HALF_STEP)
    result, after, summary = rendered(tmp_path / "a.exr", "b.exr")
    assert after.channelnames == ("R", "G", "B") and changes(summary) == {"chroma": ()}
    close(result, frame.pixels, HALF_STEP)
    result, after, summary = rendered(with_chroma(tmp_path / "more.exr", more=True), "d.exr")
    assert after.channelnames == ("R", "G", "B", "D") and changes(summary) == {"chroma": (), "left out": ("C",)}
    np.testing.assert_array_equal(result[..., 3], [[1, 2, 3, 4]] * 2)


def test_luminance_and_chroma_that_cannot_be_read_say_so(tmp_path: Path) -> None:
    pytest.importorskip("OpenEXR")
    whole = with_chroma(tmp_path / "a.exr").read_bytes()
    (tmp_path / "a.exr").write_bytes(whole[:-4])
    with pytest.raises(InputError, match=r"a\.exr: damaged or cut short"):
        read_frame(tmp_path / "a.exr")
    with pytest.raises(InputError, match=r"c\.exr: holds channels of part of the size .* write it anew with R, G"):
        read_header(with_chroma(tmp_path / "c.exr", 1))


def test_luminance_and_chroma_without_their_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "OpenEXR", None)
    path = with_chroma(tmp_path / "a.exr")
    for read in (read_frame, read_header):
        with pytest.raises(InputError, match=r"by the package OpenEXR; install it with pip install 'huewright\[exr\]'"):
            read(path)


@pytest.mark.parametrize(("orientation", "tiff"), [(1, 2), (2, 4), (3, 3)])
@pytest.mark.parametrize("out", [".dpx", ".exr"])
def test_dpx_that_begins_elsewhere_becomes_upright(tmp_path: Path, orientation: int, tiff: int, out: str) -> None:
    """SMPTE ST 268-1's image orientation: 1 right to left, 2 bottom to top, 3 both."""
    pixels = colours()
    spec = spec_of(pixels, "uint16")
    spec.attribute("oiio:BitsPerSample", 10)
    path = written(tmp_path / "a.dpx", (pixels, spec))
    straight, _, _ = rendered(path, f"straight{out}")
    lying = {1: pixels[:, ::-1], 2: pixels[::-1], 3: pixels[::-1, ::-1]}[orientation]
    raw = bytearray(written(tmp_path / "c.dpx", (lying, spec)).read_bytes())
    struct.pack_into(">H" if raw[:4] == b"SDPX" else "<H", raw, 768, orientation)
    (tmp_path / "c.dpx").write_bytes(raw)
    result, after, summary = rendered(tmp_path / "c.dpx", f"d{out}")
    np.testing.assert_array_equal(result, straight)
    assert after.get_int_attribute("Orientation", 1) == 1 and changes(summary) == {"turned": (str(tiff),)}


@pytest.mark.parametrize("orientation", range(2, 9))
def test_turned_pictures_become_upright_with_their_windows(tmp_path: Path, orientation: int) -> None:
    """CIPA DC-008, tag 274, against OpenImageIO's own turning."""
    pixels = colours()
    spec = spec_of(pixels, "float", Orientation=orientation, PixelAspectRatio=2.0)
    spec.x, spec.y, spec.full_width, spec.full_height = 3, 1, 40, 30
    path = written(tmp_path / "a.exr", (pixels, spec))
    turned = oiio.ImageBufAlgo.reorient(oiio.ImageBuf(str(path)))
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, turned.get_pixels(oiio.FLOAT))
    x0, y0, x1, y1 = frame.data_window or ()
    assert (x1 - x0, y1 - y0) == (frame.width, frame.height)
    # A mark in the larger picture stays where it is in it: there the window is turned with all around it.
    whole = np.zeros((30, 40), np.uint8)
    whole[1:13, 3:23] = 1
    again = oiio.ImageBuf(whole)
    again.specmod().attribute("Orientation", orientation)
    shown = oiio.ImageBufAlgo.reorient(again).get_pixels(oiio.UINT8)[..., 0]
    rows, columns = np.nonzero(shown)
    assert (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1) == frame.data_window
    assert frame.pixel_aspect == (0.5 if orientation >= 5 else 2.0)
    header = read_header(path)
    assert (header.width, header.height) == (frame.width, frame.height)
    write_frame(tmp_path / "b.exr", frame)
    assert read_frame(tmp_path / "b.exr").metadata.changes == ()


@pytest.mark.parametrize("out", [".exr", ".dpx", ".tif"])
def test_alpha_in_an_element_of_its_own(tmp_path: Path, out: str) -> None:
    pixels, alpha = colours(), colours(channels=1)
    path = written(tmp_path / "a.dpx", (pixels, spec_of(pixels, "uint16")), (alpha, spec_of(alpha, "uint16", ("A",))))
    source = oiio.ImageInput.open(str(path))
    light = source.read_image(oiio.FLOAT)
    source.seek_subimage(1, 0)
    key = source.read_image(oiio.FLOAT).reshape(12, 20)
    result, after, summary = rendered(path, f"b{out}")
    if out == ".dpx":
        close(result, light, TEN_BITS)
        assert ChannelsLost(("A",), ".dpx") in summary.cautions and changes(summary) == {}
        return
    frame = read_frame(tmp_path / f"b{out}")
    close(frame.rgb_float(), light, HALF_STEP)
    assert after.channelnames == ("R", "G", "B", "A") and changes(summary) == {"alpha joined": ()}
    np.testing.assert_allclose(frame.pixels[..., 3] / (1 if out == ".exr" else 65535), key, atol=HALF_STEP)


def test_rate_time_code_and_windows(tmp_path: Path) -> None:
    pixels = colours()
    spec = spec_of(pixels, "half", ("R", "G", "B"), reelName="invented", PixelAspectRatio=1.5)
    spec.attribute("framesPerSecond", oiio.TypeRational, (24000, 1001))
    spec.attribute("smpte:TimeCode", oiio.TypeTimeCode, np.array([0x01020304, 0], np.uint32))
    spec.x, spec.full_width, spec.full_height = 4, 32, 16
    path = written(tmp_path / "a.exr", (pixels, spec))
    for out, rate in ((".exr", "FramesPerSecond"), (".dpx", "dpx:FrameRate")):
        _, after, summary = rendered(path, f"b{out}")
        assert after.getattribute("smpte:TimeCode")[0] == 0x01020304
        assert after.get_float_attribute("PixelAspectRatio") == pytest.approx(1.5)
        value = after.getattribute(rate)
        assert (value[0] / value[1] if isinstance(value, tuple) else value) == pytest.approx(24000 / 1001)
        assert has(summary.cautions, DataWindowLost) == (out == ".dpx")
        assert (after.x, after.full_width) == ((4, 32) if out == ".exr" else (0, 20))


@pytest.mark.parametrize("display", ["bt709", "bt2020", "pq", "hlg"])
def test_primaries_that_no_reader_would_take_are_named(tmp_path: Path, display: str) -> None:
    """ITU-R BT.2020-2, table 3; a file that names none has BT.709's by OpenEXR's standard attributes."""
    pixels = colours()
    path = written(tmp_path / "a.exr", (pixels, spec_of(pixels, "half")))
    render_take(replace(CORRECTION, display=display), parse_sequence(path), tmp_path / "b.exr")
    found = oiio.ImageInput.open(str(tmp_path / "b.exr")).spec().getattribute("chromaticities")
    wide = (0.708, 0.292, 0.170, 0.797, 0.131, 0.046, 0.3127, 0.3290)
    assert found is None if display == "bt709" else found == pytest.approx(wide)


def with_preview(path: Path, preview: np.ndarray) -> None:
    """Puts a preview picture (h, w, 4) uint8 into the header of an uncompressed EXR of scan lines, as OpenEXR's file
    layout has it: an attribute, and every line's offset later by its length."""
    data = path.read_bytes()
    attribute = b"preview\0preview\0" + struct.pack("<iII", 8 + preview.size, preview.shape[1], preview.shape[0])
    attribute += preview.tobytes()
    at = 8                                           # magic and version; then name, type, size and value of each
    height = 0
    while data[at]:
        name_end = data.index(b"\0", at)
        type_end = data.index(b"\0", name_end + 1)
        size, = struct.unpack_from("<i", data, type_end + 1)
        if data[at:name_end] == b"dataWindow":
            _, low, _, high = struct.unpack_from("<4i", data, type_end + 5)
            height = high - low + 1
        at = type_end + 5 + size
    offsets = struct.unpack_from(f"<{height}Q", data, at + 1)
    moved = struct.pack(f"<{height}Q", *(offset + len(attribute) for offset in offsets))
    path.write_bytes(data[:at] + attribute + b"\0" + moved + data[at + 1 + len(moved):])


def test_a_preview_of_the_cameras_colours_is_not_carried(tmp_path: Path) -> None:
    light = colours()
    path = written(tmp_path / "a.exr", (light, spec_of(light, "half", compression="none")))
    with_preview(path, np.full((4, 6, 4), 200, np.uint8))
    source = oiio.ImageInput.open(str(path))
    assert source is not None, oiio.geterror()
    recorded = source.read_image(oiio.FLOAT)
    assert np.abs(recorded - light).max() < HALF_STEP and b"preview\0preview\0" in path.read_bytes()
    result, _, _ = rendered(path, "b.exr")
    close(result, recorded, HALF_STEP)
    assert b"preview" not in (tmp_path / "b.exr").read_bytes()


def test_what_is_written_beside_the_picture_stays_from_exr_to_exr(tmp_path: Path) -> None:
    light = colours()
    spec = spec_of(light, "half", ImageDescription="third take, wind", PixelAspectRatio=2.0, reelName="A007")
    spec.attribute("smpte:KeyCode", oiio.TypeKeyCode, (1, 2, 3, 4, 5, 4, 64))
    spec.attribute("smpte:TimeCode", oiio.TypeTimeCode, (0x10203004, 0))
    spec.attribute("FramesPerSecond", oiio.TypeRational, (24000, 1001))
    path = written(tmp_path / "a.exr", (light, spec))
    _, found, _ = rendered(path, "b.exr")
    before = oiio.ImageInput.open(str(path)).spec()
    for name in ("ImageDescription", "PixelAspectRatio", "reelName", "smpte:KeyCode", "smpte:TimeCode",
                 "FramesPerSecond"):
        assert before.getattribute(name) is not None and found.getattribute(name) == before.getattribute(name), name
