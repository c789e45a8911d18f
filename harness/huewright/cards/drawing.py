"""A card drawn to a PNG or PDF, with labels to check it or on a page to print."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.cards.tracing import Traced
from huewright.colorimetry.display import BT709_FROM_XYZ
from huewright.colorimetry.targets import BAR_SIGNALS, adapted_xyz
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
        known = _colour_known(area)
        axes.add_patch(Polygon(np.array(area.polygon), facecolor=shown_colour(card, area), antialiased=True,
                               edgecolor="none" if known else "#9a9a9a", hatch=None if known else "//"))
    if labels:
        for patch in card.patches:
            middle = np.mean(patch.polygon, axis=0)
            light = sum(shown_colour(card, patch)) > 1.5
            axes.text(float(middle[0]), float(middle[1]), f"{patch.name}\n{patch.role}",
                      ha="center", va="center", fontsize=7,
                      color="black" if light else "white")
    if page:
        sheet.text(left / page_mm[0], 0.62 * bottom / page_mm[1], CAUTION, fontsize=6, va="center", color="#444444")
    with whole_file(path, overwrite=overwrite) as temporary:
        sheet.savefig(temporary, format=path.suffix.lower()[1:])


def draw_traced(traced: Traced, picture: np.ndarray, path: Path | str, *, overwrite: bool = False) -> None:
    """Draws what was found in ``picture`` (h, w, 3) over it, to a PNG or PDF: the card's outline, each patch with its
    name and role, and the picture's pixels along the rim, by which corners can be read off."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon

    path = drawable(path)
    h, w = picture.shape[:2]
    sheet = Figure(figsize=(12.5, 12.5 * h / w + 0.4), dpi=110, facecolor="white", layout="constrained")
    FigureCanvasAgg(sheet)
    axes = sheet.add_subplot()
    axes.imshow(np.clip(picture[..., :3], 0, 1), extent=(0, w, h, 0))
    axes.set_xlabel("pixels of the picture")
    axes.minorticks_on()
    for colour, width in (("black", 3.5), ("white", 1.5)):
        axes.add_patch(Polygon(traced.corners, fill=False, edgecolor=colour, linewidth=width, linestyle="--"))
    for patch in traced.card.patches:
        outline = traced.in_picture(patch)
        for colour, width in (("black", 3.0), (_ROLE_COLOURS[patch.role], 1.3)):
            axes.add_patch(Polygon(outline, fill=False, edgecolor=colour, linewidth=width))
        x, y = outline.mean(axis=0)
        light = sum(shown_colour(traced.card, patch)) > 1.5
        level = "" if patch.level_ire is None else f" {patch.level_ire:g}"
        room = float(np.ptp(outline[:, 0])) / w * 1000
        axes.text(float(x), float(y), f"{patch.name}\n{patch.role}{level}", ha="center", va="center",
                  fontsize=float(np.clip(room / 9, 3.5, 8)), color="black" if light else "white")
    with whole_file(path, overwrite=overwrite) as temporary:
        sheet.savefig(temporary, format=path.suffix.lower()[1:])


_ROLE_COLOURS = {"bar": "white", "chip": "#ffd24a", "check": "#7fd0ff"}


def shown_colour(card: Card, area: Patch | Mark) -> tuple[float, float, float]:
    """A colour to draw ``area`` with, in sRGB (IEC 61966-2-1): its reference, adapted from the card's illuminant to
    D65 so that its neutrals are grey; else what a photograph showed; else its hue, or a grey of its level."""
    if area.xyz is not None:
        try:
            xyz = adapted_xyz(card, np.array(area.xyz))
        except InputError:            # an illuminant or observer without tables: `card check` says so
            xyz = np.array(area.xyz)
        return _triple(apply(Transfer("srgb", "encode"), np.clip(BT709_FROM_XYZ @ xyz, 0, 1)))
    if isinstance(area, Patch) and area.photographed is not None:
        return area.photographed
    if isinstance(area, Patch) and area.hue:
        return _triple(0.25 + 0.5 * np.array(BAR_SIGNALS[area.hue]))
    level = area.level_ire / 100 if isinstance(area, Patch) and area.level_ire is not None else 0.5
    return _triple(np.clip([level] * 3, 0, 1))


def _colour_known(area: Patch | Mark) -> bool:
    return area.xyz is not None or (isinstance(area, Patch) and (
        area.photographed is not None or area.hue is not None or area.level_ire is not None))


def _triple(values: np.ndarray) -> tuple[float, float, float]:
    return (float(values[0]), float(values[1]), float(values[2]))
