"""Pictures of a proof: the frame before and after, and its waveform, parade and vectorscope, targets marked.

Every scope picture is two equal panels, *before* left and *after* right, so that a page may also stack them on a
phone. Counting is the kernels' work; here it is only drawn. Laid out to be read at 800 px width.

Marks: an open ring is a patch as measured before, a filled dot as measured after, a fine line leads from it to its
target, the gap cross (see :mod:`huewright.report.style`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from huewright.colorimetry.display import from_ycbcr
from huewright.files import refuse_existing, whole_file
from huewright.models.proof import PatchProof
from huewright.report.closeup import chip_cloud, chips_of, draw_closeups
from huewright.report.graticule import HIGH, LOW, code_10bit, colour_bars, density, standard_name
from huewright.report.marks import SIDES, WIDTH, foot, halo, lay, panel_head, point
from huewright.report.style import DAY, NIGHT, SMALL_PT, Palette, drawing, figure, save_png

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WAVE_HEIGHT, VECTOR_HEIGHT = 330, 446
EXTENT = 0.68                   # the vectorscope's edge in Cb and Cr: 100 % bars reach a radius of 0.596
RING = 0.62
INSET = 0.9                     # the card's scopes leave out the patches' rims, where paint and ground mix
FRAME_WIDTH = 1280
JPEG_LIMIT = 800_000            # bytes: two of them and the scopes have to fit a page of 5 MB
Polygons = Mapping[str, Any] | Sequence[Any] | None


@dataclass(frozen=True)
class _View:
    """What one scope looks at: pixels (h, w, 3), an optional coverage (h, w), and where patches lie across, 0..1."""

    title: str
    pixels: tuple[np.ndarray, np.ndarray]
    mask: np.ndarray | None
    across: dict[str, tuple[float, float]]


def scope_pictures(before_rgb: np.ndarray, after_rgb: np.ndarray, *, luma: tuple[float, float],
                   patches: Sequence[PatchProof] = (), polygons: Polygons = None, out_dir: Path | str,
                   prefix: str = "", overwrite: bool = False, night: bool = True) -> dict[str, str]:
    """Draws all pictures of a proof into ``out_dir`` and returns name -> file name.

    before_rgb, after_rgb   (h, w, c >= 3) display R'G'B', float, nominal 0..1, of one and the same frame
    luma                    (Kr, Kb) of the display, for Y'CbCr and for the graticule
    patches                 as measured, for the marks (may be empty)
    polygons                patches' outlines in pixels (x right, y down, first pixel's centre at 0.5): by name, or in
                            the order of ``patches``. With them the card alone is drawn too.
    night                   also each scope on a dark ground, named ``NAME_night``

    Names: ``before``, ``after`` (JPEG of the frame, at most 1280 wide, the display signal as it is), then
    ``waveform_frame``, ``parade_frame``, ``vectorscope_frame`` and the same with ``_card`` (PNG); ``closeup_card``,
    each chip around its target.
    Raises :class:`InputError` if a file exists and ``overwrite`` is false, before anything is written;
    ``ValueError`` if the two pictures differ in size.
    """
    before, after = _pixels(before_rgb), _pixels(after_rgb)
    if before.shape != after.shape:
        raise ValueError(f"before and after differ in size: {before.shape[:2]} and {after.shape[:2]}")
    outlines = _by_name(polygons, patches)
    views = {"frame": _frame_view(before, after, outlines)}
    if outlines:
        views["card"] = _card_view(before, after, outlines)
    palettes = {"": DAY, "_night": NIGHT} if night else {"": DAY}
    kinds = ("waveform", "parade", "vectorscope")

    files = {name: f"{prefix}{name}.jpg" for name in SIDES}
    files |= {f"{kind}_{view}{suffix}": f"{prefix}{kind}_{view}{suffix}.png"
              for view in views for kind in kinds for suffix in palettes}
    closeups = bool(outlines and chips_of(patches))
    if closeups:
        files |= {f"closeup_card{suffix}": f"{prefix}closeup_card{suffix}.png" for suffix in palettes}
    folder = Path(out_dir)
    for name in files.values():
        refuse_existing(folder / name, overwrite=overwrite)

    for name, picture in zip(SIDES, (before, after), strict=True):
        _save_jpeg(picture, folder / files[name], overwrite)
    for view_name, view in views.items():
        counted = {"waveform": [_waveform(pixels, view.mask, luma) for pixels in view.pixels],
                   "parade": [_parade(pixels, view.mask, luma) for pixels in view.pixels],
                   "vectorscope": [_vectorscope(pixels, view.mask, luma) for pixels in view.pixels]}
        for suffix, palette in palettes.items():
            with drawing(palette):
                for kind, draw in (("waveform", _draw_waveform), ("parade", _draw_parade),
                                   ("vectorscope", _draw_vectorscope)):
                    made = draw(counted[kind], view, patches, luma, palette)
                    save_png(made, folder / files[f"{kind}_{view_name}{suffix}"], overwrite=overwrite)
    if closeups:
        clouds = [_chip_clouds(picture, patches, outlines, luma) for picture in (before, after)]
        for suffix, palette in palettes.items():
            with drawing(palette):
                made = draw_closeups(clouds, patches, palette)
                save_png(made, folder / files[f"closeup_card{suffix}"], overwrite=overwrite)
    return files


# ---------------------------------------------------------------- what is looked at

def _pixels(picture: Any) -> np.ndarray:
    pixels = np.asarray(picture)
    if pixels.ndim != 3 or pixels.shape[2] < 3:
        raise ValueError(f"a picture is (height, width, 3 or more), not {pixels.shape}")
    return np.ascontiguousarray(pixels[..., :3], dtype=np.float32)


def _by_name(polygons: Polygons, patches: Sequence[PatchProof]) -> dict[str, np.ndarray]:
    if polygons is None:
        return {}
    if isinstance(polygons, Mapping):
        named = dict(polygons)
    elif len(polygons) == len(patches):
        named = {patch.name: polygon for patch, polygon in zip(patches, polygons, strict=True)}
    else:
        named = {f"#{index}": polygon for index, polygon in enumerate(polygons)}
    return {name: np.asarray(polygon, dtype=np.float64).reshape(-1, 2) for name, polygon in named.items()}


def _frame_view(before: np.ndarray, after: np.ndarray, outlines: dict[str, np.ndarray]) -> _View:
    width = before.shape[1]
    across = {name: (points[:, 0].min() / width, points[:, 0].max() / width) for name, points in outlines.items()}
    return _View("the whole frame", (before, after), None, across)


def _card_view(before: np.ndarray, after: np.ndarray, outlines: dict[str, np.ndarray]) -> _View:
    """The patches alone: cropped to the box around them, the rest covered up."""
    from huewright_kernels.masks import coverage

    height, width = before.shape[:2]
    points = np.concatenate(list(outlines.values()))
    x0, y0 = np.clip(np.floor(points.min(axis=0)) - 2, 0, (width - 1, height - 1)).astype(int)
    x1, y1 = np.clip(np.ceil(points.max(axis=0)) + 2, (x0 + 1, y0 + 1), (width, height)).astype(int)
    mask = np.zeros((y1 - y0, x1 - x0), dtype=np.float32)
    across = {}
    for name, polygon in outlines.items():
        np.maximum(mask, coverage(_inset(polygon) - (x0, y0), int(x1 - x0), int(y1 - y0)), out=mask)
        left, right = (polygon[:, 0].min() - x0) / (x1 - x0), (polygon[:, 0].max() - x0) / (x1 - x0)
        across[name] = (float(np.clip(left, 0, 1)), float(np.clip(right, 0, 1)))
    crops = tuple(np.ascontiguousarray(picture[y0:y1, x0:x1]) for picture in (before, after))
    return _View("the card alone", (crops[0], crops[1]), mask, across)


def _inset(polygon: np.ndarray) -> np.ndarray:
    centre = polygon.mean(axis=0)
    return centre + INSET * (polygon - centre)


def _chip_clouds(picture: np.ndarray, patches: Sequence[PatchProof], outlines: dict[str, np.ndarray],
                 luma: tuple[float, float]) -> dict[str, np.ndarray]:
    from huewright_kernels.masks import coverage

    height, width = picture.shape[:2]
    clouds = {}
    for patch in chips_of(patches):
        if patch.name not in outlines:
            continue
        polygon = _inset(outlines[patch.name])
        x0, y0 = np.clip(np.floor(polygon.min(axis=0)), 0, (width - 1, height - 1)).astype(int)
        x1, y1 = np.clip(np.ceil(polygon.max(axis=0)), (x0 + 1, y0 + 1), (width, height)).astype(int)
        weights = coverage(polygon - (x0, y0), int(x1 - x0), int(y1 - y0)).ravel()
        pixels = picture[y0:y1, x0:x1].reshape(-1, 3)
        seen = (weights > 0) & np.isfinite(pixels).all(axis=1)
        clouds[patch.name] = chip_cloud(patch, pixels[seen], weights[seen], luma)
    return clouds


def _waveform(pixels: np.ndarray, mask: np.ndarray | None, luma: tuple[float, float]) -> np.ndarray:
    from huewright_kernels.scopes import waveform

    return density(waveform(pixels, min(620, pixels.shape[1]), 480, LOW, HIGH, *luma, mask=mask))


def _parade(pixels: np.ndarray, mask: np.ndarray | None, luma: tuple[float, float]) -> np.ndarray:
    from huewright_kernels.scopes import parade

    return density(parade(pixels, min(206, pixels.shape[1]), 480, LOW, HIGH, *luma, mask=mask))


def _vectorscope(pixels: np.ndarray, mask: np.ndarray | None, luma: tuple[float, float]) -> np.ndarray:
    from huewright_kernels.scopes import vectorscope

    return density(vectorscope(pixels, 560, EXTENT, *luma, mask=mask), curve=1000.0)


# ---------------------------------------------------------------- drawing

def _draw_waveform(traces: list[np.ndarray], view: _View, patches: Sequence[PatchProof], luma: tuple[float, float],
                   palette: Palette) -> Figure:
    made = figure(WIDTH, WAVE_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(made, side, f"Luma waveform, {view.title}", WAVE_HEIGHT, palette)
        axes = _level_axes(made, side, 0.0, 1.0, palette, percent=True, codes=True)
        lay(axes, trace, (0, 1, LOW, HIGH), palette.trace)
        for patch in _bars(patches):
            _level_mark(axes, view.across.get(patch.name), _measured(patch, side)[0], patch.target[0], side, palette,
                        patch.name)
    foot(made, f"{standard_name(luma)}. Left percent, right 10-bit code 64 + 876 Y'", WAVE_HEIGHT, palette)
    return made


def _draw_parade(traces: list[np.ndarray], view: _View, patches: Sequence[PatchProof], luma: tuple[float, float],
                 palette: Palette) -> Figure:
    made = figure(WIDTH, WAVE_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(made, side, f"Parade, {view.title}", WAVE_HEIGHT, palette)
        for channel, (letter, colour) in enumerate(zip("RGB", palette.rgb_inks, strict=True)):
            axes = _level_axes(made, side, channel / 3, (channel + 1) / 3, palette, percent=channel == 0,
                               codes=channel == 2)
            lay(axes, trace[channel], (0, 1, LOW, HIGH), (palette.sheet, _mix(palette.sheet, colour, 0.45), colour,
                                                           _mix(colour, palette.ink, 0.55)))
            axes.text(0.03, HIGH - 0.015, f"{letter}'", color=colour, weight="bold", va="top", zorder=6)
            for patch in _bars(patches):
                value = from_ycbcr(_measured(patch, side), luma)[channel]
                _level_mark(axes, view.across.get(patch.name), float(value), patch.target[0], side, palette)
    foot(made, "A grey bar lies level across the three. Left percent, right 10-bit code", WAVE_HEIGHT, palette)
    return made


def _draw_vectorscope(traces: list[np.ndarray], view: _View, patches: Sequence[PatchProof],
                      luma: tuple[float, float], palette: Palette) -> Figure:
    made = figure(WIDTH, VECTOR_HEIGHT)
    for side, trace in enumerate(traces):
        panel_head(made, side, f"Vectorscope, {view.title}", VECTOR_HEIGHT, palette)
        size = 372 / VECTOR_HEIGHT
        axes = made.add_axes((side / 2 + 14 / WIDTH, 24 / VECTOR_HEIGHT, 372 / WIDTH, size))
        axes.set_axis_off()
        _dial(axes, luma, palette)
        lay(axes, trace, (-EXTENT, EXTENT, -EXTENT, EXTENT), palette.trace)
        for patch in patches:
            _chroma_mark(axes, patch, side, palette)
        axes.set_xlim(-EXTENT, EXTENT)
        axes.set_ylim(-EXTENT, EXTENT)
    foot(made, f"{standard_name(luma)}. Open lozenge 75 % bar, filled 100 %. Right Cb, up Cr", VECTOR_HEIGHT, palette)
    return made


def _level_axes(made: Figure, side: int, start: float, stop: float, palette: Palette, *, percent: bool,
                codes: bool) -> Axes:
    """Axes for levels in panel ``side``, taking ``start..stop`` of its width; outside 0..100 % is shaded."""
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
        axes.axhspan(y0, y1, color=palette.paper, lw=0, zorder=0)
    axes.hlines(np.arange(1, 10) / 10, 0, 1, colors=palette.thread, lw=0.45, zorder=1)
    axes.hlines((0, 1), 0, 1, colors=palette.soft, lw=0.7, zorder=1)
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


def _dial(axes: Axes, luma: tuple[float, float], palette: Palette) -> None:
    """Ring of degrees, spokes to the bars, and the outlines that join the bars at 75 % and 100 %."""
    from matplotlib.patches import Circle

    ring = RING
    axes.add_patch(Circle((0, 0), ring, facecolor=palette.sheet, edgecolor=palette.thread, lw=0.7, zorder=0))
    angles = np.arange(0, 360, 10)
    towards = np.stack([np.cos(np.radians(angles)), np.sin(np.radians(angles))])
    inner = ring - np.where(angles % 30 == 0, 0.016, 0.008)
    ticks = np.stack([towards * inner, towards * ring, np.full_like(towards, np.nan)], axis=-1).reshape(2, -1)
    axes.plot(*ticks, color=palette.soft, lw=0.6, zorder=1)
    for angle, (x, y) in zip(angles[::3], (towards.T * (ring + 0.026))[::3], strict=True):
        axes.text(x, y, f"{angle}°", size=6.4, color=palette.soft, ha="center", va="center")
    for amplitude, style in ((0.75, (0, (1.2, 2.2))), (1.0, "-")):
        bars = colour_bars(luma, amplitude)
        loop = np.array([bars[name][1:] for name in (*bars, next(iter(bars)))])
        axes.plot(loop[:, 0], loop[:, 1], color=palette.thread, lw=0.7, ls=style, zorder=1)
        for name, (_, cb, cr) in bars.items():
            axes.plot([cb], [cr], marker="D", ms=3.2, mew=0.8, mec=palette.soft, zorder=4,
                      mfc=palette.soft if amplitude == 1.0 else palette.sheet)
            if amplitude == 1.0:
                unit = np.array([cb, cr]) / np.hypot(cb, cr)
                axes.plot(*np.outer(unit, (0.03, np.hypot(cb, cr))), color=palette.thread, lw=0.5, zorder=1)
                axes.text(*_beside(unit, cb, cr), name, size=SMALL_PT, color=palette.ink, ha="center", va="center",
                          zorder=6, path_effects=halo(palette))
    axes.plot([-0.012, 0.012, np.nan, 0, 0], [0, 0, np.nan, -0.012, 0.012], color=palette.soft, lw=0.7, zorder=1)


def _beside(unit: np.ndarray, cb: float, cr: float) -> tuple[float, float]:
    """A place for the name of a 100 % bar: a little inwards of it and to the side of its spoke."""
    side = np.array([-unit[1], unit[0]]) * (1 if unit[0] * unit[1] <= 0 else -1)
    place = np.array([cb, cr]) - 0.055 * unit + (0.075 if abs(unit[1]) > 0.6 else 0.042) * side
    return float(place[0]), float(place[1])


def _chroma_mark(axes: Axes, patch: PatchProof, side: int, palette: Palette) -> None:
    _, cb, cr = _measured(patch, side)
    _, target_cb, target_cr = patch.target
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
                palette: Palette, label: str = "") -> None:
    """A bar's measured level and its target, over the place across that the bar takes."""
    colour = (palette.before, palette.after)[side]
    left, right = across if across is not None else (0.0, 1.0)
    middle, reach = (left + right) / 2, max((right - left) / 2, 0.03)
    if target is not None:
        for sign in (-1, 1):
            axes.plot([middle + sign * reach * 0.45, middle + sign * (reach + 0.02)], [target, target],
                      color=palette.ink, lw=1.1, zorder=7)
        axes.plot([middle, middle], [level, target], color=colour, lw=0.9, zorder=5)
        if label:
            aside = right + 0.035 if right < 0.72 else left - 0.035
            axes.text(aside, target, f"{label} {target * 100:.1f}", size=SMALL_PT, color=palette.ink,
                      ha="left" if right < 0.72 else "right", va="center", zorder=8,
                      bbox={"facecolor": palette.sheet, "edgecolor": "none", "alpha": 0.85, "pad": 0.8})
    shape = "o" if LOW <= level <= HIGH else "^" if level > HIGH else "v"      # beyond the scope: an arrow at its rim
    point(axes, middle, min(max(level, LOW), HIGH), side, palette, size=3.6, shape=shape)


