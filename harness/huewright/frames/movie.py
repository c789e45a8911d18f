"""Movies as takes: ``clip.mov``, ``clip.mov:100-240``, ``clip.mov:01:00:04:00-01:00:10:00``.

A clip is opened by :func:`open_movie` (from what a person typed, by :func:`huewright.frames.opening.open_take`); what
comes is a :class:`MovieTake`. Frames are numbered from 0, ends included; a range may be given in time codes, which
count from the clip's own (from 00:00:00:00 where it has none). Before the range may stand what its tags should have
said: ``clip.mov:range=full,matrix=bt601:100-240`` (:data:`huewright.frames.tags.KEYS`).

``take.frame(number)`` is R'G'B' float32, in fractions of the full scale of the stream's depth and in its own range of
codes, so that legal levels are those of a legal R'G'B' file of that depth: ``take.code_range`` and ``take.code_bits``
say which, for :class:`huewright.models.footage.Footage`. ``take.rate``, ``take.time_s``, ``take.timecode`` and
``take.tags`` are the clip's; frames carry rate, time code and what names the camera in their metadata, as files would.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np
import OpenImageIO as oiio  # noqa: N813  (the name its documentation uses)

from huewright.errors import InputError
from huewright.frames.attributes import who_in_movie
from huewright.frames.colours_said import Said, said_in_tags
from huewright.frames.decoding import Decoder, reason
from huewright.frames.frame import Frame, Metadata
from huewright.frames.layout import Layout, layout_of, planes_of
from huewright.frames.picture import Header
from huewright.frames.sequence import MOVIE_SUFFIXES
from huewright.frames.siting import chroma_site
from huewright.frames.stamps import Stamps, stamps_of
from huewright.frames.tags import Doubt, Tags, overrides_from, understood
from huewright.frames.take import Take, number_list
from huewright.frames.timecode import PATTERN, count_of, drops, text_of

LOSSLESS = ("rawvideo", "v210", "v410", "r210", "ffv1", "huffyuv", "ffvhuff", "utvideo", "png", "qtrle")
_ITEM = rf"(?:{PATTERN}|\d+)"
_RANGE = re.compile(rf"{_ITEM}(?:-{_ITEM})?(?:,{_ITEM}(?:-{_ITEM})?)*$")


@dataclass(frozen=True, eq=False)
class Movie:
    """One movie file's picture stream, opened: all that doesn't change from frame to frame."""

    path: Path
    layout: Layout
    tags: Tags
    stamps: Stamps
    rate: Fraction
    codec: str
    width: int
    height: int
    aspect: float
    turn: int                   # quarter turns counter-clockwise that show it upright
    first_code: str = ""        # the first frame's time code
    who: dict[str, str] = field(default_factory=dict)
    audio: int = 0
    decoder: Decoder = None  # type: ignore[assignment]

    @property
    def shown_size(self) -> tuple[int, int]:
        return (self.height, self.width) if self.turn % 2 else (self.width, self.height)

    @cached_property
    def lossless(self) -> bool:
        return self.codec in LOSSLESS


@dataclass(frozen=True, eq=False)
class MovieTake(Take):
    """A movie, or a range of it; see :class:`Take` and the top of this module."""

    text: str
    movie: Movie
    numbers: tuple[int, ...]
    missing: tuple[int, ...] = ()

    def frame(self, number: int, payload: Any = None) -> Frame:
        picture = self._decoded(number)
        movie = self.movie
        pixels = movie.layout.rgb(picture, movie.tags)
        if movie.turn:
            pixels = np.ascontiguousarray(np.rot90(pixels, movie.turn))
        return Frame(pixels, (), movie.layout.bits, self._metadata(number), pixel_aspect=self.pixel_aspect)

    def header(self, number: int) -> Header:
        self._check(number)
        width, height = self.movie.shown_size
        bits = self.movie.layout.bits
        return Header(width, height, np.dtype(np.uint8 if bits == 8 else np.uint16), bits)

    def called(self, number: int) -> str:
        return f"frame {number} of {self.movie.path}"

    def identity(self, number: int) -> str:
        digest = hashlib.sha256()
        for plane in planes_of(self._decoded(number), self.movie.layout):
            digest.update(np.ascontiguousarray(plane).data)
        return digest.hexdigest()

    @property
    def name(self) -> str:
        folder = self.movie.path.parent.name
        return f"{folder}/{self.movie.path.name}" if folder else self.movie.path.name

    @property
    def kind(self) -> str:
        return (f"{self.movie.layout.words} {self.movie.codec.upper()} {self.movie.path.suffix.lstrip('.').upper()} of "
                f"{self.movie.tags.range} range")

    @property
    def file_pattern(self) -> str:
        digits = max(4, len(str(len(self.movie.stamps.at) - 1)))
        return f"{self.movie.path.stem}.{'#' * digits}.exr"

    def file(self, number: int) -> Path:
        return self.movie.path

    def whole_numbers(self) -> frozenset[int]:
        return frozenset(range(len(self.movie.stamps.at)))

    @property
    def counted(self) -> bool:
        return True

    def only(self, numbers: Iterable[int]) -> MovieTake:
        chosen = tuple(sorted(set(numbers)))
        there = set(self.numbers)
        strange = [number for number in chosen if number not in there]
        if strange:
            raise ValueError(f"frame {strange[0]} isn't one of {self.text}")
        return replace(self, numbers=chosen, missing=())

    def entries(self) -> tuple[int, ...]:
        keys = set(self.movie.stamps.keys)
        return tuple(number for number in self.numbers if number in keys)

    @property
    def tags(self) -> Tags:
        return self.movie.tags

    @property
    def colours_said(self) -> Said | None:
        return said_in_tags(self.movie.tags)

    @property
    def code_range(self) -> str:
        return self.movie.tags.range

    @property
    def code_bits(self) -> int:
        return self.movie.layout.bits

    @property
    def who(self) -> dict[str, str]:
        return self.movie.who

    @property
    def rate(self) -> Fraction:
        return self.movie.rate

    @property
    def even(self) -> bool:
        return self.movie.stamps.even

    def time_s(self, number: int) -> float:
        stamps = self.movie.stamps
        return float((int(stamps.at[number]) - int(stamps.at[0])) * stamps.base)

    def timecode(self, number: int) -> str | None:
        first = self.movie.first_code
        if not first:
            return None
        start = count_of(first, self.rate)
        return None if start is None else text_of(start + self._count(number), self.rate, drop=drops(first))

    def sound_span(self) -> tuple[float, float] | None:
        if not self.movie.audio:
            return None
        at, base = self.movie.stamps.at, self.movie.stamps.base
        first, last = (float(int(at[number]) * base) for number in (self.numbers[0], self.numbers[-1]))
        return first, last + float(1 / self.rate)

    def _count(self, number: int) -> int:
        """Frames of the nominal rate from the beginning."""
        return number if self.even else round(self.time_s(number) * self.rate)

    @property
    def pixel_aspect(self) -> float:
        return 1 / self.movie.aspect if self.movie.turn % 2 else self.movie.aspect

    def _check(self, number: int) -> None:
        if not 0 <= number < len(self.movie.stamps.at):
            raise InputError(f"{self.movie.path}: there is no frame {number}; it has 0 to "
                             f"{len(self.movie.stamps.at) - 1}")

    def _decoded(self, number: int) -> av.VideoFrame:
        self._check(number)
        picture = self.movie.decoder.frame(number)
        if picture.interlaced_frame and "fields" not in self.movie.tags.overridden:
            raise _interlaced(self.movie.path)
        if (picture.width, picture.height) != (self.movie.width, self.movie.height) or (
                picture.format.name != self.movie.layout.pixel_format):
            raise InputError(f"{self.called(number)} is {picture.width} x {picture.height} pixels of "
                             f"{picture.format.name}, the movie begins with {self.movie.width} x {self.movie.height} "
                             f"of {self.movie.layout.pixel_format}; split it where it changes")
        return picture

    def _metadata(self, number: int) -> Metadata:
        spec = oiio.ImageSpec()
        rate = self.rate
        if self.even:
            spec.attribute("FramesPerSecond", oiio.TypeDesc("rational"), (rate.numerator, rate.denominator))
        code = self.timecode(number)
        if code is not None:
            spec.attribute("smpte:TimeCode", oiio.TypeDesc("timecode"), _packed(code))
        for name, value in self.movie.who.items():
            spec.attribute(name, value)
        return Metadata(spec, coded=True, lossy=not self.movie.lossless)


def open_movie(path: Path | str, overrides: str = "", range_text: str = "", text: str = "") -> MovieTake:
    """The movie at ``path``, or the part of it that ``range_text`` names, with ``overrides`` of its tags; ``text`` is
    what the person typed.

    Its frames need not all be there: those that a cut or damaged file can't give are ``missing``. Raises
    :class:`InputError` in one sentence: no movie, no picture in it, interlaced, a matrix or pixels that aren't read.
    """
    path = Path(path)
    text = text or str(path)
    said = overrides_from(overrides, str(path)) if overrides else {}
    try:
        movie, lost = _opened(path, said)
    except (av.error.FFmpegError, OSError, ValueError) as error:     # names that are no text, a codec of no name
        raise InputError(f"{path}: not a movie that can be read ({reason(error)}); copy it again or leave it out"
                         ) from None
    take = MovieTake(text, movie, tuple(range(len(movie.stamps.at))))
    wanted = _within(take, range_text) if range_text else set(take.numbers)
    numbers = tuple(number for number in take.numbers if number in wanted and number not in lost)
    if not numbers:
        raise InputError(f"{text}: none of these frames exists; the movie has 0 to {len(take.numbers) - 1}"
                         + (f", of which {number_list(sorted(lost))} can't be read" if lost else ""))
    return replace(take, numbers=numbers, missing=tuple(sorted(wanted & lost)))


def split_name(text: str) -> tuple[Path, str, str] | None:
    """(movie, overrides, range) of what a person typed; None where it names no movie file."""
    head, _, rest = text, "", ""
    while Path(head).suffix.lower() not in MOVIE_SUFFIXES or not Path(head).is_file():
        head, colon, tail = head.rpartition(":")
        if not colon:
            break
        rest = f"{tail}:{rest}" if rest else tail
    else:
        return Path(head), *_split_rest(text, rest)
    match = re.match(rf"(.*?(?:{'|'.join(re.escape(suffix) for suffix in sorted(MOVIE_SUFFIXES))}))(?::.*)?$", text,
                     re.IGNORECASE | re.DOTALL)
    if match is not None and not re.search(r"[#@%*?\[]", match[1]) and not Path(match[1]).is_dir():
        raise InputError(f"{match[1]}: there is no such movie file; check the path")
    return None


def _split_rest(text: str, rest: str) -> tuple[str, str]:
    overrides, _, range_text = rest.partition(":") if "=" in rest.split(",")[0] else ("", "", rest)
    if "timecode=" in overrides + rest and "timecode=" in rest:       # its value has colons of its own
        match = re.match(rf"((?:[a-z]+=[^:,]*,)*timecode={PATTERN}(?:,[a-z]+=[^:,]*)*)(?::(.*))?$", rest)
        if match is not None:
            overrides, range_text = match[1], match[2] or ""
    if range_text and not _RANGE.match(range_text):
        raise InputError(f"{text}: {range_text!r} is no range of a movie; write frames from 0 as 100-240, or time "
                         "codes as 01:00:04:00-01:00:10:00")
    return overrides, range_text


def _within(take: MovieTake, range_text: str) -> set[int]:
    wanted: set[int] = set()
    count = len(take.movie.stamps.at)
    for part in range_text.split(","):
        first, _, last = part.partition("-")
        a, b = _place(take, first), _place(take, last or first)
        if b < a:
            raise InputError(f"{take.text}: the range runs backwards; write the earlier end first")
        if take.even or first.isdigit():
            wanted.update(range(max(a, 0), min(b, count - 1) + 1))
        else:
            wanted.update(number for number in range(count) if a <= take._count(number) <= b)
    return wanted


def _place(take: MovieTake, item: str) -> int:
    if item.isdigit():
        return int(item)
    at = count_of(item, take.rate)
    start = count_of(take.movie.first_code, take.rate) if take.movie.first_code else 0
    if at is None:
        raise InputError(f"{take.text}: {item} is no time code at {float(take.rate):.6g} frames a second; write "
                         "hours:minutes:seconds:frames")
    last = take.timecode(len(take.movie.stamps.at) - 1)
    if start is None or at < start:
        raise InputError(f"{take.text}: {item} lies before the movie, which begins at {take.movie.first_code}"
                         + (f" and ends at {last}" if last else ""))
    return at - start


def _opened(path: Path, said: dict[str, str]) -> tuple[Movie, set[int]]:
    """The movie, and the numbers of frames that the file no longer holds."""
    with av.open(str(path)) as container:
        if not container.streams.video:
            raise InputError(f"{path}: there is no picture in this file; give a movie")
        stream = next((s for s in container.streams.video if not s.disposition & 0x400), container.streams.video[0])
        context = stream.codec_context
        if context is None:
            raise InputError(f"{path}: its pictures are coded in a way that no decoder here reads; convert it, or copy "
                             "it again")
        place = container.streams.video.index(stream)
        stamps, lost = stamps_of(container, stream, path)
        if not stamps.at.size:
            raise InputError(f"{path}: it holds no frame that can be read; copy it again or leave it out")
        rate = Fraction(said["rate"]) if "rate" in said else stamps.rate or stream.average_rate or stream.guessed_rate
        first_code = said.get("timecode") or _first_code(container, stream)
        beside: list[dict[str, str]] = [each.metadata for each in container.streams.data]
        who = who_in_movie({key: str(value) for where in (*beside, container.metadata, stream.metadata)
                            for key, value in where.items()})
        audio = len(container.streams.audio)
        codec = context.codec.canonical_name
        site = chroma_site(codec, context.extradata)
        aspect = float(stream.sample_aspect_ratio or context.sample_aspect_ratio or 1)
    if not rate:
        raise InputError(f"{path}: it doesn't say how many frames a second it has; say it, as {path}:rate=25")
    first = min(set(range(len(stamps.at))) - lost, default=None)
    if first is None:
        raise InputError(f"{path}: none of its {len(stamps.at)} frames is in the file any more; copy it again")
    decoder = Decoder(path, place, stamps.at.tolist(), stamps.keys, 1)
    picture = decoder.frame(first)
    layout = layout_of(picture.format.name, path)
    decoder = Decoder(path, place, stamps.at.tolist(), stamps.keys,
                      picture.width * picture.height * 3 * (1 + (layout.bits > 8)))
    if picture.interlaced_frame and "fields" not in said:
        raise _interlaced(path)
    codes = (int(picture.color_range), int(picture.colorspace), int(picture.color_primaries), int(picture.color_trc))
    if picture.format.name.startswith("yuvj"):
        codes = (2, *codes[1:])
    size = (picture.width, picture.height)
    tags = understood(codes=codes, location=site if layout.sampled else "",
                      pixels=layout.pixels, size=size, movie=str(path), said=said)
    tags = tags.doubting(*_more_doubts(layout, tags, picture, stamps, lost))
    turn = _turn(said["rotation"] if "rotation" in said else picture.rotation, path)
    return Movie(path, layout, tags, stamps, Fraction(rate), codec, *size, aspect if 0.01 < aspect < 100 else 1.0, turn,
                 first_code if count_of(first_code, Fraction(rate)) is not None else "", who, audio, decoder), lost


def _more_doubts(layout: Layout, tags: Tags, picture: av.VideoFrame, stamps: Stamps, lost: set[int]) -> list[Doubt]:
    found = []
    if layout.alpha:
        found.append(Doubt("alpha"))
    if not stamps.even:
        found.append(Doubt("uneven"))
    if lost:
        found.append(Doubt("lost", said=number_list(sorted(lost))))
    if layout.pixels != "rgb" and tags.range == "legal" and "range" not in tags.overridden:
        luma = planes_of(picture, layout)[0][::4, ::4]
        share = float(np.mean(luma < 12 * 2 ** (layout.bits - 8)))
        if share > BELOW_BLACK:
            found.append(Doubt("range and codes", said=f"{100 * share:.0f} %", taken="legal"))
    return found


BELOW_BLACK = 0.02      # of the first picture's pixels under code 12 of 8 bits, that legal range leaves to overshoots


def _interlaced(path: Path) -> InputError:
    return InputError(f"{path}: it is interlaced, so that each of its frames holds two moments, and a card that moves "
                      "lies in two places; deinterlace it first, or say that both fields are of one moment, as "
                      f"{path}:fields=progressive")


def _turn(rotation: Any, path: Path) -> int:
    quarter, rest = divmod(float(rotation), 90)
    if abs(rest) > 1e-3 and abs(rest - 90) > 1e-3:
        raise InputError(f"{path}: it is to be shown turned by {rotation} degrees; only quarter turns are taken here; "
                         f"say which, as {path}:rotation=0")
    return round(float(rotation) / 90) % 4


def _first_code(container: Any, stream: Any) -> str:
    for where in (stream, *container.streams.data, container, *container.streams.video):
        for key, value in where.metadata.items():
            if key.lower() == "timecode":
                return str(value).strip()
    return ""


def _packed(code: str) -> tuple[int, int]:
    """As OpenEXR's timeCode attribute holds it (packed decimal digits; SMPTE ST 12-1's bits 6 for dropped numbers)."""
    hours, minutes, seconds, frames = (int(part) for part in re.split("[:;.]", code))
    word = 0
    for shift, value in ((24, hours), (16, minutes), (8, seconds), (0, frames % 100)):
        word |= (value // 10 << 4 | value % 10) << shift
    return word | (0x40 if drops(code) else 0), 0


__all__ = ["Movie", "MovieTake", "open_movie", "split_name"]
