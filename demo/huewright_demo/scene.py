"""The set of the invented shoot: a room by a window, a curtain, a shelf, a plant, someone sitting, a laid table.

Procedural and invented; nobody and no place is meant. Every paint is a spectral reflectance.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from huewright_demo import spectra
from huewright_demo.cameras import Camera
from huewright_demo.paint import Canvas, box, defocus, ellipsoid, height_field, leaf, lit, shadow, smooth, turned

# Linear BT.709 reflectances of the set's paints, each given the smoothest spectrum of that colour.
PAINTS = {
    "plaster": (0.40, 0.38, 0.33), "dado": (0.075, 0.115, 0.10), "moulding": (0.62, 0.59, 0.52),
    "curtain": (0.36, 0.105, 0.055), "wood": (0.26, 0.125, 0.055), "wood-dark": (0.085, 0.036, 0.018),
    "skin": (0.44, 0.235, 0.155), "lips": (0.33, 0.10, 0.085), "hair": (0.030, 0.018, 0.012),
    "jersey": (0.055, 0.105, 0.24), "linen": (0.66, 0.64, 0.58), "sleeve": (0.055, 0.105, 0.24),
    "orange": (0.68, 0.22, 0.018), "lemon": (0.74, 0.55, 0.035), "apple": (0.42, 0.035, 0.030),
    "apple-green": (0.36, 0.42, 0.060), "plum": (0.085, 0.035, 0.095), "stalk": (0.10, 0.075, 0.03),
    "leaf": (0.060, 0.155, 0.035), "leaf-light": (0.155, 0.27, 0.045), "terracotta": (0.40, 0.155, 0.080),
    "glaze": (0.055, 0.19, 0.24), "glaze-light": (0.52, 0.56, 0.52), "soil": (0.03, 0.022, 0.016),
    "book-1": (0.30, 0.055, 0.045), "book-2": (0.06, 0.10, 0.22), "book-3": (0.48, 0.36, 0.15),
    "book-4": (0.06, 0.14, 0.09), "book-5": (0.52, 0.49, 0.42), "book-6": (0.16, 0.07, 0.14),
    "book-7": (0.33, 0.16, 0.05), "book-8": (0.09, 0.20, 0.24), "gilt": (0.58, 0.42, 0.14),
    "blossom": (0.56, 0.22, 0.38), "blue-cloth": (0.10, 0.16, 0.33),
}
Palette = dict[str, np.ndarray]
BRIGHTNESS = 1.22  # of the set against the card


@cache
def paint_reflectances() -> dict[str, np.ndarray]:
    """(n,) reflectance of every paint."""
    return {name: spectra.smooth_reflectance(spectra.rgb_to_xyz(np.array(rgb))) for name, rgb in PAINTS.items()}


def palette(camera: Camera, light: str) -> Palette:
    """Each paint as the camera's raw response."""
    return {name: camera.raw_of_reflectance(r, light).astype(np.float32)
            for name, r in paint_reflectances().items()}


def room(camera: Camera, light: str, width: int, height: int, seed: int) -> np.ndarray:
    """The set behind the card, defocused: raw light (height, width, 3)."""
    p, canvas = palette(camera, light), Canvas(height, width, np.random.default_rng((seed, 11)))
    left = camera.name == "A"
    slide = 0.0 if left else 0.22
    _wall(canvas, p, slide)
    _shelf(canvas, p, 1.27 - 1.3 * slide, 0.06, 0.62)
    _curtain(canvas, p, -0.05, 0.30 - 0.6 * slide)
    canvas.blur(0.0055)
    _pot_plant(canvas, p, 0.40 - 0.25 * slide if left else 1.50, 0.80, 0.9)
    canvas.blur(0.0022)
    _sitter(canvas, p, 0.90 - 0.4 * slide)
    _table(canvas, p, 0.90)
    _bowl_of_fruit(canvas, p, 1.47 - 4.9 * slide, 0.955, 0.75)
    canvas.blur(0.0026)
    return canvas.light * np.float32(BRIGHTNESS)


