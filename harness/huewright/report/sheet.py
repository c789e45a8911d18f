"""What a scope is drawn on: lines, marks, words and traces, put down once and inked by day and by night.

Nothing of matplotlib's axes is used: they would make ticks, labels and spines anew for each panel, which take longer
than all that is drawn. A colour is the name of one of the palette's inks, or :func:`mixed`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from huewright.files import whole_file
from huewright.report.style import DPI, SANS, SERIF, TEXT_PT, Palette, figure, png_bytes, ramp

SCALE = DPI // 100
"""Pixels of the file to one of the page."""
HALO_PT, RIM_PT = 2.8, 2.6

Ink = Callable[[Palette], str] | str


def mixed(a: Ink, b: Ink, share: float) -> Ink:
    """Between ``a`` and ``b``."""
    def of(palette: Palette) -> str:
        one, two = ink_of(a, palette), ink_of(b, palette)
        parts = [round(int(one[i:i + 2], 16) * (1 - share) + int(two[i:i + 2], 16) * share) for i in (1, 3, 5)]
        return "#{:02x}{:02x}{:02x}".format(*parts)
    return of


def ink_of(ink: Ink, palette: Palette) -> str:
    """``#rrggbb``."""
    return ink(palette) if callable(ink) else str(getattr(palette, ink))


