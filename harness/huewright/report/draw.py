"""How the scopes are drawn: graticules, ink, and marks of what was measured and where it should be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from huewright.colorimetry.display import REFERENCE_WHITE_NITS, display_named, from_ycbcr
from huewright.colorimetry.shown import HDR
from huewright.models.proof import PatchProof
from huewright.reference import apply_chain
from huewright.report.graticule import HIGH, LOW, code_10bit, colour_bars, standard_name
from huewright.report.marks import SIDES, WIDTH, foot, halo, lay, panel_head, point
from huewright.report.style import SMALL_PT, Palette, figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WAVE_HEIGHT, VECTOR_HEIGHT = 330, 446
EXTENT = 0.68                   # the vectorscope's edge in Cb and Cr: 100 % bars reach a radius of 0.596
RING = 0.615


@dataclass(frozen=True)
class View:
    """What one scope looks at: pixels (h, w, 3) before and after (or of one picture), an optional coverage (h, w),
    where patches lie across, 0..1, how many times the vectorscope is enlarged, and what the panels are called."""

    title: str
    pixels: tuple[np.ndarray, ...]
    mask: np.ndarray | None
    across: dict[str, tuple[float, float]]
    zoom: int = 1
    names: tuple[str, ...] = SIDES


@dataclass(frozen=True)
class Ground:
    """What the graticules need of the display: luma coefficients, the signal of its colour bars, and where its
    reference white lies, for the HDR displays (ITU-R BT.2408)."""

    luma: tuple[float, float]
    bar: float
    standard: str
    white: float | None = None


def ground_of(display: str) -> Ground:
    """The ground of the display called ``display``; :class:`InputError` for an unknown one."""
    known = display_named(display)
    luma = (known.kr, known.kb)
    name = standard_name(luma)
    if display not in HDR:
        return Ground(luma, known.bar_amplitude, name)
    white = float(apply_chain(known.encode, [[1.0, 1.0, 1.0]])[0, 1])
    return Ground(luma, known.bar_amplitude, f"{name}, {display.upper()}", white)


def draw_waveform(traces: list[np.ndarray], view: View, patches: Sequence[PatchProof], ground: Ground,
                   palette: Palette) -> Figure:
    made = figure(WIDTH, WAVE_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(made, side, f"Luma waveform, {view.title}", WAVE_HEIGHT, palette, view.names)
        axes = _level_axes(made, side, 0.0, 1.0, palette, percent=True, codes=True, white=ground.white)
        lay(axes, trace, (0, 1, LOW, HIGH), palette.trace)
        for patch in _bars(patches):
            _level_mark(axes, view.across.get(patch.name), _measured(patch, side)[0], patch.target[0], side, palette,
                        patch.name, trace)
    foot(made, f"{ground.standard}. Left percent, right 10-bit code", WAVE_HEIGHT, palette)
    return made


def draw_parade(traces: list[np.ndarray], view: View, patches: Sequence[PatchProof], ground: Ground,
                 palette: Palette) -> Figure:
    made = figure(WIDTH, WAVE_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(made, side, f"Parade, {view.title}", WAVE_HEIGHT, palette, view.names)
        for channel, (letter, colour) in enumerate(zip("RGB", palette.rgb_inks, strict=True)):
            axes = _level_axes(made, side, channel / 3, (channel + 1) / 3, palette, percent=channel == 0,
                               codes=channel == 2, white=ground.white)
            lay(axes, trace[channel], (0, 1, LOW, HIGH), (palette.sheet, _mix(palette.sheet, colour, 0.45), colour,
                                                           _mix(colour, palette.ink, 0.55)))
            axes.text(0.03, HIGH - 0.015, f"{letter}'", color=colour, weight="bold", va="top", zorder=6)
            for patch in _bars(patches):
                value = from_ycbcr(_measured(patch, side), ground.luma)[channel]
                _level_mark(axes, view.across.get(patch.name), float(value), patch.target[0], side, palette)
    foot(made, "Left percent, right 10-bit code", WAVE_HEIGHT, palette)
    return made


def draw_vectorscope(traces: list[np.ndarray], view: View, patches: Sequence[PatchProof],
                      ground: Ground, palette: Palette) -> Figure:
    made = figure(WIDTH, VECTOR_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(made, side, f"Vectorscope, {view.title}", VECTOR_HEIGHT, palette, view.names)
        size = 372 / VECTOR_HEIGHT
        axes = made.add_axes((side / 2 + 14 / WIDTH, 24 / VECTOR_HEIGHT, 372 / WIDTH, size))
        axes.set_axis_off()
        _dial(axes, ground, view.zoom, palette)
        lay(axes, trace, (-EXTENT, EXTENT, -EXTENT, EXTENT), palette.trace)
        for patch in patches:
            _chroma_mark(axes, patch, side, view.zoom, palette)
        axes.set_xlim(-EXTENT, EXTENT)
        axes.set_ylim(-EXTENT, EXTENT)
    bars = f"Bars at {100 * ground.bar:.0f} % and 100 %" if view.zoom == 1 else f"Enlarged {view.zoom} times"
    foot(made, f"{ground.standard}. {bars}", VECTOR_HEIGHT, palette)
    return made


def _level_axes(made: Figure, side: int, start: float, stop: float, palette: Palette, *, percent: bool,
                codes: bool, white: float | None = None) -> Axes:
    """Axes for levels in panel ``side``, taking ``start..stop`` of its width; outside 0..100 % is shaded. ``white``:
    where the HDR reference white lies."""
    left, width, gap = 40, WIDTH / 2 - 84, 3
    x0, x1 = left + width * start, left + width * stop - (0 if stop == 1 else gap)
    axes = made.add_axes((side / 2 + x0 / WIDTH, 24 / WAVE_HEIGHT, (x1 - x0) / WIDTH, (WAVE_HEIGHT - 64) / WAVE_HEIGHT))
    axes.set_xlim(0, 1)
    axes.set_ylim(LOW, HIGH)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    for y0, y1 in ((LOW, 0.0), (1.0, HIGH)):
        axes.axhspan(y0, y1, color=_mix(palette.paper, palette.thread, 0.45), lw=0, zorder=0)
    axes.hlines(np.arange(1, 10) / 10, 0, 1, colors=palette.thread, lw=0.45, zorder=1)
    axes.hlines((0, 1), 0, 1, colors=palette.soft, lw=0.7, zorder=1)
    if white is not None:
        axes.axhline(white, color=palette.soft, lw=0.9, ls=(0, (4, 3)), zorder=1)
        if codes:
            axes.text(0.99, white + 0.012, f"{REFERENCE_WHITE_NITS:.0f} cd/m²", size=SMALL_PT, color=palette.soft,
                      ha="right", va="bottom", zorder=6, path_effects=halo(palette))
    if percent or codes:
        for step in range(0, 11, 2):
            level, strong = step / 10, step in (0, 10)
            look: dict[str, Any] = {"color": palette.ink if strong else palette.soft, "size": SMALL_PT, "va": "center",
                                    "clip_on": False}
            if percent:
                axes.text(-5 / (x1 - x0), level, f"{step * 10}", ha="right", **look)
            if codes:
                axes.text(1 + 5 / (x1 - x0), level, f"{code_10bit(level)}", ha="left", **look)
    return axes


def _dial(axes: Axes, ground: Ground, zoom: int, palette: Palette) -> None:
    """Ring of degrees, spokes to the bars, and the outlines that join the bars at 75 % (or what the display's standard
    has for it) and at 100 %, as far as they lie within the ring."""
    from matplotlib.patches import Circle

    ring = RING
    rim = axes.add_patch(Circle((0, 0), ring, facecolor=palette.sheet, edgecolor=palette.thread, lw=0.7, zorder=0))
    angles = np.arange(0, 360, 10)
    towards = np.stack([np.cos(np.radians(angles)), np.sin(np.radians(angles))])
    inner = ring - np.where(angles % 30 == 0, 0.016, 0.008)
    ticks = np.stack([towards * inner, towards * ring, np.full_like(towards, np.nan)], axis=-1).reshape(2, -1)
    axes.plot(*ticks, color=palette.soft, lw=0.6, zorder=1)
    for angle, (x, y) in zip(angles[::3], (towards.T * (ring + 0.036 + 0.014 * np.abs(towards[:1].T)))[::3],
                              strict=True):
        axes.text(x, y, f"{angle}°", size=SMALL_PT - 0.6, color=palette.soft, ha="center", va="center")
    for amplitude, style in ((ground.bar, (0, (1.2, 2.2))), (1.0, "-")):
        bars = colour_bars(ground.luma, amplitude)
        loop = zoom * np.array([bars[name][1:] for name in (*bars, next(iter(bars)))])
        (line,) = axes.plot(loop[:, 0], loop[:, 1], color=palette.thread, lw=0.7, ls=style, zorder=1)
        line.set_clip_path(rim)
        for name, (_, *chroma) in bars.items():
            place = zoom * np.array(chroma)
            radius = float(np.hypot(*place))
            if radius < ring:
                axes.plot(*place[:, None], marker="D", ms=3.2, mew=0.8, mec=palette.soft, zorder=4,
                          mfc=palette.soft if amplitude == 1.0 else palette.sheet)
            if amplitude == 1.0:
                unit = place / radius
                axes.plot(*np.outer(unit, (0.03, min(radius, ring))), color=palette.thread, lw=0.5, zorder=1)
                x, y = _beside(unit, *(place if radius < ring else 0.85 * ring * unit))
                axes.text(x, y, name, size=SMALL_PT, color=palette.ink, ha="center", va="center", zorder=6,
                          path_effects=halo(palette))
    axes.plot([-0.012, 0.012, np.nan, 0, 0], [0, 0, np.nan, -0.012, 0.012], color=palette.soft, lw=0.7, zorder=1)


def _beside(unit: np.ndarray, cb: float, cr: float) -> tuple[float, float]:
    """A place for the name of a 100 % bar: a little inwards of it and to the side of its spoke."""
    side = np.array([-unit[1], unit[0]]) * (1 if unit[0] * unit[1] <= 0 else -1)
    place = np.array([cb, cr]) - 0.055 * unit + (0.075 if abs(unit[1]) > 0.6 else 0.042) * side
    return float(place[0]), float(place[1])


def _chroma_mark(axes: Axes, patch: PatchProof, side: int, zoom: int, palette: Palette) -> None:
    cb, cr = (zoom * value for value in _measured(patch, side)[1:])
    target_cb, target_cr = (None if value is None else zoom * value for value in patch.target[1:])
    colour = (palette.before, palette.after)[side]
    small = patch.role != "chip"
    if target_cb is not None and target_cr is not None:
        if np.hypot(target_cb, target_cr) > 0.02 and not small:
            _polar_gap_cross(axes, target_cb, target_cr, palette)
        axes.plot([cb, target_cb], [cr, target_cr], color=colour, lw=0.9, zorder=5)
    point(axes, cb, cr, side, palette, size=2.2 if small else 3.4, shape="s" if patch.role == "check" else "o")


def _polar_gap_cross(axes: Axes, cb: float, cr: float, palette: Palette) -> None:
    """Strokes along hue and along saturation, open around the target itself."""
    radius, angle = float(np.hypot(cb, cr)), float(np.arctan2(cr, cb))
    for sign in (-1, 1):
        arc = angle + sign * np.linspace(0.018, 0.044, 8) / radius
        axes.plot(radius * np.cos(arc), radius * np.sin(arc), color=palette.ink, lw=1.1, zorder=7)
        span = radius + sign * np.array([0.018, 0.044])
        axes.plot(span * np.cos(angle), span * np.sin(angle), color=palette.ink, lw=1.1, zorder=7)


def _level_mark(axes: Axes, across: tuple[float, float] | None, level: float, target: float | None, side: int,
                palette: Palette, label: str = "", trace: np.ndarray | None = None) -> None:
    """A bar's measured level and its target, over the place across that the bar takes; its ``label`` where it hides
    least of the ``trace``."""
    colour = (palette.before, palette.after)[side]
    left, right = across if across is not None else (0.0, 1.0)
    middle, reach = (left + right) / 2, max((right - left) / 2, 0.03)
    if target is not None:
        for sign in (-1, 1):
            axes.plot([middle + sign * reach * 0.45, middle + sign * (reach + 0.02)], [target, target],
                      color=palette.ink, lw=1.1, zorder=7)
        axes.plot([middle, middle], [level, target], color=colour, lw=0.9, zorder=5)
        if label:
            text = f"{label} {target * 100:.1f}"
            x, y, align = _free_place(text, (left, right), target, trace)
            if abs(y - target) > 0.02:      # a leader from the target to its label
                start = right + 0.02 if align == "left" else left - 0.02
                axes.plot([start, x + (-0.006 if align == "left" else 0.006)], [target, y], color=palette.ink, lw=0.6,
                          zorder=7)
            axes.text(x, y, text, size=SMALL_PT, color=palette.ink, ha=align, va="center", zorder=8,
                      path_effects=halo(palette))
    shape = "o" if LOW <= level <= HIGH else "^" if level > HIGH else "v"      # beyond the scope: an arrow at its rim
    point(axes, middle, min(max(level, LOW), HIGH), side, palette, size=3.6, shape=shape)


def _free_place(text: str, bar: tuple[float, float], level: float,
                trace: np.ndarray | None) -> tuple[float, float, str]:
    """(x, y, alignment) of a label beside a bar's target, above or below it, where there is least ink."""
    width, height = 0.0185 * len(text), 0.028         # half a letter's height; both in axes of a waveform panel
    places: list[tuple[float, float, float, str]] = []
    for x, across, low in ((bar[1] + 0.035, "left", bar[1] + 0.035), (bar[0] - 0.035, "right", bar[0] - 0.035 - width)):
        for off in (0.0, 0.045, -0.045, 0.08, -0.08):
            y = level + off
            clear = min(abs(y), abs(y - 1)) > height or off == 0       # of the lines of 0 and 100 %
            if clear and 0.01 <= low and low + width <= 0.99 and LOW + height < y < HIGH - height:
                places.append((_ink(trace, (low, low + width), (y - height, y + height)), x, y, across))
    if not places:
        return min(bar[1] + 0.035, 0.99 - width), level, "left"
    _, x, y, across = min(places, key=lambda place: place[0])
    return x, y, across


def _ink(trace: np.ndarray | None, across: tuple[float, float], levels: tuple[float, float]) -> float:
    """How much of a waveform's ``trace`` lies within ``across`` (0..1) and ``levels``."""
    if trace is None:
        return 0.0
    top, bottom = (round((HIGH - level) / (HIGH - LOW) * trace.shape[0]) for level in reversed(levels))
    left, right = (int(x * trace.shape[1]) for x in across)
    return float(trace[top:bottom, left:right].sum())


def _mix(a: str, b: str, share: float) -> str:
    """``#rrggbb`` between ``a`` and ``b``."""
    parts = [round(int(a[i:i + 2], 16) * (1 - share) + int(b[i:i + 2], 16) * share) for i in (1, 3, 5)]
    return "#{:02x}{:02x}{:02x}".format(*parts)


def _bars(patches: Sequence[PatchProof]) -> list[PatchProof]:
    return [patch for patch in patches if patch.role == "bar"]


def _measured(patch: PatchProof, side: int) -> tuple[float, float, float]:
    return (patch.before, patch.after)[side]
