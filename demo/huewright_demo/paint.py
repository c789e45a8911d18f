"""A small painter in linear light: soft shapes with normals, lit by one window and the room around it.

A :class:`Canvas` holds raw light (height, width, 3), float32. Positions and sizes are in picture heights, x right,
y down. Each shape computes coverage, shading and colour in its own bounding box only. Albedos are a camera's raw
responses to spectral reflectances, so two cameras see the same paint with different eyes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.interpolate import PchipInterpolator

Colour = np.ndarray
# Towards the window: from the left, above, and the camera's side.
KEY = np.array([-0.62, -0.48, 0.62]) / np.linalg.norm([-0.62, -0.48, 0.62])
HALF = (KEY + [0.0, 0.0, 1.0]) / np.linalg.norm(KEY + [0.0, 0.0, 1.0])


@dataclass
class Canvas:
    """Raw light under construction; ``height`` x ``width`` pixels."""

    height: int
    width: int
    rng: np.random.Generator
    light: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.light = np.zeros((self.height, self.width, 3), np.float32)

    @property
    def aspect(self) -> float:
        return self.width / self.height

    def grid(self, x0: float, y0: float, x1: float, y1: float) -> tuple[slice, slice, np.ndarray, np.ndarray]:
        """Row and column slices of a box, and the pixel centres' x (1, w) and y (h, 1)."""
        s = self.height
        left, right = (int(np.clip(v, 0, self.width)) for v in (np.floor(x0 * s) - 2, np.ceil(x1 * s) + 2))
        top, bottom = (int(np.clip(v, 0, s)) for v in (np.floor(y0 * s) - 2, np.ceil(y1 * s) + 2))
        x = ((np.arange(left, right) + 0.5) / s).astype(np.float32)[None]
        y = ((np.arange(top, bottom) + 0.5) / s).astype(np.float32)[:, None]
        return slice(top, bottom), slice(left, right), x, y

    def coverage(self, distance: np.ndarray, softness: float = 0.0) -> np.ndarray:
        """1 inside (negative ``distance``) to 0 outside over one pixel, or over ``softness`` picture heights."""
        return smooth(0.5 - distance / max(softness, 1.2 / self.height))

    def over(self, rows: slice, columns: slice, colour: np.ndarray, alpha: np.ndarray) -> None:
        target = self.light[rows, columns]
        target += (colour - target) * np.asarray(alpha, np.float32)[..., None]

    def shade(self, rows: slice, columns: slice, factor: np.ndarray) -> None:
        self.light[rows, columns] *= np.asarray(factor, np.float32)[..., None]

    def blur(self, radius: float) -> None:
        """Defocus everything painted so far by ``radius`` picture heights."""
        self.light = defocus(self.light, radius * self.height)

    def noise(self, shape: tuple[int, int], cells: tuple[float, float], octaves: int = 4) -> np.ndarray:
        """Smooth noise of unit standard deviation; ``cells`` (down, across) features at the coarsest octave."""
        total = np.zeros(shape, np.float32)
        if 0 in shape:
            return total
        for octave in range(octaves):
            rows, columns = (int(np.clip(c * 2**octave, 2, n)) for c, n in zip(cells, shape, strict=True))
            grid = self.rng.standard_normal((rows + 2, columns + 2)).astype(np.float32)
            total += cv2.resize(grid, shape[::-1], interpolation=cv2.INTER_CUBIC) * 0.55**octave
        return total / max(float(total.std()), 1e-6)


def smooth(t: np.ndarray) -> np.ndarray:
    t = np.clip(t, 0.0, 1.0)
    result: np.ndarray = t * t * (3 - 2 * t)
    return result


