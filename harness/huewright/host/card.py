"""Pictures on an NVIDIA GPU for the time of a render, as a host that offers CUDA hands them out (OpenFX 1.5, "CUDA
Rendering"): memory on the card, and a stream that the plug-in's work goes onto.

Whole pictures travel, with all bytes around their pixels: what a plug-in writes where it may not, comes back as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from huewright.device.driver import call, named
from huewright.errors import InputError
from huewright.host.pictures import GuardedMemory, Picture, raw_bytes

BESIDE = 4096
"""Bytes on the card before and behind a picture, which nobody may change."""
CANARY = 0xA7
_NOT_TO_WAIT, _EQUAL = 1, 1     # CU_STREAM_NON_BLOCKING, CU_STREAM_WAIT_VALUE_EQ


@dataclass(eq=False)
class Placed:
    """A picture's copy on the card: where its first byte lies, and what holds the same bytes here."""

    picture: Picture
    address: int
    raw: np.ndarray

    @property
    def pixels(self) -> int:
        """The address that the standard calls the picture's data."""
        storage = self.picture.storage
        start = storage.address if isinstance(storage, GuardedMemory) else storage.ctypes.data
        return self.address + self.picture.address - int(start)


class Card:
    """One GPU and one stream on it. ``streams`` is whether the plug-in is told of the stream."""

    def __init__(self, device: str = "cuda:0", *, streams: bool = True) -> None:
        self.number, self.streams = named(device)[0], streams
        self.context = call("cuDevicePrimaryCtxRetain", call("cuDeviceGet", self.number))
        self.enter()
        self.stream = call("cuStreamCreate", _NOT_TO_WAIT)
        self.placed: dict[int, Placed] = {}
        self.trespassed = 0
        """Bytes beside pictures that were changed."""

    def enter(self) -> None:
        """Makes the card this thread's."""
        call("cuCtxSetCurrent", self.context)

    def address_of(self, picture: Picture) -> int:
        """Where a picture's data lies on the card, brought there if it isn't yet."""
        if id(picture) not in self.placed:
            raw = raw_bytes(picture)
            beside = np.full(BESIDE, CANARY, np.uint8)
            address = int(call("cuMemAlloc", raw.size + 2 * BESIDE)) + BESIDE
            for at, data in ((-BESIDE, beside), (0, raw), (raw.size, beside)):
                call("cuMemcpyHtoD", address + at, data.ctypes.data, data.size)
            call("cuStreamSynchronize", 0)     # it must have arrived, whichever stream reads it
            self.placed[id(picture)] = Placed(picture, address, raw)
        return self.placed[id(picture)].pixels

    def snapshot(self, picture: Picture) -> bytes | None:
        """What the card holds of a picture now, whatever is still under way; None if it isn't there."""
        placed = self.placed.get(id(picture))
        if placed is None:
            return None
        found = np.empty_like(placed.raw)
        call("cuMemcpyDtoH", found.ctypes.data, placed.address, found.size)
        return found.tobytes()

    def finish(self) -> None:
        """Waits for the stream."""
        call("cuStreamSynchronize", self.stream)

    def take_back(self) -> None:
        """Waits for the stream; every picture then holds here what it holds there, which is given back."""
        if self.streams:     # else all is done already, or the plug-in did not do as it should
            self.finish()
        for placed in self.placed.values():
            for at in (-BESIDE, placed.raw.size):
                beside = np.empty(BESIDE, np.uint8)
                call("cuMemcpyDtoH", beside.ctypes.data, placed.address + at, BESIDE)
                self.trespassed += int(np.count_nonzero(beside != CANARY))
            call("cuMemcpyDtoH", placed.raw.ctypes.data, placed.address, placed.raw.size)
            call("cuMemFree", placed.address - BESIDE)
        self.placed.clear()

    def free_bytes(self) -> int:
        call("cuCtxSynchronize")
        return int(call("cuMemGetInfo")[0])

    def hold(self) -> Hold:
        """Nothing put on the stream from now on is done before the hold is released."""
        return Hold(self)

    def close(self) -> None:
        self.enter()
        call("cuStreamDestroy", self.stream)


class Hold:
    """Stops a stream until :meth:`release`."""

    def __init__(self, card: Card) -> None:
        self.word = int(call("cuMemAlloc", 256))
        self._say(0)
        call("cuStreamWaitValue32", card.stream, self.word, 1, _EQUAL)

    def _say(self, value: int) -> None:
        word = np.array([value], np.uint32)
        call("cuMemcpyHtoD", self.word, word.ctypes.data, word.nbytes)

    def release(self) -> None:
        self._say(1)

    def close(self) -> None:
        call("cuMemFree", self.word)


def card_or_reason(device: str = "cuda:0", *, streams: bool = True) -> Card | str:
    """A card, or why there is none."""
    try:
        return Card(device, streams=streams)
    except InputError as reason:
        return str(reason)
