"""Pieces that every scope picture is drawn from: panel heads, feet, measured places."""

from __future__ import annotations

from collections.abc import Sequence

from huewright.report.sheet import Panel, Sheet
from huewright.report.style import HEAD_PT, SMALL_PT

WIDTH = 800
"""Page pixels of a picture: two panels of half of it."""
SIDES = ("before", "after")


def panel_head(sheet: Sheet, side: int, title: str, names: Sequence[str] = SIDES) -> None:
    left, y = side * WIDTH / 2 + 16, sheet.height - 19
    sheet.page.mark(left + 3, y, "o", 5.5, 1.4, edge=SIDES[side], face=("paper", SIDES[side])[side], z=2)
    sheet.page.text(left + 14, y, names[side], SIDES[side], size=HEAD_PT, weight="bold", va="center_baseline",
                    serif=True)
    sheet.page.text(side * WIDTH / 2 + WIDTH / 2 - 16, y, title, "soft", size=SMALL_PT, ha="right",
                    va="center_baseline")


def foot(sheet: Sheet, text: str) -> None:
    for side in (0, 1):
        sheet.page.text(side * WIDTH / 2 + 16, 9, text, "soft", size=SMALL_PT - 0.6, va="center_baseline")


def signed(value: float, digits: int) -> str:
    """``+1.2``, ``−0.3``; a zero carries no sign."""
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "−")


def point(panel: Panel, x: float, y: float, side: int, *, size: float = 4.2, shape: str = "o") -> None:
    """A measured place: an open mark before, a filled one after, parted from the trace by a rim of ground."""
    panel.mark(x, y, shape, size, 1.1, edge=SIDES[side], face=SIDES[side] if side else None, z=6, rim=True)
