"""Movies written: pictures coded and tagged, sound carried over, whole or not at all, and read back before they count.

What is written says what it is: range, matrix, primaries and transfer (ITU-T H.273), where chroma samples lie, rate and
time code. The picture is R'G'B' in fractions of the full scale of ``bits``, as :func:`huewright_kernels.ycbcr.from_rgb`
takes it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np
from huewright_kernels.ycbcr import Coding, from_rgb

from huewright.errors import InputError
from huewright.files import NotWrittenError, whole_file
from huewright.frames.decoding import reason
from huewright.frames.tags import MATRICES, MATRIX_NAMES, PRIMARIES_NAMES, TRANSFER_NAMES
from huewright.frames.take import Take

OUT_SUFFIXES = (".mov", ".mp4", ".m4v", ".mkv", ".mxf")


@dataclass(frozen=True)
class Codec:
    """``encoder`` is FFmpeg's; ``depths`` bits -> FFmpeg's pixel format, the first is taken where none is asked for;
    ``legal_only`` where the coding knows no other range; ``suffixes`` of containers that take it."""

    encoder: str
    depths: dict[int, str]
    options: dict[str, str]
    suffixes: tuple[str, ...]
    legal_only: bool = False
    lossy: bool = True
    least: tuple[int, int] = (16, 16)


_ANY = (".mov", ".mp4", ".m4v", ".mkv")
CODECS = {
    "h264": Codec("libx264", {8: "yuv420p", 10: "yuv422p10le"}, {"crf": "14", "preset": "medium"}, _ANY),
    "h265": Codec("libx265", {10: "yuv420p10le", 8: "yuv420p"}, {"crf": "14", "preset": "fast"}, _ANY),
    "vc3": Codec("dnxhd", {10: "yuv422p10le"}, {"profile": "dnxhr_hqx"}, (".mov", ".mxf", ".mkv"), True,
                 least=(256, 120)),
    "rdd36": Codec("prores_ks", {10: "yuv422p10le"}, {"profile": "3"}, (".mov", ".mkv", ".mxf"), True),
    "ffv1": Codec("ffv1", {10: "yuv444p10le", 12: "yuv444p12le", 16: "yuv444p16le", 8: "yuv444p"},
                  {"level": "3", "slicecrc": "1"}, (".mkv", ".mov"), lossy=False)}
"""By the standard: ITU-T H.264 and H.265 to look at; SMPTE ST 2019-1 (VC-3), SMPTE RDD 36 and IETF RFC 9043 (FFV1,
which loses nothing) to work on."""
_DISPLAYS = {"bt709": (1, 1, 1), "bt1886": (1, 1, 1), "srgb": (1, 1, 13), "bt2020": (9, 9, 14), "pq": (9, 9, 16),
             "hlg": (9, 9, 18)}
"""Matrix, primaries and transfer by H.273's code points, by a display's name."""
_SAMPLED = {"444": (1, 1), "422": (2, 1), "420": (2, 2)}


@dataclass(frozen=True)
class Written:
    """How a movie is written: ``bits`` and ``range`` of its codes, for a ``display``'s signal."""

    codec: str
    bits: int
    range: str
    display: str

    @property
    def pixel_format(self) -> str:
        return CODECS[self.codec].depths[self.bits]

    @property
    def coding(self) -> Coding:
        across, down = _SAMPLED[self.pixel_format[3:6]]
        kr, kb = MATRICES[MATRIX_NAMES[_DISPLAYS[self.display][0]]]
        return Coding(kr, kb, self.bits, self.range == "legal", across, down, 0.0, 0.5)


