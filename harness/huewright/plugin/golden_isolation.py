"""Golden vectors of patch isolation: which pixels a port must leave, and how soft, from the float64 reference.

The files lie beside those of the operations, in a folder of their own. Each is lines of a keyword and numbers,
separated by blanks; ``#`` starts a comment line:

    picture    width and height
    at         canonical place of the picture's lower left corner, in its own pixels
    scale      the picture's pixels to one at full scale, along x and y
    corners    the card's in canonical coordinates (pixels at full scale, y up), x y of each: top left, top right,
               bottom right, bottom left
    grid       columns and rows of a plain grid of patches; or
    patch      x y of each corner of one patch, in shares of the card, y down; a line for each patch
    inset      how much of each patch is left out
    feather    width of the soft edge in pixels at full scale
    placed     x y of each corner of one patch in the picture, x right and y down from its top left corner; a line for
               each patch, in their order
    tolerance  a coverage may be off by this
    coverage   how many rows follow: the coverage of each pixel, from the top row down
    refused    ends, in ``refused.txt``, corners or a patch that must be refused
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from huewright.reference import isolation

FOLDER = "isolation"
TOLERANCE = 2e-6
PLACED_TOLERANCE_PX = 1e-9
REFUSED_FILE = "refused.txt"


@dataclass(frozen=True)
class GoldenMask:
    """One file. ``patches`` are (n, 2) in shares of the card, with a ``grid`` its own; ``placed`` those in the picture,
    (n, 2) pixels; ``coverage`` (height, width)."""

    name: str
    width: int
    height: int
    corners: np.ndarray
    patches: tuple[np.ndarray, ...]
    grid: tuple[int, int] | None = None
    inset: float = 0.0
    feather: float = 0.0
    scale: tuple[float, float] = (1.0, 1.0)
    at: tuple[float, float] = (0.0, 0.0)
    placed: tuple[np.ndarray, ...] = ()
    coverage: np.ndarray | None = None


def _honeycomb(middle: tuple[float, float], radius: float, count: int = 6) -> np.ndarray:
    turns = (np.arange(count) + 0.3) * 2 * np.pi / count
    return np.round(np.stack([middle[0] + radius * np.cos(turns), middle[1] + radius * np.sin(turns)], axis=1), 6)


_PERSPECTIVE = np.array([(2.3, 15.8), (20.1, 17.2), (22.6, 1.4), (4.9, 3.1)])
_MIRRORED = np.array([(40.7, 31.1), (6.2, 33.9), (3.1, 4.4), (44.3, 7.7)])
_SHAPES = (_honeycomb((0.3, 0.35), 0.21), _honeycomb((0.7, 0.3), 0.18, 3), _honeycomb((0.62, 0.7), 0.24, 9),
           np.array([(0.02, 0.62), (0.3, 0.97), (0.03, 0.97)]))
_OVERLAPPING = (*_SHAPES, np.array([(0.2, 0.2), (0.5, 0.22), (0.48, 0.8), (0.21, 0.6)]),
                np.array([(0.8, 0.1), (0.815, 0.1), (0.815, 0.95), (0.8, 0.95)]))
_ASKED = (
    GoldenMask("grid", 24, 18, _PERSPECTIVE, (), (3, 2), 0.25),
    GoldenMask("grid-soft", 24, 18, _PERSPECTIVE, (), (4, 3), 0.3, 1.5),
    GoldenMask("polygons", 24, 18, _PERSPECTIVE, _SHAPES, inset=0.1),
    GoldenMask("polygons-overlapping", 24, 18, _PERSPECTIVE + (-31.0, 12.0), _OVERLAPPING, at=(-31.0, 12.0)),
    GoldenMask("polygons-soft", 24, 18, _MIRRORED, _SHAPES, None, 0.15, 5.0, (0.5, 0.5)),
    GoldenMask("polygons-very-soft", 20, 16, _PERSPECTIVE * 1.6 - (9.0, 6.0), _OVERLAPPING, feather=12.0),
    GoldenMask("polygons-in-part", 16, 12, _PERSPECTIVE * 2.0 - (11.0, 7.0), _SHAPES, scale=(0.75, 0.5),
               at=(3.0, -2.0)))
REFUSED: tuple[tuple[str, tuple[tuple[float, float], ...]], ...] = (
    ("corners", ((0.0, 10.0), (4.0, 4.0), (10.0, 0.0), (0.0, 0.0))),
    ("corners", ((10.0, 10.0), (0.0, 10.0), (10.0, 0.0), (0.0, 0.0))),
    ("corners", ((0.0, 10.0), (0.0, 10.0), (10.0, 0.0), (0.0, 0.0))),
    ("corners", ((5.0, 5.0), (10.0, 10.0), (10.0, 0.0), (0.0, 0.0))),
    ("patch", ((0.1, 0.1), (0.9, 0.1), (0.3, 0.3), (0.1, 0.9))),
    ("patch", ((0.1, 0.1), (0.9, 0.9), (0.9, 0.1), (0.1, 0.9))),
    ("patch", ((0.1, 0.1), (0.5, 0.5), (0.9, 0.9))),
    ("patch", ((0.1, 0.1), (0.9, 0.1))),
    ("patch", ((0.1, 0.1), (1.2, 0.1), (0.5, 0.9))))
"""Corners that are no convex quad in order (a bend, crossed, two in one place, three on a line), patches that are not
convex or cross themselves, have no area, too few corners, or lie beyond the card."""


def golden_masks() -> list[GoldenMask]:
    """Every file's contents, computed now."""
    made = []
    for asked in _ASKED:
        patches = asked.patches or _cells(*asked.grid)  # type: ignore[misc]
        polygons = isolation.placed(patches, asked.corners, asked.inset, asked.scale, asked.at, asked.height)
        mask = isolation.covered(polygons, asked.width, asked.height, asked.feather * asked.scale[0])
        made.append(GoldenMask(asked.name, asked.width, asked.height, asked.corners, tuple(patches), asked.grid,
                               asked.inset, asked.feather, asked.scale, asked.at, tuple(polygons), mask))
    return made


