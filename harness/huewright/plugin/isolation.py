"""Patch isolation: its parameters, and where the card's patches lie in a picture. The plug-in has the same functions,
compiled.

Points of patches are in shares of the card: 0, 0 its top left corner, 1, 1 its bottom right one. They come from a
patches file (:mod:`huewright.models.patches`) or are those of a plain grid.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from huewright.models.patches import MOST_CORNERS, MOST_PATCHES, read_patches
from huewright.plugin.effect import NUMBERS, Parameter, Settings, place

_CORNERS = {"topLeft": (100.0, 500.0), "topRight": (500.0, 500.0), "bottomRight": (500.0, 100.0),
            "bottomLeft": (100.0, 100.0)}
_MOST_ROWS = 32
_AREA, _PATCHES, _EDGES = "areaGroup", "patchesGroup", "edgesGroup"
PARAMETERS = (
    Parameter(_AREA, "Group", "Where the card is", "The card's four corners in the picture, in order around it.",
              opened=True),
    *(Parameter(name, "Double2D", f"{label} corner (pixels)",
                f"The card's own {label.lower()} corner, in the picture: from the left, and from the bottom.",
                corner, _AREA, -1e6, 1e6, 0.0, 4096.0, digits=2, subtype="XYAbsolute", step=1.0)
      for (name, corner), label in zip(_CORNERS.items(), ("Top left", "Top right", "Bottom right", "Bottom left"),
                                       strict=True)),
    Parameter(_PATCHES, "Group", "Patches", "Which areas of the card are left.", opened=True),
    Parameter("patchesFile", "String", "Patches file",
              "What `huewright ofx patches` wrote of the card. Empty: a grid of columns and rows.", "", _PATCHES,
              subtype="FilePath", animates=False),
    Parameter("columns", "Integer", "Columns", "Without a file: patches side by side between the corners.",
              1, _PATCHES, 1, _MOST_ROWS, 1, 12),
    Parameter("rows", "Integer", "Rows", "Without a file: patches one above the other between the corners.",
              1, _PATCHES, 1, _MOST_ROWS, 1, 12),
    Parameter("inset", "Double", "Leave out at the edge (share)",
              "How much of each patch's width and height is left out around it: 0.2 leaves the inner four fifths.",
              0.0, _PATCHES, 0.0, 0.95, 0.0, 0.9, step=0.05),
    Parameter(_EDGES, "Group", "Edges and ground", ""),
    Parameter("feather", "Double", "Soft edge (pixels)", "Width of the soft edge, in pixels of the full picture. 0: a "
              "hard edge, its pixels by the area that is covered.", 0.0, _EDGES, 0.0, 1000.0, 0.0, 20.0, digits=2,
              step=0.5),
    Parameter("fill", "RGB", "Ground", "The colour of everything else.", (0.0, 0.0, 0.0), _EDGES, -100.0, 100.0, 0.0,
              1.0))

NO_QUAD = "the four corners are not those of a convex quad, in order around it"
MOST_PLACED = max(MOST_PATCHES, _MOST_ROWS**2)
MOST_POINTS = max(MOST_PATCHES * MOST_CORNERS, 4 * _MOST_ROWS**2)
"""The most patches that there can be, and points of them all."""
_FIRST = tuple(place(PARAMETERS, name) for name in _CORNERS)
_COLUMNS, _ROWS, _INSET = (place(PARAMETERS, name) for name in ("columns", "rows", "inset"))
_X0, _X1, _X2, _X3 = _FIRST


def grid(v: Any, points: Any, counts: Any) -> int:
    """The patches of a plain grid by the effect's values ``v``: two numbers a point into ``points``, how many points of
    each patch into ``counts``. Returns how many patches."""
    columns, rows = int(v[_COLUMNS]), int(v[_ROWS])
    patches = 0
    for row in range(rows):
        for column in range(columns):
            for k in range(4):
                points[8 * patches + 2 * k] = (column + (0.0 if k == 0 or k == 3 else 1.0)) / columns
                points[8 * patches + 2 * k + 1] = (row + (0.0 if k < 2 else 1.0)) / rows
            counts[patches] = 4
            patches += 1
    return patches


def placed(v: Any, frame: Any, points: Any, counts: Any, patches: Any) -> int:
    """Brings ``points`` to where they lie in a picture, each patch shrunk towards its middle (its points' mean) by the
    inset, and running so that its area is positive there. Returns 0 if the corners are not those of a convex quad, else
    1.

    ``frame`` says where a canonical place (x, y) lies: x frame[0] - frame[2] and frame[3] - y frame[1].

    The map from the unit square to the quad is the projective one (Heckbert, "Fundamentals of Texture Mapping and Image
    Warping", 1989). It runs in Python and compiled alike.
    """
    left_turns, right_turns = 0, 0
    for k in range(4):
        a, b, c = _X0 + 3 * k, _X0 + 3 * ((k + 1) % 4), _X0 + 3 * ((k + 2) % 4)
        turn = (v[b] - v[a]) * (v[c + 1] - v[b + 1]) - (v[c] - v[b]) * (v[b + 1] - v[a + 1])
        left_turns += 1 if turn > 0.0 else 0
        right_turns += 1 if turn < 0.0 else 0
    if left_turns != 4 and right_turns != 4:
        return 0
    x0, y0, x1, y1 = v[_X0], v[_X0 + 1], v[_X1], v[_X1 + 1]
    x2, y2, x3, y3 = v[_X2], v[_X2 + 1], v[_X3], v[_X3 + 1]
    dx1, dx2, sx = x1 - x2, x3 - x2, x0 - x1 + x2 - x3
    dy1, dy2, sy = y1 - y2, y3 - y2, y0 - y1 + y2 - y3
    whole = dx1 * dy2 - dx2 * dy1
    g, h = (sx * dy2 - dx2 * sy) / whole, (dx1 * sy - sx * dy1) / whole
    a, b, d, e = x1 - x0 + g * x1, x3 - x0 + h * x3, y1 - y0 + g * y1, y3 - y0 + h * y3
    kept = 1.0 - v[_INSET]
    first = 0
    for patch in range(patches):
        n = counts[patch]
        middle_u, middle_w = 0.0, 0.0
        for k in range(n):
            middle_u += points[first + 2 * k]
            middle_w += points[first + 2 * k + 1]
        middle_u, middle_w = middle_u / n, middle_w / n
        for k in range(n):
            u = middle_u + kept * (points[first + 2 * k] - middle_u)
            w = middle_w + kept * (points[first + 2 * k + 1] - middle_w)
            depth = g * u + h * w + 1.0
            points[first + 2 * k] = (a * u + b * w + x0) / depth * frame[0] - frame[2]
            points[first + 2 * k + 1] = frame[3] - (d * u + e * w + y0) / depth * frame[1]
        area = 0.0
        for k in range(n):
            at, next_one = first + 2 * k, first + 2 * ((k + 1) % n)
            area += points[at] * points[next_one + 1] - points[next_one] * points[at + 1]
        if area < 0.0:
            for k in range(n // 2):
                for c in range(2):
                    at, other = first + 2 * k + c, first + 2 * (n - 1 - k) + c
                    points[at], points[other] = points[other], points[at]
        first += 2 * n
    return 1


def isolation_polygons(settings: Settings, height: float, scale: tuple[float, float] = (1.0, 1.0),
                       origin: tuple[float, float] = (0.0, 0.0)) -> list[np.ndarray]:
    """The patches' polygons (n, 2) in pixels of a picture of so many rows whose canonical place begins at ``origin``: x
    to the right, y down. ``settings`` are complete ones.

    Raises ``ValueError`` if the corners are not those of a convex quad, and as
    :func:`~huewright.models.patches.read_patches` does.
    """
    values = np.zeros(NUMBERS * len(PARAMETERS))
    for k, parameter in enumerate(PARAMETERS):
        if parameter.values and parameter.type != "String":
            values[NUMBERS * k:NUMBERS * k + parameter.values] = settings[parameter.name]
    points, counts = np.zeros(2 * MOST_POINTS), np.zeros(MOST_PLACED, np.int64)
    if settings["patchesFile"]:
        read = read_patches(Path(settings["patchesFile"]))
        for k, polygon in enumerate(read):
            counts[k] = len(polygon)
        points[:2 * sum(map(len, read))] = np.concatenate(read).ravel()
        patches = len(read)
    else:
        patches = grid(values.tolist(), points, counts)
    frame = (*scale, origin[0], origin[1] + height)
    if not placed(values.tolist(), frame, points, counts.tolist(), patches):
        raise ValueError(NO_QUAD)
    ends = np.cumsum(counts[:patches])
    return [polygon.copy() for polygon in np.split(points[:2 * ends[-1]].reshape(-1, 2), ends[:-1])]
