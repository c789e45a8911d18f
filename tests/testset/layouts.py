"""Cards of our own in unlike layouts, and photographs of them as a phone takes them: for tracing a card from a picture.

Everything is invented. ``LAYOUTS`` are functions of a random generator that return a :class:`Drawn`; colours are drawn
anew each time, so that a layout stands for many cards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from huewright.cards.own import rectangle, regular
from huewright.models.card import load_card
from huewright_demo.design_card import CARD

Polygon = tuple[tuple[float, float], ...]
RGB = tuple[float, float, float]
FINE = 4            # the card is painted so many times finer than it is seen


@dataclass(frozen=True)
class Drawn:
    """A card: ``patches`` (polygon, linear BT.709 colour); ``under`` the same for what is printed that is no patch;
    ``lines`` (polygon, width, colour); ``words`` (text, x, y, height)."""

    name: str
    size: tuple[float, float]
    ground: RGB
    patches: list[tuple[Polygon, RGB]]
    under: list[tuple[Polygon, RGB]] = field(default_factory=list)
    lines: list[tuple[Polygon, float, RGB]] = field(default_factory=list)
    words: list[tuple[str, float, float, float]] = field(default_factory=list)


def honeycomb(rng: np.random.Generator) -> Drawn:
    """The demo's card, as it is."""
    from testset.scene import linear_rgb

    card = load_card(CARD)
    white = float(rng.uniform(0.9, 1.0))
    colours = [(float(r) * white, float(g) * white, float(b) * white) for r, g, b in linear_rgb(card)]
    return Drawn("honeycomb", card.size, (0.05, 0.05, 0.05),
                 [(patch.polygon, colour) for patch, colour in zip(card.patches, colours, strict=True)],
                 [(card.marks[1].polygon, (0.75, 0.75, 0.75)), (card.marks[2].polygon, (0.05, 0.05, 0.05))])


def wide_grid(rng: np.random.Generator) -> Drawn:
    """Seven by five on a dark ground with wide gaps; the last row is neutral; a line of words under it."""
    colours = _colours(rng, 28) + _greys(7)
    patches = [(rectangle(10 + 26 * c, 12 + 24 * r, 30 + 26 * c, 30 + 24 * r), colours[7 * r + c])
               for r in range(5) for c in range(7)]
    return Drawn("wide grid", (196.0, 148.0), (0.055, 0.055, 0.055), patches,
                 words=[("invented for tests", 12, 143, 5)])


def full_bleed(rng: np.random.Generator) -> Drawn:
    """Five by four to the very rim, side against side."""
    colours = _distinct(rng, 5, 4)
    patches = [(rectangle(30 * c, 30 * r, 30 * c + 30, 30 * r + 30), colours[5 * r + c])
               for r in range(4) for c in range(5)]
    return Drawn("full bleed", (150.0, 120.0), (0.5, 0.5, 0.5), patches)


def wheel(rng: np.random.Generator) -> Drawn:
    """Twelve rounds in a ring, five grey ones across it, on a white ground."""
    colours = _colours(rng, 12)
    ring = [(regular(100 + 72 * np.cos(a), 100 + 72 * np.sin(a), 15, 48), colours[k])
            for k, a in enumerate(np.arange(12) * np.pi / 6)]
    greys = [(regular(60 + 20 * k, 100, 8.5, 48), grey) for k, grey in enumerate(_greys(5, top=0.7))]
    return Drawn("wheel", (200.0, 200.0), (0.85, 0.85, 0.83), ring + greys)


def shards(rng: np.random.Generator) -> Drawn:
    """Triangles, lozenges, pentagons and a bar across, on a middle grey ground with a thin line about it."""
    colours = _colours(rng, 15)
    patches: list[tuple[Polygon, RGB]] = []
    for k in range(5):
        patches.append((regular(28 + 46 * k, 30, 20, 3), colours[k]))
        patches.append((regular(28 + 46 * k, 76, 19, 4), colours[5 + k]))
        patches.append((regular(28 + 46 * k, 124, 18, 5), colours[10 + k]))
    patches += [(rectangle(12, 156, 80, 178), (0.02, 0.02, 0.02)), (rectangle(86, 156, 154, 178), (0.09, 0.09, 0.09)),
                (rectangle(160, 156, 228, 178), (0.88, 0.88, 0.88))]
    return Drawn("shards", (240.0, 190.0), (0.2, 0.2, 0.2), patches,
                 lines=[(rectangle(4, 4, 236, 186), 1.5, (0.8, 0.8, 0.8))])