def still_life(camera: Camera, light: str, width: int, height: int, seed: int) -> np.ndarray:
    """The second shot: the laid table, in focus, the room soft behind it."""
    p, canvas = palette(camera, light), Canvas(height, width, np.random.default_rng((seed, 12)))
    left = camera.name == "A"
    _wall(canvas, p, 0.35 if left else 0.1)
    _shelf(canvas, p, 1.05 if left else 0.12, -0.12, 0.52)
    _curtain(canvas, p, -0.06, 0.34 if left else 0.10)
    canvas.blur(0.011)
    _pot_plant(canvas, p, 1.52 if left else 1.36, 0.62, 1.25)
    canvas.blur(0.0035)
    _table(canvas, p, 0.66)
    _cloth(canvas, p, 0.12 if left else 0.55)
    _vase(canvas, p, 0.47 if left else 0.92, 0.70)
    _bowl_of_fruit(canvas, p, 1.02 if left else 0.45, 0.80, 1.5)
    _loose_fruit(canvas, p, 0.0 if left else 0.12)
    return canvas.light * np.float32(BRIGHTNESS)


def _wall(canvas: Canvas, p: Palette, slide: float) -> None:
    rows, columns, x, y = canvas.grid(0, 0, canvas.aspect, 1)
    shade = 0.34 + 0.36 * np.exp(-((x - 0.25 + 0.3 * slide) ** 2) / 0.9 - (y - 0.25) ** 2 / 0.8)
    # The window's panes fall across the wall as slanted, soft-edged patches of sun.
    u = x - 0.42 + 0.35 * y + 0.4 * slide
    v = y - 0.06 + 0.18 * x
    panes = np.zeros_like(shade)
    for i in range(3):
        for j in range(3):
            across = np.minimum(u - 0.235 * i, 0.235 * i + 0.205 - u)
            down = np.minimum(v - 0.21 * j, 0.21 * j + 0.185 - v)
            panes += smooth(0.5 + across / 0.022) * smooth(0.5 + down / 0.022)
    shade = shade + 0.42 * panes * np.exp(-((y - 0.3) ** 2) / 0.35)
    plaster = 1 + 0.022 * canvas.noise(shade.shape, (5, 9), 6)
    canvas.light[:] = (shade * plaster)[..., None] * p["plaster"]
    rail = 0.715
    lower = canvas.coverage(rail - y) * np.ones_like(x)
    panel = np.abs(np.mod(x + 0.1 + slide, 0.42) - 0.21)
    groove = 1 - 0.35 * np.exp(-(((panel - 0.175) / 0.004) ** 2)) * smooth((y - rail - 0.05) * 40)
    canvas.over(rows, columns, (shade * groove)[..., None] * p["dado"], lower)
    band = canvas.coverage(np.abs(y - rail) - 0.014) * np.ones_like(x)
    profile = 0.75 + 0.5 * np.clip((rail - y) / 0.014, -1, 1) ** 3
    canvas.over(rows, columns, (shade * profile)[..., None] * p["moulding"], band)


def _curtain(canvas: Canvas, p: Palette, x0: float, x1: float) -> None:
    if x1 <= 0:
        return
    rows, columns, x, y = canvas.grid(x0, 0, x1 + 0.04, 1)
    sway = 0.006 * np.sin(5 * y + 1.0) + 0.01 * y
    t = (x + sway) * 36 + 0.5 * np.sin((x + sway) * 11) + 0.4 * np.sin(3 * y)
    z = 0.0085 * np.sin(t) + 0.004 * np.sin(2.3 * t + 1 + 2 * y)
    weave = 1 + 0.03 * canvas.noise(z.shape, (60, 60), 2)
    edge = x - x1 - 0.006 * np.sin(11 * y) + sway * 0
    occlusion = 0.55 + 0.45 * smooth(0.5 + z / 0.02)
    height_field(canvas, rows, columns, z * np.ones_like(y), p["curtain"] * (weave * occlusion)[..., None],
                 canvas.coverage(edge * np.ones_like(y)))
    rows, columns, x, y = canvas.grid(x1, 0, x1 + 0.16, 1)
    canvas.shade(rows, columns, 1 - 0.35 * np.exp(-(((x - x1) / 0.06) ** 2)) * np.ones_like(y))