def defocus(light: np.ndarray, radius_px: float) -> np.ndarray:
    """A disc-like blur: two box passes make a soft disc, cheap at any radius."""
    if radius_px < 0.4:
        return light
    if radius_px < 2.5:
        return cv2.GaussianBlur(light, (0, 0), radius_px * 0.55)
    size = int(round(radius_px)) * 2 + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)).astype(np.float32)
    # Large discs at half size: nothing that fine is left anyway.
    if size > 9:
        small = cv2.resize(light, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        size = int(round(radius_px / 2)) * 2 + 1
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)).astype(np.float32)
        small = cv2.filter2D(small, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE)
        return cv2.resize(small, light.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    return cv2.filter2D(light, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE)


def lit(albedo: Colour, nx: np.ndarray, ny: np.ndarray, nz: np.ndarray, *, gloss: float = 0.0,
        sharpness: float = 40.0, bounce: Colour | None = None, key: float = 1.0) -> np.ndarray:
    """Light from a surface with normals (nx, ny, nz): window, room, bounce from below, highlight and rim."""
    direct = nx * KEY[0] + ny * KEY[1] + nz * KEY[2]
    window = np.clip((direct + 0.12) / 1.12, 0.0, None) * 0.98 * key
    room = 0.20 - 0.07 * ny - 0.05 * nx
    light = (window + room)[..., None] * albedo
    if bounce is not None:
        light = light + (np.clip(ny, 0, None) * 0.28)[..., None] * bounce * albedo
    if gloss:
        half = np.clip(nx * HALF[0] + ny * HALF[1] + nz * HALF[2], 0.0, 1.0)
        rim = np.clip(1 - nz, 0.0, 1.0) ** 4 * 0.25
        light = light + (gloss * (half**sharpness * 1.5 + rim))[..., None]
    result: np.ndarray = light.astype(np.float32)
    return result


def ellipsoid(canvas: Canvas, x: float, y: float, rx: float, ry: float, albedo: Colour, *, gloss: float = 0.05,
              sharpness: float = 40.0, turn_deg: float = 0.0, bumps: float = 0.0, bounce: Colour | None = None,
              softness: float = 0.0, second: Colour | None = None) -> None:
    """A lit ellipsoid; ``bumps`` roughen it, ``second`` is a colour that noise mixes in."""
    reach = max(rx, ry)
    rows, columns, gx, gy = canvas.grid(x - reach, y - reach, x + reach, y + reach)
    if gx.size == 0 or gy.size == 0:
        return
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    u, v = ((gx - x) * c + (gy - y) * s) / rx, (-(gx - x) * s + (gy - y) * c) / ry
    square = u * u + v * v
    nz = np.sqrt(np.clip(1 - square, 0.0, 1.0))
    nx, ny = u * c - v * s, u * s + v * c
    if bumps:
        relief = canvas.noise(square.shape, (26, 26), 2)
        nx, ny = nx + bumps * relief, ny + bumps * np.roll(relief, 3, 0)
    length = np.sqrt(nx * nx + ny * ny + nz * nz) + 1e-6
    colour: np.ndarray = albedo
    if second is not None:
        streaks = canvas.noise(square.shape, (3, 9), 3)
        mix = smooth(0.5 + 0.16 * streaks - 0.55 * u)[..., None]
        colour = albedo * (1 - mix) + second * mix
    light = lit(colour, nx / length, ny / length, nz / length, gloss=gloss, sharpness=sharpness, bounce=bounce)
    distance = (np.sqrt(square) - 1) * min(rx, ry)
    canvas.over(rows, columns, light, canvas.coverage(distance, softness))


def shadow(canvas: Canvas, x: float, y: float, rx: float, ry: float, depth: float) -> None:
    """A soft contact shadow: darkens by ``depth`` at its middle."""
    rows, columns, gx, gy = canvas.grid(x - 2.2 * rx, y - 2.2 * ry, x + 2.2 * rx, y + 2.2 * ry)
    square = ((gx - x) / rx) ** 2 + ((gy - y) / ry) ** 2
    canvas.shade(rows, columns, 1 - depth * np.exp(-1.3 * square))


def turned(canvas: Canvas, x: float, top: float, bottom: float, heights: list[float], radii: list[float],
           albedo: Colour, *, gloss: float = 0.10, bounce: Colour | None = None,
           inside: Colour | None = None, mouth: float = 0.16, rounded: bool = True) -> None:
    """A vessel turned on a wheel: ``radii`` at ``heights`` (0 top, 1 bottom), with a mouth if ``inside`` is given.

    ``rounded`` draws a smooth profile through the radii, else straight lines between them.
    """
    widest = max(radii)
    rows, columns, gx, gy = canvas.grid(x - widest, top - widest, x + widest, bottom + widest)
    # The rim and the foot are ellipses seen a little from above.
    bow = mouth * np.sqrt(np.clip(1 - ((gx - x) / widest) ** 2, 0, 1))
    t = np.clip((gy - top - bow * radii[0] * 0.9) / (bottom - top), -0.2, 1.2)
    stations = np.linspace(0, 1, 200)
    profile = PchipInterpolator(heights, radii)(stations) if rounded else np.interp(stations, heights, radii)
    radius = np.interp(t, stations, profile).astype(np.float32)
    slope = cv2.blur((np.gradient(profile, 1 / 199) / (bottom - top))[None].astype(np.float32), (9, 1))[0]
    slope = np.interp(t, stations, slope)
    u = np.clip((gx - x) / radius, -1, 1)
    nx, nz, ny = u, np.sqrt(1 - u * u), -slope
    length = np.sqrt(nx * nx + ny * ny + nz * nz)
    light = lit(albedo, nx / length, ny / length, nz / length, gloss=gloss, sharpness=70, bounce=bounce)
    # A tall window mirrored in the glaze.
    strip = np.exp(-(((nx / length) + 0.52) / 0.07) ** 2) * smooth((t - 0.08) * 6) * smooth((0.62 - t) * 5)
    light = light + (1.2 * gloss * strip)[..., None].astype(np.float32)
    distance = np.maximum(np.abs(gx - x) - radius, np.maximum((0.0 - t), (t - 1)) * (bottom - top))
    canvas.over(rows, columns, light, canvas.coverage(distance))
    if inside is not None:
        rx, ry = radii[0], radii[0] * mouth
        v = ((gx - x) / rx) ** 2 + ((gy - top) / ry) ** 2
        deep = (0.25 + 0.55 * np.clip((gx - x) / rx * 0.5 + 0.5, 0, 1) * np.clip(1 - (gy - top) / ry, 0, 1))
        canvas.over(rows, columns, deep[..., None] * inside, canvas.coverage((np.sqrt(v) - 0.93) * ry))
        lip = np.abs(np.sqrt(v) - 0.96) * ry - 0.0022
        canvas.over(rows, columns, albedo * 0.95 + 0.05, canvas.coverage(lip) * 0.9)


def leaf(canvas: Canvas, x: float, y: float, length: float, width: float, angle_deg: float, albedo: Colour, *,
         bend: float = 0.25, facing: float = 0.0, sheen: float = 0.05) -> None:
    """A leaf from its foot at (x, y): pointed oval along a bent midrib, its halves lit apart."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    midrib = np.array([[x + length * (c * t - s * bend * t * t), y + length * (s * t + c * bend * t * t)]
                       for t in (0.0, 0.35, 0.7, 1.0)])
    low, high = midrib.min(0) - 0.55 * width, midrib.max(0) + 0.55 * width
    rows, columns, gx, gy = canvas.grid(*low, *high)
    if gx.size == 0 or gy.size == 0:
        return
    along, across = ((gx - x) * c + (gy - y) * s) / length, (-(gx - x) * s + (gy - y) * c) / length
    across = across - bend * along * along
    half = 0.5 * width / length * np.sin(np.pi * np.clip(along, 0, 1) ** 0.75) ** 0.85
    distance = np.maximum(np.abs(across) - half, np.maximum(-along, along - 1)) * length
    side = np.clip(across / (half + 1e-3), -1, 1)
    # Each half is a plane tilted from the midrib; the leaf droops along its length.
    nx = -s * (0.45 * np.sign(side) + 0.4 * side) + c * (along - 0.4) * 0.6
    ny = c * (0.45 * np.sign(side) + 0.4 * side) + s * (along - 0.4) * 0.6 - 0.35
    nz = np.full_like(nx, 0.75 + facing)
    size = np.sqrt(nx * nx + ny * ny + nz * nz)
    light = lit(albedo, nx / size, ny / size, nz / size, gloss=sheen, sharpness=12)
    vein = np.exp(-(across * length / 0.0022) ** 2) + 0.35 * np.exp(
        -((np.abs(np.mod(along * 9 - np.abs(side) * 1.4, 1) - 0.5)) / 0.09) ** 2)
    light = light * (1 + 0.22 * np.clip(vein, 0, 1))[..., None]
    canvas.over(rows, columns, light, canvas.coverage(distance))


def box(canvas: Canvas, x0: float, y0: float, x1: float, y1: float, light: np.ndarray) -> None:
    rows, columns, gx, gy = canvas.grid(x0, y0, x1, y1)
    distance = np.maximum(np.maximum(x0 - gx, gx - x1), np.maximum(y0 - gy, gy - y1))
    canvas.over(rows, columns, light, canvas.coverage(distance))


def height_field(canvas: Canvas, rows: slice, columns: slice, z: np.ndarray, albedo: np.ndarray, alpha: np.ndarray,
                 *, gloss: float = 0.0, sharpness: float = 14.0, bounce: Colour | None = None) -> None:
    """A lit relief: ``z`` towards the camera in picture heights, normals from its slopes."""
    step = 1.0 / canvas.height
    dy, dx = np.gradient(z, step)
    length = np.sqrt(1 + dx * dx + dy * dy)
    light = lit(albedo, -dx / length, -dy / length, 1 / length, gloss=gloss, sharpness=sharpness, bounce=bounce)
    canvas.over(rows, columns, light, alpha)
