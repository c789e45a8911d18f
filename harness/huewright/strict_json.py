"""Strict JSON (RFC 8259), read alike by the program and by the plug-in: what one refuses, so does the other.

Beyond the grammar: a key may stand once in a record, nesting and the length of numbers are limited, and NaN and
Infinity are no values. Texts are UTF-8. What is wrong is said with its line.

There is one scanner. Python's own reader takes what is in order, quickly; only what looks doubtful is scanned here,
slowly, to say where the fault is. The plug-in has the same functions, compiled (:func:`scanner`).

May import files and errors only.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import read_bytes

DEEPEST, MOST_KEYS, LONGEST_NUMBER = 24, 10_000, 400
"""Levels of nesting, keys of one record, characters of one number."""
FAULTS = ("a value is missing, or none that JSON has: NaN and Infinity are not", "a text has no end",
          "a text with a control character", "a text that is no UTF-8",
          "a text with an unknown escape", "a key is missing", "a key without a colon",
          "a list or record without an end", "a key that stands twice", f"nested more than {DEEPEST} deep",
          f"more than {MOST_KEYS} keys in one record", f"a number of more than {LONGEST_NUMBER} characters",
          "something behind the end")
(NO_VALUE, NO_END, CONTROL, NO_UTF8, ESCAPE, NO_KEY, NO_COLON, OPEN, TWICE, DEEP, KEYS, LONG, BEHIND) = range(1, 14)
HEAD = DEEPEST + 1
SCRATCH = HEAD + DEEPEST * MOST_KEYS
"""How many whole numbers the scanner's scratch holds: where each open record's keys begin, then where each key does."""
_VALUE, _KEY, _FIRST, _AFTER = 0, 1, 2, 3


NOT_JSON = "%s, line %d: not a %s (%s); %s"


class JsonError(ValueError):
    """``str()`` is one of :data:`FAULTS`; ``line`` counts from 1."""

    def __init__(self, words: str, line: int) -> None:
        super().__init__(words)
        self.line = line


def scanner(compiled: Callable[[Any], Any]) -> dict[str, Any]:
    """The scanner's functions, each passed through ``compiled`` (a compiler, or nothing).

    scan(text, n, scratch)      fault (0: none) and its place, of ``n`` bytes
    after(text, at)             the place behind the value that begins at ``at``; of text that was scanned
    symbol(text, at)            code point of a text's character at ``at``, and the place behind it; likewise
    """
    @compiled
    def blank(text: Any, n: Any, at: Any) -> Any:
        while at < n and (text[at] == 32 or text[at] == 10 or text[at] == 13 or text[at] == 9):
            at += 1
        return at

    @compiled
    def digit(text: Any, n: Any, at: Any) -> Any:
        return at < n and 48 <= text[at] <= 57

    @compiled
    def nibble(c: Any) -> Any:
        """The value of a hexadecimal digit, or -1."""
        if 48 <= c <= 57:
            return c - 48
        if 65 <= c <= 70:
            return c - 55
        return c - 87 if 97 <= c <= 102 else -1

    @compiled
    def continued(text: Any, n: Any, at: Any) -> Any:
        """How many bytes the UTF-8 character at ``at`` (128 or above) has; 0 if it is none."""
        c = text[at] + 0
        if c < 0xC2 or c > 0xF4:
            return 0
        size = 2 if c < 0xE0 else 3 if c < 0xF0 else 4
        low = 0xA0 if c == 0xE0 else 0x90 if c == 0xF0 else 0x80
        high = 0x9F if c == 0xED else 0x8F if c == 0xF4 else 0xBF
        for k in range(1, size):
            if at + k >= n or not low <= text[at + k] <= high:
                return 0
            low, high = 0x80, 0xBF
        return size

    @compiled
    def text_end(text: Any, n: Any, at: Any) -> Any:
        """JsonError and place: of the closing quote, if there is none."""
        while at < n:
            c = text[at] + 0
            if c == 34:
                return 0, at
            if c < 32:
                return CONTROL, at
            if c >= 128:
                size = continued(text, n, at)
                if size == 0:
                    return NO_UTF8, at
                at += size
            elif c != 92:
                at += 1
            elif at + 1 >= n:
                return NO_END, at
            else:
                c = text[at + 1] + 0
                if c == 117:
                    if at + 5 >= n:
                        return ESCAPE, at
                    for k in range(2, 6):
                        if nibble(text[at + k] + 0) < 0:
                            return ESCAPE, at
                    at += 6
                elif c == 34 or c == 92 or c == 47 or c == 98 or c == 102 or c == 110 or c == 114 or c == 116:
                    at += 2
                else:
                    return ESCAPE, at
        return NO_END, at

    @compiled
    def escaped(text: Any, at: Any) -> Any:
        """The four hexadecimal digits from ``at`` on."""
        value = 0
        for k in range(4):
            value = 16 * value + nibble(text[at + k] + 0)
        return value

    @compiled
    def symbol(text: Any, at: Any) -> Any:
        c = text[at] + 0
        if c == 92:
            c = text[at + 1] + 0
            if c == 117:
                c, at = escaped(text, at + 2), at + 6
                if 0xD800 <= c < 0xDC00 and text[at] == 92 and text[at + 1] == 117:
                    low = escaped(text, at + 2)
                    if 0xDC00 <= low < 0xE000:
                        c, at = 0x10000 + ((c - 0xD800) << 10) + low - 0xDC00, at + 6
                return c, at
            c = 8 if c == 98 else 12 if c == 102 else 10 if c == 110 else 13 if c == 114 else 9 if c == 116 else c
            return c, at + 2
        if c < 128:
            return c, at + 1
        size = 2 if c < 0xE0 else 3 if c < 0xF0 else 4
        c &= 0x7F >> size
        for k in range(1, size):
            c = (c << 6) | (text[at + k] & 0x3F)
        return c, at + size

    @compiled
    def same(text: Any, a: Any, b: Any) -> Any:
        """Whether two texts are the same, whichever way they are written."""
        while text[a] != 34 and text[b] != 34:
            one, a = symbol(text, a)
            other, b = symbol(text, b)
            if one != other:
                return False
        return text[a] == text[b]

    @compiled
    def number_end(text: Any, n: Any, at: Any) -> Any:
        """JsonError and place behind the number."""
        start = at
        if text[at] == 45:
            at += 1
        if not digit(text, n, at):
            return NO_VALUE, start
        if text[at] == 48:
            at += 1
        else:
            while digit(text, n, at):
                at += 1
        if digit(text, n, at + 1) and text[at] == 46:
            at += 1
            while digit(text, n, at):
                at += 1
        if at < n and (text[at] == 69 or text[at] == 101):
            look = at + 1
            if look < n and (text[look] == 43 or text[look] == 45):
                look += 1
            if digit(text, n, look):
                at = look
                while digit(text, n, at):
                    at += 1
        return (LONG, start) if at - start > LONGEST_NUMBER else (0, at)

    @compiled
    def word_end(text: Any, n: Any, at: Any) -> Any:
        """The place behind null, true or false; 0 if there is none of them."""
        if at + 4 <= n:
            a, b, c, d = text[at] + 0, text[at + 1] + 0, text[at + 2] + 0, text[at + 3] + 0
            if a == 110 and b == 117 and c == 108 and d == 108:
                return at + 4
            if a == 116 and b == 114 and c == 117 and d == 101:
                return at + 4
            if a == 102 and b == 97 and c == 108 and d == 115 and at + 5 <= n and text[at + 4] == 101:
                return at + 5
        return 0

    @compiled
    def scan(text: Any, n: Any, scratch: Any) -> Any:
        depth, records, top, phase, at = 0, 0, 0, _VALUE, 0
        while True:
            at = blank(text, n, at)
            c = text[at] + 0 if at < n else 0
            closing = 125 if records & 1 else 93
            if phase == _KEY:
                if c != 34:
                    return NO_KEY, at
                fault, end = text_end(text, n, at + 1)
                if fault != 0:
                    return fault, end
                for k in range(scratch[depth], top):
                    if same(text, scratch[HEAD + k], at + 1):
                        return TWICE, at
                if top - scratch[depth] == MOST_KEYS:
                    return KEYS, at
                scratch[HEAD + top] = at + 1
                top += 1
                at = blank(text, n, end + 1)
                if at >= n or text[at] != 58:
                    return NO_COLON, at
                at += 1
                phase = _VALUE
            elif phase == _AFTER or (phase == _FIRST and c == closing):
                if depth == 0:
                    return (BEHIND, at) if at < n else (0, at)
                if c == closing:
                    top = scratch[depth]
                    depth, records = depth - 1, records >> 1
                    phase = _AFTER
                elif c == 44:
                    phase = _KEY if records & 1 else _VALUE
                else:
                    return OPEN, at
                at += 1
            elif phase == _FIRST:
                phase = _KEY if records & 1 else _VALUE
            else:
                phase = _AFTER
                if c == 123 or c == 91:
                    if depth == DEEPEST:
                        return DEEP, at
                    depth, records, phase = depth + 1, 2 * records + (1 if c == 123 else 0), _FIRST
                    scratch[depth] = top
                    at += 1
                elif c == 34:
                    fault, at = text_end(text, n, at + 1)
                    if fault != 0:
                        return fault, at
                    at += 1
                elif c == 45 or digit(text, n, at):
                    fault, at = number_end(text, n, at)
                    if fault != 0:
                        return fault, at
                else:
                    end = word_end(text, n, at)
                    if end == 0:
                        return NO_VALUE, at
                    at = end

    @compiled
    def after(text: Any, at: Any) -> Any:
        depth = 0
        while True:
            c = text[at] + 0
            if c == 34:
                at += 1
                while text[at] != 34:
                    at += 2 if text[at] == 92 else 1
            elif c == 123 or c == 91:
                depth += 1
            elif c == 125 or c == 93:
                depth -= 1
            elif c != 44 and c != 58 and c > 32:  # numbers and words end before a mark or a blank
                while text[at + 1] != 44 and text[at + 1] != 93 and text[at + 1] != 125 and text[at + 1] > 32:
                    at += 1
            at += 1
            if depth == 0:
                return at

    return {"scan": scan, "after": after, "symbol": symbol}


def read(path: Path | str, what: str, remedy: str) -> Any:
    """The value that the file at ``path`` holds; ``what`` was expected and the ``remedy`` are for the sentence of the
    :class:`InputError`."""
    try:
        return loads(read_bytes(path, what))
    except JsonError as fault:
        raise InputError(NOT_JSON % (path, fault.line, what, fault, remedy)) from None


def loads(data: bytes) -> Any:
    """The value that ``data`` holds. Raises :class:`JsonError`."""
    def record(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) != len(pairs) or len(pairs) > MOST_KEYS:
            raise ValueError
        return made

    def constant(word: str) -> Any:
        raise ValueError

    try:
        if b"0" * (LONGEST_NUMBER + 1) not in data.translate(_DIGITS):
            value = json.loads(data.decode("utf-8"), object_pairs_hook=record, parse_constant=constant)
            if not _too_deep(data):
                return value
    except (ValueError, RecursionError):
        pass
    fault, at = scanner(lambda function: function)["scan"](data, len(data), defaultdict(int))
    if fault:
        raise JsonError(FAULTS[fault - 1], data.count(b"\n", 0, at) + 1)
    return json.loads(data)  # digits in a text only looked like a long number


_DIGITS = bytes(48 if byte in b"-+.0123456789eE" else 32 for byte in range(256))
_TEXTS = re.compile(rb'"(?:[^"\\]|\\.)*"')
_LEVELS = bytes.maketrans(b"{}", b"[]")
_OTHERS = bytes(set(range(256)) - set(b"[]{}"))


def _too_deep(data: bytes) -> bool:
    """Of valid JSON: each round takes the innermost lists and records away."""
    brackets = _TEXTS.sub(b"", data).translate(_LEVELS, _OTHERS)
    for _ in range(DEEPEST):
        brackets = brackets.replace(b"[]", b"")
    return bool(brackets)