def _cells(columns: int, rows: int) -> tuple[np.ndarray, ...]:
    return tuple(np.array([((column + right) / columns, (row + down) / rows)
                           for right, down in ((0, 0), (1, 0), (1, 1), (0, 1))])
                 for row in range(rows) for column in range(columns))


# --- text -----------------------------------------------------------------------------------------------------
def _numbers(values: object) -> str:
    return " ".join(repr(float(v)) for v in np.ravel(np.asarray(values, np.float64)))


def to_text(golden: GoldenMask) -> str:
    assert golden.coverage is not None
    lines = ["# Golden vectors of huewright: see PORTING.md beside this folder's own. Computed in float64.",
             f"picture {golden.width} {golden.height}", f"at {_numbers(golden.at)}", f"scale {_numbers(golden.scale)}",
             f"corners {_numbers(golden.corners)}"]
    if golden.grid:
        lines.append("grid {} {}".format(*golden.grid))
    else:
        lines += [f"patch {_numbers(patch)}" for patch in golden.patches]
    lines += [f"inset {golden.inset!r}", f"feather {golden.feather!r}",
              *(f"placed {_numbers(polygon)}" for polygon in golden.placed), f"tolerance {TOLERANCE!r}",
              f"coverage {golden.height}", *map(_numbers, golden.coverage)]
    return "\n".join(lines) + "\n"


def from_text(name: str, text: str) -> GoldenMask:
    """The inverse of :func:`to_text`."""
    lines = iter([line for line in text.splitlines() if line and not line.startswith("#")])
    one: dict[str, list[float]] = {}
    several: dict[str, list[np.ndarray]] = {"patch": [], "placed": []}
    coverage = np.empty((0, 0))
    for line in lines:
        key, *words = line.split()
        values = [float(word) for word in words]
        if key in several:
            several[key].append(np.reshape(values, (-1, 2)))
        elif key == "coverage":
            coverage = np.array([[float(word) for word in next(lines).split()] for _ in range(int(values[0]))])
        else:
            one[key] = values
    width, height = (int(v) for v in one["picture"])
    grid = (int(one["grid"][0]), int(one["grid"][1])) if "grid" in one else None
    (sx, sy), (x, y) = one["scale"], one["at"]
    return GoldenMask(name, width, height, np.reshape(one["corners"], (4, 2)),
                      tuple(several["patch"]) or (_cells(*grid) if grid else ()), grid, one["inset"][0],
                      one["feather"][0], (sx, sy), (x, y), tuple(several["placed"]), coverage)


def refused_text() -> str:
    lines = ["# Corners and patches that a port must refuse: see PORTING.md beside this folder's own."]
    for kind, points in REFUSED:
        lines += [f"{kind} {_numbers(points)}", "refused"]
    return "\n".join(lines) + "\n"


def write_golden_masks(folder: Path) -> None:
    """Writes every file into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    for golden in golden_masks():
        (folder / f"{golden.name}.txt").write_text(to_text(golden), encoding="ascii", newline="\n")
    (folder / REFUSED_FILE).write_text(refused_text(), encoding="ascii", newline="\n")
