"""Pictures computed on NVIDIA GPUs: each card with its kernels and lanes; pictures go to whichever lane is free.

A lane is a stream with tables and memory of its own, on the card and beside it (page-locked, which the card reads by
itself). While one lane's picture travels, another's is computed. Pictures travel without gaps between rows or pixels.
"""

from __future__ import annotations

import ctypes
import queue
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from huewright_kernels import ptx
from huewright_kernels.executor import Program, laid_out, mixed_seed
from huewright_kernels.formats import PixelBuffer

from huewright.device import translated
from huewright.device.compute import Pixels
from huewright.device.driver import call
from huewright.errors import InputError

PROGRAMS_KEPT = 4
"""So many programs' tables stay with a lane."""


class Memory:
    """Memory on a card or, ``host``, page-locked beside it; grows when more is asked for."""

    def __init__(self, host: bool) -> None:
        self.host, self.size, self.address = host, 0, 0

    def at_least(self, size: int) -> int:
        """Its address, with room for ``size`` bytes; what it held before is gone where it had to grow."""
        if size > self.size:
            self.free()
            self.address = int(call("cuMemHostAlloc", size, 0)) if self.host else int(call("cuMemAlloc", size))
            self.size = size
        return self.address

    def array(self, size: int) -> np.ndarray:
        """``size`` bytes of page-locked memory as NumPy sees them."""
        return np.ctypeslib.as_array((ctypes.c_uint8 * size).from_address(self.at_least(size)))

    def free(self) -> None:
        if self.size:
            call("cuMemFreeHost" if self.host else "cuMemFree", self.address)
        self.size = self.address = 0


@dataclass(eq=False)
class Lane:
    """One picture at a time on its way through ``card``."""

    card: Card
    stream: Any
    given: Memory
    taken: Memory
    source: Memory
    target: Memory
    programs: OrderedDict[int, tuple[Program, Memory]]

    def tables(self, program: Program) -> int:
        """The address of the program's tables on the card."""
        if id(program) not in self.programs:
            memory = self.programs.popitem(last=False)[1][1] if len(self.programs) >= PROGRAMS_KEPT else Memory(False)
            tables = ptx.tables_of(program)
            call("cuMemcpyHtoD", memory.at_least(tables.nbytes), tables.ctypes.data, tables.nbytes)
            self.programs[id(program)] = (program, memory)
        self.programs.move_to_end(id(program))
        return self.programs[id(program)][1].address

    def close(self) -> None:
        """Gives back all its memory; only while it has nothing to do."""
        for memory in (self.given, self.taken, self.source, self.target, *(held for _, held in self.programs.values())):
            memory.free()
        call("cuStreamDestroy", self.stream)


class Card:
    """One GPU. Its functions make its context the calling thread's own."""

    def __init__(self, number: int, found: dict[str, str]) -> None:
        self.number, self.parts = number, found
        self.device = call("cuDeviceGet", number)
        self.name = call("cuDeviceGetName", 256, self.device).split(b"\0")[0].decode()
        self.context = call("cuDevicePrimaryCtxRetain", self.device)
        self._kernels: dict[ptx.Kernel, Any] = {}
        self._lock = threading.Lock()

    def enter(self) -> None:
        call("cuCtxSetCurrent", self.context)

    def lane(self) -> Lane:
        self.enter()
        stream = call("cuStreamCreate", 1)     # not to wait for the default stream
        return Lane(self, stream, Memory(True), Memory(True), Memory(False), Memory(False), OrderedDict())

    def function(self, kernel: ptx.Kernel) -> Any:
        """The kernel made ready on this card; made once."""
        with self._lock:
            if kernel not in self._kernels:
                text = ptx.text_of(kernel, self.parts)
                module = call("cuModuleLoadData", text.encode() + b"\0")
                self._kernels[kernel] = call("cuModuleGetFunction", module, ptx.ENTRY.encode())
            return self._kernels[kernel]