def _mix(a: str, b: str, share: float) -> str:
    """``#rrggbb`` between ``a`` and ``b``."""
    parts = [round(int(a[i:i + 2], 16) * (1 - share) + int(b[i:i + 2], 16) * share) for i in (1, 3, 5)]
    return "#{:02x}{:02x}{:02x}".format(*parts)


def _bars(patches: Sequence[PatchProof]) -> list[PatchProof]:
    return [patch for patch in patches if patch.role == "bar"]


def _measured(patch: PatchProof, side: int) -> tuple[float, float, float]:
    return (patch.before, patch.after)[side]


def _save_jpeg(picture: np.ndarray, path: Path, overwrite: bool) -> None:
    """8-bit JPEG without chroma subsampling (colour is the matter here), a noisy one squeezed to JPEG_LIMIT."""
    import cv2

    height, width = picture.shape[:2]
    if width > FRAME_WIDTH:
        size = (FRAME_WIDTH, max(1, round(height * FRAME_WIDTH / width)))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    codes = np.rint(np.clip(np.nan_to_num(picture), 0, 1) * 255).astype(np.uint8)
    for quality in (88, 80, 70, 55):
        _, content = cv2.imencode(".jpg", np.ascontiguousarray(codes[..., ::-1]), [
            cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444])
        if content.size <= JPEG_LIMIT:
            break
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_bytes(content.tobytes())
