"""Movies as takes: frames with known codes, ranges, times, tags, sizes, damage. Made by FFmpeg's own encoders."""

from __future__ import annotations

import struct
import threading
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from clips import HD_TAGS, LOSSLESS, codes, planes, write_clip
from huewright.errors import InputError
from huewright.frames import open_take, read_frame
from huewright.frames.conversion import output_depth
from huewright.frames.movie import MovieTake
from huewright.frames.take import Take
from huewright.reference.ycbcr import signal_from_codes

SIZE = (48, 64)
COEFFICIENTS = {1: (0.2126, 0.0722), 5: (0.299, 0.114), 9: (0.2627, 0.0593)}


def expected(known: list[np.ndarray], bits: int, *, matrix: int = 1, legal: bool = True) -> np.ndarray:
    """R'G'B' of 4:4:4 planes in fractions of the full scale, by the float64 reference (ITU-T H.273)."""
    kr, kb = COEFFICIENTS[matrix]
    signal = signal_from_codes(*known, kr=kr, kb=kb, bits=bits, legal=legal)
    return (16 + 219 * signal) * 2 ** (bits - 8) / (2**bits - 1) if legal else signal


def clip(path: Path, count: int = 12, pixel_format: str = "yuv420p", **more: object) -> list[list[np.ndarray]]:
    known = [planes(SIZE, pixel_format, 10 * k) for k in range(count)]
    write_clip(path, known, pixel_format=pixel_format, **{**LOSSLESS, "tags": HD_TAGS, **more})  # type: ignore[arg-type]
    return known


@pytest.mark.parametrize(("codec", "pixel_format", "suffix"), [
    ("libx264", "yuv444p", "mp4"), ("ffv1", "yuv444p10le", "mkv"), ("ffv1", "yuv444p12le", "mkv"),
    ("libx265", "yuv444p10le", "mov")])
@pytest.mark.parametrize(("matrix", "legal"), [(1, True), (5, True), (9, True), (1, False)])
def test_a_movie_is_its_known_frames(tmp_path: Path, codec: str, pixel_format: str, suffix: str, matrix: int,
                                     legal: bool) -> None:
    bits = int(pixel_format[7:9].strip("l") or 8)
    known = [planes(SIZE, pixel_format, 7 * k) for k in range(5)]
    options = {"libx264": {"qp": "0"}, "libx265": {"x265-params": "lossless=1:log-level=none"}}.get(codec, {})
    tags = {**HD_TAGS, "colorspace": matrix, "color_range": 1 if legal else 2}
    take = open_take(write_clip(tmp_path / f"a.{suffix}", known, codec=codec, pixel_format=pixel_format, tags=tags,
                                options=options))
    assert (take.code_range, take.code_bits) == ("legal" if legal else "full", bits)
    for number in (3, 0, 4):
        frame = take.frame(number)
        assert frame.bits == bits and frame.integers
        assert np.abs(frame.rgb_float() - expected(known[number], bits, matrix=matrix, legal=legal)).max() < 4e-7


@pytest.mark.parametrize(("codec", "pixel_format", "suffix", "within"), [
    ("libx264", "yuv422p10le", "mov", 2.0), ("libx265", "yuv420p10le", "mp4", 4.0), ("libsvtav1", "yuv420p10le", "mkv",
                                                                                     6.0),
    ("prores_ks", "yuv422p10le", "mov", 2.0), ("mpeg2video", "yuv420p", "mpg", 6.0), ("mjpeg", "yuvj420p", "avi", 6.0),
    ("cfhd", "yuv422p10le", "mov", 3.0)])
def test_lossy_movies_come_near(tmp_path: Path, codec: str, pixel_format: str, suffix: str, within: float) -> None:
    """Within some 8-bit codes of luma in the mean: what the coding loses, not what reading does."""
    bits = 10 if "10" in pixel_format else 8
    size = (96, 128)
    known = [planes(size, pixel_format, 3) for _ in range(5)]
    take = open_take(write_clip(tmp_path / f"a.{suffix}", known, codec=codec, pixel_format=pixel_format,
                                tags={**HD_TAGS, "color_range": 2 if "yuvj" in pixel_format else 1},
                                options={"libx265": {"x265-params": "log-level=none"}}.get(codec, {})))
    assert len(take) == 5 and take.kind.startswith(f"{bits}-bit {':'.join(pixel_format.replace('j', '')[3:6])}")
    frame = take.frame(2)
    assert frame.metadata.lossy
    luma = frame.pixels.astype(float) @ (0.2126, 0.7152, 0.0722) * (2**bits - 1) / 2 ** (bits - 8)
    if codec != "mjpeg":
        assert np.abs(luma - known[2][0].astype(float) / 2 ** (bits - 8)).mean() < within


