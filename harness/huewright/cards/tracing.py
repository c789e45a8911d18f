"""A card file proposed from one picture of a card that nobody described: its outline, its patches, what they may be."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from huewright.cards.areas import LONG_SIDE, Area, uniform_areas
from huewright.cards.roles import Guess, roles_of_photograph
from huewright.errors import InputError
from huewright.models.card import Card, Patch

Corners = np.ndarray
LONG_UNITS = 100.0                 # the card's longer side in a file that was told no size
LEAST_PIXELS = 300                 # of that side in the picture: fewer show a patch of a thirtieth in ten
# Of the picture, for an outline that nobody gave; and how much of the outline's hull its four sides must hold.
LEAST_CARD, MOST_CARD, FOUR_SIDED = 0.1, 0.98, 0.96
SEARCH_WIDTH = 800
STRAIGHT_ON = 0.85                 # a shorter against a longer opposite side below which the picture isn't straight on


@dataclass(frozen=True)
class Traced:
    """``card`` as proposed; ``corners`` (4, 2) px of the picture, clockwise from its top left; ``by_hand`` whether
    these were given; ``off_deg`` by chip name how far it points from its bar in the photograph; ``slanted`` whether
    opposite sides of the card differ so much that the picture was not taken straight on."""

    card: Card
    corners: Corners
    by_hand: bool
    off_deg: dict[str, float]
    slanted: bool

    def in_picture(self, patch: Patch) -> np.ndarray:
        """(k, 2) px of ``patch`` in the picture."""
        source = np.array(self.card.corners, np.float32)
        to_picture = cv2.getPerspectiveTransform(source, self.corners.astype(np.float32))
        return np.asarray(cv2.perspectiveTransform(np.array(patch.polygon, np.float64)[None], to_picture)[0])


def trace_card(picture: np.ndarray, *, corners: Corners | None = None, whole: bool = False,
               size: tuple[float, float] | None = None, name: str = "traced") -> Traced:
    """The card in ``picture`` (h, w, 3) float32, sRGB code values of a straight-on, evenly lit photograph.

    corners  (4, 2) px, clockwise from the card's own top left; without them, and unless the picture is ``whole``ly the
             card, the largest four-sided thing is taken for it
    size     the card's width and height, in units of its own

    Raises :class:`InputError` where no outline is found, the card is too small in the picture, or shows no patches.
    """
    h, w = picture.shape[:2]
    by_hand = corners is not None or whole
    if whole:
        corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float64)
    found = outline(picture) if corners is None else np.asarray(corners, np.float64)
    if found is None:
        raise InputError("no card's outline stands out in the picture; give its four corners with --corners, or crop "
                         "the picture to the card and add --cropped")
    sides = np.linalg.norm(np.roll(found, -1, axis=0) - found, axis=1)
    across, down = (float(sides[0] + sides[2]) / 2, float(sides[1] + sides[3]) / 2)
    if max(across, down) < LEAST_PIXELS:
        raise InputError(f"the card is {max(across, down):.0f} pixels long in the picture, too small to tell its "
                         f"patches; take one that shows it at {LEAST_PIXELS} or more")
    if size is None:
        long = LONG_UNITS / max(across, down)
        size = (round(across * long, 2), round(down * long, 2))
    flat = _flattened(picture, found, size)
    areas = _in_reading_order(uniform_areas(flat))
    if not areas:
        raise InputError("no uniform patch was found inside the card's outline; is it straight on, evenly lit, in "
                         "focus, and are the four corners the card's own?")
    guesses = roles_of_photograph(np.array([area.colour for area in areas]))
    units = np.array(size) / (flat.shape[1], flat.shape[0])
    names = _names(areas, guesses)
    patches = tuple(_patch(*row, units, size) for row in zip(names, areas, guesses, strict=True))
    card = Card(name, size, patches, description="Traced from a photograph: shapes as seen, roles and levels guessed, "
                "no reference colours. Correct what is wrong.")
    off = {name: guess.off_deg for name, guess in zip(names, guesses, strict=True) if guess.off_deg is not None}
    straight = min(min(sides[0], sides[2]) / max(sides[0], sides[2]), min(sides[1], sides[3]) / max(sides[1], sides[3]))
    return Traced(card, found, by_hand, off, bool(straight < STRAIGHT_ON))


def _patch(name: str, area: Area, guess: Guess, units: np.ndarray, size: tuple[float, float]) -> Patch:
    polygon = np.round(np.clip(np.array(area.polygon) * units, 0, size), 3)
    r, g, b = (round(min(max(value, 0.0), 1.0), 4) for value in area.colour)
    return Patch(name, guess.role, tuple((float(x), float(y)) for x, y in polygon), guess.level_ire, guess.hue,
                 photographed=(r, g, b))


def _flattened(picture: np.ndarray, corners: Corners, size: tuple[float, float]) -> np.ndarray:
    """The card seen straight on, its longer side :data:`LONG_SIDE` pixels, averaged where the picture has more."""
    scale = LONG_SIDE / max(size)
    w, h = round(size[0] * scale), round(size[1] * scale)
    shrink = LONG_SIDE / float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).max())
    if shrink < 1:
        before = picture.shape
        picture = cv2.resize(picture, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        corners = corners * (picture.shape[1] / before[1], picture.shape[0] / before[0])
    # A pixel's middle lies at a half here, at a whole number there.
    square = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32) - 0.5
    flat = cv2.getPerspectiveTransform((corners - 0.5).astype(np.float32), square)
    return np.asarray(cv2.warpPerspective(picture, flat, (w, h), flags=cv2.INTER_LINEAR,
                                          borderMode=cv2.BORDER_REPLICATE))


def outline(picture: np.ndarray) -> Corners | None:
    """(4, 2) px of the largest four-sided thing that stands out in ``picture``, clockwise from its top left; None where
    there is none."""
    h, w = picture.shape[:2]
    shrink = min(1.0, SEARCH_WIDTH / max(h, w))
    small = cv2.resize(picture, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(small, (0, 0), 1.5)
    strength = np.max([cv2.magnitude(*(cv2.Scharr(smooth[..., c], cv2.CV_32F, dx, dy, scale=1 / 32)
                                       for dx, dy in ((1, 0), (0, 1)))) for c in range(3)], axis=0)
    best: Corners | None = None
    largest = LEAST_CARD * small.shape[0] * small.shape[1]
    for limit in (0.004, 0.008, 0.015, 0.03):
        edges = cv2.morphologyEx((strength > limit).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
        contours, _ = cv2.findContours(edges, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            hull = cv2.convexHull(contour)
            area = cv2.contourArea(hull)
            if not largest < area < MOST_CARD * small.shape[0] * small.shape[1]:
                continue
            quad = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, True), True)[:, 0].astype(np.float64)
            if len(quad) != 4 or abs(cv2.contourArea(quad.astype(np.float32)) - area) > (1 - FOUR_SIDED) * area:
                continue
            sides = _sides_fitted(hull[:, 0].astype(np.float64), contour[:, 0].astype(np.float64), quad)
            if sides is not None:
                best, largest = sides, area
    if best is None:
        return None
    centre = best.mean(axis=0)
    around = np.argsort(np.arctan2(*(best - centre).T[::-1]))
    best = best[around]
    best = np.roll(best, -int(best.sum(axis=1).argmin()), axis=0)
    return np.asarray((best + 0.5) * (w / small.shape[1], h / small.shape[0]))


def _sides_fitted(hull: np.ndarray, contour: np.ndarray, quad: np.ndarray) -> Corners | None:
    """``quad`` with its sides laid through the contour's points near them."""
    lines = []
    for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        length = float(np.linalg.norm(b - a))
        along = (b - a) / max(length, 1e-9)
        off = contour - a
        place, away = off @ along / length, off @ np.array([-along[1], along[0]])
        near = (place > 0.06) & (place < 0.94) & (np.abs(away) < 0.02 * length + 2)
        if near.sum() < 0.4 * length:
            return None
        vx, vy, x, y = (float(v) for v in cv2.fitLine(contour[near].astype(np.float32), cv2.DIST_HUBER, 0, 0.01,
                                                     0.01).ravel())
        lines.append((np.array([x, y]), np.array([vx, vy])))
    corners = []
    for (p, d), (q, e) in zip([lines[-1], *lines[:-1]], lines, strict=True):
        turn = d[0] * e[1] - d[1] * e[0]
        if abs(turn) < 0.2:
            return None
        corners.append(p + d * ((q - p)[0] * e[1] - (q - p)[1] * e[0]) / turn)
    # The rim of an edge's band lies outside the edge by about half its width.
    found = np.array(corners)
    middle = found.mean(axis=0)
    reach = np.linalg.norm(found - middle, axis=1, keepdims=True)
    return np.asarray(middle + (found - middle) * (1 - 2.8 / reach))


def _in_reading_order(areas: list[Area]) -> list[Area]:
    """Row by row, each from left to right; a row is what overlaps its first area in height by half."""
    left = sorted(areas, key=lambda area: min(y for _, y in area.polygon))
    ordered: list[Area] = []
    while left:
        top, bottom = (f(y for _, y in left[0].polygon) for f in (min, max))
        row = [area for area in left if _overlap(area, top, bottom) >= 0.5]
        ordered += sorted(row, key=lambda area: float(np.mean([x for x, _ in area.polygon])))
        left = [area for area in left if area not in row]
    return ordered


def _overlap(area: Area, top: float, bottom: float) -> float:
    ys = [y for _, y in area.polygon]
    shared = min(max(ys), bottom) - max(min(ys), top)
    return shared / min(max(ys) - min(ys), bottom - top)


def _names(areas: list[Area], guesses: list[Guess]) -> list[str]:
    """Bars and chips by what they are, the others by their number in reading order."""
    return [guess.name or f"patch-{number}" for number, (_, guess) in enumerate(zip(areas, guesses, strict=True), 1)]
