"""Whether a PNG file is whole: OpenImageIO reports no failed writes of this format, so what lies there is looked at."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def is_whole_png(path: Path) -> bool:
    """Whether the file is PNG's signature and then chunks that each keep their CRC, up to the one that ends it.

    Source: W3C, Portable Network Graphics (PNG) Specification, third edition, sections 5.2 and 5.3.
    """
    with open(path, "rb") as file:
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
