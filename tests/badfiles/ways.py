"""The ways in which a whole file is damaged, or made hostile; each from a seeded generator."""

from __future__ import annotations

import json
import re
import struct
import tomllib
import zlib
from collections.abc import Callable, Iterator
from pathlib import PurePath
from typing import Any

import numpy as np

from badfiles.whole import JSON, MOVIES, PICTURES, TREES, as_text, kind_of

Rng = np.random.Generator
NOT_UTF8 = b"\xff\xfe\xc3\x28\x80 na\xefve"
LIES = (0, 1, 0xFFFFFFFF, 0x7FFFFFFF, 0x80000000, 65536, 1 << 20)
NUMBERS = ("nan", "inf", "-inf", "NaN", "Infinity", "1e30", "-1e30", "1e38", "3.5e38", "1e308", "1e999", "-1", "0",
           "-0.0", "1e-300", "9" * 5000, "0." + "3" * 5000, "0x10", "1,5", "\u0661\u0662", "", "true", "--1", "1e",
           "2147483648", "1000000", "-2000000000")
TEXTS = ("../../../etc/invented", "/etc/invented", "..\\..\\x", "~/x", "a\u0000b", "\u001b[2J", "\u202egpj.exe", "a\nb",
         " ", "", "." * 4000, "\ud800", "con:", "%s%n", "<script>alert(1)</script>", "https://example.invalid/x",
         "\u0007", "|ls", "--overwrite", "$(id)", "x" * 100_000)
VALUES: tuple[Any, ...] = (0, 0.0, -1, 1e30, -1e30, 1e308, 3.4e38, float("nan"), float("inf"), float("-inf"), 10**19,
                           -(10**19),
                           2**63, True, None, [], {}, [[]], "", [0] * 9, [0.0, 0.0, 0.0], [1e38] * 3, [-1, -1, -1],
                           [[0, 0, 0]] * 3, [[1e38] * 3] * 3, [[-1.0, 0, 0], [0, -1.0, 0], [0, 0, -1.0]], *TEXTS)


def is_binary(name: str) -> bool:
    return PurePath(name).suffix in (*PICTURES, *MOVIES)


# ---------------------------------------------------------------- any file

def cut(raw: bytes, name: str, rng: Rng) -> bytes:
    return raw[:int(rng.integers(len(raw)))]


def bits(raw: bytes, name: str, rng: Rng) -> bytes:
    flipped = bytearray(raw)
    for at in rng.integers(len(raw), size=int(rng.integers(1, 20))):
        flipped[at] ^= 1 << int(rng.integers(8))
    return bytes(flipped)


def text_not_utf8(raw: bytes, name: str, rng: Rng) -> bytes:
    at = int(rng.integers(_head(raw, name)))
    return raw[:at] + NOT_UTF8 + raw[at + len(NOT_UTF8):]


def stretch(raw: bytes, name: str, rng: Rng) -> bytes:
    at, length = int(rng.integers(len(raw))), int(rng.integers(1, 400))
    part = raw[at:at + length]
    return raw[:at] + (b"" if rng.integers(2) else part * 2) + raw[at + length:]


def zeros(raw: bytes, name: str, rng: Rng) -> bytes:
    at = int(rng.integers(len(raw)))
    return raw[:at] + bytes(len(raw) - at)


def noise(raw: bytes, name: str, rng: Rng) -> bytes:
    return rng.integers(256, size=int(rng.integers(0, 5000)), dtype=np.uint8).tobytes()


# ---------------------------------------------------------------- pictures and movies

def header_bytes(raw: bytes, name: str, rng: Rng) -> bytes:
    changed = bytearray(raw)
    for at in rng.integers(_head(raw, name), size=int(rng.integers(1, 8))):
        changed[at] = int(rng.integers(256))
    return bytes(changed)


