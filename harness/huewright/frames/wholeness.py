"""Whether a picture file that a library wrote is whole: OpenImageIO reports no failed writes of PNG, and none of the
last few kilobytes of any format, which the system holds back until the file is closed. So what lies there is looked at,
as far as it tells of a missing end."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def is_whole(path: Path) -> bool:
    """Whether the file at ``path``, of one of the formats written here, goes to its end."""
    check = _CHECKS.get(path.suffix.lower())
    if check is None:
        return True
    try:
        with open(path, "rb") as file:
            return check(file, path.stat().st_size)
    except struct.error:      # it ends where more belongs
        return False


def _png(file: BinaryIO, size: int) -> bool:
    """PNG's signature and then chunks that each keep their CRC, up to the one that ends it.

    Source: W3C, Portable Network Graphics (PNG) Specification, third edition, sections 5.2 and 5.3.
    """
    if file.read(8) != _SIGNATURE:
        return False
    while len(head := file.read(8)) == 8:
        length, kind = struct.unpack(">I4s", head)
        data, check = file.read(length), file.read(4)
        if len(check) != 4 or zlib.crc32(data, zlib.crc32(kind)) != int.from_bytes(check, "big"):
            return False
        if kind == b"IEND":
            return not file.read(1)
    return False


def _exr(file: BinaryIO, size: int) -> bool:
    """A file of one part whose table of chunks is filled, and whose last chunk is all there.

    Source: OpenEXR, "OpenEXR File Layout" (header, offset table, scan line and tile blocks).
    """
    magic, flags = struct.unpack("<II", file.read(8))
    if magic != 20000630:
        return False
    while name := text_to_zero(file):
        text_to_zero(file)
        length, = struct.unpack("<I", file.read(4))
        file.seek(length, 1)
        if not name or file.tell() > size:
            return False
    begin, ends, last = file.tell(), size, 0
    while begin < ends:       # the table ends where the first chunk begins
        offset, = struct.unpack("<Q", file.read(8))
        begin += 8
        if not begin <= offset < size:
            return False
        ends, last = min(ends, offset), max(last, offset)
    tiled = flags & 0x200
    file.seek(last + (16 if tiled else 4))
    length, = struct.unpack("<I", file.read(4))
    return bool(last) and begin == ends and file.tell() + length <= size


def text_to_zero(file: BinaryIO) -> bytes:
    """What comes before the next zero byte; :class:`struct.error` where there is none."""
    text = b""
    while (byte := file.read(1)) != b"\0":
        if not byte:
            raise struct.error
        text += byte
    return text


_SIZES = {3: "H", 4: "I", 16: "Q"}
_PLACES, _LENGTHS = (273, 324), (279, 325)


def _tiff(file: BinaryIO, size: int) -> bool:
    """A directory that is all there, and whose strips or tiles are.

    Source: TIFF, Revision 6.0 (1992), section 2 and tags 273, 279, 324, 325; BigTIFF's wider fields from memory.
    """
    order = {b"II": "<", b"MM": ">"}.get(file.read(2))
    if order is None:
        return False

    def read(form: str) -> tuple[int, ...]:
        return struct.unpack(order + form, file.read(struct.calcsize(order + form)))

    version, = read("H")
    wide = "Q" if version == 43 else "I"
    if version == 43:
        read("HH")
    file.seek(read(wide)[0])
    found: dict[int, tuple[int, ...]] = {}
    for _ in range(read("Q" if wide == "Q" else "H")[0]):
        tag, kind, count = read("HH" + wide)
        after = file.tell() + struct.calcsize("=" + wide)
        if tag in _PLACES + _LENGTHS and kind in _SIZES:
            if count * struct.calcsize("=" + _SIZES[kind]) > struct.calcsize("=" + wide):
                place, = read(wide)
                if place + count > size:
                    return False
                file.seek(place)
            found[tag] = read(f"{count}{_SIZES[kind]}")
        file.seek(after)
    read(wide)
    pairs = [(place, length) for places, lengths in zip(_PLACES, _LENGTHS, strict=True)
             for place, length in zip(found.get(places, ()), found.get(lengths, ()), strict=True)]
    return bool(pairs) and all(place and place + length <= size for place, length in pairs)


_CHECKS: dict[str, Callable[[BinaryIO, int], bool]] = {".png": _png, ".exr": _exr, ".tif": _tiff, ".tiff": _tiff}

__all__ = ["is_whole", "text_to_zero"]
