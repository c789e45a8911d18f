"""Pixel formats: how pictures lie in memory, and the readers and writers of the block executor.

A reader takes up to a block of pixels from a row to the planes as float32, a writer puts them back. Integers
are scaled so that full scale is 1. Ten bits in 32-bit words and twelve in 16-bit words are the filled
method A of SMPTE ST 268 (DPX): the unused low bits are last, and are written as 0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from huewright_kernels.elementary import ONE, ZERO, clamp
from huewright_kernels.lanes import (
    add,
    bits_of,
    block,
    both,
    differ,
    either,
    f32,
    float_of,
    formula,
    from_u8,
    from_u16,
    lane,
    left,
    mul,
    planes_to_rgba,
    planes_to_rgba_streaming,
    pointer_f32,
    pointer_i32,
    pointer_u8,
    pointer_u16,
    prefetched,
    rgba_to_planes,
    right,
    sub,
    swapped16,
    swapped32,
    to_float,
    to_u8,
    to_u16,
)
from huewright_kernels.planes import ALPHA, BLOCK, BLUE, GREEN, RED

ENCODINGS = ("float32", "float16", "uint8", "uint16", "uint16be", "uint12le", "uint12be", "uint10le", "uint10be")
CODES = {name: code for code, name in enumerate(ENCODINGS)}
FULL_SCALES = {"uint8": 255, "uint16": 65535, "uint16be": 65535, "uint12le": 4095, "uint12be": 4095,
               "uint10le": 1023, "uint10be": 1023}
_ELEMENT = {"float32": 4, "float16": 2, "uint8": 1, "uint16": 2, "uint16be": 2, "uint12le": 2, "uint12be": 2,
            "uint10le": 4, "uint10be": 4}


@dataclass(frozen=True)
class PixelBuffer:
    """A picture in a run of bytes, as image files hold it.

    ``data`` is a 1-D uint8 array; row y starts at ``offset + y * row_bytes``; ``encoding`` is one of
    :data:`ENCODINGS`; ``components`` is 3 (R, G, B) or 4 (with alpha; not for ten bits). Raises ``ValueError``
    if the picture doesn't fit the data.
    """

    data: np.ndarray
    width: int
    height: int
    row_bytes: int
    encoding: str
    components: int = 3
    offset: int = 0

    def __post_init__(self) -> None:
        if self.encoding not in ENCODINGS:
            raise ValueError(f"unknown pixel encoding {self.encoding!r}; known: {', '.join(ENCODINGS)}")
        if self.data.dtype != np.uint8 or self.data.ndim != 1 or self.data.strides != (1,):
            raise ValueError("a pixel buffer's data is a contiguous 1-D uint8 array")
        ten = self.encoding.startswith("uint10")
        if self.components not in ((3,) if ten else (3, 4)):
            raise ValueError(f"a pixel buffer of {self.encoding} cannot have {self.components} components")
        if self.width < 1 or self.height < 1:
            raise ValueError("a pixel buffer holds at least one pixel")
        used = self.width * self.pixel_bytes
        first = self.offset + min(0, (self.height - 1) * self.row_bytes)
        last = self.offset + max(0, (self.height - 1) * self.row_bytes) + used
        if first < 0 or last > self.data.size:
            raise ValueError(f"{self.width}x{self.height} pixels of {self.encoding} do not fit in "
                             f"{self.data.size} bytes")
        if self.height > 1 and abs(self.row_bytes) < used:
            raise ValueError(f"rows of {self.row_bytes} bytes cannot hold {self.width} pixels of {self.encoding}")
        if (self.data.ctypes.data + self.offset) % _ELEMENT[self.encoding] or self.row_bytes % _ELEMENT[self.encoding]:
            raise ValueError(f"rows of {self.encoding} must start at multiples of {_ELEMENT[self.encoding]} bytes")

    @property
    def pixel_bytes(self) -> int:
        return 4 if self.encoding.startswith("uint10") else self.components * _ELEMENT[self.encoding]


@dataclass(frozen=True)
class Layout:
    """Where a picture lies: what the executor needs of it. Strides in bytes; ``channels`` 3, or 4 with alpha."""

    address: int
    width: int
    height: int
    row_bytes: int
    pixel_bytes: int
    encoding: str
    channels: int

    @property
    def extent(self) -> tuple[int, int]:
        """First address and the one past the last of the bytes that may be touched."""
        across, down = (self.width - 1) * self.pixel_bytes, (self.height - 1) * self.row_bytes
        pixel = 4 if self.encoding.startswith("uint10") else self.channels * _ELEMENT[self.encoding]
        return (self.address + min(0, across) + min(0, down), self.address + max(0, across) + max(0, down) + pixel)


def layout_of(picture: np.ndarray | PixelBuffer) -> Layout:
    """Raises ``ValueError`` for arrays that are no pictures: see :func:`huewright_kernels.executor.run`."""
    if isinstance(picture, PixelBuffer):
        return Layout(picture.data.ctypes.data + picture.offset, picture.width, picture.height, picture.row_bytes,
                      picture.pixel_bytes, picture.encoding, picture.components)
    if not isinstance(picture, np.ndarray) or picture.ndim != 3 or picture.shape[2] < 3:
        raise ValueError("a picture is an array of height, width and at least 3 channels, or a PixelBuffer")
    kind = picture.dtype
    if not kind.isnative:
        raise ValueError("arrays must have the machine's byte order; use a PixelBuffer for others")
    if kind not in (np.float32, np.float16, np.uint8, np.uint16):
        raise ValueError(f"pictures are float32, float16, uint8 or uint16, not {kind}")
    height, width, channels = picture.shape
    rows, pixels, step = picture.strides
    if step != kind.itemsize or rows % kind.itemsize or pixels % kind.itemsize or picture.ctypes.data % kind.itemsize:
        raise ValueError("a pixel's channels must lie side by side, at addresses aligned to their size")
    return Layout(picture.ctypes.data, width, height, rows, pixels, kind.name, min(channels, 4))


# ---- half floats, in integer arithmetic: every processor gives the same bits --------------------------------


@formula
def float_from_half(h):
    """The float32 of a half float's 16 bits (as int32). Exact; a NaN keeps its payload."""
    size = left(both(h, 0x7FFF), 13)
    value = bits_of(float_of(size) * f32(2.0**112))
    value = either(value, 0x7F800000) if size >= 0x0F800000 else value
    return float_of(either(value, left(both(h, 0x8000), 16)))


