"""The contact sheet of a survey: chosen frames first, then what was refused and why, each with the card as found."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from huewright_kernels.ops import Transfer

from huewright.files import refuse_existing, whole_file
from huewright.frames.take import Take
from huewright.models.card import Card
from huewright.models.footage import Footage
from huewright.models.reasons import NoCard
from huewright.models.survey import FrameGrade, Survey
from huewright.reference import apply_chain
from huewright.report.style import DAY, HEAD_PT, MONO, SERIF, SMALL_PT, TEXT_PT, Palette, drawing, figure
from huewright.words import reason_words, sentence

COLUMNS, LEAST_COLUMNS, MOST_TILES = 4, 2, 20
TILE_PX, PICTURE_PX, GAP_PX, TEXT_PX, LINE_PX, HEAD_PX = 300, 169, 20, 22, 14, 108
# Frames are shown this large at most; a contact sheet is looked at, not measured.
SHOWN_WIDTH = 3 * TILE_PX // 2
ORDER = ("chosen", "usable", "refused", "no card")
WORDS = {"chosen": "chosen", "usable": "usable, not chosen", "refused": "refused", "no card": "no card found"}


def contact_sheet(survey: Survey, sequence: Take, card: Card, path: Path | str, *,
                  overwrite: bool = False) -> None:
    """Writes the sheet as a PNG to ``path``.

    All chosen frames are on it, then examples of each reason for refusal, of usable frames that weren't needed, and
    of frames without a card, 20 tiles in all. Raises :class:`InputError` if ``path`` exists and ``overwrite`` is
    false, or a frame can't be read any more.
    """
    refuse_existing(path, overwrite=overwrite)
    tiles = _tiles(survey)
    captions = [_caption_lines(grade) for grade in tiles]
    columns = max(LEAST_COLUMNS, min(COLUMNS, len(tiles)))
    # A row is as high as its longest caption.
    deep = [TEXT_PX + LINE_PX * max(map(len, captions[start:start + columns]))
            for start in range(0, max(len(tiles), 1), columns)] if tiles else [TEXT_PX]
    tops = HEAD_PX + np.cumsum([0, *(PICTURE_PX + text + GAP_PX for text in deep)])
    width, height = columns * TILE_PX + (columns + 1) * GAP_PX, int(tops[-1])
    with drawing(DAY):
        sheet = figure(width, height)
        _header(sheet, survey, len(tiles), width, height)
        for index, (grade, lines) in enumerate(zip(tiles, captions, strict=True)):
            row, column = divmod(index, columns)
            left, top = GAP_PX + column * (TILE_PX + GAP_PX), int(tops[row])
            axes = sheet.add_axes((left / width, 1 - (top + PICTURE_PX) / height, TILE_PX / width,
                                   PICTURE_PX / height))
            _picture(axes, grade, sequence, survey, card)
            _caption(sheet, grade, lines, left, 1 - (top + PICTURE_PX + 5) / height, width, height)
        # Photographs need their true colours, so not the reduced palette that the other pictures are saved with.
        with whole_file(path, overwrite=overwrite) as temporary:
            sheet.savefig(temporary, format="png", dpi=150)


def _tiles(survey: Survey) -> list[FrameGrade]:
    """Chosen frames first, then one example after another of every other verdict and reason."""
    chosen = [grade for grade in survey.grades if grade.verdict == "chosen"][:MOST_TILES]
    groups: dict[tuple[str, str], list[FrameGrade]] = {}
    for grade in survey.grades:
        if grade.verdict != "chosen":
            kind = grade.reasons[0].kind or grade.reasons[0].code if grade.reasons else ""
            groups.setdefault((grade.verdict, kind), []).append(grade)
    picked: list[FrameGrade] = []
    depth = 0
    while len(chosen) + len(picked) < MOST_TILES and any(len(group) > depth for group in groups.values()):
        for (verdict, _), group in groups.items():
            limit = 6 if verdict == "refused" else 2
            if depth < min(len(group), limit) and len(chosen) + len(picked) < MOST_TILES:
                # From the middle of the group outwards: its first frame is often half out of the picture.
                picked.append(sorted(group, key=lambda g: abs(g.frame - group[len(group) // 2].frame))[depth])
        depth += 1
        if depth >= 6:
            break
    # A last row that isn't full takes more of what there is.
    rest = [grade for grade in survey.grades if grade not in chosen and grade not in picked]
    rest.sort(key=lambda grade: (ORDER.index(grade.verdict), grade.frame))
    count = len(chosen) + len(picked)
    picked += rest[:-count % COLUMNS]
    picked.sort(key=lambda grade: (ORDER.index(grade.verdict), grade.frame))
    return chosen + picked


def _header(sheet: Any, survey: Survey, shown: int, width: int, height: int) -> None:
    count = {verdict: sum(grade.verdict == verdict for grade in survey.grades) for verdict in ORDER}
    left, letters = GAP_PX / width, width // 10
    sheet.text(left, 1 - 20 / height, textwrap.shorten(survey.take, letters, placeholder=" \u2026"), family=MONO,
               size=HEAD_PT, va="top", color=DAY.ink)
    line = "   ".join(f"{count[verdict]} {WORDS[verdict]}" for verdict in ORDER if count[verdict])
    whole = "1 frame" if len(survey.grades) == 1 else f"{len(survey.grades)} frames"
    part = "" if shown == len(survey.grades) else f", {shown} of them shown"
    sheet.text(left, 1 - 44 / height, f"{whole}{part}:   {line}", size=TEXT_PT, va="top", color=DAY.soft)
    words = textwrap.wrap(sentence(survey.advice), letters, max_lines=2, placeholder=" \u2026")
    sheet.text(left, 1 - 66 / height, "\n".join(words), family=SERIF, size=HEAD_PT - 1, va="top", linespacing=1.25,
               color=DAY.after if survey.usable else DAY.bad)


def _picture(axes: Any, grade: FrameGrade, sequence: Take, survey: Survey, card: Card) -> None:
    frame = sequence.frame(grade.frame)
    rgb = frame.rgb_float()
    corners = np.array(grade.corners, dtype=np.float64)
    box = _window(corners, rgb.shape[1], rgb.shape[0], frame.pixel_aspect)
    x0, y0, x1, y1 = box
    shrink = min(1.0, SHOWN_WIDTH / (x1 - x0))
    part = np.ascontiguousarray(rgb[y0:y1, x0:x1])
    size = (max(1, round((x1 - x0) * shrink)), max(1, round((y1 - y0) * shrink)))
    shown = developed(cv2.resize(part, size, interpolation=cv2.INTER_AREA), survey.footage)
    axes.imshow(shown, extent=(x0, x1, y1, y0), aspect="auto", interpolation="bilinear")
    axes.set_xlim(x0, x1)
    axes.set_ylim(y1, y0)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_color(_colour(grade, DAY))
        spine.set_linewidth(1.8 if grade.verdict == "chosen" else 0.6)
    if len(corners) == 4:
        _outline(axes, grade, corners, card)


def _outline(axes: Any, grade: FrameGrade, corners: np.ndarray, card: Card) -> None:
    closed = np.vstack([corners, corners[:1]])
    for line, colour in ((2.4, DAY.ink), (1.1, DAY.paper)):
        axes.plot(closed[:, 0], closed[:, 1], color=colour, linewidth=line, solid_joinstyle="round")
    # The card's own top left: so that a wrong turn would be seen.
    axes.plot(*corners[0], marker="o", markersize=5.5, markerfacecolor=DAY.paper, markeredgecolor=DAY.ink)
    homography = cv2.getPerspectiveTransform(np.array(card.corners, np.float32), corners.astype(np.float32))
    for patch in card.patches:
        points = np.array(patch.polygon, np.float64)
        middle = points.mean(axis=0)
        inner = (middle + 0.7 * (points - middle))[None].astype(np.float32)
        outline = cv2.perspectiveTransform(inner, homography)[0]
        outline = np.vstack([outline, outline[:1]])
        lost = patch.name in grade.excluded_patches
        axes.plot(outline[:, 0], outline[:, 1], color=DAY.ink, linewidth=1.2)
        axes.plot(outline[:, 0], outline[:, 1], color="#ffb0bd" if lost else DAY.paper, linewidth=0.6)
        if lost:
            at = outline[:-1].mean(axis=0)
            axes.plot(*at, marker="x", markersize=5, color=DAY.ink, markeredgewidth=2.2)
            axes.plot(*at, marker="x", markersize=4.4, color="#ffb0bd", markeredgewidth=1.2)


def _caption_lines(grade: FrameGrade) -> list[str]:
    if grade.verdict == "no card":
        told = tuple(reason for reason in grade.reasons if not isinstance(reason, NoCard))
        return textwrap.wrap(reason_words(told), 52, max_lines=3, placeholder=" \u2026")
    lines = textwrap.wrap(reason_words(grade.reasons), 52, max_lines=3, placeholder=" \u2026") if grade.reasons else []
    return [*lines, f"edge {grade.edge_width_px:.1f} px  patch {grade.patch_px:.0f} px  "
            f"tilt {grade.tilt_deg:.0f}\u00b0  light {grade.light_stops:.2f} stops"]


def _caption(sheet: Any, grade: FrameGrade, lines: list[str], left: int, top: float, width: int, height: int) -> None:
    mark = {"chosen": "\u25cf", "usable": "\u25cb", "refused": "\u2715", "no card": "\u2013"}[grade.verdict]
    sheet.text(left / width, top, f"{mark} {grade.frame}", family=MONO, size=TEXT_PT, va="top",
               color=_colour(grade, DAY))
    sheet.text((left + 72) / width, top, WORDS[grade.verdict], size=TEXT_PT, va="top", color=_colour(grade, DAY),
               weight="bold" if grade.verdict == "chosen" else "normal")
    sheet.text(left / width, top - 16 / height, "\n".join(lines), size=SMALL_PT, va="top", linespacing=1.3,
               color=DAY.soft)


def _colour(grade: FrameGrade, palette: Palette) -> str:
    return {"chosen": palette.after, "usable": palette.ink, "refused": palette.bad,
            "no card": palette.soft}[grade.verdict]


def _window(corners: np.ndarray, width: int, height: int, pixel_aspect: float) -> tuple[int, int, int, int]:
    """The part of the picture to show: the card with some of its surroundings, in the tile's proportions."""
    if len(corners) != 4:
        return 0, 0, width, height
    ratio = TILE_PX / PICTURE_PX / pixel_aspect
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle = (low + high) / 2
    wide = max(1.35 * (high[0] - low[0]), 1.35 * (high[1] - low[1]) * ratio)
    wide = min(max(wide, 16.0), width, height * ratio)
    tall = min(wide / ratio, height)
    x0 = int(np.clip(middle[0] - wide / 2, 0, width - wide))
    y0 = int(np.clip(middle[1] - tall / 2, 0, height - tall))
    return x0, y0, int(x0 + wide), int(y0 + tall)


def developed(rgb: np.ndarray, footage: Footage) -> np.ndarray:
    """``rgb`` (h, w, 3) code values as a plain picture 0..1 to look at: decoded and coded by BT.709's OETF."""
    picture = apply_chain(footage.to_linear(), rgb)
    if footage.encoding != "display":
        picture = apply_chain((Transfer(curve="bt709", direction="encode"),), picture)
    result: np.ndarray = np.clip(np.nan_to_num(picture), 0, 1)
    return result
