"""Decoded frames, whole and as large as they are shown: a few are kept, by the bytes that they take."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Generic, TypeVar

import cv2
import numpy as np

from huewright.errors import InputError
from huewright.frames.take import Take

MOST_BYTES = 400_000_000
T = TypeVar("T")


class Few(Generic[T]):
    """The last ``most`` things that were made, by key."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, T] = OrderedDict()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        if key not in self._kept:
            self._kept[key] = make()
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return self._kept[key]


@dataclass(frozen=True)
class Shown:
    """One frame's code values (h, w, 3) float32, and what its pixels' width is over their height."""

    codes: np.ndarray
    pixel_aspect: float


class Frames:
    """Frames of several takes by (take, number), the least used given up once they take more than ``most_bytes``;
    the one asked for is always kept."""

    def __init__(self, takes: tuple[Take, ...], most_bytes: int = MOST_BYTES) -> None:
        self._takes, self._most = takes, most_bytes
        self._kept: OrderedDict[tuple[int, int, int], Shown] = OrderedDict()

    def whole(self, take: int, number: int) -> Shown:
        """Raises :class:`InputError` for a frame that isn't there or can't be read."""
        return self._get((take, number, 0), lambda: self._read(take, number))

    def reduced(self, take: int, number: int, width: int) -> Shown:
        """The frame ``width`` pixels wide, each the mean code value of the area that it covers; whole where it is no
        wider."""
        kept = self._kept.get((take, number, width))
        if kept is not None:
            self._kept.move_to_end((take, number, width))
            return kept
        whole = self.whole(take, number)
        height, full = whole.codes.shape[:2]
        if full <= width:
            return whole
        size = (width, max(1, round(height * width / full)))
        return self._get((take, number, width),
                         lambda: Shown(cv2.resize(whole.codes, size, interpolation=cv2.INTER_AREA),
                                       whole.pixel_aspect))

    @property
    def bytes_kept(self) -> int:
        return sum(shown.codes.nbytes for shown in self._kept.values())

    def _read(self, take: int, number: int) -> Shown:
        source = self._takes[take]
        if number not in source.numbers:
            raise InputError(f"{source.text} has no frame {number}")
        frame = source.frame(number)
        return Shown(np.ascontiguousarray(frame.rgb_float()[..., :3], dtype=np.float32), frame.pixel_aspect)

    def _get(self, key: tuple[int, int, int], make: Callable[[], Shown]) -> Shown:
        if key not in self._kept:
            self._kept[key] = make()
        self._kept.move_to_end(key)
        while len(self._kept) > 1 and self.bytes_kept > self._most:
            self._kept.popitem(last=False)
        return self._kept[key]