@formula
def half_from_float(x):
    """The 16 bits (as int32) of the half float nearest to ``x``, ties to even; NaN gives a quiet NaN."""
    bits = bits_of(x)
    size = both(bits, 0x7FFFFFFF)
    sign = right(both(bits, -0x80000000), 16)
    # Normal halves: round the mantissa in the integer domain, where the carry runs into the exponent.
    odd = both(right(size, 13), 1)
    normal = right(add(add(sub(size, 0x38000000), 0xFFF), odd), 13)
    # Small ones: adding 0.5 lines the mantissa up with the half's last place, rounding on the way.
    small = sub(bits_of(float_of(size) + f32(0.5)), 0x3F000000)
    h = small if size < 0x38800000 else normal
    h = lane(0x7C00) if size >= 0x477FF000 else h
    h = lane(0x7E00) if size > 0x7F800000 else h
    return either(h, sign)


# ---- integers -------------------------------------------------------------------------------------------------

_ROUND = f32(1.5 * 2.0**23)
_ROUND_BITS = 0x4B400000


@formula
def noise(x, y, channel, seed):
    """Triangular noise in (-1, 1) with variance 1/6, from a hash of place, channel and seed (32-bit lanes).

    The mixing is the finalising step of the public-domain MurmurHash3.
    """
    h = add(add(mul(x, -1640531527), mul(y, -2048144789)), add(mul(channel, -1028477379), seed))
    h = mul(differ(h, right(h, 16)), -2048144789)
    h = mul(differ(h, right(h, 13)), -1028477379)
    h = differ(h, right(h, 16))
    return to_float(sub(add(both(h, 0xFFFF), right(h, 16)), 65535)) * f32(1 / 65536)


@formula
def quantised(value, full_scale):
    """``value`` (1 is full scale) to the nearest code (ties to even), limited; NaN gives 0."""
    code = clamp(value * full_scale, ZERO, full_scale)
    return sub(bits_of(code + _ROUND), _ROUND_BITS)


LINE = 64
"""Bytes that memory moves at once."""
AHEAD = 2 * BLOCK
"""Pixels from what is read to what is asked for ahead."""


# ---- readers and writers --------------------------------------------------------------------------------------

_S10, _S8 = f32(1023.0), f32(255.0)


@formula
def _get_f32(value, kind):
    return value


@formula
def _get_f16(value, kind):
    return float_from_half(from_u16(value))


@formula
def _get_u8(value, kind):
    return to_float(from_u8(value)) / _S8


@formula
def _get_u16(value, kind):
    swap, shift, full_scale = kind
    word = from_u16(swapped16(value)) if swap else from_u16(value)
    return to_float(right(word, shift)) / full_scale


@formula
def _put_f32(value, kind):
    return value


@formula
def _put_f16(value, kind):
    return to_u16(half_from_float(value))


@formula
def _put_u8(value, kind):
    return to_u8(quantised(value, _S8))


