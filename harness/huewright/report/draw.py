"""How the scopes are drawn: graticules, ink, and marks of what was measured and where it should be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from huewright.colorimetry.display import REFERENCE_WHITE_NITS, display_named, from_ycbcr
from huewright.colorimetry.shown import HDR
from huewright.models.proof import PatchProof
from huewright.reference import apply_chain
from huewright.report.graticule import HIGH, LOW, code_10bit, colour_bars, standard_name
from huewright.report.marks import SIDES, WIDTH, foot, panel_head, point
from huewright.report.sheet import Panel, Sheet, ink_of, mixed
from huewright.report.style import SMALL_PT, Palette

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


MANY = 40
"""More check patches than these have smaller marks on the vectorscope, or they hide one another."""


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


def draw_waveform(traces: list[np.ndarray], view: View, patches: Sequence[PatchProof], ground: Ground) -> Sheet:
    sheet = Sheet(WIDTH, WAVE_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(sheet, side, f"Luma waveform, {view.title}", view.names)
        panel = _level_panel(sheet, side, 0.0, 1.0, percent=True, codes=True, white=ground.white)
        panel.trace(trace, lambda palette: palette.trace)
        taken = trace.astype(np.float64)
        for patch in _bars(patches):
            _level_mark(panel, view.across.get(patch.name), _measured(patch, side)[0], patch.target[0], side,
                        patch.name, taken)
    foot(sheet, f"{ground.standard}. Left percent, right 10-bit code")
    return sheet


def draw_parade(traces: list[np.ndarray], view: View, patches: Sequence[PatchProof], ground: Ground) -> Sheet:
    sheet = Sheet(WIDTH, WAVE_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(sheet, side, f"Parade, {view.title}", view.names)
        for channel, (letter, colour) in enumerate(zip("RGB", ("red", "green", "blue"), strict=True)):
            panel = _level_panel(sheet, side, channel / 3, (channel + 1) / 3, percent=channel == 0, codes=channel == 2,
                                 white=ground.white)
            panel.trace(trace[channel], _channel_inks(colour))
            panel.text(0.03, HIGH - 0.015, f"{letter}'", colour, weight="bold", va="top", z=6)
            for patch in _bars(patches):
                value = from_ycbcr(_measured(patch, side), ground.luma)[channel]
                _level_mark(panel, view.across.get(patch.name), float(value), patch.target[0], side)
    foot(sheet, "Left percent, right 10-bit code")
    return sheet


def _channel_inks(colour: str) -> Callable[[Palette], tuple[str, ...]]:
    inks = ("sheet", mixed("sheet", colour, 0.45), colour, mixed(colour, "ink", 0.55))
    return lambda palette: tuple(ink_of(ink, palette) for ink in inks)


def draw_vectorscope(traces: list[np.ndarray], view: View, patches: Sequence[PatchProof], ground: Ground) -> Sheet:
    sheet = Sheet(WIDTH, VECTOR_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(sheet, side, f"Vectorscope, {view.title}", view.names)
        panel = Panel(sheet, (side * WIDTH / 2 + 14, 24, 372, 372), (-EXTENT, EXTENT), (-EXTENT, EXTENT))
        _dial(panel, ground, view.zoom)
        panel.trace(trace, lambda palette: palette.trace)
        checks = sum(patch.role == "check" for patch in patches)
        for patch in sorted(patches, key=lambda patch: patch.role != "check"):      # what has a target lies on top
            _chroma_mark(panel, patch, side, view.zoom, 2.2 if checks <= MANY else 1.2)
    bars = f"Bars at {100 * ground.bar:.0f} % and 100 %" if view.zoom == 1 else f"Enlarged {view.zoom} times"
    foot(sheet, f"{ground.standard}. {bars}")
    return sheet


def _level_panel(sheet: Sheet, side: int, start: float, stop: float, *, percent: bool, codes: bool,
                 white: float | None = None) -> Panel:
    """For levels, in panel ``side``, taking ``start..stop`` of its width; outside 0..100 % is shaded. ``white``: where
    the HDR reference white lies."""
    left, width, gap = 40, WIDTH / 2 - 84, 3
    x0, x1 = left + width * start, left + width * stop - (0 if stop == 1 else gap)
    panel = Panel(sheet, (side * WIDTH / 2 + x0, 24, x1 - x0, WAVE_HEIGHT - 64), (0, 1), (LOW, HIGH), ground="sheet")
    for y0, y1 in ((LOW, 0.0), (1.0, HIGH)):
        panel.area([(0, y0), (1, y0), (1, y1), (0, y1)], face=mixed("paper", "thread", 0.45), z=0)
    panel.rules(np.arange(1, 10) / 10, "thread", 0.45, z=1)
    panel.rules((0, 1), "soft", 0.7, z=1)
    if white is not None:
        panel.line((0, 1), (white, white), "soft", 0.9, dash=(0, (4, 3)), z=1)
        if codes:
            panel.text(0.99, white + 0.012, f"{REFERENCE_WHITE_NITS:.0f} cd/m²", "soft", size=SMALL_PT, ha="right",
                       va="bottom", halo=True, z=6)
    for step in range(0, 11, 2):
        level, ink = step / 10, "ink" if step in (0, 10) else "soft"
        if percent:
            panel.text(-5 / (x1 - x0), level, f"{step * 10}", ink, size=SMALL_PT, ha="right", va="center")
        if codes:
            panel.text(1 + 5 / (x1 - x0), level, f"{code_10bit(level)}", ink, size=SMALL_PT, va="center")
    return panel


def _dial(panel: Panel, ground: Ground, zoom: int) -> None:
    """Ring of degrees, spokes to the bars, and the outlines that join the bars at 75 % (or what the display's standard
    has for it) and at 100 %, as far as they lie within the ring."""
    ring = RING
    rim = panel.ellipse(2 * ring, 2 * ring, face="sheet", edge="thread", width_pt=0.7, z=0)
    angles = np.arange(0, 360, 10)
    towards = np.stack([np.cos(np.radians(angles)), np.sin(np.radians(angles))])
    inner = ring - np.where(angles % 30 == 0, 0.016, 0.008)
    ticks = np.stack([towards * inner, towards * ring, np.full_like(towards, np.nan)], axis=-1).reshape(2, -1)
    panel.line(ticks[0], ticks[1], "soft", 0.6, z=1)
    for angle, (x, y) in zip(angles[::3], (towards.T * (ring + 0.036 + 0.014 * np.abs(towards[:1].T)))[::3],
                              strict=True):
        panel.text(x, y, f"{angle}°", "soft", size=SMALL_PT - 0.6, ha="center", va="center")
    for amplitude, style in ((ground.bar, (0, (1.2, 2.2))), (1.0, "-")):
        bars = colour_bars(ground.luma, amplitude)
        loop = zoom * np.array([bars[name][1:] for name in (*bars, next(iter(bars)))])
        panel.line(loop[:, 0], loop[:, 1], "thread", 0.7, dash=style, z=1, within=rim)
        for name, (_, *chroma) in bars.items():
            place = zoom * np.array(chroma)
            radius = float(np.hypot(*place))
            if radius < ring:
                panel.mark(place[0], place[1], "D", 3.2, 0.8, edge="soft",
                           face="soft" if amplitude == 1.0 else "sheet", z=4)
            if amplitude == 1.0:
                unit = place / radius
                reach = np.array([0.03, min(radius, ring)])
                panel.line(unit[0] * reach, unit[1] * reach, "thread", 0.5, z=1)
                x, y = _beside(unit, *(place if radius < ring else 0.85 * ring * unit))
                panel.text(x, y, name, "ink", size=SMALL_PT, ha="center", va="center", halo=True, z=6)
    panel.line([-0.012, 0.012, np.nan, 0, 0], [0, 0, np.nan, -0.012, 0.012], "soft", 0.7, z=1)


def _beside(unit: np.ndarray, cb: float, cr: float) -> tuple[float, float]:
    """A place for the name of a 100 % bar: a little inwards of it and to the side of its spoke."""
    side = np.array([-unit[1], unit[0]]) * (1 if unit[0] * unit[1] <= 0 else -1)
    place = np.array([cb, cr]) - 0.055 * unit + (0.075 if abs(unit[1]) > 0.6 else 0.042) * side
    return float(place[0]), float(place[1])


def _chroma_mark(panel: Panel, patch: PatchProof, side: int, zoom: int, check_size: float) -> None:
    cb, cr = (zoom * value for value in _measured(patch, side)[1:])
    target_cb, target_cr = (None if value is None else zoom * value for value in patch.target[1:])
    size = {"chip": 3.4, "check": check_size}.get(patch.role, 2.2)
    if target_cb is not None and target_cr is not None:
        if np.hypot(target_cb, target_cr) > 0.02 and patch.role == "chip":
            _polar_gap_cross(panel, target_cb, target_cr)
        panel.line([cb, target_cb], [cr, target_cr], SIDES[side], 0.9, z=5)
    point(panel, cb, cr, side, size=size, shape="s" if patch.role == "check" else "o")


def _polar_gap_cross(panel: Panel, cb: float, cr: float) -> None:
    """Strokes along hue and along saturation, open around the target itself."""
    radius, angle = float(np.hypot(cb, cr)), float(np.arctan2(cr, cb))
    strokes = []
    for sign in (-1, 1):
        arc = angle + sign * np.linspace(0.018, 0.044, 8) / radius
        span = radius + sign * np.array([0.018, 0.044])
        strokes += [radius * np.cos(arc) + 1j * radius * np.sin(arc), [np.nan], span * np.exp(1j * angle), [np.nan]]
    places = np.concatenate(strokes)
    panel.line(places.real, places.imag, "ink", 1.1, z=7)


def _level_mark(panel: Panel, across: tuple[float, float] | None, level: float, target: float | None, side: int,
                label: str = "", trace: np.ndarray | None = None) -> None:
    """A bar's measured level and its target, over the place across that the bar takes; its ``label`` where it hides
    least of the ``trace``, which is where later labels must not be then."""
    left, right = across if across is not None else (0.0, 1.0)
    middle, reach = (left + right) / 2, max((right - left) / 2, 0.03)
    if target is not None:
        near, far = reach * 0.45, reach + 0.02
        panel.line([middle - far, middle - near, np.nan, middle + near, middle + far], [target, target, np.nan, target,
                                                                                      target], "ink", 1.1, z=7)
        panel.line([middle, middle], [level, target], SIDES[side], 0.9, z=5)
        if label:
            text = f"{label} {target * 100:.1f}"
            x, y, align = _place(text, (left, right), target, trace)
            if abs(y - target) > 0.02:      # a leader from the target to its label
                start = right + 0.02 if align == "left" else left - 0.02
                panel.line([start, x + (-0.006 if align == "left" else 0.006)], [target, y], "ink", 0.6, z=7)
            panel.text(x, y, text, "ink", size=SMALL_PT, ha=align, va="center", halo=True, z=8)
    shape = "o" if LOW <= level <= HIGH else "^" if level > HIGH else "v"      # beyond the scope: an arrow at its rim
    point(panel, middle, min(max(level, LOW), HIGH), side, size=3.6, shape=shape)


_LETTER, _TALL = 0.0185, 0.028
"""Of a label on a waveform panel a letter's width and half its height, over the panel's width and in levels."""
_WRITTEN = 1e9
"""More ink than any trace has."""


def _place(text: str, bar: tuple[float, float], level: float, trace: np.ndarray | None) -> tuple[float, float, str]:
    """:func:`_free_place`, which is then taken in ``trace``."""
    x, y, align = _free_place(text, bar, level, trace)
    if trace is not None:
        start = x if align == "left" else x - _LETTER * len(text)
        trace[_part(trace, (start, start + _LETTER * len(text)), (y - _TALL, y + _TALL))] += _WRITTEN
    return x, y, align


def _free_place(text: str, bar: tuple[float, float], level: float,
                trace: np.ndarray | None) -> tuple[float, float, str]:
    """(x, y, alignment) of a label beside a bar's target, above or below it, where there is least ink."""
    width, height = _LETTER * len(text), _TALL
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
    return float(trace[_part(trace, across, levels)].sum())


def _part(trace: np.ndarray, across: tuple[float, float], levels: tuple[float, float]) -> tuple[slice, slice]:
    top, bottom = (round((HIGH - level) / (HIGH - LOW) * trace.shape[0]) for level in reversed(levels))
    left, right = (int(x * trace.shape[1]) for x in across)
    return slice(top, bottom), slice(left, right)


def _bars(patches: Sequence[PatchProof]) -> list[PatchProof]:
    return [patch for patch in patches if patch.role == "bar"]


def _measured(patch: PatchProof, side: int) -> tuple[float, float, float]:
    return (patch.before, patch.after)[side]
