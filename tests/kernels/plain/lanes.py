"""What :mod:`huewright_kernels.lanes` emits as machine instructions, done with NumPy's scalars and memory as it lies.

Everything that the kernels import from there, under the same names. Sums, products, quotients and comparisons are the
scalars' own: IEEE 754, of 32 bits where both sides have 32.
"""

from __future__ import annotations

import ctypes
from typing import Any

import numpy as np

f32 = np.float32


def formula(function: Any) -> Any:
    return function


block = formula


def _i32(value: Any) -> np.int32:
    """The low 32 bits."""
    low = int(value) & 0xFFFFFFFF
    return np.int32(low - (1 << 32) if low >> 31 else low)


def bits_of(x: Any) -> np.int32:
    return np.float32(x).view(np.int32)


def float_of(bits: Any) -> np.float32:
    return _i32(bits).view(np.float32)


def truncated(x: Any) -> np.int32:
    return np.int32(int(x))          # what is no number or out of range raises: an undefined result must not be used


def to_float(value: Any) -> np.float32:
    return np.float32(int(value))


from_u16 = from_u8 = lane = _i32


def to_u16(value: Any) -> np.uint16:
    return np.uint16(int(value) & 0xFFFF)


def to_u8(value: Any) -> np.uint8:
    return np.uint8(int(value) & 0xFF)


def add(a: Any, b: Any) -> np.int32:
    return _i32(int(a) + int(b))


def sub(a: Any, b: Any) -> np.int32:
    return _i32(int(a) - int(b))


def mul(a: Any, b: Any) -> np.int32:
    return _i32(int(a) * int(b))


def both(a: Any, b: Any) -> np.int32:
    return _i32(int(a) & int(b))


def either(a: Any, b: Any) -> np.int32:
    return _i32(int(a) | int(b))


def differ(a: Any, b: Any) -> np.int32:
    return _i32(int(a) ^ int(b))


def left(a: Any, places: Any) -> np.int32:
    return _i32(int(a) << int(places))


def right(a: Any, places: Any) -> np.int32:
    return _i32((int(a) & 0xFFFFFFFF) >> int(places))


def right_signed(a: Any, places: Any) -> np.int32:
    return _i32(int(a) >> int(places))


def swapped32(value: Any) -> np.int32:
    return _i32(int.from_bytes((int(value) & 0xFFFFFFFF).to_bytes(4, "little"), "big"))


def swapped16(value: Any) -> np.uint16:
    return np.uint16(int.from_bytes((int(value) & 0xFFFF).to_bytes(2, "little"), "big"))


def chosen(condition: Any, yes: Any, no: Any) -> Any:
    return yes if condition else no


class Memory:
    """Numbers of one kind from an address on."""

    __slots__ = ("address", "kind", "size")

    def __init__(self, address: int, kind: Any) -> None:
        self.address, self.kind, self.size = int(address), kind, ctypes.sizeof(kind)

    def __getitem__(self, place: Any) -> Any:
        return _AS[self.kind](self.kind.from_address(self.address + self.size * int(place)).value)

    def __setitem__(self, place: Any, value: Any) -> None:
        self.kind.from_address(self.address + self.size * int(place)).value = (
            float(value) if self.kind in (ctypes.c_float, ctypes.c_double) else int(value))


_AS: dict[Any, Any] = {ctypes.c_float: np.float32, ctypes.c_double: np.float64, ctypes.c_int32: np.int32,
                       ctypes.c_int64: int, ctypes.c_uint16: np.uint16, ctypes.c_uint8: np.uint8}


def pointer_f32(address: int) -> Memory:
    return Memory(address, ctypes.c_float)


def pointer_f64(address: int) -> Memory:
    return Memory(address, ctypes.c_double)


def pointer_i32(address: int) -> Memory:
    return Memory(address, ctypes.c_int32)


def pointer_i64(address: int) -> Memory:
    return Memory(address, ctypes.c_int64)


def pointer_u16(address: int) -> Memory:
    return Memory(address, ctypes.c_uint16)


def pointer_u8(address: int) -> Memory:
    return Memory(address, ctypes.c_uint8)


def offset(memory: Memory, elements: Any) -> Memory:
    return Memory(memory.address + memory.size * int(elements), memory.kind)


moved = offset


def as_i32(memory: Memory) -> Memory:
    return Memory(memory.address, ctypes.c_int32)


def constants(memory: Memory) -> Memory:
    return memory


def loaded_row(count: int, aligned: int) -> Any:
    def row(values: Memory, place: Any) -> tuple[Any, ...]:
        assert place % aligned == 0
        return tuple(values[place + k] for k in range(count))
    return row


def rgba_to_planes(pixels: Memory, i: int, planes: Memory, stride: int) -> None:
    for pixel in range(i, i + 8):
        for k in range(4):
            planes[k * stride + pixel] = pixels[4 * pixel + k]


def planes_to_rgba(planes: Memory, stride: int, pixels: Memory, i: int) -> None:
    for pixel in range(i, i + 8):
        for k in range(4):
            pixels[4 * pixel + k] = planes[k * stride + pixel]


planes_to_rgba_streaming = planes_to_rgba


def rows_to_planes(table: Memory, index: Memory, i: int, out: Memory, stride: int) -> None:
    for pixel in range(i, i + 8):
        for k in range(4):
            out[k * stride + pixel] = table[index[pixel] + k]


def pairs_to_planes(table: Memory, index: Memory, i: int, out: Memory, stride: int) -> None:
    for pixel in range(i, i + 4):
        for k in range(2):
            out[k * stride + pixel] = table[index[pixel] + k]


def blended_rows(rows: tuple[tuple[int, int], ...], weights: int, sum_of: Any) -> Any:
    def blended(table: Memory, index: Memory, weight: Memory, stride: int, i: int, out: Memory,
                out_stride: int) -> None:
        for pixel in range(i, i + 8):
            shares = [weight[k * stride + pixel] for k in range(weights)]
            starts = [index[which * stride + pixel] + behind for which, behind in rows]
            for channel in range(3):
                out[channel * out_stride + pixel] = sum_of(*(table[start + channel] for start in starts), *shares)
    return blended


def prefetched(address: int) -> None:
    pass


def settle() -> None:
    pass
