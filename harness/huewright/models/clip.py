"""What a movie's stream says of itself, as it was taken."""

from __future__ import annotations

import msgspec

from huewright.models.record import Count, Positive


class Clip(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """``kind`` depth, sampling, codec and container; ``rate`` frames a second as "24000/1001", ``even`` whether all
    frames last as long; ``first`` and ``last`` time codes, "" where it has none. ``range``, ``matrix``, ``primaries``,
    ``transfer`` and ``chroma`` (where its samples lie) are in short words, "" where nothing says them; ``overridden``
    names those that the person said instead of its tags."""

    name: str
    kind: str
    width: Count
    height: Count
    pixel_aspect: Positive
    frames: Count
    rate: str
    even: bool
    first: str
    last: str
    range: str
    matrix: str
    primaries: str
    transfer: str
    chroma: str
    overridden: tuple[str, ...] = ()


__all__ = ["Clip"]