def _shelf(canvas: Canvas, p: Palette, x0: float, y0: float, y1: float) -> None:
    x1, board, levels = x0 + 0.62, 0.014, 2
    rows, columns, x, y = canvas.grid(x0 - 0.1, y0, x1 + 0.1, y1 + 0.1)
    canvas.shade(rows, columns, 1 - 0.4 * np.exp(-np.maximum(0, np.maximum(x0 - x, x - x1)) ** 2 / 0.002
                                                 - np.maximum(0, y - y1) ** 2 / 0.002))
    box(canvas, x0, y0, x1, y1, p["wood-dark"] * 0.25)
    pitch = (y1 - y0) / levels
    for level in range(levels):
        floor = y0 + pitch * (level + 1) - board
        at = x0 + board + 0.006
        while at < x1 - board - 0.02:
            if canvas.rng.random() < 0.10:
                at += canvas.rng.uniform(0.02, 0.07)
                continue
            wide, tall = canvas.rng.uniform(0.016, 0.040), canvas.rng.uniform(0.55, 0.86) * pitch
            if at + wide > x1 - board:
                break
            _book(canvas, p, at, floor - tall, at + wide, floor, f"book-{canvas.rng.integers(1, 9)}")
            at += wide + 0.0015
    for k in range(levels + 1):
        top = y0 + pitch * k - board
        rows, columns, x, y = canvas.grid(x0, top, x1, top + board)
        grain = 1 + 0.10 * canvas.noise((y.size, x.size), (3, 12), 3)
        box(canvas, x0, top, x1, top + board, (0.62 * grain)[..., None] * p["wood"])
    for x_side in (x0, x1 - board):
        box(canvas, x_side, y0 - board, x_side + board, y1, 0.5 * p["wood"])


def _book(canvas: Canvas, p: Palette, x0: float, y0: float, x1: float, y1: float, paint: str) -> None:
    rows, columns, x, y = canvas.grid(x0, y0, x1, y1)
    if x.size == 0 or y.size == 0:
        return
    u = np.clip((x - x0) / (x1 - x0) * 2 - 1, -1, 1) * 0.9
    light = lit(p[paint], u * np.ones_like(y), 0.0 * u * y, np.sqrt(1 - u * u) * np.ones_like(y), gloss=0.02) * 0.62
    light *= (0.55 + 0.45 * smooth((y - y0 + 0.03) / 0.12))[..., None]
    t = (y - y0) / (y1 - y0)
    band = (np.abs(t - 0.16) < 0.012) | (np.abs(t - 0.84) < 0.012) | ((np.abs(t - 0.36) < 0.05) & (np.abs(u) < 0.6))
    light = np.where(band[..., None], light * 0.3 + 0.35 * p["gilt"], light)
    distance = np.maximum(np.maximum(x0 - x, x - x1), np.maximum(y0 - y, y - y1))
    canvas.over(rows, columns, light, canvas.coverage(distance))


def _pot_plant(canvas: Canvas, p: Palette, x: float, y: float, size: float) -> None:
    turned(canvas, x, y - 0.02 * size, y + 0.24 * size, [0, 0.14, 0.15, 1], [0.115 * size, 0.115 * size, 0.10 * size,
           0.075 * size], p["terracotta"], gloss=0.015, inside=p["soil"], rounded=False)
    rng = canvas.rng
    for k in range(46):
        reach = rng.uniform(0.16, 0.34) * size
        angle = -90 + rng.normal(0, 48)
        foot_x, foot_y = x + rng.normal(0, 0.03) * size, y - rng.uniform(0, 0.16) * size
        mix = np.float32(np.clip(rng.normal(0.35 + 0.01 * k, 0.25), 0, 1))
        leaf(canvas, foot_x, foot_y, reach, reach * rng.uniform(0.26, 0.40), angle,
             (p["leaf"] * (1 - mix) + p["leaf-light"] * mix) * rng.uniform(0.75, 1.1),
             bend=rng.normal(0, 0.22) + 0.25 * np.sign(np.cos(np.radians(angle))), facing=rng.normal(0, 0.3))


