"""The look that every picture of this project shares: ink on paper by day, chalk on slate by night.

Traces are one ink on one ground, so a trace never fights with the colours that it measures. *Before* and
*after* differ in colour (sienna, petrol: apart for every common kind of colour blindness) and in shape (open
ring, filled dot). A target is a *gap cross*: two short strokes along the directions in which one can miss
(level; or hue and saturation), left open in the middle so that the trace inside stays visible.

Contrast on ``paper`` and ``sheet``: text colours 4.5:1 or better (WCAG 2.2, success criterion 1.4.3).
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.colorimetry.shown import LUMINANCE_709
from huewright.files import whole_file
from huewright.reference import apply

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DPI = 200
"""Laid out at 100 pixels an inch and drawn at twice that: 8 in is 800 px on a page, sharp on any screen."""

SANS, SERIF, MONO = "DejaVu Sans", "DejaVu Serif", "DejaVu Sans Mono"
FREQUENT, RARE = 144, 64        # colours of a PNG chosen for being frequent, and for being unlike those
SMALL_PT, TEXT_PT, HEAD_PT = 8.4, 9.2, 11.5


@dataclass(frozen=True)
class Palette:
    """Colours as ``#rrggbb``. ``trace`` runs from the sheet's own colour to the densest ink."""

    name: str
    paper: str
    sheet: str
    ink: str
    soft: str
    thread: str
    before: str
    after: str
    bad: str
    warn: str
    red: str
    green: str
    blue: str
    trace: tuple[str, ...]


DAY = Palette(
    name="day", paper="#f3eee3", sheet="#fbf8f1", ink="#1d2938", soft="#545e6b", thread="#d5ccba",
    before="#a04a14", after="#0d5f80", bad="#9b2340", warn="#76570a",
    red="#a8323a", green="#2c6b43", blue="#2a55a5",
    trace=("#fbf8f1", "#cdd3d4", "#8ea0b0", "#4d6580", "#21384f", "#101d2c"))

NIGHT = Palette(
    name="night", paper="#13171e", sheet="#1a2029", ink="#ece6d9", soft="#a8afb9", thread="#343d4a",
    before="#f0a266", after="#68c6de", bad="#f4909f", warn="#e2c261",
    red="#f08a86", green="#7fcb98", blue="#8fb2f2",
    trace=("#1a2029", "#3a4655", "#64758a", "#97a5ae", "#d0cdc2", "#fdf6e3"))

PALETTES = (DAY, NIGHT)


def variables(palette: Palette) -> str:
    """The palette as a style sheet's variables."""
    names = ("paper", "sheet", "ink", "soft", "thread", "before", "after", "bad", "warn", "red", "green",
             "blue")
    return "".join(f"--{name}:{getattr(palette, name)};" for name in names)


def rgb(colour: str) -> tuple[float, float, float]:
    """``#rrggbb`` as three floats 0..1."""
    return tuple(int(colour[i:i + 2], 16) / 255.0 for i in (1, 3, 5))  # type: ignore[return-value]


def contrast(a: str, b: str) -> float:
    """Contrast ratio 1..21 of two ``#rrggbb`` colours (WCAG 2.2, definitions of contrast and relative luminance)."""
    def luminance(colour: str) -> float:
        return float(apply(Transfer("srgb", "decode"), np.array(rgb(colour))) @ LUMINANCE_709)

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def ramp(colours: tuple[str, ...], steps: int = 64) -> np.ndarray:
    """(steps, 3) float 0..1: ``colours`` evenly spaced, straight lines between."""
    stops = np.array([rgb(colour) for colour in colours])
    at = np.linspace(0, len(colours) - 1, steps)
    return np.stack([np.interp(at, np.arange(len(colours)), stops[:, c]) for c in range(3)], axis=1)