def header_lies(raw: bytes, name: str, rng: Rng) -> bytes:
    """Sizes, offsets and counts in the header."""
    at = int(rng.integers(_head(raw, name) // 4)) * 4 + int(rng.integers(4))
    lie = struct.pack("<>"[int(rng.integers(2))] + "I", LIES[int(rng.integers(len(LIES)))])
    return raw[:at] + lie + raw[at + 4:]


def size_lies(raw: bytes, name: str, rng: Rng) -> bytes:
    """Width and height alone, where each format has them."""
    lie = LIES[int(rng.integers(len(LIES)))]
    changed = bytearray(raw)
    if name.endswith(".dpx"):
        struct.pack_into(">I", changed, 772 + 4 * int(rng.integers(2)), lie)
    elif name.endswith(".png"):
        struct.pack_into(">I", changed, 16 + 4 * int(rng.integers(2)), lie)
        changed = bytearray(_with_sums(bytes(changed)))
    elif name.endswith(".exr"):
        at = raw.index((b"dataWindow\0", b"displayWindow\0")[int(rng.integers(2))])
        at = raw.index(b"box2i\0", at) + 10
        struct.pack_into("<I", changed, at + 4 * int(rng.integers(4)), lie)
    elif name.endswith(".heic"):      # ISO/IEC 23008-12: an image's spatial extents
        struct.pack_into(">I", changed, raw.index(b"ispe") + 8 + 4 * int(rng.integers(2)), lie)
    elif name.endswith(".tif"):
        order = "<" if raw[:2] == b"II" else ">"
        at, = struct.unpack_from(order + "I", raw, 4)
        count, = struct.unpack_from(order + "H", raw, at)
        entry = at + 2 + 12 * int(rng.integers(count))
        struct.pack_into(order + "I", changed, entry + 4 * int(rng.integers(1, 3)), lie)
    else:
        return header_lies(raw, name, rng)
    return bytes(changed)


def sums_mended(raw: bytes, name: str, rng: Rng) -> bytes:
    """A PNG file damaged and given the checksums of what it holds now: it says of itself that it is whole."""
    return _with_sums(bits(raw, name, rng)) if name.endswith(".png") else header_bytes(raw, name, rng)


def _with_sums(raw: bytes) -> bytes:
    at, mended = 8, bytearray(raw)
    while at + 12 <= len(raw):
        length, = struct.unpack_from(">I", raw, at)
        end = at + 8 + length
        if end + 4 > len(raw):
            break
        struct.pack_into(">I", mended, end, zlib.crc32(raw[at + 4:end]))
        at = end + 4
    return bytes(mended)


def _head(raw: bytes, name: str) -> int:
    return max(8, min(len(raw), 2048 if name.endswith(".dpx") else 700))


# ---------------------------------------------------------------- text

def number(raw: bytes, name: str, rng: Rng) -> bytes:
    """One number becomes another, or none."""
    found = list(re.finditer(rb"(?<![\w.])-?\d[\d.]*(?:e-?\d+)?", raw))
    if not found:
        return bits(raw, name, rng)
    match = found[int(rng.integers(len(found)))]
    return raw[:match.start()] + NUMBERS[int(rng.integers(len(NUMBERS)))].encode() + raw[match.end():]


def numbers_all(raw: bytes, name: str, rng: Rng) -> bytes:
    value = ("0", "1e38", "1e308", "-1e30", "nan")[int(rng.integers(5))].encode()
    return re.sub(rb"(?<![\w.#-])-?\d+\.\d+", value, raw)


def word(raw: bytes, name: str, rng: Rng) -> bytes:
    found = list(re.finditer(rb"[A-Za-z_]{3,}", raw))
    if not found:
        return bits(raw, name, rng)
    match = found[int(rng.integers(len(found)))]
    text = TEXTS[int(rng.integers(len(TEXTS)))].encode("utf-8", "surrogatepass")
    return raw[:match.start()] + text + raw[match.end():]


def line(raw: bytes, name: str, rng: Rng) -> bytes:
    """A line lost, doubled, or moved."""
    lines = raw.splitlines(keepends=True)
    at = int(rng.integers(len(lines)))
    taken = lines.pop(at)
    if rng.integers(3):
        lines.insert(int(rng.integers(len(lines) + 1)), taken)
        if rng.integers(2):
            lines.insert(at, taken)
    return b"".join(lines)


def coding(raw: bytes, name: str, rng: Rng) -> bytes:
    text = raw.decode("latin-1")
    way = int(rng.integers(6))
    if way == 0:
        return text.encode("utf-16")
    if way == 1:
        return b"\xef\xbb\xbf" + raw
    if way == 2:
        return raw.replace(b"\n", b"\r")
    if way == 3:
        at = int(rng.integers(len(raw)))
        return raw[:at] + bytes([int(rng.integers(32))]) + raw[at:]
    if way == 4:
        return raw.replace(b"\n", b"\n\n" + b" " * 10_000, 3)
    return b" \n" * int(rng.integers(3))


def size_text(raw: bytes, name: str, rng: Rng) -> bytes:
    """A count in the file's head: huge, 0, negative."""
    found = list(re.finditer(rb"(?i)(?:size|dim=\"|sets|fields|length|^\s*)\s*(\d+)", raw[:2000]))
    if not found:
        return number(raw, name, rng)
    match = found[int(rng.integers(len(found)))]
    lie = (b"0", b"-1", b"1", b"129", b"2000", b"65537", b"1000000", b"4294967296", b"1e9", b"9" * 400)
    return raw[:match.start(1)] + lie[int(rng.integers(len(lie)))] + raw[match.end(1):]


def nested(raw: bytes, name: str, rng: Rng) -> bytes:
    deep = (30, 1000, 100_000)[int(rng.integers(3))]
    suffix = PurePath(name).suffix
    if suffix in JSON:
        opening, closing = (("[", "]"), ('{"a":', "}"))[int(rng.integers(2))]
        return raw.rstrip()[:-1] + b', "deep": ' + (opening * deep + "1" + closing * deep).encode() + b"}"
    if suffix == ".toml":
        return (f"deep = {'[' * deep}{']' * deep}\n".encode() if rng.integers(2)
                else f"[{'.'.join(['a'] * deep)}]\nb = 1\n".encode()) + raw
    at = raw.rfind(b"</")
    return raw[:max(at, 0)] + b"<Info>" * deep + b"</Info>" * deep + raw[max(at, 0):]


def bomb(raw: bytes, name: str, rng: Rng) -> bytes:
    """XML whose entities grow without end, or bring other files in."""
    if b"<" not in raw:
        return gigantic(raw, name, rng)
    kind = int(rng.integers(3))
    if kind == 0:
        rows = [b'<!ENTITY a0 "aaaaaaaaaa">'] + [b'<!ENTITY a%d "%s">' % (k, b"&a%d;" % (k - 1) * 10)
                                                  for k in range(1, 12)]
        document, use = b"<!DOCTYPE x [" + b"".join(rows) + b"]>", b"&a11;"
    elif kind == 1:
        document, use = b'<!DOCTYPE x [<!ENTITY q "' + b"a" * 60_000 + b'">]>', b"&q;" * 60_000
    else:
        document, use = b'<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/hostname">]>', b"&f;"
    place = raw.find(b"?>") + 2 if b"?>" in raw else 0
    end = raw.rfind(b"</")
    return raw[:place] + document + raw[place:end] + b"<Description>" + use + b"</Description>" + raw[end:]


def gigantic(raw: bytes, name: str, rng: Rng) -> bytes:
    way = int(rng.integers(3))
    if way == 0:
        return raw + b"0.5 0.5 0.5\n" * 400_000
    if way == 1:
        return raw + b"#" + b"x" * 5_000_000
    return raw * 50


# ---------------------------------------------------------------- keys and values

def tree(raw: bytes, name: str, rng: Rng) -> bytes:
    """One value, key or list of a JSON or TOML file is another."""
    suffix = PurePath(name).suffix
    record = json.loads(raw) if suffix in JSON else tomllib.loads(raw.decode())
    places = list(_places(record, record))
    holder, key, _ = places[int(rng.integers(len(places)))]
    way = int(rng.integers(8))
    if way == 0:
        del holder[key]
    elif way == 1 and isinstance(holder, dict):
        holder[TEXTS[int(rng.integers(len(TEXTS)))]] = holder[key]
    elif way == 2 and isinstance(holder[key], list) and holder[key]:
        holder[key] = holder[key] * (2 if rng.integers(3) else 2000)
    elif way == 3 and isinstance(holder, dict) and suffix in JSON:
        return _doubled(record, holder, key)
    else:
        holder[key] = VALUES[int(rng.integers(len(VALUES)))]
    try:
        return as_text(record, suffix)
    except (TypeError, ValueError, RecursionError):     # TOML has no null, nor anything but tables outermost
        return number(raw, name, rng)


def _doubled(record: Any, holder: dict[str, Any], key: str) -> bytes:
    """The key stands twice, with two values."""
    value, mark = holder[key], "\u0001 twice"
    holder[mark] = "other"
    text = json.dumps(record)
    del holder[mark]
    holder[key] = value
    return text.replace(json.dumps(mark), json.dumps(key), 1).encode()


def leaf(raw: bytes, name: str, rng: Rng) -> bytes:
    """One number of a JSON or TOML file is one that makes no sense."""
    suffix = PurePath(name).suffix
    record = json.loads(raw) if suffix in JSON else tomllib.loads(raw.decode())
    places = [place for place in _places(record, record) if isinstance(place[2], int | float)]
    holder, key, _ = places[int(rng.integers(len(places)))]
    values = (0, 0.0, -1, -1.0, 1e30, 1e308, -1e30, 1e-300, 10**15)
    holder[key] = values[int(rng.integers(len(values)))]
    return as_text(record, suffix)


def _places(value: Any, holder: Any) -> Iterator[tuple[Any, Any, Any]]:
    for key, item in value.items() if isinstance(value, dict) else enumerate(value):
        yield value, key, item
        if isinstance(item, dict | list):
            yield from _places(item, value)


Way = Callable[[bytes, str, Rng], bytes]
ANY: tuple[Way, ...] = (cut, bits, text_not_utf8, stretch, zeros, noise)
BINARY: tuple[Way, ...] = (*ANY, header_bytes, header_lies, size_lies, sums_mended)
TEXT: tuple[Way, ...] = (*ANY, number, number, numbers_all, word, line, coding, size_text, nested, bomb, gigantic)


def ways_of(name: str) -> tuple[Way, ...]:
    if is_binary(name):
        return BINARY
    return (*TEXT, tree, tree, tree, leaf, leaf) if PurePath(name).suffix in TREES else TEXT


def damaged(whole: dict[str, bytes], count: int, seed: int) -> Iterator[tuple[str, str, bytes]]:
    """(name of the whole file, way, bytes) of ``count`` damaged files, formats in equal shares; the same for the same
    ``seed``."""
    rng = np.random.default_rng(seed)
    by_kind: dict[str, list[str]] = {}
    for name in sorted(whole):
        by_kind.setdefault(kind_of(name), []).append(name)
    kinds = sorted(by_kind)
    for k in range(count):
        names = by_kind[kinds[k % len(kinds)]]
        name = names[int(rng.integers(len(names)))]
        if rng.integers(40) == 0:       # another format's file under this name
            other = sorted(whole)[int(rng.integers(len(whole)))]
            yield name, "wrong type", whole[other]
            continue
        ways = ways_of(name)
        way = ways[int(rng.integers(len(ways)))]
        yield name, way.__name__.replace("_", " "), way(whole[name], name, rng)
