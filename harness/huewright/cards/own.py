"""The card of our own: three grey bars, six chips in a broken honeycomb, nine check patches, nothing on a grid.

The dark matt ground and the thin bright line inside its rim give a finder structure in any light; the bars
stand at three sides so that uneven light shows; nothing is symmetric, so that no turn of the card looks like
another. Card units are millimetres (it prints on A4). Invented for this project.
"""

from __future__ import annotations

import math

from huewright.models.card import Card, Mark, Patch, Point

WIDTH, HEIGHT = 280.0, 200.0
LINE_OUTSIDE, LINE_INSIDE = 6.0, 9.0

# Rec. 709 primaries and D65 to XYZ (ITU-R BT.709-6; computed from its chromaticities, four digits).
_TO_XYZ = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))


def rectangle(x0: float, y0: float, x1: float, y1: float) -> tuple[Point, ...]:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def regular(x: float, y: float, radius: float, sides: int) -> tuple[Point, ...]:
    """A regular polygon with a corner straight up; ``radius`` to its corners."""
    angles = (2 * math.pi * k / sides for k in range(sides))
    return tuple((round(x + radius * math.sin(a), 3), round(y - radius * math.cos(a), 3)) for a in angles)


def own_card() -> Card:
    """The card, with colours as linear BT.709 reflectance factors (design values, not a measurement)."""

    def patch(name: str, role: str, polygon: tuple[Point, ...], rgb: tuple[float, float, float],
              level_ire: float | None = None) -> Patch:
        return Patch(name, role, polygon, level_ire, name if role == "chip" else None, xyz=_xyz(rgb))

    step_x, step_y, left, top = 49.3, 42.7, 82.0, 48.0

    def seat(column: float, row: int) -> tuple[Point, ...]:
        return regular(left + column * step_x, top + row * step_y, 25.0, 6)

    def zigzag(k: int) -> tuple[Point, ...]:
        return regular(226.0 + 22.0 * (k % 2), 36.0 + 22.0 * k, 17.0, 4)

    patches = (
        # Levels are the BT.709 OETF of the reflectance: 2 %, 18 % and 90 %.
        patch("white", "bar", rectangle(17, 17, 52, 93), (0.90, 0.90, 0.90), 94.9),
        patch("middle", "bar", rectangle(17, 152, 112, 182), (0.18, 0.18, 0.18), 40.9),
        patch("black", "bar", rectangle(196, 150, 262, 182), (0.02, 0.02, 0.02), 9.0),
        patch("red", "chip", seat(0.5, 0), (0.400, 0.035, 0.040)),
        patch("blue", "chip", seat(1.5, 0), (0.040, 0.065, 0.360)),
        patch("yellow", "chip", seat(0, 1), (0.680, 0.520, 0.030)),
        patch("magenta", "chip", seat(1, 1), (0.420, 0.060, 0.340)),
        patch("green", "chip", seat(2, 1), (0.060, 0.330, 0.080)),
        patch("cyan", "chip", seat(1.5, 2), (0.040, 0.330, 0.430)),
        # Published reflectances of skin (huewright_demo/skins.py says whose), in linear BT.709 under D65.
        patch("skin-tan", "check", zigzag(0), (0.390, 0.220, 0.132)),
        patch("skin-brown", "check", zigzag(1), (0.272, 0.141, 0.079)),
        patch("olive", "check", zigzag(2), (0.138, 0.113, 0.031)),
        patch("denim", "check", zigzag(3), (0.030, 0.107, 0.179)),
        patch("mauve", "check", zigzag(4), (0.520, 0.295, 0.439)),
        patch("oat", "check", rectangle(17, 104, 47, 140), (0.614, 0.521, 0.397)),
        patch("clay", "check", regular(left + 0.5 * step_x, top + 2 * step_y, 16.0, 6), (0.480, 0.200, 0.075)),
        patch("sage", "check", rectangle(124, 163, 148, 183), (0.270, 0.340, 0.250)),
        patch("teal", "check", rectangle(160, 163, 184, 183), (0.080, 0.220, 0.230)),
    )
    marks = (
        Mark("ground", rectangle(0, 0, WIDTH, HEIGHT), xyz=_xyz((0.05, 0.05, 0.05))),
        Mark("line", _inset(LINE_OUTSIDE), xyz=_xyz((0.75, 0.75, 0.75))),
        Mark("field", _inset(LINE_INSIDE), xyz=_xyz((0.05, 0.05, 0.05))),
    )
    return Card("honeycomb", (WIDTH, HEIGHT), patches, marks=marks,
                description="Invented card: bars at three sides, chips in a broken honeycomb, check patches between.")


def _inset(by: float) -> tuple[Point, ...]:
    return rectangle(by, by, WIDTH - by, HEIGHT - by)


def _xyz(rgb: tuple[float, float, float]) -> tuple[float, float, float]:
    x, y, z = (round(sum(m * c for m, c in zip(row, rgb, strict=True)), 5) for row in _TO_XYZ)
    return (x, y, z)
