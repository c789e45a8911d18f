"""Image memory for the headless host: rows of any stride, canaries around the pixels, guard pages before and behind."""

from __future__ import annotations

import ctypes
import mmap
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from huewright.host import standard

_libc = ctypes.CDLL(None, use_errno=True)
_libc.mmap.restype = ctypes.c_void_p
_libc.mmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int, ctypes.c_int, ctypes.c_int, ctypes.c_long]
_libc.munmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t]
_libc.mprotect.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int]
_NONE, _READ, _READ_WRITE = 0, mmap.PROT_READ, mmap.PROT_READ | mmap.PROT_WRITE


class GuardedMemory:
    """``size`` bytes between two inaccessible pages, flush with the page behind (or before, with ``flush="start"``).

    A byte touched beyond the end (or before the start) ends the process with a segmentation fault.
    """

    def __init__(self, size: int, flush: str = "end") -> None:
        page = mmap.PAGESIZE
        self._inner = -(-max(size, 1) // page) * page
        self._whole = self._inner + 2 * page
        address = _libc.mmap(None, self._whole, _NONE, mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS, -1, 0)
        if address in (None, ctypes.c_void_p(-1).value):
            raise MemoryError("no room for a guarded picture")
        self._base = address
        self._inside = address + page
        self.protect(writable=True)
        self.address = self._inside if flush == "start" else self._inside + self._inner - size
        self.bytes = np.ctypeslib.as_array((ctypes.c_uint8 * size).from_address(self.address))

    def protect(self, *, writable: bool) -> None:
        _libc.mprotect(self._inside, self._inner, _READ_WRITE if writable else _READ)

    def close(self) -> None:
        if self._base:
            self.bytes = np.empty(0, np.uint8)
            _libc.munmap(self._base, self._whole)
            self._base = 0

    def __del__(self) -> None:
        self.close()


@dataclass
class Picture:
    """What a clip hands out: pixels somewhere in memory, in the standard's terms.

    pixels      (h, w, c) view, row 0 at the *bottom* (y1) as in the standard's coordinates
    bounds      (x1, y1, x2, y2) in pixels; rod the region of definition in pixels
    address     of pixel (x1, y1); row_bytes to the next row up, may be negative
    """

    pixels: np.ndarray
    bounds: tuple[int, int, int, int]
    depth: str
    components: str
    address: int
    row_bytes: int
    premultiplication: str = standard.UNPREMULTIPLIED
    rod: tuple[int, int, int, int] | None = None
    storage: Any = field(default=None, repr=False)

    @property
    def region(self) -> tuple[int, int, int, int]:
        return self.rod or self.bounds


def allocate(bounds: tuple[int, int, int, int], depth: str, components: str, *, padding: int = 0,
             negative: bool = False, guard: str | None = None, premultiplication: str = standard.UNPREMULTIPLIED,
             fill: int = 0) -> Picture:
    """A picture in memory of its own, every byte ``fill``.

    padding    bytes between one row's last pixel and the next row's first (canaries, if filled and compared)
    negative   rows stored top down, so that the standard's row bytes are negative
    guard      "end" or "start": flush with an inaccessible page there; None: ordinary memory
    """
    x1, y1, x2, y2 = bounds
    width, height, channels = x2 - x1, y2 - y1, standard.COMPONENTS[components]
    dtype = np.dtype(standard.DTYPES[depth])
    stride = width * channels * dtype.itemsize + padding
    size = stride * height
    storage: Any
    if guard:
        storage = GuardedMemory(size, guard)
        raw = storage.bytes
    else:
        storage = raw = np.empty(size, np.uint8)
    raw[:] = fill
    rows = np.ndarray((height, width, channels), dtype, raw, 0, (stride, channels * dtype.itemsize, dtype.itemsize))
    first = raw.ctypes.data
    if negative:
        return Picture(rows[::-1], bounds, depth, components, first + stride * (height - 1), -stride,
                       premultiplication, storage=storage)
    return Picture(rows, bounds, depth, components, first, stride, premultiplication, storage=storage)


def wrap(pixels: np.ndarray, components: str, *, premultiplication: str = standard.UNPREMULTIPLIED,
         origin: tuple[int, int] = (0, 0)) -> Picture:
    """``pixels`` (h, w, c), top row first as files are, shown to a plug-in without a copy (negative row bytes).

    Channels and columns must be contiguous; ``ValueError`` if not, or if the data type has no bit depth.
    """
    depth = next((name for name, dtype in standard.DTYPES.items() if np.dtype(dtype) == pixels.dtype), None)
    height, width, channels = pixels.shape
    if depth is None or channels != standard.COMPONENTS[components]:
        raise ValueError(f"no OpenFX picture is {pixels.dtype} with {channels} channels")
    if pixels.strides[1:] != (channels * pixels.itemsize, pixels.itemsize):
        raise ValueError("a picture's columns and channels must be contiguous")
    stride = pixels.strides[0]
    x, y = origin
    return Picture(pixels[::-1], (x, y, x + width, y + height), depth, components,
                   pixels.ctypes.data + stride * (height - 1), -stride, premultiplication, storage=pixels)


def raw_bytes(picture: Picture) -> np.ndarray:
    """Every byte that the picture's memory holds, padding included, as a flat uint8 view."""
    storage = picture.storage
    return storage.bytes if isinstance(storage, GuardedMemory) else storage.reshape(-1).view(np.uint8)


def sample_picture(height: int, width: int, channels: int, depth: str, *, seed: int = 0) -> np.ndarray:
    """An invented picture: ramps, saturated patches, noise, and (float depths) values below 0 and above 1.

    Returns (h, w, c) of the depth's data type; a fourth channel is an alpha ramp from 0 to 1.
    """
    generator = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width] / max(height - 1, width - 1, 1)
    colour = np.stack([x, y, 1 - (x + y) / 2], -1) + generator.normal(0, 0.02, (height, width, 3))
    patches = generator.random((height // 4 + 1, width // 4 + 1, 3)).repeat(4, 0).repeat(4, 1)[:height, :width]
    colour = np.where((np.arange(height) // 8 % 2 == 0)[:, None, None], colour, patches)
    if depth in (standard.FLOAT, standard.HALF):
        colour[: height // 8] = colour[: height // 8] * 2.5 - 0.4
    else:
        colour = colour.clip(0, 1)
    alpha = x[..., None].clip(0, 1)
    planes = {1: alpha, 3: colour, 4: np.concatenate([colour, alpha], -1)}[channels]
    dtype = np.dtype(standard.DTYPES[depth])
    if dtype.kind == "u":
        planes = np.rint(planes * np.iinfo(dtype).max)
    result: np.ndarray = planes.astype(dtype)
    return result
