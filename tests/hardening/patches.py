"""A card with as many patches as are asked for, drawn as a picture: greys, the six chips, and colours to check by."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from huewright.cards.own import rectangle
from huewright.models.card import HUES, Card, Mark, Patch, Point
from huewright_demo.design_card import CHIP_LUMA, chip_signal
from huewright_demo.spectra import (
    WAVELENGTHS_NM,
    oetf,
    oetf_inverse,
    rgb_to_xyz,
    smooth_reflectance,
    xyz_to_rgb,
    xyz_weights,
)

PITCH = 14.0
BARS = 10


def grid_card(columns: int, rows: int) -> Card:
    """``columns`` x ``rows`` squares of :data:`PITCH` on a dark ground; colours from a seed, all within BT.709."""
    rng = np.random.default_rng(columns * rows)
    size = (PITCH * columns + 8, PITCH * rows + 8)
    places = rng.permutation(columns * rows)
    patches: list[Patch | None] = [None] * len(places)
    for k, place in enumerate(places):
        x, y = 5 + PITCH * (place % columns), 5 + PITCH * (place // columns)
        square = rectangle(x, y, x + PITCH - 2, y + PITCH - 2)
        name = f"{chr(65 + place // columns)}{place % columns + 1}"
        if k < BARS:
            level = 8.0 + 87.0 * k / (BARS - 1)
            patches[place] = _patch(name, "bar", square, np.full(3, level / 100), level=level)
        elif k < BARS + len(HUES):
            hue = HUES[k - BARS]
            patches[place] = _patch(name, "chip", square, chip_signal(hue, CHIP_LUMA[hue]), hue=hue)
        else:
            patches[place] = _patch(name, "check", square, rng.uniform(0.3, 0.8, 3))
    ground = Mark("ground", rectangle(0, 0, *size), xyz=_xyz(rgb_to_xyz(oetf_inverse(np.full(3, 0.24)))))
    return Card(f"grid of {columns} x {rows}", size, tuple(patch for patch in patches if patch), marks=(ground,),
                description="Invented, and drawn only to see what many patches come to.")


def _patch(name: str, role: str, square: tuple[Point, ...], signal: np.ndarray, *, level: float | None = None,
           hue: str | None = None) -> Patch:
    reflectance = np.round(smooth_reflectance(rgb_to_xyz(oetf_inverse(signal))), 5)
    return Patch(name, role, square, level, hue, WAVELENGTHS_NM, tuple(map(float, reflectance)),
                 _xyz(reflectance @ xyz_weights("D65")))


def _xyz(values: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (round(float(value), 6) for value in values)
    return x, y, z


def picture(card: Card, size: tuple[int, int] = (1920, 1080), *, turn_deg: float = 4.0, share: float = 0.8,
            seed: int = 1) -> np.ndarray:
    """A display signal (h, w, 3), float32, of ``card`` before a wall, a little turned, in warm light; ``share`` is its
    width over the picture's."""
    width, height = size
    light = np.full((height, width, 3), 0.12)
    light += 0.05 * np.linspace(0, 1, width)[None, :, None]
    scale = share * min(width / card.size[0], height / card.size[1] / 1.1)
    matrix = cv2.getRotationMatrix2D((card.size[0] / 2, card.size[1] / 2), turn_deg, scale)
    matrix[:, 2] += (width / 2 - card.size[0] / 2, height / 2 - card.size[1] / 2)
    for part in (*card.marks, *card.patches):
        points = np.array(part.polygon) @ matrix[:, :2].T + matrix[:, 2]
        assert part.xyz is not None
        cv2.fillPoly(light, [np.round(points * 16).astype(np.int32)], xyz_to_rgb(np.array(part.xyz)).tolist(),
                     cv2.LINE_AA, 4)
    signal = oetf(np.clip(light * (1.08, 1.0, 0.9), 0, None))
    return np.clip(signal + np.random.default_rng(seed).normal(0, 0.004, signal.shape), 0, 1).astype(np.float32)


def write_take(folder: Path, card: Card, count: int, size: tuple[int, int] = (1920, 1080)) -> str:
    """The pattern of ``count`` frames, each turned a little further, in 16-bit PNG."""
    from huewright.frames.frame import Frame
    from huewright.frames.picture import write_frame

    for number in range(1, count + 1):
        path = folder / f"g.{number:04d}.png"
        if not path.exists():
            codes = picture(card, size, turn_deg=4 + 0.1 * number, seed=number) * 65535
            write_frame(path, Frame(codes.astype(np.uint16), bits=16))
    return f"{folder}/g.####.png"
