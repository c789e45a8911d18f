"""Movies rendered: what they say of themselves, pictures within their coding, sound and time codes kept, whole or not
there."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from clips import HD_TAGS, LOSSLESS, codes, planes, write_clip
from huewright.errors import InputError
from huewright.frames import Frame, open_take, write_frame
from huewright.frames.encoding import CODECS
from huewright.frames.renumbered import numbered_as
from huewright.models.cautions import ReviewMovie
from huewright.models.correction import Correction
from huewright.models.footage import Footage
from huewright.steps.render import render_take
from huewright_kernels.ops import Matrix

pytestmark = pytest.mark.slow

SIZE = (144, 256)
GAIN = Matrix(((0.9, 0.05, 0), (0, 0.95, 0), (0, 0.05, 0.9)), (0.01, 0.0, 0.02))
EXPAND = Footage(range="legal", bits=8).to_code_float()
CORRECTION = Correction("sectors", Footage(range="legal", bits=8), "bt709", (*EXPAND, GAIN), EXPAND, ())


def source(path: Path, count: int = 9, **more: object) -> Path:
    luma = [codes(SIZE, 8, 3 * k, low=40, high=200) for k in range(count)]
    known = [[y, *planes(SIZE, "yuv420p", k)[1:]] for k, y in enumerate(luma)]
    return write_clip(path, known, **{**LOSSLESS, "tags": HD_TAGS, **more})        # type: ignore[arg-type]


def signal(path: Path, number: int) -> np.ndarray:
    """Of a legal movie's frame, 1 at white."""
    take = open_take(path)
    scale = 2 ** (take.code_bits - 8) / (2**take.code_bits - 1)
    return np.asarray((take.frame(number).pixels / scale - 16) / 219)


def wanted(path: Path, number: int) -> np.ndarray:
    return np.asarray(signal(path, number) @ np.array(GAIN.matrix).T + np.array(GAIN.offset))


@pytest.mark.parametrize(("name", "suffix", "bits", "within"), [
    ("ffv1", "mkv", 10, 0.0015), ("ffv1", "mkv", 12, 0.0006), ("rdd36", "mov", 10, 0.01), ("vc3", "mxf", 10, 0.01),
    ("vc3", "mov", 10, 0.01), ("h264", "mp4", 8, 0.02), ("h264", "mov", 10, 0.02), ("h265", "mp4", 10, 0.02)])
def test_what_is_written_is_what_the_correction_makes(tmp_path: Path, name: str, suffix: str, bits: int,
                                                      within: float) -> None:
    """Nine of ten pixels within the coding's own error; FFV1 within rounding of R'G'B' to codes of Y'CbCr."""
    clip = source(tmp_path / "a.mp4", timecode="10:00:00:05")
    out = tmp_path / f"out.{suffix}"
    summary = render_take(CORRECTION, open_take(clip), out, codec=name, bits=bits)
    made = open_take(out)
    assert made.tags is not None
    assert (made.tags.range, made.tags.matrix, made.tags.primaries, made.tags.transfer) == ("legal",) + ("bt709",) * 3
    assert made.numbers == tuple(range(9)) and made.rate == 25 and made.timecode(0) == "10:00:00:05"
    assert summary.bits == bits and summary.range == "legal"
    assert any(isinstance(said, ReviewMovie) for said in summary.cautions)
    apart = np.abs(signal(out, 4) - wanted(clip, 4))
    assert np.percentile(apart, 90) < within
    assert abs((signal(out, 4) - wanted(clip, 4)).mean()) < 0.002         # no shift of level


@pytest.mark.parametrize(("display", "said"), [("bt2020", ("bt2020", "bt2020", "bt2020")),
                                               ("pq", ("bt2020", "bt2020", "pq")), ("hlg", ("bt2020", "bt2020", "hlg")),
                                               ("srgb", ("bt709", "bt709", "srgb"))])
def test_tags_are_the_displays(tmp_path: Path, display: str, said: tuple[str, str, str]) -> None:
    clip = source(tmp_path / "a.mp4", 3)
    for range_ in ("legal", "full"):
        out = tmp_path / f"{range_}.mov"
        render_take(replace(CORRECTION, display=display), open_take(clip), out, codec="h265", range_=range_)
        tags = open_take(out).tags
        assert tags is not None and (tags.matrix, tags.primaries, tags.transfer) == said
        assert tags.range == range_ and not tags.doubts and tags.chroma == "left"


def test_sound_is_copied_and_cut_with_the_picture(tmp_path: Path) -> None:
    clip = source(tmp_path / "a.mov", 50, audio=True, timecode="00:00:10:00")

    def sound(path: Path) -> tuple[list[bytes], float]:
        with av.open(str(path)) as container:
            packets = [p for p in container.demux(audio=0) if p.size]
            return [bytes(p) for p in packets], float(packets[0].pts * packets[0].time_base)

    whole, _ = sound(clip)
    render_take(CORRECTION, open_take(clip), tmp_path / "whole.mp4")
    copied, _ = sound(tmp_path / "whole.mp4")
    assert copied and set(copied) <= set(whole) and len(copied) >= len(whole) - 2
    render_take(CORRECTION, open_take(f"{clip}:25-44"), tmp_path / "part.mov")
    part, begins = sound(tmp_path / "part.mov")
    assert set(part) <= set(whole) and 0 <= begins < 1024 / 48000 + 1e-6
    assert len(part) == pytest.approx(20 / 25 * 48000 / 1024, abs=1.5)
    assert open_take(tmp_path / "part.mov").timecode(0) == "00:00:11:00"


