"""Time codes, and the frames that they count.

Source: SMPTE ST 12-1 (sold; from memory, held against published counts in the tests): hours, minutes, seconds and
frames of the nominal rate; drop-frame counting of 30000/1001 and 60000/1001 leaves out the first 2 (4) numbers of
every minute but each tenth, and is written with a semicolon before the frames.
"""

from __future__ import annotations

import re
from fractions import Fraction

_CODE = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})([:;.])(\d{2,3})$")
PATTERN = r"\d{1,2}:\d{2}:\d{2}[:;.]\d{2,3}"


def nominal(rate: Fraction) -> int:
    """Frames that a second of time code counts: 30 of 30000/1001."""
    return max(1, round(rate))


def drops(text: str) -> bool:
    """Whether the time code leaves numbers out, as its last separator says."""
    return ";" in text or text[-3:-2] == "."


def count_of(text: str, rate: Fraction) -> int | None:
    """Frames from 00:00:00:00 to the time code ``text``; None where it is none, or there is no such number."""
    match = _CODE.match(text.strip())
    if match is None:
        return None
    hours, minutes, seconds, frames = (int(match[k]) for k in (1, 2, 3, 5))
    base = nominal(rate)
    if minutes > 59 or seconds > 59 or frames >= base:
        return None
    count = ((hours * 60 + minutes) * 60 + seconds) * base + frames
    if match[4] in ";." and base % 30 == 0:
        dropped = base // 15
        if seconds == 0 and frames < dropped and minutes % 10:
            return None
        whole = hours * 60 + minutes
        count -= dropped * (whole - whole // 10)
    return count


def text_of(count: int, rate: Fraction, *, drop: bool) -> str:
    """The time code ``count`` frames after 00:00:00:00 (after 24 hours it begins anew)."""
    base = nominal(rate)
    if drop and base % 30 == 0:
        dropped = base // 15
        ten, minute = base * 600 - 9 * dropped, base * 60 - dropped
        count %= 144 * ten
        tens, rest = divmod(count, ten)
        minutes = 0 if rest < base * 60 else 1 + (rest - base * 60) // minute
        count += dropped * (9 * tens + minutes)
    else:
        drop = False
        count %= base * 86400
    seconds, frames = divmod(count, base)
    return (f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{';' if drop else ':'}"
            f"{frames:0{len(str(base - 1))}d}")


__all__ = ["PATTERN", "count_of", "drops", "nominal", "text_of"]