def _sitter(canvas: Canvas, p: Palette, x: float) -> None:
    """Someone, seen softly: a jersey, a neck, a head with hair. Built from reliefs; nobody is meant."""
    head_y, rx, ry = 0.285, 0.098, 0.135
    rows, columns, gx, gy = canvas.grid(x - 0.45, 0.05, x + 0.45, 1.0)
    # Hair behind the head and neck.
    span = (0.112 + 0.030 * smooth((gy - 0.20) / 0.20)) * np.sqrt(1 - np.clip((0.25 - gy) / 0.148, 0, 0.999) ** 2)
    span = span * (1 + 0.02 * np.sin(60 * gy))
    behind = np.maximum(np.abs(gx - x) - span, gy - 0.425 - 0.012 * np.cos((gx - x) * 22))
    behind = np.maximum(behind, 0.108 - gy)
    strands = 1 + 0.35 * canvas.noise(behind.shape, (3, 60), 3)
    z = 0.10 * np.sqrt(np.clip(1 - ((gx - x) / 0.15) ** 2, 0, 1)) + 0.0012 * strands - 0.25 * np.clip(0.22 - gy, 0, 1)
    height_field(canvas, rows, columns, z, p["hair"] * np.clip(strands, 0.4, 2)[..., None],
                 canvas.coverage(behind, 0.012), gloss=0.02, sharpness=10)
    # Neck and jersey.
    neck = np.abs(gx - x) - 0.052 - 0.02 * smooth((gy - 0.42) / 0.1) ** 2
    z = 0.06 * np.sqrt(np.clip(1 - ((gx - x) / 0.075) ** 2, 0.01, 1)) * np.ones_like(gy)
    jaw_shade = 0.45 + 0.55 * smooth((gy - 0.405) / 0.055)
    height_field(canvas, rows, columns, z, p["skin"] * (jaw_shade * np.ones_like(gx))[..., None],
                 canvas.coverage(np.maximum(neck, np.maximum(0.36 - gy, gy - 0.55))))
    shoulder = 0.545 + 0.5 * np.abs(gx - x) ** 2.2 - 0.065 * np.exp(-(((gx - x) / 0.085) ** 2))
    collar = 0.024 * np.exp(-(((gx - x) / 0.055) ** 4))
    width = 0.285 + 0.05 * smooth((gy - 0.6) / 0.4)
    body = np.maximum(shoulder + collar - gy, np.abs(gx - x) - width + 0.05 * np.exp(-((gy - 0.55) / 0.05) ** 2))
    t = np.clip((gx - x) / width, -0.999, 0.999)
    z = 0.16 * np.sqrt(1 - t * t) + 0.05 * smooth((gy - 0.5) / 0.2)
    folds = 0.004 * np.sin(38 * (gx - x) + 14 * gy + 2 * np.sin(6 * gy)) * smooth((gy - 0.58) / 0.2)
    knit = 1 + 0.05 * np.sin(gx * 900) * np.sin(gy * 700)
    height_field(canvas, rows, columns, z + folds, p["jersey"] * knit[..., None], canvas.coverage(body, 0.004))
    # The head: an ellipsoid with a brow, sockets, a nose, cheeks, lips and a chin.
    u, v = (gx - x) / rx, (gy - head_y) / ry
    taper = 1 - 0.16 * np.clip(v, 0, 1) ** 1.5
    square = (u / taper) ** 2 + v * v

    def bump(cx: float, cy: float, wx: float, wy: float) -> np.ndarray:
        return np.exp(-(((u - cx) / wx) ** 2) - ((v - cy) / wy) ** 2)

    z = 0.085 * np.sqrt(np.clip(1.02 - square, 0.0004, 1))
    ridge = np.clip((v + 0.15) / 0.55, 0, 1)
    z = z + 0.017 * ridge * np.exp(-((u / (0.10 + 0.09 * ridge)) ** 2)) * smooth((0.47 - v) / 0.10)
    z = z - 0.008 * (bump(-0.40, -0.07, 0.24, 0.10) + bump(0.40, -0.07, 0.24, 0.10))
    z = z + 0.004 * (bump(-0.42, -0.24, 0.30, 0.07) + bump(0.42, -0.24, 0.30, 0.07))
    z = z + 0.006 * (bump(-0.50, 0.28, 0.22, 0.20) + bump(0.50, 0.28, 0.22, 0.20))
    z = z + 0.004 * (bump(0, 0.565, 0.26, 0.045) + bump(0, 0.655, 0.22, 0.05)) + 0.006 * bump(0, 0.88, 0.25, 0.12)
    mouth = np.clip(bump(0, 0.565, 0.25, 0.042) + bump(0, 0.655, 0.21, 0.05), 0, 1)[..., None] * 0.75
    skin = p["skin"] * (1 + 0.04 * canvas.noise(u.shape if u.shape[0] > 1 else square.shape, (6, 6), 3))[..., None]
    blush = np.clip(bump(-0.55, 0.25, 0.25, 0.2) + bump(0.55, 0.25, 0.25, 0.2) + bump(0, 0.38, 0.14, 0.1), 0, 1)
    skin = skin * (1 - 0.35 * blush[..., None]) + p["lips"] * (0.35 * blush[..., None]) * 1.5
    skin = skin * (1 - mouth) + p["lips"] * mouth
    dark = np.clip(bump(-0.40, -0.045, 0.15, 0.035) + bump(0.40, -0.045, 0.15, 0.035)
                   + 0.8 * bump(-0.42, -0.235, 0.24, 0.03) + 0.8 * bump(0.42, -0.235, 0.24, 0.03)
                   + 0.5 * bump(0, 0.605, 0.22, 0.014), 0, 1)[..., None] * 0.85
    skin = skin * (1 - dark) + p["hair"] * dark
    height_field(canvas, rows, columns, z, skin, canvas.coverage((np.sqrt(square) - 1) * rx, 0.004),
                 gloss=0.035, bounce=p["linen"])
    # Hair over the brow, parted.
    fringe = 0.74 - 0.66 * smooth(np.abs(u + 0.34) / 1.35)
    cap = np.maximum((np.sqrt((u / 1.12) ** 2 + ((v + 0.06) / 1.10) ** 2) - 1) * rx, (v + fringe) * ry)
    z = 0.09 * np.sqrt(np.clip(1 - (u / 1.15) ** 2 - ((v + 0.06) / 1.2) ** 2, 0.01, 1)) + 0.001 * strands
    height_field(canvas, rows, columns, z, p["hair"] * np.clip(strands, 0.4, 2)[..., None],
                 canvas.coverage(cap, 0.008), gloss=0.03, sharpness=10)