def written_as(out: Path, codec: str | None, bits: int | None, range_: str | None, display: str,
               size: tuple[int, int]) -> Written:
    """What was asked for, or what is usual for the container; :class:`InputError` for what doesn't go together."""
    suffix = out.suffix.lower()
    name = codec or {".mxf": "vc3"}.get(suffix, "h264")
    if name not in CODECS:
        raise InputError(f"--codec is one of {', '.join(CODECS)}, not {name!r}")
    kind = CODECS[name]
    if suffix not in kind.suffixes:
        raise InputError(f"{out}: {name} goes into {', '.join(kind.suffixes)}, not into {suffix}; choose one of these")
    depth = bits or next(iter(kind.depths))
    if depth not in kind.depths:
        raise InputError(f"{out}: {name} is written with {', '.join(map(str, sorted(kind.depths)))} bits, not {depth}")
    if kind.legal_only and range_ == "full":
        raise InputError(f"{out}: {name} holds legal range; leave out --out-range full, or choose another --codec")
    try:
        av.codec.Codec(kind.encoder, "w")
    except ValueError:
        raise InputError(f"{out}: FFmpeg as it is installed here can't write {name}; choose another --codec") from None
    made = Written(name, depth, range_ or "legal", display)
    coding = made.coding
    if size[0] % coding.across or size[1] % coding.down or size[0] < kind.least[0] or size[1] < kind.least[1]:
        raise InputError(f"{out}: {size[0]} x {size[1]} pixels can't be written as {name}, whose chroma samples stand "
                         f"for {coding.across} x {coding.down} pixels and which takes {kind.least[0]} x "
                         f"{kind.least[1]} at least; render to files, or with --codec ffv1")
    return made


class MovieWriter:
    """Takes pictures in order. ``base`` is what time stamps count in (seconds)."""

    def __init__(self, container: Any, stream: Any, made: Written, base: Fraction) -> None:
        self._container, self._stream, self._made, self._base = container, stream, made, base

    def add(self, planes: tuple[np.ndarray, np.ndarray, np.ndarray], stamp: int) -> None:
        frame = av.VideoFrame(planes[0].shape[1], planes[0].shape[0], self._made.pixel_format)
        for plane, codes in zip(frame.planes, planes, strict=True):
            kind = codes.dtype
            lines = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)[:plane.height]
            lines[:, :plane.width * kind.itemsize] = codes.view(np.uint8).reshape(plane.height, -1)
        _tag(frame, self._made)
        frame.pts, frame.time_base = stamp, self._base
        self._container.mux(self._stream.encode(frame))

    def finish(self) -> None:
        self._container.mux(self._stream.encode())


def planes_for(rgb: np.ndarray, made: Written) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Codes of Y', Cb and Cr of R'G'B' (h, w, 3) float32 in fractions of the full scale."""
    return from_rgb(rgb, made.coding)


@contextmanager
def movie_writer(out: Path, take: Take, made: Written, rate: Fraction, size: tuple[int, int], aspect: float, *,
                 overwrite: bool) -> Iterator[MovieWriter]:
    """Yields a writer; what it was given becomes ``out``, with the sound of ``take``, once it has been read back.

    Raises :class:`InputError` as :func:`whole_file` does, and where the container won't take what it is given.
    """
    kind = CODECS[made.codec]
    base = 1 / rate if take.even else Fraction(1, 90000)
    with whole_file(out, overwrite=overwrite, doubted=True) as temporary:
        try:
            options = {"movflags": "+faststart"} if out.suffix.lower() in (".mov", ".mp4", ".m4v") else {}
            with av.open(str(temporary), "w", options=options) as container:
                encoder = dict(kind.options)
                if made.codec in ("h264", "h265"):
                    encoder["chroma_sample_location"] = "left"
                if made.codec == "h265":
                    encoder["x265-params"] = "log-level=none"
                stream: Any = container.add_stream(kind.encoder, rate=rate, options=encoder)
                stream.width, stream.height = size
                stream.pix_fmt = made.pixel_format
                stream.codec_context.time_base = base
                if abs(aspect - 1) > 1e-4:
                    stream.codec_context.sample_aspect_ratio = Fraction(aspect).limit_denominator(1000)
                _tag(stream.codec_context, made)
                code = take.timecode(take.numbers[0])
                if code:
                    stream.metadata["timecode"] = code
                sound = _Sound(container, take, out)
                writer = MovieWriter(container, stream, made, base)
                yield writer
                writer.finish()
                sound.carry(container)
        except av.error.FFmpegError as error:
            raise NotWrittenError(f"{out}: cannot be written as {made.codec} ({reason(error)}); choose another "
                                  "container or --codec, or another place") from None
        _read_back(temporary, out, take, made, rate)


def stamp_of(take: Take, number: int, rate: Fraction) -> int:
    """When a frame is shown, in the writer's units: holes in a take stay holes in time."""
    first = take.numbers[0]
    if take.even:
        return number - first
    time, start = take.time_s(number), take.time_s(first)
    assert time is not None and start is not None
    return round((time - start) * 90000)


