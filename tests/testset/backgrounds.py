"""Backgrounds in linear light: natural pictures that ship with scikit-image, and procedural clutter.

The clutter is what a card finder could mistake for a card: windows, shelves, books, keyboards, tiles, posters,
swatch boards with other layouts.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
import skimage.data

NATURAL = ("coffee", "cat", "rocket", "retina", "immunohistochemistry", "colorwheel", "brick", "gravel", "grass",
           "coins", "page", "text", "clock", "moon", "camera", "hubble_deep_field", "motorcycle", "microaneurysms",
           "cell")


@cache
def natural(name: str) -> np.ndarray:
    """One of :data:`NATURAL` as linear float32 (h, w, 3), decoded from sRGB (IEC 61966-2-1)."""
    picture = skimage.data.stereo_motorcycle()[0] if name == "motorcycle" else getattr(skimage.data, name)()
    picture = np.asarray(picture)
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    encoded = picture[..., :3].astype(np.float32) / 255
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4).astype(np.float32)


def background(rng: np.random.Generator, width: int, height: int,
               kind: str | None = None) -> tuple[np.ndarray, str]:
    """A random background (height, width, 3), linear, and what it is; ``kind`` is "natural", "mixed" or "clutter"."""
    kind = kind or str(rng.choice(["natural", "natural", "clutter", "mixed"]))
    label = str(kind)
    if kind == "clutter":
        scene = np.empty((height, width, 3), np.float32)
        scene[:] = _colour(rng) * rng.uniform(0.3, 1.0)
        _gradient(rng, scene)
    else:
        name = str(rng.choice(NATURAL))
        label = f"{kind} {name}"
        scene = _crop(rng, natural(name), width, height)
    if kind != "natural":
        for _ in range(int(rng.integers(1, 5)) if kind == "mixed" else int(rng.integers(2, 7))):
            draw = CLUTTER[int(rng.integers(len(CLUTTER)))]
            label += f", {draw.__name__}"
            place(rng, scene, draw)
    sigma = rng.choice([0.0, 0.0, 1.0, 2.5, 6.0]) * width / 1920
    if sigma > 0:
        scene = cv2.GaussianBlur(scene, (0, 0), sigma)
    return scene, label


def _crop(rng: np.random.Generator, picture: np.ndarray, width: int, height: int) -> np.ndarray:
    h, w = picture.shape[:2]
    scale = max(width / w, height / h) * rng.uniform(1.0, 1.6)
    x = rng.uniform(0, w * scale - width)
    y = rng.uniform(0, h * scale - height)
    transform = np.array([[scale, 0, -x], [0, scale, -y]])
    mode = cv2.INTER_CUBIC if rng.random() < 0.7 else cv2.INTER_NEAREST
    out = cv2.warpAffine(picture, transform, (width, height), flags=mode, borderMode=cv2.BORDER_REFLECT)
    if rng.random() < 0.5:
        out = out[:, ::-1]
    return np.ascontiguousarray(np.clip(out, 0, None) * rng.uniform(0.5, 1.2))


def _gradient(rng: np.random.Generator, scene: np.ndarray) -> None:
    h, w = scene.shape[:2]
    a, b = rng.uniform(-0.4, 0.4, 2)
    scene *= (1 + a * np.linspace(-1, 1, w, dtype=np.float32)[None, :, None]
              + b * np.linspace(-1, 1, h, dtype=np.float32)[:, None, None])


def _colour(rng: np.random.Generator) -> np.ndarray:
    return (rng.uniform(0.02, 0.9) * rng.uniform(0.25, 1.0, 3)).astype(np.float32)


def place(rng: np.random.Generator, scene: np.ndarray, draw: Callable[[np.random.Generator], np.ndarray], *,
          size: float | None = None, even: bool = False) -> None:
    """Draws an object on its own canvas and puts it into the scene in perspective: ``size`` its width over the
    scene's, ``even`` in the middle and hardly askew."""
    h, w = scene.shape[:2]
    canvas = draw(rng)
    ch, cw = canvas.shape[:2]
    edge = 0.35 if even else 0.1
    centre = np.array([rng.uniform(edge, 1 - edge) * w, rng.uniform(edge, 1 - edge) * h])
    size = (rng.uniform(0.15, 0.9) if size is None else size) * w
    angle = rng.normal(0, 0.4)
    axis_x = size * np.array([np.cos(angle), np.sin(angle)])
    axis_y = size * ch / cw * np.array([-np.sin(angle), np.cos(angle)])
    corners = np.array([centre + sx * axis_x / 2 + sy * axis_y / 2 for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
    corners += rng.normal(0, (0.02 if even else 0.06) * size, corners.shape)
    source = np.array([[0, 0], [cw, 0], [cw, ch], [0, ch]], np.float32)
    transform = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
    warped = cv2.warpPerspective(canvas, transform, (w, h), flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.ones((ch, cw), np.float32), transform, (w, h))[..., None]
    scene *= 1 - mask
    scene += warped * mask


def _canvas(rng: np.random.Generator, width: int = 640, height: int = 420) -> np.ndarray:
    canvas = np.empty((height, width, 3), np.float32)
    canvas[:] = _colour(rng)
    return canvas


def _box(canvas: np.ndarray, x0: float, y0: float, x1: float, y1: float, colour: np.ndarray) -> None:
    cv2.rectangle(canvas, (int(x0), int(y0)), (int(x1), int(y1)), tuple(float(c) for c in colour), -1)


def window(rng: np.random.Generator) -> np.ndarray:
    canvas = _canvas(rng)
    columns, rows = int(rng.integers(2, 6)), int(rng.integers(1, 5))
    for i in range(columns):
        for j in range(rows):
            sky = np.array([0.7, 0.9, 1.2]) * rng.uniform(0.6, 3.0)
            _box(canvas, 20 + i * 600 / columns, 20 + j * 380 / rows,
                 20 + (i + 0.9) * 600 / columns, 20 + (j + 0.9) * 380 / rows, sky)
    return canvas


def shelf(rng: np.random.Generator) -> np.ndarray:
    canvas = _canvas(rng)
    for j in range(3):
        x = 5.0
        while x < 630:
            width = rng.uniform(8, 45)
            top = 10 + j * 135 + rng.uniform(0, 50)
            colour = _colour(rng)
            _box(canvas, x, top, min(x + width, 635), 135 + j * 135, colour)
            _box(canvas, x + width * 0.25, top + 15, x + width * 0.7, top + 35, _colour(rng))
            x += width + 1.5
    return canvas


def keyboard(rng: np.random.Generator) -> np.ndarray:
    canvas = _canvas(rng, 640, 230)
    key = _colour(rng)
    for row in range(5):
        x = 10.0 + row * rng.uniform(0, 12)
        while x < 595:
            width = rng.choice([34, 34, 34, 50])
            _box(canvas, x, 10 + row * 43, x + width, 45 + row * 43, key * rng.uniform(0.9, 1.1))
            x += width + 8
    return canvas


def tiles(rng: np.random.Generator) -> np.ndarray:
    canvas = _canvas(rng)
    columns, rows = int(rng.integers(4, 14)), int(rng.integers(3, 10))
    palette = [_colour(rng) for _ in range(int(rng.integers(2, 8)))]
    for i in range(columns):
        for j in range(rows):
            _box(canvas, (i + 0.06) * 640 / columns, (j + 0.06) * 420 / rows, (i + 0.94) * 640 / columns,
                 (j + 0.94) * 420 / rows, palette[int(rng.integers(len(palette)))])
    return canvas


def swatch_board(rng: np.random.Generator) -> np.ndarray:
    """Another colour card: a grid of random colours with greys below, on black or white."""
    canvas = _canvas(rng)
    canvas[:] = rng.choice([0.02, 0.85])
    columns, rows = int(rng.integers(4, 8)), int(rng.integers(3, 6))
    pitch_x, pitch_y = 600 / columns, 380 / rows
    for i in range(columns):
        for j in range(rows):
            colour = np.repeat(0.9 * 0.45**i, 3) if j == rows - 1 else _colour(rng)
            _box(canvas, 20 + (i + 0.08) * pitch_x, 20 + (j + 0.08) * pitch_y, 20 + (i + 0.92) * pitch_x,
                 20 + (j + 0.92) * pitch_y, colour)
    return canvas


def poster(rng: np.random.Generator) -> np.ndarray:
    """Flat shapes of all kinds on a framed ground: hexagons, circles, bars, diamonds."""
    canvas = _canvas(rng)
    _box(canvas, 14, 14, 626, 406, _colour(rng))
    _box(canvas, 20, 20, 620, 400, canvas[0, 0].copy())
    for _ in range(int(rng.integers(8, 30))):
        sides = int(rng.choice([3, 4, 4, 6, 6, 24]))
        radius = rng.uniform(12, 60)
        turn = rng.uniform(0, 6.3)
        angles = turn + np.arange(sides) * 2 * np.pi / sides
        points = np.stack([rng.uniform(60, 580) + radius * np.cos(angles),
                           rng.uniform(60, 360) + radius * np.sin(angles)], 1)
        cv2.fillConvexPoly(canvas, points.astype(np.int32), tuple(float(c) for c in _colour(rng)), cv2.LINE_8)
    return canvas


def checkerboard(rng: np.random.Generator) -> np.ndarray:
    """Two colours in turn, as a target for lens calibration or a tablecloth has them."""
    canvas = _canvas(rng)
    columns, rows = int(rng.integers(4, 14)), int(rng.integers(3, 10))
    other = _colour(rng) if rng.random() < 0.5 else np.array([0.02, 0.02, 0.02], np.float32)
    for i in range(columns):
        for j in range(rows):
            if (i + j) % 2:
                _box(canvas, i * 640 / columns, j * 420 / rows, (i + 1) * 640 / columns, (j + 1) * 420 / rows, other)
    return canvas


def colour_bars(rng: np.random.Generator) -> np.ndarray:
    """Upright bars in the order of falling luma, some with a row of other bars and greys under them."""
    canvas = _canvas(rng)
    order = [(1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1), (0, 0, 0)]
    level = float(rng.choice([0.5, 0.9]))
    low = 420 if rng.random() < 0.4 else 290
    count = int(rng.choice([7, 8]))
    for k, on in enumerate(order[:count]):
        _box(canvas, k * 640 / count, 0, (k + 1) * 640 / count, low, level * np.array(on, np.float64) + 0.01)
    if low < 420:
        for k in range(count):
            _box(canvas, k * 640 / count, low, (k + 1) * 640 / count, 330,
                 level * np.array(order[count - 1 - k], np.float64) + 0.01)
            _box(canvas, k * 640 / count, 330, (k + 1) * 640 / count, 420, np.full(3, 0.9 * (k / (count - 1)) ** 2.2))
    return canvas


CLUTTER = (window, shelf, keyboard, tiles, swatch_board, poster, checkerboard, colour_bars)
