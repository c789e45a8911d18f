"""Each chip seen from so near that its target fills a tile: hue error across, saturation error up.

The vectorscope shows where a chip points; whether it is home within half a degree is too small to see there. A tile
spans a few degrees around one target, in polar coordinates of (Cb, Cr), so that *home* is always the middle.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from huewright.colorimetry.display import hue_deg, hue_difference_deg, to_ycbcr
from huewright.models.proof import PatchProof
from huewright.report.graticule import density
from huewright.report.style import SMALL_PT, Palette

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LEAST_HUE_SPAN_DEG, LEAST_RADIUS_SPAN = 4.0, 0.08
CELLS = 72
COLUMNS = 3


@dataclass(frozen=True)
class Tile:
    """What counts as home, by the settings, and how far a tile reaches around it: at least four degrees and 8 % of
    the target's radius, and three times the limits."""

    hue_limit_deg: float = 0.5
    radius_limit: float = 0.01

    @property
    def hue_span_deg(self) -> float:
        return max(LEAST_HUE_SPAN_DEG, 3.0 * self.hue_limit_deg)

    @property
    def radius_span(self) -> float:
        return max(LEAST_RADIUS_SPAN, 3.0 * self.radius_limit)


HOME = Tile()


def chips_of(patches: Sequence[PatchProof]) -> list[PatchProof]:
    """The chips that have a target in hue and saturation, at most nine."""
    return [patch for patch in patches if patch.role == "chip" and patch.target[1] is not None
            and patch.target[2] is not None and float(np.hypot(patch.target[1], patch.target[2])) > 0.02][:9]


def error_from(patch: PatchProof, ycbcr: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(hue error in degrees, radius ratio - 1) of colours (..., 3) against the patch's target."""
    _, cb, cr = patch.target
    assert cb is not None and cr is not None
    hue = hue_difference_deg(hue_deg(ycbcr[..., 1], ycbcr[..., 2]), hue_deg(cb, cr))
    return np.asarray(hue), np.hypot(ycbcr[..., 1], ycbcr[..., 2]) / np.hypot(cb, cr) - 1.0


def chip_cloud(patch: PatchProof, pixels: np.ndarray, weights: np.ndarray, luma: tuple[float, float],
               tile: Tile = HOME) -> np.ndarray:
    """Ink 0..1 (CELLS, CELLS) of ``pixels`` (n, 3) in the tile, row 0 at the top; ``weights`` (n,)."""
    hue, radius = error_from(patch, to_ycbcr(pixels, luma))
    counts, _, _ = np.histogram2d(-radius, hue, bins=CELLS, weights=weights,
                                  range=((-tile.radius_span, tile.radius_span), (-tile.hue_span_deg,
                                                                                tile.hue_span_deg)))
    return 0.75 * density(counts, curve=4.0)     # a lighter ink: the marks have to stand out of the cloud


def draw_tile(axes: Axes, patch: PatchProof, side: int, cloud: np.ndarray | None, palette: Palette,
              tile: Tile = HOME) -> None:
    """One chip's tile: its pixels, the ring of the limits, where it lies, and the 95 % interval of that."""
    from huewright.report.marks import halo, lay, point, signed

    reach = np.array([tile.hue_span_deg, tile.radius_span])
    colour = (palette.before, palette.after)[side]
    axes.set_xlim(-reach[0], reach[0])
    axes.set_ylim(-reach[1], reach[1])
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    for k in (-0.5, 0.0, 0.5):
        axes.axvline(reach[0] * k, color=palette.thread, lw=0.45, zorder=1)
        axes.axhline(reach[1] * k, color=palette.thread, lw=0.45, zorder=1)
    if cloud is not None:
        lay(axes, cloud, (-reach[0], reach[0], -reach[1], reach[1]), palette.trace)
    _home(axes, tile, palette)
    hue, radius = (float(v) for v in error_from(patch, np.array((patch.before, patch.after)[side])))
    shown = np.array([hue, radius]) / reach
    inside = float(np.abs(shown).max()) <= 0.97
    if inside:
        if side:
            _interval(axes, hue, radius, patch, colour)
        point(axes, hue, radius, side, palette, size=3.0)
    else:                                    # out of the tile: an arrow at the rim says where to
        tip = shown / np.abs(shown).max() * 0.93
        axes.annotate("", xy=tuple(tip * reach), xytext=tuple(tip * 0.72 * reach),
                      arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 1.3}, zorder=6)
    low = not inside and shown[1] > 0.4 * np.abs(shown).max()              # out of the arrow's way
    figures = f"{signed(hue, 1 + side)}°  {signed(100 * radius, 1 + side)} %"
    for text, height, weight, ink in ((patch.name, -0.46 if low else 0.93, "bold", palette.ink),
                                      (figures, -0.72 if low else 0.67, "normal", colour)):
        axes.text(-0.95 * reach[0], height * reach[1], text, size=SMALL_PT, va="top", zorder=7, weight=weight,
                  color=ink, path_effects=halo(palette))


def _home(axes: Axes, tile: Tile, palette: Palette) -> None:
    """The ring of the limits, and short strokes that point at it."""
    from matplotlib.patches import Ellipse

    axes.add_patch(Ellipse((0, 0), 2 * tile.hue_limit_deg, 2 * tile.radius_limit, fill=False, ec=palette.ink, lw=0.9,
                           zorder=5))
    for sign in (-1, 1):
        for reach, limit, across in ((tile.hue_span_deg, tile.hue_limit_deg, True),
                                     (tile.radius_span, tile.radius_limit, False)):
            stroke = sign * (limit + reach * np.array([0.08, 0.26]))
            axes.plot(*((stroke, [0, 0]) if across else ([0, 0], stroke)), color=palette.ink, lw=1.1, zorder=5)


def _interval(axes: Axes, hue: float, radius: float, patch: PatchProof, colour: str) -> None:
    """Whiskers over the 95 % interval of where the chip lies, where the solve could state it."""
    if patch.hue_interval_deg is not None:
        axes.plot([hue - patch.hue_interval_deg, hue + patch.hue_interval_deg], [radius, radius], color=colour, lw=1.6,
                  zorder=6)
    if patch.radius_interval is not None:
        axes.plot([hue, hue], [radius - patch.radius_interval, radius + patch.radius_interval], color=colour, lw=1.6,
                  zorder=6)


def closeup_height(count: int) -> int:
    """Page pixels that a picture of ``count`` chips is high."""
    return 64 + 118 * -(-count // COLUMNS)


def draw_closeups(clouds: Sequence[Mapping[str, np.ndarray]], patches: Sequence[PatchProof],
                  palette: Palette, tile: Tile = HOME) -> Figure:
    """``clouds``: before and after, each chip's ink by its name."""
    from huewright.report.marks import WIDTH, foot, panel_head
    from huewright.report.style import figure

    chips = chips_of(patches)
    height = closeup_height(len(chips))
    made = figure(WIDTH, height)
    for side, inks in enumerate(clouds):
        panel_head(made, side, "Close-up of the chips", height, palette)
        for index, patch in enumerate(chips):
            row, column = divmod(index, COLUMNS)
            axes = made.add_axes((side / 2 + (16 + 124 * column) / WIDTH, 1 - (40 + 118 * (row + 1) - 5) / height,
                                  120 / WIDTH, 113 / height))
            draw_tile(axes, patch, side, inks.get(patch.name), palette, tile)
    foot(made, f"Tile ±{tile.hue_span_deg:g}° by ±{100 * tile.radius_span:g} %, ring {tile.hue_limit_deg:g}° by "
               f"{100 * tile.radius_limit:g} %", height, palette)
    return made