@formula
def _put_u16(value, kind):
    swap, shift, full_scale = kind
    word = to_u16(left(quantised(value, full_scale), shift))
    return swapped16(word) if swap else word


def _reader(pointer: Any, get: Any, item_bytes: int) -> Callable[..., None]:
    @block
    def read(address, pixel_bytes, channels, planes, n, kind):
        p, step = pointer(address), pixel_bytes // item_bytes
        if step == 4 and channels == 4:
            for i in range(n):
                planes[RED + i], planes[GREEN + i] = get(p[4 * i], kind), get(p[4 * i + 1], kind)
                planes[BLUE + i], planes[ALPHA + i] = get(p[4 * i + 2], kind), get(p[4 * i + 3], kind)
            return
        if step == 3:
            for i in range(n):
                planes[RED + i], planes[GREEN + i] = get(p[3 * i], kind), get(p[3 * i + 1], kind)
                planes[BLUE + i] = get(p[3 * i + 2], kind)
        else:
            for i in range(n):
                k = i * step
                planes[RED + i], planes[GREEN + i] = get(p[k], kind), get(p[k + 1], kind)
                planes[BLUE + i] = get(p[k + 2], kind)
        for i in range(n):
            planes[ALPHA + i] = ONE
        if channels == 4:
            for i in range(n):
                planes[ALPHA + i] = get(p[i * step + 3], kind)
    return read


def _writer(pointer: Any, put: Any, item_bytes: int) -> Callable[..., None]:
    @block
    def write(address, pixel_bytes, channels, planes, n, kind):
        p, step = pointer(address), pixel_bytes // item_bytes
        if step == 4 and channels == 4:
            for i in range(n):
                p[4 * i], p[4 * i + 1] = put(planes[RED + i], kind), put(planes[GREEN + i], kind)
                p[4 * i + 2], p[4 * i + 3] = put(planes[BLUE + i], kind), put(planes[ALPHA + i], kind)
        elif step == 3:
            for i in range(n):
                p[3 * i], p[3 * i + 1] = put(planes[RED + i], kind), put(planes[GREEN + i], kind)
                p[3 * i + 2] = put(planes[BLUE + i], kind)
        else:
            for i in range(n):
                k = i * step
                p[k], p[k + 1] = put(planes[RED + i], kind), put(planes[GREEN + i], kind)
                p[k + 2] = put(planes[BLUE + i], kind)
            if channels == 4:
                for i in range(n):
                    p[i * step + 3] = put(planes[ALPHA + i], kind)
    return write


@formula
def colours_of_word(word, swap):
    """R, G and B of ten bits each in one word."""
    word = swapped32(word) if swap else word
    return (to_float(right(word, 22)) / _S10, to_float(both(right(word, 12), 1023)) / _S10,
            to_float(both(right(word, 2), 1023)) / _S10)


@formula
def word_of_colours(r, g, b, swap):
    red, green = left(quantised(r, _S10), 22), left(quantised(g, _S10), 12)
    word = either(either(red, green), left(quantised(b, _S10), 2))
    return swapped32(word) if swap else word


@block
def _read_u10(address, planes, n, swap):
    p = pointer_i32(address)
    for i in range(n):
        planes[RED + i], planes[GREEN + i], planes[BLUE + i] = colours_of_word(p[i], swap)
        planes[ALPHA + i] = ONE


@block
def _write_u10(address, planes, n, swap):
    p = pointer_i32(address)
    for i in range(n):
        p[i] = word_of_colours(planes[RED + i], planes[GREEN + i], planes[BLUE + i], swap)


@formula
def dithered(value, x, y, channel, seed, full_scale):
    """``value`` moved by noise of up to one code of ``full_scale``. Place and seed (32-bit lanes) decide it."""
    return value + noise(x, y, channel, seed) * (ONE / full_scale)


@block
def add_noise(planes, n, x, y, seed, full_scale):
    """Dither of R, G and B ahead of an integer writer."""
    scale = f32(full_scale)
    for i in range(n):
        where = add(lane(x), lane(i))
        planes[RED + i] = dithered(planes[RED + i], where, lane(y), lane(0), lane(seed), scale)
        planes[GREEN + i] = dithered(planes[GREEN + i], where, lane(y), lane(1), lane(seed), scale)
        planes[BLUE + i] = dithered(planes[BLUE + i], where, lane(y), lane(2), lane(seed), scale)


_read_f32, _write_f32 = _reader(pointer_f32, _get_f32, 4), _writer(pointer_f32, _put_f32, 4)
_read_f16, _write_f16 = _reader(pointer_u16, _get_f16, 2), _writer(pointer_u16, _put_f16, 2)
_read_u8, _write_u8 = _reader(pointer_u8, _get_u8, 1), _writer(pointer_u8, _put_u8, 1)
_read_u16, _write_u16 = _reader(pointer_u16, _get_u16, 2), _writer(pointer_u16, _put_u16, 2)


