"""Time codes that leave numbers out, against counts known from SMPTE ST 12-1 and against OpenTimelineIO.

Source of the counts: ST 12-1's rule (2 of 30 numbers left out at the beginning of each minute but every tenth, 4 of
60), from memory: 1800 - 2 a minute, 18000 - 9 x 2 in ten of them, 17982 x 6 in an hour, x 24 in a day.
OpenTimelineIO (0.18) has code of its own for the same rule.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from huewright.frames.timecode import count_of, drops, nominal, text_of

NTSC, DOUBLE = Fraction(30000, 1001), Fraction(60000, 1001)
COUNTS = [("00:00:59;29", NTSC, 1799), ("00:01:00;02", NTSC, 1800), ("00:01:59;29", NTSC, 3597),
          ("00:02:00;02", NTSC, 3598), ("00:09:59;29", NTSC, 17981), ("00:10:00;00", NTSC, 17982),
          ("01:00:00;00", NTSC, 107892), ("23:59:59;29", NTSC, 24 * 107892 - 1), ("00:00:59;59", DOUBLE, 3599),
          ("00:01:00;04", DOUBLE, 3600), ("01:00:00;00", DOUBLE, 215784), ("10:20:30:12", Fraction(24), 893532),
          ("01:00:00:00", NTSC, 108000), ("00:01:00:00", Fraction(24000, 1001), 1440)]


@pytest.mark.parametrize(("text", "rate", "count"), COUNTS)
def test_known_counts(text: str, rate: Fraction, count: int) -> None:
    assert count_of(text, rate) == count and text_of(count, rate, drop=drops(text)) == text


@pytest.mark.parametrize(("text", "rate"), [
    ("00:01:00;00", NTSC), ("00:01:00;01", NTSC), ("00:11:00;03", DOUBLE), ("00:60:00:00", NTSC), ("00:00:60:00", NTSC),
    ("00:00:00:30", NTSC), ("00:00:00:24", Fraction(24)), ("1:2:3:4", NTSC), ("", NTSC), ("00:00:00:00x", NTSC)])
def test_no_such_number(text: str, rate: Fraction) -> None:
    assert count_of(text, rate) is None


def test_a_day_begins_anew() -> None:
    assert text_of(24 * 107892, NTSC, drop=True) == "00:00:00;00"
    assert text_of(24 * 107892, NTSC, drop=False) == "23:58:33:18"      # 2592 numbers short of the day's 2,592,000
    assert text_of(24 * 108000, NTSC, drop=False) == "00:00:00:00"
    assert text_of(25 * 86400, Fraction(25), drop=True) == "00:00:00:00"     # no rate that numbers are left out of
    assert [nominal(rate) for rate in (NTSC, Fraction(24000, 1001), Fraction(1, 4))] == [30, 24, 1]


@pytest.mark.parametrize("rate", [NTSC, DOUBLE])
def test_as_opentimelineio_counts(rate: Fraction) -> None:
    opentime = pytest.importorskip("opentimelineio").opentime
    ten = 600 * nominal(rate) - 9 * (nominal(rate) // 15)
    counts = [count + by for hour in (0, 3, 23) for minute in range(13)
              for count in [hour * 6 * ten + minute * (ten // 10)] for by in (-3, 0, 1, 2, 7)]
    for count in (count for count in counts if count >= 0):
        theirs = opentime.RationalTime(count, float(rate)).to_timecode(float(rate), True)
        assert text_of(count, rate, drop=True) == theirs and count_of(theirs, rate) == count