def _table(canvas: Canvas, p: Palette, edge: float) -> None:
    rows, columns, x, y = canvas.grid(0, edge, canvas.aspect, 1)
    far = np.clip((y - edge) / max(1 - edge, 0.05), 0, 1)
    grain = canvas.noise((y.size, x.size), (26, 3), 5)
    boards = np.abs(np.mod((x - 0.9) / (0.55 + 0.5 * far) * 2.2 + 20, 1) - 0.5)
    light = 0.62 + 0.28 * np.exp(-((x - 0.55) ** 2) / 0.5) - 0.12 * far
    mix = smooth(0.45 + 0.22 * grain)[..., None]
    colour = p["wood"] * (1 - mix) + (0.45 * p["wood"] + 0.55 * p["wood-dark"]) * mix
    sheen = 0.035 * np.exp(-far * 2.5) * (1 + 0.15 * grain) + 0.03 * np.exp(-((x - 0.75) ** 2) / 0.05) * (1 - far)
    colour = light[..., None] * colour * (1 - 0.4 * np.exp(-((boards / 0.008) ** 2)))[..., None] + sheen[..., None]
    canvas.over(rows, columns, colour, canvas.coverage(edge - y) * np.ones_like(x))


def _cloth(canvas: Canvas, p: Palette, x0: float) -> None:
    """A blue cloth laid over the table's front, with soft folds."""
    rows, columns, x, y = canvas.grid(x0 - 0.1, 0.70, x0 + 0.95, 1)
    t = (y - 0.72) / 0.28
    fold = 0.010 * np.sin(17 * (x - x0) + 5 * t + 1.5 * np.sin(3 * t + 4 * x)) * (0.35 + t)
    fold = fold + 0.004 * np.sin(43 * (x - x0) - 9 * t)
    hem = np.maximum(0.735 + 0.02 * np.sin(7 * x) - y, np.abs(x - x0 - 0.42 - 0.1 * t) - 0.37 - 0.05 * t)
    weave = 1 + 0.05 * np.sin(x * 1100) * np.sin(y * 1100) + 0.02 * canvas.noise(fold.shape, (30, 60), 2)
    canvas.shade(rows, columns, 1 - 0.4 * canvas.coverage(hem - 0.012, 0.05))
    height_field(canvas, rows, columns, fold - 0.35 * y, p["blue-cloth"] * weave[..., None],
                 canvas.coverage(hem, 0.003))