def test_a_varying_rate_is_kept(tmp_path: Path) -> None:
    stamps = [0, 40, 80, 200, 240, 500]
    clip = source(tmp_path / "a.mkv", 6, stamps=stamps, time_base=Fraction(1, 1000))
    render_take(CORRECTION, open_take(clip), tmp_path / "b.mov")
    made = open_take(tmp_path / "b.mov")
    assert not made.even
    assert [made.time_s(n) for n in made.numbers] == pytest.approx([s / 1000 for s in stamps], abs=1e-3)


def test_files_become_a_movie(tmp_path: Path) -> None:
    for number in range(1001, 1005):
        write_frame(tmp_path / f"a.{number}.exr", Frame(np.full((*SIZE, 3), 0.4, np.float16)))
    take = open_take(tmp_path / "a.####.exr")
    with pytest.raises(InputError, match="say it with --rate"):
        render_take(CORRECTION, take, tmp_path / "b.mov")
    with pytest.raises(InputError, match="--rate is frames a second"):
        render_take(CORRECTION, take, tmp_path / "b.mov", rate="quick")
    render_take(CORRECTION, take, tmp_path / "b.mov", rate="24000/1001")
    assert open_take(tmp_path / "b.mov").rate == Fraction(24000, 1001)
    with pytest.raises(InputError, match="exists already"):
        render_take(CORRECTION, take, tmp_path / "b.mov", rate="24")
    with pytest.raises(InputError, match="nothing to resume"):
        render_take(CORRECTION, take, tmp_path / "b.mov", rate="24", resume=True)
    render_take(CORRECTION, take, tmp_path / "b.mov", rate="24", overwrite=True)
    assert open_take(tmp_path / "b.mov").rate == 24


@pytest.mark.parametrize(("out", "more", "words"), [
    ("b.mxf", {"codec": "h264"}, "goes into"), ("b.mov", {"codec": "film"}, "--codec is one of"),
    ("b.mov", {"codec": "rdd36", "range_": "full"}, "holds legal range"), ("b.mov", {"bits": 12}, "not 12"),
    ("b.avi", {}, "goes into"), ("b.exr", {"codec": "h264"}, "are of movies"), ("a.mp4", {"overwrite": True},
                                                                                 "never written over")])
def test_what_cannot_be_written_is_refused(tmp_path: Path, out: str, more: dict, words: str) -> None:
    clip = source(tmp_path / "a.mp4", 2)
    with pytest.raises(InputError, match=words):
        render_take(CORRECTION, open_take(f"{clip}:0" if out.endswith("exr") else clip), tmp_path / out, **more)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4"]


def test_odd_sizes_go_where_chroma_is_whole(tmp_path: Path) -> None:
    write_frame(tmp_path / "a.1.exr", Frame(np.full((45, 63, 3), 0.4, np.float16)))
    take = open_take(tmp_path / "a.1.exr")
    with pytest.raises(InputError, match="stand for 2 x 2 pixels"):
        render_take(CORRECTION, take, tmp_path / "b.mov", rate="25")
    render_take(CORRECTION, take, tmp_path / "b.mkv", rate="25", codec="ffv1")
    assert open_take(tmp_path / "b.mkv").header(0).width == 63


def test_a_render_that_fails_leaves_nothing(tmp_path: Path) -> None:
    clip = source(tmp_path / "a.mp4", 8)

    def stop(done: int, total: int, what: str) -> None:
        if done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_take(CORRECTION, open_take(clip), tmp_path / "b.mov", progress=stop)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mp4"]


def test_the_same_render_has_the_same_pictures_on_any_threads(tmp_path: Path) -> None:
    clip = source(tmp_path / "a.mp4", 6)
    for threads in (1, 3):
        render_take(CORRECTION, open_take(clip), tmp_path / f"{threads}.mkv", codec="ffv1", threads=threads)
    one, other = open_take(tmp_path / "1.mkv"), open_take(tmp_path / "3.mkv")
    assert [one.identity(n) for n in one.numbers] == [other.identity(n) for n in other.numbers]
    assert set(CODECS) == {"h264", "h265", "vc3", "rdd36", "ffv1"}


def test_a_movie_of_a_range_is_taken_under_the_range_s_numbers(tmp_path: Path) -> None:
    coded, bare = source(tmp_path / "a.mov", 12, timecode="00:00:10:00"), source(tmp_path / "b.mkv", 12)
    for clip in (coded, bare):
        part, out = open_take(f"{clip}:4-8"), tmp_path / f"part-{clip.name}"
        render_take(CORRECTION, part, out, codec="ffv1" if clip is bare else None, bits=10)
        made = open_take(out)
        assert made.numbers == tuple(range(5))
        taken = numbered_as(made, part)
        assert taken.numbers == part.numbers and taken.whole_numbers() == frozenset(part.numbers)
        assert np.array_equal(taken.frame(6).pixels, made.frame(2).pixels) and taken.only([6, 7]).numbers == (6, 7)
        assert (taken.identity(6), taken.called(6)) == (made.identity(2), made.called(2))
        assert (taken.time_s(6), taken.timecode(6)) == (made.time_s(2), made.timecode(2))
        assert (taken.rate, taken.kind, taken.code_range, taken.code_bits) == (
            made.rate, made.kind, made.code_range, made.code_bits)
        whole = numbered_as(made, open_take(clip))
        assert whole.numbers == (part.numbers if clip is coded else made.numbers)     # time code tells, else nothing
    assert numbered_as(open_take(coded), open_take(coded)).numbers == tuple(range(12))
    assert numbered_as(open_take(f"{coded}:4-5"), open_take(coded)).numbers == (4, 5)
    with pytest.raises(InputError, match="begins at 00:00:10:04, and .* at 00:00:10:05: it is not the render of that"):
        numbered_as(open_take(tmp_path / "part-a.mov"), open_take(f"{coded}:5-9"))