class Sheet:
    """A picture of ``width`` x ``height`` page pixels."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self._figure = figure(width, height)
        self._inking: list[Callable[[Palette], None]] = []
        self.page = Panel(self, (0, 0, width, height), (0, width), (0, height), clipped=False)
        """The sheet itself: page pixels from the left and from the bottom."""

    def save(self, path: Path | str, palette: Palette, *, share: float = 1.0, overwrite: bool = False) -> None:
        """As PNG, written whole or not at all; ``share``: only that much of its width. :class:`InputError` if ``path``
        exists and ``overwrite`` is false."""
        for ink in self._inking:
            ink(palette)
        self._figure.set_facecolor(palette.paper)
        content = png_bytes(self._figure, share)
        with whole_file(path, overwrite=overwrite) as temporary:
            temporary.write_bytes(content)

    def add(self, artist: Any, ink: Callable[[Palette], None]) -> None:
        """``ink`` gives it its colours, before each drawing."""
        self._figure.add_artist(artist)
        self._inking.append(ink)


class Panel:
    """A part of a :class:`Sheet`, ``box`` (left, bottom, width, height) page pixels, with coordinates of its own.
    Lines that leave it are cut there; words and marks are not."""

    def __init__(self, sheet: Sheet, box: tuple[float, float, float, float], across: tuple[float, float],
                 up: tuple[float, float], *, ground: Ink | None = None, clipped: bool = True) -> None:
        from matplotlib.transforms import Affine2D, Bbox

        left, bottom, width, height = (SCALE * value for value in box)
        self.sheet, self.across, self.up = sheet, across, up
        self._box = Bbox.from_bounds(left, bottom, width, height)
        self._clip = self._box if clipped else None
        self._place = Affine2D.from_values(width / (across[1] - across[0]), 0, 0, height / (up[1] - up[0]),
                                           left - width * across[0] / (across[1] - across[0]),
                                           bottom - height * up[0] / (up[1] - up[0]))
        if ground is not None:
            self.area(np.array([(x, y) for x in across for y in up])[[0, 1, 3, 2]], face=ground, z=-1)

    def line(self, xs: Any, ys: Any, colour: Ink, width_pt: float, *, z: float, dash: Any = "-",
             within: Any = None) -> None:
        """Through points (n,); where one is not a number the line is broken. ``within``: an outline that cuts it."""
        from matplotlib.lines import Line2D

        made = Line2D(xs, ys, linewidth=width_pt, linestyle=dash, zorder=z, solid_capstyle="round",
                      transform=self._place)
        if within is not None:
            made.set_clip_path(within)
        elif self._clip is not None:
            made.set_clip_box(self._clip)
        self.sheet.add(made, lambda palette: made.set_color(ink_of(colour, palette)))

    def rules(self, levels: Sequence[float] | np.ndarray, colour: Ink, width_pt: float, *, z: float) -> None:
        """Level lines all across."""
        ys = np.repeat(np.asarray(levels, dtype=np.float64), 3)
        xs = np.tile([*self.across, np.nan], len(levels))
        self.line(xs, ys, colour, width_pt, z=z)

    def mark(self, x: float, y: float, shape: str, size_pt: float, edge_pt: float, *, edge: Ink, face: Ink | None,
             z: float, rim: bool = False) -> None:
        """One mark; ``rim``: parted from what lies below by a rim of ground."""
        from matplotlib.lines import Line2D
        from matplotlib.patheffects import Normal, withStroke

        made = Line2D([x], [y], marker=shape, markersize=size_pt, markeredgewidth=edge_pt, linestyle="none", zorder=z,
                      transform=self._place)

        def ink(palette: Palette) -> None:
            made.set_markeredgecolor(ink_of(edge, palette))
            made.set_markerfacecolor("none" if face is None else ink_of(face, palette))
            if rim:
                made.set_path_effects([withStroke(linewidth=RIM_PT, foreground=palette.sheet), Normal()])
        self.sheet.add(made, ink)

    def text(self, x: float, y: float, text: str, colour: Ink, *, size: float = TEXT_PT, ha: str = "left",
             va: str = "baseline", weight: str = "normal", serif: bool = False, halo: bool = False,
             z: float = 3) -> None:
        from matplotlib.patheffects import withStroke
        from matplotlib.text import Text

        made = Text(x, y, text, size=size, ha=ha, va=va, weight=weight, family=SERIF if serif else SANS, zorder=z,
                    transform=self._place, parse_math=False)

        def ink(palette: Palette) -> None:
            made.set_color(ink_of(colour, palette))
            if halo:
                made.set_path_effects([withStroke(linewidth=HALO_PT, foreground=palette.sheet)])
        self.sheet.add(made, ink)

    def area(self, corners: Any, *, face: Ink, z: float) -> None:
        """A polygon (n, 2) without an outline."""
        from matplotlib.patches import Polygon

        made = Polygon(corners, closed=True, linewidth=0, zorder=z, transform=self._place)
        self.sheet.add(made, lambda palette: made.set_facecolor(ink_of(face, palette)))

    def ellipse(self, width: float, height: float, *, edge: Ink, face: Ink | None, width_pt: float, z: float) -> Any:
        """About the origin. What it returns can cut lines."""
        from matplotlib.patches import Ellipse

        made = Ellipse((0, 0), width, height, linewidth=width_pt, zorder=z, transform=self._place)

        def ink(palette: Palette) -> None:
            made.set_edgecolor(ink_of(edge, palette))
            made.set_facecolor("none" if face is None else ink_of(face, palette))
        self.sheet.add(made, ink)
        return made

    def arrow(self, tail: Sequence[float], tip: Sequence[float], colour: Ink, width_pt: float, *, z: float) -> None:
        from matplotlib.patches import FancyArrowPatch

        made = FancyArrowPatch((tail[0], tail[1]), (tip[0], tip[1]), arrowstyle="-|>", mutation_scale=TEXT_PT,
                               linewidth=width_pt, zorder=z, transform=self._place, shrinkA=2, shrinkB=2)
        self.sheet.add(made, lambda palette: made.set_color(ink_of(colour, palette)))

    def trace(self, trace: np.ndarray, inks: Callable[[Palette], tuple[str, ...]], *, z: float = 2) -> None:
        """``trace`` (rows from the top, 0..1) over the whole panel, as ink that lets the ruling show where it is
        thin; ``inks``: from none to the densest."""
        from PIL import Image

        x0, y0, x1, y1 = (round(value) for value in self._box.extents)
        # Whole cells where they are large, or one or two pixels; else between them.
        whole = all(to > 3 * cells or to in (cells, 2 * cells)
                    for to, cells in ((y1 - y0, trace.shape[0]), (x1 - x0, trace.shape[1])))
        between = Image.Resampling.NEAREST if whole else Image.Resampling.HAMMING
        resized = Image.fromarray(trace.astype(np.float32)).resize((x1 - x0, y1 - y0), between)
        index = np.rint(np.clip(np.asarray(resized), 0, 1) * 255).astype(np.uint8)
        made = _pixels(x0, y0, z)
        cover = np.clip(np.linspace(0, 5, 256), 0, 1)[:, None]

        def ink(palette: Palette) -> None:
            table = np.rint(255 * np.concatenate([ramp(inks(palette), 256), cover], axis=1)).astype(np.uint8)
            made.rgba = table[index]
        self.sheet.add(made, ink)


def _pixels(x: int, y: int, z: float) -> Any:
    """An artist that lays its ``rgba`` (h, w, 4; uint8) down as it is, its lower left corner at pixel x, y."""
    from matplotlib.artist import Artist

    class Pixels(Artist):
        rgba: np.ndarray

        def draw(self, renderer: Any) -> None:
            renderer.draw_image(renderer.new_gc(), x, y, np.ascontiguousarray(self.rgba[::-1]))

    made = Pixels()
    made.set_zorder(z)
    return made