@formula
def _kind_of_16_bits(code):
    """Whether bytes are swapped, how far up the code sits, and its full scale; by place in ENCODINGS, 3 to 6."""
    twelve = code >= 5
    return code == 4 or code == 6, lane(4 if twelve else 0), f32(4095.0) if twelve else f32(65535.0)


def item_formulas(encoding: str) -> tuple[Callable[..., Any], Callable[..., Any]]:
    """(bits -> value, value -> bits) of one channel of an encoding that gives each channel a number of its own; the
    bits as they lie in memory, in the low end of an int32."""
    code = CODES[encoding]
    if encoding == "float32":
        return formula(lambda bits: float_of(bits)), formula(lambda value: bits_of(value))
    if encoding == "float16":
        return formula(lambda bits: _get_f16(to_u16(bits), 0)), formula(lambda value: from_u16(_put_f16(value, 0)))
    if encoding == "uint8":
        return formula(lambda bits: _get_u8(to_u8(bits), 0)), formula(lambda value: from_u8(_put_u8(value, 0)))
    return (formula(lambda bits: _get_u16(to_u16(bits), _kind_of_16_bits(code))),
            formula(lambda value: from_u16(_put_u16(value, _kind_of_16_bits(code)))))


@block
def _read_rgba(address, planes, n):
    """Float32 RGBA, the commonest picture, with our own shuffles (twice as fast as the general reader).

    What is asked for ahead is asked for line by line among the reading: a burst of so many would be dropped.
    """
    p, whole, ahead = pointer_f32(address), n // 8 * 8, address + AHEAD * 16
    for i in range(0, whole, 8):
        rgba_to_planes(p, i, planes, BLOCK)
        prefetched(ahead + 16 * i)
        prefetched(ahead + 16 * i + LINE)
    for i in range(whole, n):
        planes[RED + i], planes[GREEN + i] = p[4 * i], p[4 * i + 1]
        planes[BLUE + i], planes[ALPHA + i] = p[4 * i + 2], p[4 * i + 3]


@block
def _write_rgba(address, planes, n, streaming):
    p, whole = pointer_f32(address), n // 8 * 8
    if streaming != 0 and address % 16 == 0:
        for i in range(0, whole, 8):
            planes_to_rgba_streaming(planes, BLOCK, p, i)
    else:
        for i in range(0, whole, 8):
            planes_to_rgba(planes, BLOCK, p, i)
    for i in range(whole, n):
        p[4 * i], p[4 * i + 1] = planes[RED + i], planes[GREEN + i]
        p[4 * i + 2], p[4 * i + 3] = planes[BLUE + i], planes[ALPHA + i]


@block
def read_block(code, address, pixel_bytes, channels, planes, n):
    """``n`` pixels from ``address`` on into the planes; ``code`` is the place in :data:`ENCODINGS`.

    The processor is told what will be read :data:`AHEAD`: among much other reading (of tables) it doesn't see by
    itself that a picture is read in order.
    """
    if code == 0 and channels == 4 and pixel_bytes == 16:
        _read_rgba(address, planes, n)
        return
    for ahead in range(AHEAD * pixel_bytes, (AHEAD + n) * pixel_bytes, LINE):
        prefetched(address + ahead)
    if code == 0:
        _read_f32(address, pixel_bytes, channels, planes, n, 0)
    elif code == 1:
        _read_f16(address, pixel_bytes, channels, planes, n, 0)
    elif code == 2:
        _read_u8(address, pixel_bytes, channels, planes, n, 0)
    elif code <= 6:
        _read_u16(address, pixel_bytes, channels, planes, n, _kind_of_16_bits(code))
    elif code == 7:
        _read_u10(address, planes, n, False)
    else:
        _read_u10(address, planes, n, True)


@block
def write_block(code, address, pixel_bytes, channels, planes, n, streaming):
    """``n`` pixels from the planes to ``address`` on; channels beyond ``channels`` stay as they are.

    ``streaming`` lets large pictures go past the caches where the format allows."""
    if code == 0 and channels == 4 and pixel_bytes == 16:
        _write_rgba(address, planes, n, streaming)
    elif code == 0:
        _write_f32(address, pixel_bytes, channels, planes, n, 0)
    elif code == 1:
        _write_f16(address, pixel_bytes, channels, planes, n, 0)
    elif code == 2:
        _write_u8(address, pixel_bytes, channels, planes, n, 0)
    elif code <= 6:
        _write_u16(address, pixel_bytes, channels, planes, n, _kind_of_16_bits(code))
    elif code == 7:
        _write_u10(address, planes, n, False)
    else:
        _write_u10(address, planes, n, True)