def stairs(rng: np.random.Generator) -> Drawn:
    """A grey stair of eleven steps side against side over two rows of small squares, on a light ground."""
    patches: list[tuple[Polygon, RGB]] = [(rectangle(12 + 16 * k, 10, 28 + 16 * k, 50), grey)
                                          for k, grey in enumerate(_greys(11))]
    colours = _colours(rng, 18)
    patches += [(rectangle(12 + 20 * c, 62 + 22 * r, 26 + 20 * c, 76 + 22 * r), colours[9 * r + c])
                for r in range(2) for c in range(9)]
    return Drawn("stairs", (200.0, 112.0), (0.55, 0.55, 0.52), patches)


def framed(rng: np.random.Generator) -> Drawn:
    """Squares in thin white frames with a letter under each, a title, and an empty frame, on black."""
    colours = _colours(rng, 9) + _greys(3)
    patches, lines, words = [], [], [("A CARD OF OUR OWN", 16.0, 20.0, 8.0)]
    for k, colour in enumerate(colours):
        x, y = 16 + 48 * (k % 4), 32 + 50 * (k // 4)
        patches.append((rectangle(x, y, x + 30, y + 30), colour))
        lines.append((rectangle(x - 3, y - 3, x + 33, y + 33), 0.8, (0.8, 0.8, 0.8)))
        words.append((chr(65 + k), x + 12.0, y + 42.0, 6.0))
    lines.append((rectangle(208, 32, 236, 170), 0.8, (0.8, 0.8, 0.8)))
    return Drawn("framed", (250.0, 190.0), (0.045, 0.045, 0.045), patches, lines=lines, words=words)


def many(rng: np.random.Generator) -> Drawn:
    """Fourteen by ten small patches, a hair apart."""
    colours = _colours(rng, 126) + _greys(14)
    patches = [(rectangle(8 + 14 * c, 8 + 14 * r, 20.5 + 14 * c, 20.5 + 14 * r), colours[14 * r + c])
               for r in range(10) for c in range(14)]
    return Drawn("many", (210.0, 154.0), (0.3, 0.3, 0.3), patches)


LAYOUTS: dict[str, Callable[[np.random.Generator], Drawn]] = {
    "honeycomb": honeycomb, "wide grid": wide_grid, "full bleed": full_bleed, "wheel": wheel, "shards": shards,
    "stairs": stairs, "framed": framed, "many": many}


@dataclass(frozen=True)
class Photo:
    """``picture`` (h, w, 3) uint8 as decoded from JPEG; ``corners`` (4, 2) px where the card's really lie;
    ``polygons`` of the patches in shares of the card's width and height."""

    picture: np.ndarray
    jpeg: bytes
    corners: np.ndarray
    polygons: list[np.ndarray]


def photograph(drawn: Drawn, rng: np.random.Generator, *, width: int = 1600, height: int = 1200, tilt: float = 0.03,
               vignette: float = 0.3, noise: float = 0.012, quality: int = 85, cast: float = 0.12,
               blur_px: float = 0.8) -> Photo:
    """``drawn`` lying on a table, as a phone sees it from above: nearly straight on, in even but not white light.

    tilt  how far corners stray, in shares of the card's size; vignette  stops lost in the picture's corners;
    noise  standard deviation at middle grey, code values; cast  stops between red and blue at most
    """
    scale = min(0.82 * width / drawn.size[0], 0.82 * height / drawn.size[1])
    card = _painted(drawn, scale)
    w, h = drawn.size[0] * scale, drawn.size[1] * scale
    turn = float(rng.normal(0, 0.02))
    box = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2
    box = box @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = box + (width / 2, height / 2) + rng.uniform(-1, 1, (4, 2)) * tilt * min(w, h)
    fine = np.array([[0, 0], [card.shape[1], 0], [card.shape[1], card.shape[0]], [0, card.shape[0]]], np.float32)
    # Half of the fineness is averaged by the painting, half by the picture: both are areas.
    over = 2
    to_photo = cv2.getPerspectiveTransform(fine, (corners * over).astype(np.float32))
    table = np.array(rng.uniform(0.08, 0.5) * rng.uniform(0.8, 1.2, 3), np.float32)
    big = np.empty((height * over, width * over, 3), np.float32)
    big[:] = table
    grain = cv2.GaussianBlur(rng.normal(0, 1, big.shape[:2]).astype(np.float32), (0, 0), 9.0)
    big *= (1 + 0.5 * grain)[..., None]
    shape = (width * over, height * over)
    alpha = cv2.warpPerspective(np.ones(card.shape[:2], np.float32), to_photo, shape, flags=cv2.INTER_LINEAR)[..., None]
    big = big * (1 - alpha) + cv2.warpPerspective(card, to_photo, shape, flags=cv2.INTER_LINEAR) * alpha
    light = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA)
    y, x = np.mgrid[0:height, 0:width]
    away = np.hypot(x - width / 2, y - height / 2) / np.hypot(width / 2, height / 2)
    light *= (2.0 ** (-vignette * away**2)).astype(np.float32)[..., None]
    light *= np.float32(2.0) ** np.array([rng.uniform(0, cast), 0, -rng.uniform(0, cast)], np.float32)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    light += (rng.normal(0, 1, light.shape) * noise * 0.45 * np.sqrt(np.maximum(light, 0.0) + 0.02)).astype(np.float32)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)
    eight = np.round(np.clip(code, 0, 1) * 255).astype(np.uint8)
    good, jpeg = cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert good
    shares = [np.array(polygon) / drawn.size for polygon, _ in drawn.patches]
    return Photo(cv2.imdecode(jpeg, cv2.IMREAD_COLOR)[..., ::-1], jpeg.tobytes(), corners, shares)