def launch(function: Any, kernel: ptx.Kernel, header: np.ndarray, stream: Any, source: int, target: int, tables: int,
           width: int, height: int, seed: int = 0) -> None:
    """Starts ``kernel`` over a picture that lies at these addresses without gaps."""
    pixels = width * height
    values = (ctypes.c_uint64(source), ctypes.c_int64(0), ctypes.c_uint64(target), ctypes.c_int64(0),
              ctypes.c_uint32(pixels), ctypes.c_uint32(width), ctypes.c_int32(0), ctypes.c_int32(0),
              ctypes.c_uint32(seed), ctypes.c_uint64(tables))
    places = (ctypes.c_void_p * (len(values) + 1))(*(ctypes.addressof(value) for value in values), header.ctypes.data)
    groups = -(-pixels // (ptx.THREADS * kernel.pixels))
    call("cuLaunchKernel", function, groups, 1, 1, ptx.THREADS, 1, 1, 0, stream, ctypes.addressof(places), 0)


class Cards:
    """Computes on several GPUs: each call takes a free lane and waits if there is none."""

    def __init__(self, numbers: Sequence[int], lanes: int, notify: Callable[[str], None] = lambda line: None) -> None:
        found = translated.parts(notify)
        self.cards = [Card(number, found) for number in numbers]
        self.name = ", ".join(f"cuda:{card.number} ({card.name})" for card in self.cards)
        self._free: queue.SimpleQueue[Lane] = queue.SimpleQueue()
        for _ in range(max(1, lanes)):     # in turn, so that pictures spread over the cards
            for card in self.cards:
                self._free.put(card.lane())

    def __call__(self, program: Program, source: Pixels, target: Pixels, *, premultiplied: bool = False,
                 dither_seed: int | None = None) -> None:
        lane = self._free.get()
        try:
            lane.card.enter()
            _compute(lane, program, source, target, premultiplied, dither_seed)
        finally:
            self._free.put(lane)


def _compute(lane: Lane, program: Program, source: Pixels, target: Pixels, premultiplied: bool,
             dither_seed: int | None) -> None:
    start, end = laid_out(source, target)
    try:
        kernel, header = ptx.kernel_of(program, ptx.Pixels(start.encoding, start.channels),
                                       ptx.Pixels(end.encoding, end.channels), premultiplied=premultiplied,
                                       dither=dither_seed is not None)
    except ValueError as error:
        raise InputError(f"{error}; leave --device out to render on the processor") from error
    function, tables = lane.card.function(kernel), lane.tables(program)
    pixels = start.width * start.height
    taken_in, given_back = pixels * kernel.source.bytes, pixels * kernel.target.bytes
    np.copyto(_shaped(lane.given.array(taken_in), source), _view(source))
    there, back = lane.source.at_least(taken_in), lane.target.at_least(given_back)
    result = lane.taken.array(given_back)
    call("cuMemcpyHtoDAsync", there, lane.given.address, taken_in, lane.stream)
    launch(function, kernel, header, lane.stream, there, back, tables, start.width, start.height,
           mixed_seed(dither_seed or 0))
    call("cuMemcpyDtoHAsync", lane.taken.address, back, given_back, lane.stream)
    call("cuStreamSynchronize", lane.stream)
    np.copyto(_view(target), _shaped(result, target))


def _view(picture: Pixels) -> np.ndarray:
    """What of a picture is moved, as it lies: (height, width, up to four channels), or bytes (height, a row's)."""
    if isinstance(picture, PixelBuffer):
        used = picture.width * picture.pixel_bytes
        return np.ndarray((picture.height, used), np.uint8, picture.data, picture.offset, (picture.row_bytes, 1))
    return picture[..., :4]


def _shaped(memory: np.ndarray, picture: Pixels) -> np.ndarray:
    """``memory`` as the picture's pixels lie in it without gaps."""
    view = _view(picture)
    return memory.view(view.dtype).reshape(view.shape)
