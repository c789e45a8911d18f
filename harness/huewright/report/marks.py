"""Pieces that every scope picture is drawn from: panel heads, feet, ink, halos."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from huewright.report.style import HEAD_PT, SERIF, SMALL_PT, Palette, ramp

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH = 800
"""Page pixels of a picture: two panels of half of it."""
SIDES = ("before", "after")


def panel_head(made: Figure, side: int, title: str, height: int, palette: Palette,
               names: Sequence[str] = SIDES) -> None:
    colour = (palette.before, palette.after)[side]
    x, y = side / 2 + 16 / WIDTH, 1 - 19 / height
    made.add_artist(_dot(x + 3 / WIDTH, y, side, colour, palette.paper, made))
    made.text(x + 14 / WIDTH, y, names[side], color=colour, family="serif", fontname=SERIF, size=HEAD_PT,
              weight="bold", va="center_baseline")
    made.text(side / 2 + (WIDTH / 2 - 16) / WIDTH, y, title, color=palette.soft, size=SMALL_PT, ha="right",
              va="center_baseline")


def _dot(x: float, y: float, side: int, colour: str, ground: str, made: Figure) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([x], [y], transform=made.transFigure, marker="o", markersize=5.5, markeredgewidth=1.4,
                  markeredgecolor=colour, markerfacecolor=(ground, colour)[side], linestyle="none")


def foot(made: Figure, text: str, height: int, palette: Palette) -> None:
    for side in (0, 1):
        made.text(side / 2 + 16 / WIDTH, 9 / height, text, color=palette.soft, size=SMALL_PT - 0.6,
                  va="center_baseline")


def lay(axes: Axes, trace: np.ndarray, extent: tuple[float, float, float, float], colours: tuple[str, ...]) -> None:
    """``trace`` (rows from the top, 0..1) as ink that lets the ruling show where it is thin."""
    table = np.concatenate([ramp(colours, 256), np.clip(np.linspace(0, 5, 256), 0, 1)[:, None]], axis=1)
    picture = table[np.rint(trace * 255).astype(np.intp)]
    axes.imshow(picture, extent=extent, aspect="auto", origin="upper", interpolation="antialiased", zorder=2)


def signed(value: float, digits: int) -> str:
    """``+1.2``, ``−0.3``; a zero carries no sign."""
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "−")


def halo(palette: Palette) -> list[Any]:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=2.8, foreground=palette.sheet)]


def point(axes: Axes, x: float, y: float, side: int, palette: Palette, *, size: float = 4.2,
          shape: str = "o") -> None:
    """A measured place: an open mark before, a filled one after, parted from the trace by a rim of ground."""
    from matplotlib.patheffects import Normal, withStroke

    colour = (palette.before, palette.after)[side]
    (line,) = axes.plot([x], [y], marker=shape, ms=size, mew=1.1, mec=colour, mfc=colour if side else "none",
                        zorder=6, clip_on=False, linestyle="none")
    line.set_path_effects([withStroke(linewidth=2.6, foreground=palette.sheet), Normal()])
