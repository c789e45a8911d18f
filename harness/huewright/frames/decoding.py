"""Pictures of a movie by number: decoded on several threads, in order where that is asked, sought where it isn't.

One decoder serves all who ask. It runs on from where it is, or goes back to a picture that needs no other, whichever is
shorter; pictures that it passes are kept a while, so that workers who take frames a little out of turn wait for none
twice. A stream's errors are never covered up: a picture that can't be decoded rightly is refused.
"""

from __future__ import annotations

import threading
from bisect import bisect_right
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

import av
import av.error

from huewright.errors import InputError, library_words

AHEAD = 8                 # pictures that are rather decoded than sought past
MEMORY_BYTES = 400_000_000
FEWEST, MOST = 6, 32      # pictures kept


class Decoder:
    """Of one stream. ``stamps`` are its pictures' time stamps, ascending, ``keys`` those (by number) that need no
    other."""

    def __init__(self, path: Path, stream: int, stamps: Sequence[int], keys: Sequence[int], picture_bytes: int) -> None:
        self._path, self._stream = path, stream
        self._stamps, self._keys = stamps, keys
        self._numbers = {stamp: number for number, stamp in enumerate(stamps)}
        self._kept: OrderedDict[int, av.VideoFrame] = OrderedDict()
        self._most = max(FEWEST, min(MOST, MEMORY_BYTES // max(picture_bytes, 1)))
        self._lock = threading.Lock()
        self._container: av.container.InputContainer | None = None
        self._coming: Iterator[av.VideoFrame] = iter(())
        self._at: int | None = None           # the number that comes next, as far as is known
        self._trusted = 0                     # numbers below lean on pictures that were not decoded

    def frame(self, number: int) -> av.VideoFrame:
        """:class:`InputError` where the picture is damaged or lost."""
        with self._lock:
            kept = self._kept.get(number)
            if kept is not None:
                return kept
            try:
                if self._at is None or number < self._at or self._key(number) > self._at + AHEAD:
                    return self._sought(number)
                return self._run_to(number) or self._sought(number)
            except (av.error.FFmpegError, OSError, ValueError) as error:     # ValueError: damage made it no codec
                self._at = None
                raise InputError(f"{self._path}: frame {number} can't be read ({reason(error)}); copy the movie again, "
                                 "or give a range without it") from None

    def close(self) -> None:
        with self._lock:
            if self._container is not None:
                with suppress(av.error.FFmpegError):
                    self._container.close()
            self._container, self._at = None, None
            self._kept.clear()

    def _key(self, number: int) -> int:
        """The last picture that needs no other, up to ``number``."""
        place = bisect_right(self._keys, number)
        return self._keys[place - 1] if place else 0

    def _sought(self, number: int) -> av.VideoFrame:
        """Back to a picture from which ``number`` can be decoded, and on to it. A container may land behind it where
        times are not in order; then one goes back farther."""
        back = self._key(number)
        while True:
            self._seek(back)
            found = self._run_to(number)
            if found is not None:
                return found
            if back <= 0:
                raise InputError(f"{self._path}: frame {number} is damaged or missing in the stream; copy the movie "
                                 "again, or give a range without it")
            back = self._key(back - 1) if back - self._key(back - 1) < 300 else max(0, back - 300)

    def _seek(self, number: int) -> None:
        if self._container is not None and number == 0:      # some containers can't be sought to their beginning
            self._container.close()
            self._container = None
        if self._container is None:
            self._container = av.open(str(self._path))
            stream = self._container.streams.video[self._stream]
            stream.thread_type = "AUTO"
            stream.codec_context.options = {"err_detect": "crccheck+bitstream+buffer+explode"}
        else:
            self._container.streams.video[self._stream].codec_context.flush_buffers()
        stream = self._container.streams.video[self._stream]
        if number:
            self._container.seek(self._stamps[number], stream=stream, backward=True, any_frame=False)
        self._coming = self._decoded(self._container, stream)
        self._at, self._trusted = number, -1

    def _decoded(self, container: av.container.InputContainer, stream: av.VideoStream) -> Iterator[av.VideoFrame]:
        for packet in container.demux(stream):
            if self._trusted < 0 and packet.pts is not None:
                # Pictures shown before the one that decoding begins with lean on others.
                self._trusted = self._numbers.get(packet.pts, 0)
            with suppress(av.error.InvalidDataError):      # its picture will be missed by who wants it
                yield from stream.decode(packet)

    def _run_to(self, number: int) -> av.VideoFrame | None:
        """The picture, or None where the stream passes it by."""
        for picture in self._coming:
            stamp = picture.pts if picture.pts is not None else picture.dts
            at = self._numbers.get(stamp) if stamp is not None else None
            if at is None:
                continue
            self._at = at + 1
            if at >= self._trusted and not picture.is_corrupt:
                self._kept[at] = picture
                while len(self._kept) > self._most:
                    self._kept.popitem(last=False)
                if at == number:
                    return picture
            if at > number:
                return None
        self._at = None
        return None


def reason(error: Exception) -> str:
    """What FFmpeg says went wrong, for use in a sentence."""
    if isinstance(error, UnicodeDecodeError):       # what the file says of itself
        return "its texts are no UTF-8"
    return library_words(lambda: getattr(error, "strerror", None) or str(error) or type(error).__name__)


__all__ = ["Decoder", "reason"]
