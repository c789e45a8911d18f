"""Each chip seen from so near that its target fills a tile: hue error across, saturation error up.

The vectorscope shows where a chip points; whether it is home within half a degree is too small to see there. A tile
spans a few degrees around one target, in polar coordinates of (Cb, Cr), so that *home* is always the middle.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from huewright.colorimetry.display import hue_deg, hue_difference_deg, to_ycbcr
from huewright.models.proof import PatchProof
from huewright.report.graticule import density
from huewright.report.marks import SIDES, WIDTH, foot, panel_head, point, signed
from huewright.report.sheet import Panel, Sheet
from huewright.report.style import SMALL_PT

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


def draw_tile(panel: Panel, patch: PatchProof, side: int, cloud: np.ndarray | None, tile: Tile = HOME) -> None:
    """One chip's tile: its pixels, the ring of the limits, where it lies, and the 95 % interval of that. ``panel``
    reaches as far as the ``tile``."""
    reach = np.array([tile.hue_span_deg, tile.radius_span])
    panel.rules(reach[1] * np.array([-0.5, 0.0, 0.5]), "thread", 0.45, z=1)
    for k in (-0.5, 0.0, 0.5):
        panel.line([reach[0] * k] * 2, [-reach[1], reach[1]], "thread", 0.45, z=1)
    if cloud is not None:
        panel.trace(cloud, lambda palette: palette.trace)
    _home(panel, tile)
    hue, radius = (float(v) for v in error_from(patch, np.array((patch.before, patch.after)[side])))
    shown = np.array([hue, radius]) / reach
    inside = float(np.abs(shown).max()) <= 0.97
    if inside:
        if side:
            _interval(panel, hue, radius, patch, SIDES[side])
        point(panel, hue, radius, side, size=3.0)
    else:                                    # out of the tile: an arrow at the rim says where to
        tip = shown / np.abs(shown).max() * 0.93
        panel.arrow(tip * 0.72 * reach, tip * reach, SIDES[side], 1.3, z=6)
    low = not inside and shown[1] > 0.4 * np.abs(shown).max()              # out of the arrow's way
    figures = f"{signed(hue, 1 + side)}°  {signed(100 * radius, 1 + side)} %"
    for text, height, weight, ink in ((patch.name, -0.46 if low else 0.93, "bold", "ink"),
                                      (figures, -0.72 if low else 0.67, "normal", SIDES[side])):
        panel.text(-0.95 * reach[0], height * reach[1], text, ink, size=SMALL_PT, va="top", weight=weight, halo=True,
                   z=7)


def _home(panel: Panel, tile: Tile) -> None:
    """The ring of the limits, and short strokes that point at it."""
    panel.ellipse(2 * tile.hue_limit_deg, 2 * tile.radius_limit, edge="ink", face=None, width_pt=0.9, z=5)
    for reach, limit, across in ((tile.hue_span_deg, tile.hue_limit_deg, True),
                                 (tile.radius_span, tile.radius_limit, False)):
        stroke = limit + reach * np.array([0.08, 0.26, np.nan])
        strokes, middle = np.concatenate([-stroke, stroke]), np.zeros(6)
        xs, ys = (strokes, middle) if across else (middle, strokes)
        panel.line(xs, ys, "ink", 1.1, z=5)


def _interval(panel: Panel, hue: float, radius: float, patch: PatchProof, colour: str) -> None:
    """Whiskers over the 95 % interval of where the chip lies, where the solve could state it."""
    if patch.hue_interval_deg is not None:
        panel.line([hue - patch.hue_interval_deg, hue + patch.hue_interval_deg], [radius, radius], colour, 1.6, z=6)
    if patch.radius_interval is not None:
        panel.line([hue, hue], [radius - patch.radius_interval, radius + patch.radius_interval], colour, 1.6, z=6)


def closeup_height(count: int) -> int:
    """Page pixels that a picture of ``count`` chips is high."""
    return 64 + 118 * -(-count // COLUMNS)


def draw_closeups(clouds: Sequence[Mapping[str, np.ndarray]], patches: Sequence[PatchProof],
                  tile: Tile = HOME) -> Sheet:
    """``clouds``: before and after, each chip's ink by its name."""
    chips = chips_of(patches)
    height = closeup_height(len(chips))
    sheet = Sheet(WIDTH, height)
    for side, inks in enumerate(clouds):
        panel_head(sheet, side, "Close-up of the chips")
        for index, patch in enumerate(chips):
            row, column = divmod(index, COLUMNS)
            panel = tile_panel(sheet, (side * WIDTH / 2 + 16 + 124 * column, height - (40 + 118 * (row + 1) - 5), 120,
                                       113), tile)
            draw_tile(panel, patch, side, inks.get(patch.name), tile)
    foot(sheet, f"Tile ±{tile.hue_span_deg:g}° by ±{100 * tile.radius_span:g} %, ring {tile.hue_limit_deg:g}° by "
                f"{100 * tile.radius_limit:g} %")
    return sheet


def tile_panel(sheet: Sheet, box: tuple[float, float, float, float], tile: Tile) -> Panel:
    return Panel(sheet, box, (-tile.hue_span_deg, tile.hue_span_deg), (-tile.radius_span, tile.radius_span),
                 ground="sheet")