def _vase(canvas: Canvas, p: Palette, x: float, y: float) -> None:
    shadow(canvas, x + 0.10, y + 0.165, 0.19, 0.035, 0.55)
    rng = canvas.rng
    for _ in range(9):
        angle, reach = -90 + rng.normal(0, 26), rng.uniform(0.30, 0.50)
        tip = (x + reach * np.cos(np.radians(angle)), y - 0.24 + reach * np.sin(np.radians(angle)) * 0.85)
        for s in np.linspace(0.15, 1, 26):
            px, py = x + (tip[0] - x) * s, y - 0.2 + (tip[1] - y + 0.2) * s
            ellipsoid(canvas, px, py, 0.0045, 0.013, p["stalk"], turn_deg=angle + 90, gloss=0)
        for s in np.linspace(0.45, 1, 6):
            px, py = x + (tip[0] - x) * s, y - 0.2 + (tip[1] - y + 0.2) * s
            leaf(canvas, px, py, rng.uniform(0.06, 0.09), 0.028, angle + rng.normal(0, 50), p["leaf-light"] * 0.9)
            for _ in range(2):
                bx, by = px + rng.normal(0, 0.02), py + rng.normal(0, 0.02)
                start = rng.uniform(0, 72)
                for k in range(5):
                    a = np.radians(start + 72 * k)
                    ellipsoid(canvas, bx + 0.010 * np.cos(a), by + 0.010 * np.sin(a), 0.0105, 0.0075, p["blossom"],
                              turn_deg=start + 72 * k, gloss=0.0)
                ellipsoid(canvas, bx, by, 0.004, 0.004, p["lemon"], gloss=0.0)
    turned(canvas, x, y - 0.26, y + 0.165, [0, 0.06, 0.18, 0.45, 0.72, 0.94, 1],
           [0.062, 0.050, 0.052, 0.112, 0.135, 0.095, 0.082], p["glaze"], gloss=0.20, bounce=p["wood"] * 2,
           inside=p["glaze"] * 0.5, mouth=0.22)


def _bowl_of_fruit(canvas: Canvas, p: Palette, x: float, y: float, size: float) -> None:
    shadow(canvas, x + 0.06 * size, y + 0.07 * size, 0.20 * size, 0.035 * size, 0.6)
    warm = p["wood"] * 1.5
    r = 0.062 * size
    ellipsoid(canvas, x - 0.072 * size, y - 0.105 * size, r, r * 0.97, p["orange"], gloss=0.06, bumps=0.05, bounce=warm)
    ellipsoid(canvas, x + 0.085 * size, y - 0.100 * size, r * 0.95, r * 0.93, p["apple"], gloss=0.10, bounce=warm,
              second=p["apple-green"] * 0.5 + p["apple"] * 0.5)
    ellipsoid(canvas, x + 0.008 * size, y - 0.135 * size, r * 1.02, r, p["orange"], gloss=0.06, bumps=0.05, bounce=warm)
    ellipsoid(canvas, x + 0.030 * size, y - 0.070 * size, r * 1.05, r * 0.78, p["lemon"], turn_deg=-14, gloss=0.07,
              bumps=0.03, bounce=warm)
    ellipsoid(canvas, x - 0.045 * size, y - 0.050 * size, r * 0.75, r * 0.75, p["plum"], gloss=0.08, bounce=warm)
    turned(canvas, x, y - 0.065 * size, y + 0.075 * size, [0, 0.1, 0.5, 0.8, 0.9, 1],
           [0.172 * size, 0.166 * size, 0.125 * size, 0.065 * size, 0.058 * size, 0.062 * size],
           p["glaze-light"], gloss=0.12, bounce=warm, mouth=0.12)


def _loose_fruit(canvas: Canvas, p: Palette, slide: float) -> None:
    warm = p["wood"] * 1.5
    for cx, cy, r, name, bumps, second in ((0.70, 0.905, 0.066, "orange", 0.05, None),
                                           (1.37, 0.90, 0.062, "apple-green", 0.0, "apple"),
                                           (1.51, 0.945, 0.050, "plum", 0.0, None),
                                           (0.83, 0.955, 0.056, "lemon", 0.03, None)):
        cx = cx + slide
        shadow(canvas, cx + 0.35 * r, cy + 0.86 * r, 1.35 * r, 0.42 * r, 0.65)
        ellipsoid(canvas, cx, cy, r * (1.2 if name == "lemon" else 1.0), r * 0.96, p[name], gloss=0.08, bumps=bumps,
                  bounce=warm, second=None if second is None else p[second],
                  turn_deg=20 if name == "lemon" else 0)


__all__ = ["PAINTS", "paint_reflectances", "palette", "room", "still_life", "defocus"]