def test_r_g_b_movies_are_their_codes(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    known = [[rng.integers(0, 1024, SIZE).astype(np.uint16) for _ in range(3)] for _ in range(3)]
    take = open_take(write_clip(tmp_path / "a.mkv", known, codec="ffv1", pixel_format="gbrp10le"))
    frame = take.frame(1)
    assert take.code_range == "full" and take.kind.startswith("10-bit RGB")
    assert np.abs(frame.pixels[..., [1, 2, 0]] * 1023 - np.stack(known[1], -1)).max() < 1e-3


@pytest.mark.parametrize("location", ["left", "center", "topleft"])
def test_chroma_lies_where_the_stream_says(tmp_path: Path, location: str) -> None:
    """A slope of chroma, sampled at the places of ITU-T H.273's types 0, 1 and 2, is a slope again."""
    site_x, site_y = {"left": (0, 0.5), "center": (0.5, 0.5), "topleft": (0, 0)}[location]
    height, width = SIZE
    y, x = np.mgrid[0:height // 2, 0:width // 2] * 2.0 + np.array([site_y, site_x])[:, None, None]
    cb = np.rint(20 + 2 * x + 2 * y).astype(np.uint8)
    known = [[np.full(SIZE, 126, np.uint8), cb, np.full_like(cb, 128)]] * 2
    take = open_take(write_clip(tmp_path / "a.mp4", known, codec="libx264", tags=HD_TAGS,
                                options={"qp": "0", "chroma_sample_location": location}))
    assert take.tags is not None and take.tags.chroma == location
    blue = take.frame(1).pixels[..., 2].astype(float) * 255
    full = 20 + 2 * np.mgrid[0:height, 0:width].sum(axis=0)
    back = ((blue - 126) / 219 / (2 * (1 - 0.0722)) * 224 + 128)[4:-4, 4:-4]
    assert np.abs(back - full[4:-4, 4:-4]).max() < 1e-3      # half a pixel off would be a code or two


def test_ranges_in_frames_and_time_codes(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    known = clip(path, 30, timecode="01:00:00:00")
    take = open_take(path)
    assert take.numbers == tuple(range(30)) and take.rate == 25 and take.even
    assert open_take(f"{path}:5-7").numbers == (5, 6, 7)
    assert open_take(f"{path}:29").numbers == (29,)
    assert open_take(f"{path}:2,4-5").numbers == (2, 4, 5)
    assert open_take(f"{path}:28-99").numbers == (28, 29)
    timed = open_take(f"{path}:01:00:00:10-01:00:01:02")
    assert timed.numbers == tuple(range(10, 28))
    assert [timed.timecode(n) for n in (10, 27)] == ["01:00:00:10", "01:00:01:02"]
    assert timed.time_s(27) == pytest.approx(27 / 25)
    assert np.array_equal(timed.frame(20).pixels, take.frame(20).pixels)
    assert not np.array_equal(known[20][0], known[21][0])
    assert take.only((3, 9)).numbers == (3, 9)
    with pytest.raises(ValueError, match="isn't one of"):
        take.only((30,))


@pytest.mark.parametrize(("asked", "words"), [
    ("40-50", "none of these frames"), ("7-5", "backwards"), ("01:00:00:10", "before the movie"),
    ("03:00:00:30", "no time code at 25"), ("x", "is no range of a movie"),
    ("speed=2", "says nothing of a movie's tags"),
    ("range=wide", "range is one of full, legal")])
def test_ranges_that_cannot_be(tmp_path: Path, asked: str, words: str) -> None:
    path = tmp_path / "a.mov"
    clip(path, 8, timecode="02:00:00:00")
    with pytest.raises(InputError, match=words):
        open_take(f"{path}:{asked}")


def test_a_movie_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such movie file"):
        open_take(f"{tmp_path}/none.mov:3-4")


@pytest.mark.parametrize(("first", "rate", "count", "last"), [
    ("00:59:59:20", Fraction(25), 10, "01:00:00:04"), ("00:00:59:28", Fraction(30000, 1001), 4, "00:01:00:01"),
    ("00:00:59;28", Fraction(30000, 1001), 4, "00:01:00;03"), ("10:09:59;28", Fraction(30000, 1001), 4, "10:10:00;01")])
def test_time_codes_go_on(tmp_path: Path, first: str, rate: Fraction, count: int, last: str) -> None:
    """Drop-frame counting leaves out ;00 and ;01 of each minute but the tenth (SMPTE ST 12-1)."""
    path = tmp_path / "a.mov"
    clip(path, count, rate=rate, timecode=first)
    take = open_take(path)
    assert take.rate == rate
    assert take.timecode(count - 1) == last


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "mov", "ts"])
def test_any_frame_in_any_order_is_the_right_one(tmp_path: Path, suffix: str) -> None:
    """Long groups with frames out of order, closed and open: what is sought is what lies there."""
    path = tmp_path / f"a.{suffix}"
    known = [[np.full(SIZE, 20 + 3 * k, np.uint8), *(np.full((24, 32), 128, np.uint8),) * 2] for k in range(70)]
    write_clip(path, known, codec="libx264", tags=HD_TAGS,
               options={"crf": "4", "g": "24", "bf": "3", "x264-params": "open-gop=1:b-pyramid=normal"})
    take = open_take(path)
    assert len(take) == 70 and len(take.entries()) >= 2
    order = np.random.default_rng(5).permutation(70)
    for number in [*order[:40], 0, 1, 2, 69, 68, 33, 34, 35]:
        level = float(take.frame(int(number)).pixels[20:30, 20:30].mean()) * 255
        assert level == pytest.approx(20 + 3 * number, abs=1.0), number


def test_threads_share_one_take(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    clip(path, 40, options={"qp": "0", "g": "10"})
    one = open_take(path)
    alone = {number: one.frame(number).pixels for number in one.numbers}
    shared = open_take(path)
    with ThreadPoolExecutor(4) as pool:
        for number, pixels in zip(shared.numbers, pool.map(lambda n: shared.frame(n).pixels, shared.numbers),
                                  strict=True):
            assert np.array_equal(pixels, alone[number])
    assert threading.active_count() < 40


def test_a_varying_rate_keeps_its_times(tmp_path: Path) -> None:
    stamps = [0, 40, 80, 200, 240, 500]
    path = tmp_path / "a.mkv"
    clip(path, 6, stamps=stamps, time_base=Fraction(1, 1000))
    take = open_take(path)
    assert not take.even and any(doubt.kind == "uneven" for doubt in take.tags.doubts)       # type: ignore[union-attr]
    assert [take.time_s(n) for n in take.numbers] == pytest.approx([s / 1000 for s in stamps])
    assert take.rate == Fraction(5, 1) / Fraction(1, 2)


@pytest.mark.parametrize(("matrix", "turn", "shown"), [
    ((0, 1, -1, 0), -1, (64, 48)), ((0, -1, 1, 0), 1, (64, 48)), ((-1, 0, 0, -1), 2, (48, 64))])
def test_a_turned_movie_is_upright(tmp_path: Path, matrix: tuple[int, ...], turn: int, shown: tuple[int, int]) -> None:
    """The track's matrix (a, b, c, d) maps (x, y) to (a x + c y, b x + d y): ISO/IEC 14496-12, track header box."""
    path = tmp_path / "a.mp4"
    clip(path, 2)
    upright = open_take(path).frame(1).pixels
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 4 + 20 + 8 + 8
    a, b, c, d = matrix
    words = (a << 16, b << 16, 0, c << 16, d << 16, 0, 0, 0, 1 << 30)
    assert struct.unpack_from(">9i", data, at) == (1 << 16, 0, 0, 0, 1 << 16, 0, 0, 0, 1 << 30)
    struct.pack_into(">9i", data, at, *words)
    path.write_bytes(data)
    frame = open_take(path).frame(1)
    assert frame.pixels.shape[:2] == shown
    assert np.array_equal(frame.pixels, np.rot90(upright, turn))
    plain = open_take(f"{path}:rotation=0").frame(1)
    assert np.array_equal(plain.pixels, upright)


def test_wide_pixels_are_said(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    clip(path, 2, tags={**HD_TAGS, "sample_aspect_ratio": Fraction(4, 3)})
    assert open_take(path).frame(0).pixel_aspect == pytest.approx(4 / 3)


def test_interlaced_movies_are_refused_with_the_reason(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    clip(path, 4, options={"qp": "0", "x264-params": "tff=1"})
    with pytest.raises(InputError, match="it is interlaced, so that each of its frames holds two moments"):
        open_take(path)
    assert len(open_take(f"{path}:fields=progressive")) == 4


@pytest.mark.parametrize(("tags", "size", "doubts", "matrix"), [
    (HD_TAGS, (48, 64), [], "bt709"),
    ({}, (48, 64), ["range missing", "matrix missing"], "bt601"),
    ({}, (720, 1280), ["range missing", "matrix missing"], "bt709"),
    ({"color_range": 1, "color_primaries": 9}, (48, 64), ["matrix missing"], "bt2020"),
    ({**HD_TAGS, "color_primaries": 9}, (48, 64), ["matrix and primaries"], "bt709"),
    ({**HD_TAGS, "colorspace": 6}, (720, 1280), ["matrix and size"], "bt601"),
    ({**HD_TAGS, "color_trc": 16}, (48, 64), ["transfer and primaries"], "bt709")])
def test_tags_that_are_missing_or_improbable(tmp_path: Path, tags: dict[str, int], size: tuple[int, int],
                                             doubts: list[str], matrix: str) -> None:
    path = tmp_path / "a.mp4"
    known = [planes(size, "yuv420p", 1)] * 2
    write_clip(path, known, tags=tags, **LOSSLESS)                            # type: ignore[arg-type]
    take = open_take(path)
    assert take.tags is not None
    assert [doubt.kind for doubt in take.tags.doubts] == doubts
    assert take.tags.matrix == matrix and take.code_range == "legal"
    said = open_take(f"{path}:matrix=bt709,range=full,chroma=topleft")
    assert said.tags is not None and said.code_range == "full"
    assert said.tags.overridden == ("range", "matrix", "chroma") and said.tags.chroma == "topleft"
    assert not [d for d in said.tags.doubts if d.kind in ("matrix missing", "range missing", "matrix and primaries")]


def test_full_codes_under_a_legal_tag_are_doubted(tmp_path: Path) -> None:
    luma = codes(SIZE, 8, 1, low=0, high=255)
    known = [[luma, *(np.full((24, 32), 128, np.uint8),) * 2]] * 2
    take = open_take(write_clip(tmp_path / "a.mp4", known, tags=HD_TAGS, **LOSSLESS))      # type: ignore[arg-type]
    assert take.tags is not None and [d.kind for d in take.tags.doubts] == ["range and codes"]


def test_matrices_that_are_not_read_are_named(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    clip(path, 2, tags={**HD_TAGS, "colorspace": 10})
    with pytest.raises(InputError, match="BT.2020 with constant luminance"):
        open_take(path)


def test_frames_carry_rate_and_time_code_into_files(tmp_path: Path) -> None:
    from huewright.frames import write_frame

    path = tmp_path / "a.mov"
    clip(path, 3, rate=Fraction(24000, 1001), timecode="10:20:30:05")
    take = open_take(path)
    for suffix in ("exr", "dpx"):
        out = tmp_path / f"a.{suffix}"
        write_frame(out, take.frame(2))
        again = open_take(out)
        assert again.rate == Fraction(24000, 1001)
        assert again.timecode(again.numbers[0]) == "10:20:30:07"
        limit = (0, 1) if suffix == "dpx" else (-9, 9)
        assert np.abs(read_frame(out).rgb_float() - take.frame(2).pixels.clip(*limit)).max() < 2.1e-3
    assert output_depth(take.header(0), take.file(0), tmp_path / "b.dpx", None) == 8
    assert output_depth(take.header(0), take.file(0), tmp_path / "b.exr", None) == 16


# ---------------------------------------------------------------- damage

def readable(take: Take) -> tuple[set[int], list[str]]:
    """Numbers of the frames that can be had, and the sentences of the others."""
    there, said = set(), []
    for number in take.numbers:
        try:
            take.frame(number)
            there.add(number)
        except InputError as error:
            said.append(str(error))
    return there, said


@pytest.mark.parametrize(("suffix", "options"), [("mkv", {"qp": "8", "g": "12"}), ("mp4", {"qp": "8", "g": "12"})])
def test_a_movie_cut_short_says_what_is_missing(tmp_path: Path, suffix: str, options: dict[str, str]) -> None:
    path = tmp_path / f"a.{suffix}"
    rng = np.random.default_rng(0)
    known = [[rng.integers(16, 235, SIZE).astype(np.uint8), *planes(SIZE, "yuv420p", k)[1:]] for k in range(48)]
    write_clip(path, known, codec="libx264", options=options, tags=HD_TAGS,
               container_options={"movflags": "faststart"} if suffix == "mp4" else {})
    whole = open_take(path)
    pixels = {number: whole.frame(number).pixels for number in whole.numbers}
    path.write_bytes(path.read_bytes()[:path.stat().st_size * 6 // 10])
    take = open_take(path)
    assert 15 < len(take) < 40
    assert len(take) + len(take.missing) == 48
    assert take.tags is not None and any(doubt.kind == "lost" for doubt in take.tags.doubts)
    with pytest.raises(InputError, match="are missing"):
        take.require_complete()
    there, said = readable(take)
    assert len(there) >= len(take) - 4, said
    assert all("frame" in line and "copy the movie again" in line for line in said)
    for number in there:
        assert np.array_equal(take.frame(number).pixels, pixels[number])


def test_what_is_no_movie_is_refused_in_a_sentence(tmp_path: Path) -> None:
    whole = tmp_path / "whole.mp4"
    clip(whole, 12)
    data = whole.read_bytes()
    for name, content in (("empty.mov", b""), ("text.mp4", b"no movie" * 200), ("headless.mp4", data[:len(data) // 2]),
                          ("noise.mkv", np.random.default_rng(1).bytes(20000))):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(InputError, match=name):
            open_take(tmp_path / name)
    sound = tmp_path / "sound.mov"
    with av.open(str(sound), "w") as container:
        stream = container.add_stream("aac", rate=48000)
        block = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        block.sample_rate = 48000
        container.mux(stream.encode(block))
        container.mux(stream.encode())
    with pytest.raises(InputError, match="no picture in this file"):
        open_take(sound)


@pytest.mark.parametrize(("codec", "pixel_format"), [("libx264", "yuv420p"), ("prores_ks", "yuv422p10le")])
def test_damage_is_a_sentence_never_a_traceback(tmp_path: Path, codec: str, pixel_format: str) -> None:
    """Bytes overwritten at random: most frames are as they were, and those that the decoder refuses are named. (Codings
    without checksums let some damage pass as another picture; nothing here can tell.)"""
    path = tmp_path / "a.mkv"
    known = [planes((96, 128), pixel_format, k) for k in range(10)]
    write_clip(path, known, codec=codec, pixel_format=pixel_format, tags=HD_TAGS,
               options={"g": "3"} if codec == "libx264" else {})
    data = path.read_bytes()
    rng = np.random.default_rng(4)
    there = refused = 0
    for _ in range(20):
        harmed = bytearray(data)
        for at in rng.integers(len(data) // 10, len(data), 3):
            harmed[at] ^= int(rng.integers(1, 256))
        path.write_bytes(harmed)
        try:
            found, said = readable(open_take(path))
        except InputError as error:
            found, said = set(), [str(error)]
        there, refused = there + len(found), refused + len(said)
        assert all(str(path) in line and "copy" in line for line in said)
    assert there > 60 and refused >= 2      # how many depends on how many threads encoded


def test_a_take_is_a_take(tmp_path: Path) -> None:
    """Files by number and a movie answer alike."""
    from huewright.frames import write_frame

    path = tmp_path / "a.mkv"
    clip(path, 3)
    movie = open_take(path)
    for number in movie.numbers:
        write_frame(tmp_path / "f" / f"a.{number:04d}.exr", movie.frame(number))
    files = open_take(tmp_path / "f" / "a.####.exr")
    assert isinstance(movie, MovieTake)
    for take in (files, movie):
        assert take.numbers == (0, 1, 2) and take.whole_numbers() == frozenset((0, 1, 2))
        assert take.file_name(1) == "a.0001.exr" and take.rate == 25 and take.time_s(2) == pytest.approx(0.08)
        assert len(take.identity(1)) == 64 and take.identity(1) != take.identity(2)
        assert take.header(1).width == 64 and take.frame(1).width == 64
        assert take.require_complete() is take and take.entries()[0] == 0
    assert open_take(movie.text).identity(2) == movie.identity(2)
