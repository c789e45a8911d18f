"""When each frame of a movie is shown, which can be decoded alone, and which the file no longer holds."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av.error
import numpy as np

from huewright.errors import InputError

UNEVEN = 0.25        # of a frame's length that a time stamp may be off an even rate; containers round theirs
MOST_FRAMES = 2_000_000
"""Of a movie: 22 hours of 25 frames a second."""


@dataclass(frozen=True, eq=False)
class Stamps:
    """``at`` (n,) int64 time stamps, ascending, in units of ``base`` seconds; ``keys`` numbers that need no others;
    ``rate`` frames a second, None where it can't be told; ``even`` whether it holds for all."""

    at: np.ndarray
    keys: tuple[int, ...]
    base: Fraction
    rate: Fraction | None
    even: bool


def stamps_of(container: Any, stream: Any, path: Path) -> tuple[Stamps, set[int]]:
    """The stamps, and the numbers of frames that lie beyond the end of the file.

    From the container's own index where it has a whole one of even steps, else by going through its packets (nothing is
    decoded). :class:`InputError` for a stream without time stamps.
    """
    size = path.stat().st_size
    entries = list(stream.index_entries)
    if len(entries) > 1 and len(entries) == stream.frames and not any(entry.is_discard for entry in entries):
        steps = np.diff(np.array([entry.timestamp for entry in entries], np.int64))
        if steps.min() == steps.max() > 0 and stream.start_time is not None:
            at = stream.start_time + np.arange(len(entries), dtype=np.int64) * steps[0]
            keys = tuple(number for number, entry in enumerate(entries) if entry.is_keyframe)
            first = next((k for k, entry in enumerate(entries) if entry.pos + entry.size > size), None)
            # Pictures shown before the first that is gone may lean on it.
            lost = set() if first is None else set(range(max(0, first - stream.codec_context.has_b_frames),
                                                         len(entries)))
            return Stamps(at, keys or (0,), stream.time_base, 1 / (int(steps[0]) * stream.time_base), True), lost
    return _by_packets(container, stream, path, size)


def _by_packets(container: Any, stream: Any, path: Path, size: int) -> tuple[Stamps, set[int]]:
    found: dict[int, bool] = {}
    with suppress(av.error.FFmpegError):        # the file ends here, or is damaged from here on
        for packet in container.demux(stream):
            if packet.size == 0 or packet.is_discard or packet.pos is not None and packet.pos + packet.size > size:
                continue
            stamp = packet.pts if packet.pts is not None else packet.dts
            if stamp is None:
                raise InputError(f"{path}: its frames carry no time stamps; wrap the stream in a container that has "
                                 "them, such as .mov or .mkv")
            found[stamp] = packet.is_keyframe
    at = np.array(sorted(found), np.int64)
    keys = tuple(number for number, stamp in enumerate(at.tolist()) if found[stamp])
    rate = stream.average_rate or stream.guessed_rate
    even = True
    if len(at) > 2 and rate:
        counted = (at - at[0]).astype(np.float64) * float(stream.time_base * rate)
        even = bool(np.abs(counted - np.arange(len(at))).max() <= UNEVEN)
        if not even:
            rate = Fraction(len(at) - 1) / (Fraction(int(at[-1] - at[0])) * stream.time_base)
    lost: set[int] = set()
    expected = _expected(container, stream, rate)
    if expected > MOST_FRAMES:
        raise InputError(f"{path}: it says that it has {expected} frames, and {len(at)} are there; copy it again "
                         "or leave it out")
    if even and rate and len(at) and expected > len(at) + 1:
        lost = set(range(len(at), expected))
        more = at[0] + np.round(np.arange(len(at), expected) / float(rate * stream.time_base)).astype(np.int64)
        at = np.concatenate([at, more])
    return Stamps(at, keys or (0,), stream.time_base, None if rate is None else Fraction(rate), even), lost


def _expected(container: Any, stream: Any, rate: Fraction | None) -> int:
    """How many frames the file says that the stream has; 0 where it doesn't."""
    if stream.frames:
        return int(stream.frames)
    said = next((value for key, value in stream.metadata.items() if key.upper().startswith("DURATION")), "")
    match = re.match(r"(\d+):(\d+):(\d+(?:\.\d+)?)", said)
    if match is None or rate is None:
        return 0
    return round((int(match[1]) * 3600 + int(match[2]) * 60 + float(match[3])) * float(rate))
