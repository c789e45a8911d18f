"""Each chip seen from so near that its target fills a tile: hue error across, saturation error up.

The vectorscope shows where a chip points; whether it is home within half a degree is too small to see there. A tile
spans a few degrees around one target, in polar coordinates of (Cb, Cr), so that *home* is always the middle.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from huewright.colorimetry.display import hue_deg, hue_difference_deg, to_ycbcr
from huewright.models.proof import PatchProof
from huewright.report.graticule import density
from huewright.report.style import SMALL_PT, Palette

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HUE_SPAN_DEG, RADIUS_SPAN = 6.0, 0.12
HUE_LIMIT_DEG, RADIUS_LIMIT = 0.5, 0.01      # what the project asks of itself; no standard says it
CELLS = 72
COLUMNS = 3


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


def chip_cloud(patch: PatchProof, pixels: np.ndarray, weights: np.ndarray, luma: tuple[float, float]) -> np.ndarray:
    """Ink 0..1 (CELLS, CELLS) of ``pixels`` (n, 3) in the tile, row 0 at the top; ``weights`` (n,)."""
    hue, radius = error_from(patch, to_ycbcr(pixels, luma))
    counts, _, _ = np.histogram2d(-radius, hue, bins=CELLS, weights=weights,
                                  range=((-RADIUS_SPAN, RADIUS_SPAN), (-HUE_SPAN_DEG, HUE_SPAN_DEG)))
    return 0.75 * density(counts, curve=4.0)     # a lighter ink: the marks have to stand out of the cloud


def draw_tile(axes: Axes, patch: PatchProof, side: int, cloud: np.ndarray | None, palette: Palette) -> None:
    from matplotlib.patches import Ellipse

    from huewright.report.marks import halo, lay, point, signed

    colour = (palette.before, palette.after)[side]
    axes.set_xlim(-HUE_SPAN_DEG, HUE_SPAN_DEG)
    axes.set_ylim(-RADIUS_SPAN, RADIUS_SPAN)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    for k in range(-2, 3):
        axes.axvline(2.0 * k, color=palette.thread, lw=0.45, zorder=1)
        axes.axhline(0.05 * k, color=palette.thread, lw=0.45, zorder=1)
    if cloud is not None:
        lay(axes, cloud, (-HUE_SPAN_DEG, HUE_SPAN_DEG, -RADIUS_SPAN, RADIUS_SPAN), palette.trace)
    axes.add_patch(Ellipse((0, 0), 2 * HUE_LIMIT_DEG, 2 * RADIUS_LIMIT, fill=False, ec=palette.ink, lw=0.9, zorder=5))
    for sign in (-1, 1):
        axes.plot([sign * 1.0, sign * 2.1], [0, 0], color=palette.ink, lw=1.1, zorder=5)
        axes.plot([0, 0], [sign * 0.02, sign * 0.042], color=palette.ink, lw=1.1, zorder=5)
    hue, radius = (float(v) for v in error_from(patch, np.array((patch.before, patch.after)[side])))
    shown = np.array([hue / HUE_SPAN_DEG, radius / RADIUS_SPAN])
    inside = float(np.abs(shown).max()) <= 0.97
    if inside:
        point(axes, hue, radius, side, palette)
    else:                                    # out of the tile: an arrow at the rim says where to
        tip = shown / np.abs(shown).max() * 0.93
        axes.annotate("", xy=tuple(tip * (HUE_SPAN_DEG, RADIUS_SPAN)), xytext=tuple(tip * 0.72 * (
            HUE_SPAN_DEG, RADIUS_SPAN)), arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 1.3}, zorder=6)
    low = not inside and shown[1] > 0 and shown[0] < 0.4 * shown[1]        # out of the arrow's way
    axes.text(-0.93 * HUE_SPAN_DEG, (-0.46 if low else 0.9) * RADIUS_SPAN, patch.name, weight="bold", size=SMALL_PT,
              va="top", zorder=7,
              path_effects=halo(palette))
    digits = 2 if side else 1
    figures = f"{signed(hue, digits)}°  {signed(100 * radius, digits - 1)} %"
    axes.text(-0.93 * HUE_SPAN_DEG, (-0.70 if low else 0.66) * RADIUS_SPAN, figures, color=colour, size=6.8, va="top",
              zorder=7, path_effects=halo(palette))


def closeup_height(count: int) -> int:
    """Page pixels that a picture of ``count`` chips is high."""
    return 64 + 118 * -(-count // COLUMNS)


def draw_closeups(clouds: Sequence[Mapping[str, np.ndarray]], patches: Sequence[PatchProof],
                  palette: Palette) -> Figure:
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
            draw_tile(axes, patch, side, inks.get(patch.name), palette)
    foot(made, "A tile is ±6° of hue across, ±12 % of saturation up. The ring is 0.5° by 1 %", height, palette)
    return made
