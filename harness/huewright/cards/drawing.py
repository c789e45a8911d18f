"""A card drawn to a PNG or PDF, with labels to check it or on a page to print."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.colorimetry.display import BT709_FROM_XYZ
from huewright.errors import InputError
from huewright.files import whole_file
from huewright.models.card import Card, Mark, Patch
from huewright.reference import apply

CAUTION = ("An ordinary print is not a calibrated reference: inks, paper and lamp decide what it reflects. "
           "Measure the print and give the measurements, or use it for practice only.")
PAGE_MM = (297.0, 210.0)                                # A4, ISO 216
ON_PAGE = 0.95                                          # so that printers which leave a margin print all of it


def drawable(path: Path | str) -> Path:
    path = Path(path)
    if path.suffix.lower() not in (".pdf", ".png"):
        raise InputError(f"{path}: a card is drawn to a .pdf or .png file; give it such a name")
    return path


def draw_card(card: Card, path: Path | str, *, labels: bool, page: bool = False, overwrite: bool = False) -> None:
    """Draws ``card`` to a PNG or PDF in sRGB. ``page`` puts it on an A4 page, 1 unit ``ON_PAGE`` mm long, with the
    caution under it; ``labels`` writes each patch's name and role on it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon

    path = drawable(path)
    width, height = card.size
    page_mm = PAGE_MM if page else (PAGE_MM[0], PAGE_MM[0] * height / width)
    scale = ON_PAGE if page else page_mm[0] / width
    sheet = Figure(figsize=(page_mm[0] / 25.4, page_mm[1] / 25.4), dpi=300 if page else 100, facecolor="white")
    FigureCanvasAgg(sheet)
    left, bottom = (page_mm[0] - width * scale) / 2, (page_mm[1] - height * scale) * (0.6 if page else 0.5)
    axes = sheet.add_axes((left / page_mm[0], bottom / page_mm[1], width * scale / page_mm[0],
                           height * scale / page_mm[1]))
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.axis("off")
    if not card.marks:
        axes.add_patch(Polygon(np.array(card.corners), facecolor="#3c3c3c"))
    areas: tuple[Patch | Mark, ...] = (*card.marks, *card.patches)
    for area in areas:
        axes.add_patch(Polygon(np.array(area.polygon), facecolor=_srgb(area), edgecolor="none", antialiased=True))
    if labels:
        for patch in card.patches:
            middle = np.mean(patch.polygon, axis=0)
            light = sum(_srgb(patch)) > 1.5
            axes.text(float(middle[0]), float(middle[1]), f"{patch.name}\n{patch.role}",
                      ha="center", va="center", fontsize=7,
                      color="black" if light else "white")
    if page:
        sheet.text(left / page_mm[0], 0.62 * bottom / page_mm[1], CAUTION, fontsize=6, va="center", color="#444444")
    with whole_file(path, overwrite=overwrite) as temporary:
        sheet.savefig(temporary, format=path.suffix.lower()[1:])


def _srgb(area: Patch | Mark) -> tuple[float, float, float]:
    """A colour to draw ``area`` with: its reference in sRGB (IEC 61966-2-1), else a grey of its level."""
    if area.xyz is not None:
        encoded = apply(Transfer("srgb", "encode"), np.clip(BT709_FROM_XYZ @ np.array(area.xyz), 0, 1))
        return (float(encoded[0]), float(encoded[1]), float(encoded[2]))
    if isinstance(area, Patch) and area.hue:
        on = {"red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "cyan": (0, 1, 1), "blue": (0, 0, 1),
              "magenta": (1, 0, 1)}[area.hue]
        return (0.25 + 0.5 * on[0], 0.25 + 0.5 * on[1], 0.25 + 0.5 * on[2])
    level = area.level_ire / 100 if isinstance(area, Patch) and area.level_ire is not None else 0.5
    return (level, level, level)