def _tag(what: Any, made: Written) -> None:
    what.color_range = 1 if made.range == "legal" else 2
    what.colorspace, what.color_primaries, what.color_trc = _DISPLAYS[made.display]


class _Sound:
    """The sound streams of the take's movie, copied as they are from where its first frame begins to where its last
    one ends; a packet is carried whole, so that sound may begin a few hundredths of a second late."""

    def __init__(self, container: Any, take: Take, out: Path) -> None:
        self._span = take.sound_span()
        self._path = take.file(take.numbers[0])
        self._streams: dict[int, Any] = {}
        if self._span is None:
            return
        with av.open(str(self._path)) as source:
            for index, stream in enumerate(source.streams.audio):
                try:
                    self._streams[index] = container.add_stream_from_template(stream)
                except (av.error.FFmpegError, ValueError) as error:
                    raise InputError(f"{out}: its sound ({stream.codec_context.name}) doesn't go into this container "
                                     f"({reason(error)}); choose .mov or .mkv") from None

    def carry(self, container: Any) -> None:
        if self._span is None or not self._streams:
            return
        begin, end = self._span
        with av.open(str(self._path)) as source:
            streams: dict[Any, Any] = {source.streams.audio[index]: to for index, to in self._streams.items()}
            with suppress(av.error.EOFError):
                for packet in source.demux(list(streams)):
                    if packet.dts is None or packet.pts is None:
                        continue
                    at = float(packet.pts * packet.time_base)
                    if begin - 1e-6 <= at < end:
                        moved = round(begin / float(packet.time_base))
                        packet.pts, packet.dts = packet.pts - moved, packet.dts - moved
                        packet.stream = streams[packet.stream]
                        container.mux(packet)


def _read_back(temporary: Path, out: Path, take: Take, made: Written, rate: Fraction) -> None:
    """Raises :class:`InputError` unless the file says what was meant to be written."""
    from huewright.frames.movie import open_movie

    written = open_movie(temporary)
    tags, (matrix, primaries, transfer) = written.tags, _DISPLAYS[made.display]
    meant = {"range": made.range, "matrix": MATRIX_NAMES[matrix], "primaries": PRIMARIES_NAMES[primaries],
             "transfer": TRANSFER_NAMES[transfer], "frames": len(take),
             "rate": rate if take.even else written.rate, "timecode": take.timecode(take.numbers[0])}
    came = {"range": tags.range, "matrix": tags.matrix, "primaries": tags.primaries, "transfer": tags.transfer,
            "frames": len(written), "rate": written.rate, "timecode": written.timecode(0)}
    if take.missing or len(take) - 1 != take.numbers[-1] - take.numbers[0]:
        meant["rate"] = came["rate"]
    wrong = [f"{key} {came[key]} for {value}" for key, value in meant.items() if came[key] != value]
    if wrong:
        raise InputError(f"{out}: the movie doesn't say what it should when it is read back ({', '.join(wrong)}); "
                         "choose another container, such as .mov or .mkv")


__all__ = ["CODECS", "OUT_SUFFIXES", "MovieWriter", "Written", "movie_writer", "planes_for", "stamp_of", "written_as"]