def overlap(a: np.ndarray, b: np.ndarray) -> float:
    """Intersection over union of two convex polygons."""
    a, b = (cv2.convexHull((1000 * np.asarray(v)).astype(np.float32)) for v in (a, b))
    both, _ = cv2.intersectConvexConvex(a, b)
    return float(both / max(cv2.contourArea(a) + cv2.contourArea(b) - both, 1e-9))


def _painted(drawn: Drawn, scale: float) -> np.ndarray:
    fine = scale * FINE
    shape = (round(drawn.size[1] * fine), round(drawn.size[0] * fine))
    canvas = np.empty((*shape, 3), np.float32)
    canvas[:] = drawn.ground

    def fixed(polygon: Polygon) -> np.ndarray:
        return np.round(np.array(polygon) * fine * 16 - 8).astype(np.int32)

    for polygon, colour in (*drawn.under, *drawn.patches):
        cv2.fillConvexPoly(canvas, fixed(polygon), colour, cv2.LINE_8, shift=4)
    for polygon, width, colour in drawn.lines:
        cv2.polylines(canvas, [fixed(polygon)], True, colour, max(1, round(width * fine)), cv2.LINE_8, shift=4)
    ink = np.zeros(shape, np.uint8)
    for text, x, y, height in drawn.words:
        cv2.putText(ink, text, (round(x * fine), round(y * fine)), cv2.FONT_HERSHEY_SIMPLEX, height * fine / 22, 255,
                    max(1, round(0.12 * height * fine)), cv2.LINE_8)
    canvas[ink > 0] = 0.8
    return cv2.resize(canvas, (shape[1] // 2, shape[0] // 2), interpolation=cv2.INTER_AREA)


def _greys(count: int, top: float = 0.88) -> list[RGB]:
    """From white to black in even steps of lightness, about."""
    return [(v, v, v) for v in (0.018 + (top - 0.018) * np.linspace(1, 0, count) ** 2.4).tolist()]


def _colours(rng: np.random.Generator, count: int) -> list[RGB]:
    """All round the hues, strong and weak, light and dark."""
    rows = []
    for k in range(count):
        hue = 360 * (k + rng.uniform(-0.3, 0.3)) / count * (7 if count % 7 else 5)
        rows.append(_of_lab(float(rng.uniform(35, 80)), float(rng.uniform(12, 55)), hue))
    return rows


def _distinct(rng: np.random.Generator, columns: int, rows: int) -> list[RGB]:
    """Neighbours by side are apart by a tenth of full scale in a channel at least."""
    colours: list[RGB] = []
    while len(colours) < columns * rows:
        trial = _of_lab(float(rng.uniform(25, 85)), float(rng.uniform(0, 55)), float(rng.uniform(0, 360)))
        k = len(colours)
        near = [colours[j] for j in ([k - 1] if k % columns else []) + ([k - columns] if k >= columns else [])]
        if all(np.abs(np.sqrt(trial) - np.sqrt(other)).max() > 0.1 for other in near):
            colours.append(trial)
    return colours


def _of_lab(lightness: float, chroma: float, hue: float) -> RGB:
    """Linear BT.709 of CIELAB under D65, paler until it is inside."""
    import colour

    while True:
        lab = (lightness, chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue)))
        xyz = colour.models.Lab_to_XYZ(np.array(lab), np.array([0.3127, 0.3290]))
        rgb = np.array([[3.24096994, -1.53738318, -0.49861076], [-0.96924364, 1.8759675, 0.04155506],
                        [0.05563008, -0.20397696, 1.05697151]]) @ xyz
        if (rgb > 0.004).all() and (rgb < 0.95).all():
            return (float(rgb[0]), float(rgb[1]), float(rgb[2]))
        chroma *= 0.9