@contextmanager
def drawing(palette: Palette) -> Iterator[None]:
    """Inside the block matplotlib draws with ``palette`` and our type; nothing outside is changed."""
    import matplotlib

    settings: Any = {
        "font.family": "sans-serif", "font.sans-serif": [SANS], "font.serif": [SERIF], "font.monospace": [MONO],
        "font.size": TEXT_PT, "text.color": palette.ink, "axes.facecolor": palette.sheet,
        "axes.edgecolor": palette.thread, "axes.labelcolor": palette.soft, "axes.linewidth": 0.6,
        "axes.spines.top": False, "axes.spines.right": False, "axes.titlelocation": "left",
        "axes.titlesize": HEAD_PT, "xtick.color": palette.soft, "ytick.color": palette.soft,
        "xtick.labelsize": SMALL_PT, "ytick.labelsize": SMALL_PT, "xtick.major.size": 0, "ytick.major.size": 0,
        "figure.facecolor": palette.paper, "savefig.facecolor": palette.paper, "grid.color": palette.thread,
        "grid.linewidth": 0.5, "lines.solid_capstyle": "round", "axes.unicode_minus": True, "text.parse_math": False}
    with matplotlib.rc_context(settings):
        yield


def figure(width_px: int, height_px: int) -> Figure:
    """An empty Agg figure that is ``width_px`` x ``height_px`` on a page (twice that in the file)."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    made = Figure(figsize=(width_px / 100, height_px / 100), dpi=DPI)
    FigureCanvasAgg(made)
    return made


def png_bytes(made: Figure, share: float = 1.0) -> bytes:
    """The figure (the left ``share`` of it) as a PNG of at most 208 colours, a third of the size of true colour.

    The most frequent colours are kept exactly, so that grounds match the page, then those that are furthest from
    any kept one, so that a small label keeps its hue; the other pixels, on soft edges, take the nearest.
    """
    from PIL import Image

    made.canvas.draw()
    whole = np.asarray(made.canvas.buffer_rgba())  # type: ignore[attr-defined]
    pixels = np.ascontiguousarray(whole[:, :round(share * whole.shape[1]), :3])
    packed = pixels[..., 0].astype(np.uint32) << 16 | pixels[..., 1].astype(np.uint32) << 8 | pixels[..., 2]
    values, counts = np.unique(packed, return_counts=True)
    every = _channels(values)
    table = every[np.argsort(-counts, kind="stable")[:FREQUENT]]
    distance = ((every**2).sum(axis=1, keepdims=True) + (table**2).sum(axis=1) - 2 * every @ table.T).min(axis=1)
    for _ in range(RARE if len(values) > FREQUENT else 0):
        added = every[distance.argmax()]
        table = np.vstack([table, added])
        distance = np.minimum(distance, ((every - added) ** 2).sum(axis=1))
    nearest = ((table**2).sum(axis=1) - 2 * every @ table.T).argmin(axis=1)
    index = np.zeros(1 << 24, dtype=np.uint8)
    index[values] = nearest
    picture = Image.fromarray(index[packed])
    picture.putpalette(table.astype(np.uint8).tobytes())
    stream = io.BytesIO()
    picture.save(stream, "png", compress_level=6)
    return stream.getvalue()


def _channels(packed: np.ndarray) -> np.ndarray:
    return np.stack([packed >> 16, packed >> 8 & 255, packed & 255], axis=1).astype(np.float32)


def save_png(made: Figure, path: Path | str, *, share: float = 1.0, overwrite: bool = False) -> None:
    """Written whole or not at all; :class:`InputError` if ``path`` exists and ``overwrite`` is false. ``share``: only
    that much of its width."""
    content = png_bytes(made, share)
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_bytes(content)


__all__ = ["DAY", "DPI", "HEAD_PT", "MONO", "NIGHT", "PALETTES", "SANS", "SERIF", "SMALL_PT", "TEXT_PT", "Palette",
           "contrast", "drawing", "figure", "png_bytes", "ramp", "rgb", "save_png",
           "variables"]
