"""The hand-held card: its texture, its motion, the lamp that mirrors in it, and its picture through a lens.

The camera is a pinhole at the origin looking along z (x right, y down, millimetres). The card's plane carries a
texture that reaches beyond the card, with the hand and arm that hold it; all of it is warped by the homography of
its pose. The lamp's reflection is a glossy lobe about the mirror direction, evaluated at each point of the plane.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from huewright.models.card import Card, Mark, Patch
from scipy.interpolate import PchipInterpolator

from huewright_demo.paint import Canvas, ellipsoid, height_field, smooth
from huewright_demo.scene import Palette

TEXELS_PER_MM = 3.0
# The texture's reach in card millimetres: left, top, right, bottom.
REACH_MM = (-24.0, -12.0, 304.0, 640.0)
FOCAL_WIDTHS = 1.15  # focal length in picture widths
LAMP_MM = np.array([-1000.0, -850.0, -300.0])
LOBES = ((0.85, 5.0), (0.06, 6.2))  # (strength, standard deviation of the half-vector's angle in degrees)
WINDOW = np.array([-0.62, -0.48, -0.62]) / np.linalg.norm([-0.62, -0.48, -0.62])
WINDOW_SHARE, WINDOW_DISTANCE_MM = 0.28, 11000.0
SHUTTER = 0.5  # of the frame's time: a 180 degree shutter
FRAMES_PER_SECOND = 24.0


@dataclass(frozen=True)
class Pose:
    """The card's centre in millimetres and its turns: yaw about y, pitch about x, roll about its own normal."""

    centre: np.ndarray
    rotation: np.ndarray

    def points(self, card: Card, at: np.ndarray) -> np.ndarray:
        """Card millimetres (..., 2) to camera space (..., 3)."""
        local = np.asarray(at, float) - np.array(card.size) / 2
        result: np.ndarray = self.centre + local @ self.rotation[:, :2].T
        return result

    def project(self, card: Card, at: np.ndarray, width: int, height: int) -> np.ndarray:
        """Card millimetres (..., 2) to pixels (..., 2), the first pixel's centre at (0.5, 0.5)."""
        p = self.points(card, at)
        result: np.ndarray = p[..., :2] / p[..., 2:] * (FOCAL_WIDTHS * width) + np.array([width / 2, height / 2])
        return result

    @property
    def normal(self) -> np.ndarray:
        """Unit normal towards the camera."""
        return -self.rotation[:, 2]


class Motion:
    """One take's motion, a function of time: enters, sweeps past the mirror direction, is held, sweeps, leaves."""

    # time share, x, y, z in mm, yaw, pitch, roll in degrees
    KEYS = np.array([
        [0.00, 640, 700, 830, -30, 10, -42], [0.06, 600, 640, 830, -30, 10, -38], [0.15, 90, 140, 850, -12, 2, -12],
        [0.20, 20, 90, 890, 2, 2, -5], [0.27, -14, 72, 900, 12, -9, 2], [0.33, -4, 70, 905, 20, -17, 4],
        [0.40, 8, 74, 900, 12, -10, 2], [0.46, 3, 76, 900, -1, 1, -1.5], [0.70, -3, 75, 900, -1.4, 1.4, -2.0],
        [0.77, -16, 70, 890, 16, -12, 3], [0.81, -10, 74, 880, 20, -22, 5], [0.86, -40, 90, 870, 4, -4, 8],
        [0.94, -700, 330, 840, -10, 6, 30], [1.00, -900, 420, 840, -10, 6, 36]])

    def __init__(self, frames: int, seed: int, *, mirrored: bool = False) -> None:
        self.frames = frames
        self.flip = -1.0 if mirrored else 1.0
        self.path = PchipInterpolator(self.KEYS[:, 0], self.KEYS[:, 1:])
        rng = np.random.default_rng((seed, 7))
        # Six wandering sines a degree of freedom: an unsteady hand. Millimetres, then degrees.
        self.rates = rng.uniform(0.5, 2.8, (6, 6)) * 2 * math.pi
        self.phases = rng.uniform(0, 2 * math.pi, (6, 6))
        self.sizes = rng.uniform(0.4, 1.0, (6, 6)) / self.rates * np.array([[3.2], [3.2], [2.5], [0.55], [0.55], [0.9]])

    def at(self, frame: float) -> Pose:
        """The pose at a frame's time, frames counted from 0, fractions between."""
        x, y, z, yaw, pitch, roll = self.path(np.clip(frame / max(self.frames - 1, 1), 0, 1))
        shake = (self.sizes * np.sin(self.rates * frame / FRAMES_PER_SECOND + self.phases)).sum(1)
        centre = np.array([self.flip * x + shake[0], y + shake[1], z + shake[2]])
        a, b, c = (math.radians(v) for v in (yaw + shake[3], pitch + shake[4], self.flip * roll + shake[5]))
        about_y = np.array([[math.cos(a), 0, math.sin(a)], [0, 1, 0], [-math.sin(a), 0, math.cos(a)]])
        about_x = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
        about_z = np.array([[math.cos(c), -math.sin(c), 0], [math.sin(c), math.cos(c), 0], [0, 0, 1]])
        return Pose(centre, about_y @ about_x @ about_z)


def reflection(points: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Light that the lamp adds at plane points (..., 3): 1 is the picture of the perfect diffuser."""
    to_lamp, to_eye = LAMP_MM - points, -points
    to_lamp = to_lamp / np.linalg.norm(to_lamp, axis=-1, keepdims=True)
    to_eye = to_eye / np.linalg.norm(to_eye, axis=-1, keepdims=True)
    half = to_lamp + to_eye
    cosine = np.clip((half @ normal) / np.linalg.norm(half, axis=-1), -1, 1)
    angle_deg = np.degrees(np.arccos(cosine))
    result: np.ndarray = np.sum([k * np.exp(-0.5 * (angle_deg / s) ** 2) for k, s in LOBES], axis=0)
    return result


def irradiance(points: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Diffuse light at plane points, near 1 for a card facing the camera: a far window and the room around it."""
    facing = max(float(normal @ WINDOW), 0.0) / max(float(np.array([0.0, 0.0, -1.0]) @ WINDOW), 1e-6)
    away = np.linalg.norm(WINDOW * WINDOW_DISTANCE_MM - (points - [0, 75, 900]), axis=-1)
    result: np.ndarray = (1 - WINDOW_SHARE) + WINDOW_SHARE * facing * (WINDOW_DISTANCE_MM / away) ** 2
    return result


@dataclass(frozen=True)
class Texture:
    """The card and the hand: ``light`` is premultiplied raw R, G, B and alpha; ``gloss`` where the lamp mirrors."""

    light: np.ndarray
    gloss: np.ndarray

    @staticmethod
    def to_texels(card_mm: np.ndarray) -> np.ndarray:
        result: np.ndarray = (np.asarray(card_mm, float) - REACH_MM[:2]) * TEXELS_PER_MM
        return result


def card_texture(card: Card, raw: dict[str, np.ndarray], palette: Palette, seed: int) -> Texture:
    """``raw`` is each patch's and mark's raw response by name."""
    width, height = (int(round((REACH_MM[k + 2] - REACH_MM[k]) * TEXELS_PER_MM)) for k in (0, 1))
    canvas = Canvas(height, width, np.random.default_rng((seed, 13)))
    alpha = np.zeros((height, width), np.float32)
    _arm(canvas, alpha, palette, card)
    gloss = np.zeros((height, width), np.float32)
    areas: tuple[Mark | Patch, ...] = (*card.marks, *card.patches)
    for area in areas:
        rows, columns, coverage = _polygon_coverage(Texture.to_texels(np.array(area.polygon)), width, height)
        canvas.over(rows, columns, raw[area.name].astype(np.float32), coverage)
        alpha[rows, columns] = np.maximum(alpha[rows, columns], coverage)
        gloss[rows, columns] = np.maximum(gloss[rows, columns], coverage)
    _thumb(canvas, alpha, gloss, palette, card)
    return Texture(np.dstack([canvas.light * alpha[..., None], alpha]), gloss)


def _polygon_coverage(corners: np.ndarray, width: int, height: int) -> tuple[slice, slice, np.ndarray]:
    """Soft-edged (one texel) coverage of a convex polygon, clockwise on screen, in its bounding box."""
    x0, y0 = np.maximum(np.floor(corners.min(0)).astype(int) - 1, 0)
    x1, y1 = np.minimum(np.ceil(corners.max(0)).astype(int) + 1, (width, height))
    x, y = np.arange(x0, x1)[None] + 0.5, np.arange(y0, y1)[:, None] + 0.5
    distance = np.full((y1 - y0, x1 - x0), -np.inf)
    for a, b in zip(corners, np.roll(corners, -1, 0), strict=True):
        edge = (b - a) / np.linalg.norm(b - a)
        distance = np.maximum(distance, edge[1] * (x - a[0]) - edge[0] * (y - a[1]))
    return slice(y0, y1), slice(x0, x1), np.clip(0.5 - distance, 0, 1).astype(np.float32)


def _mm(canvas: Canvas, x: float, y: float) -> tuple[float, float]:
    """Card millimetres to the canvas' picture heights."""
    return (x - REACH_MM[0]) * TEXELS_PER_MM / canvas.height, (y - REACH_MM[1]) * TEXELS_PER_MM / canvas.height


def _arm(canvas: Canvas, alpha: np.ndarray, p: Palette, card: Card) -> None:
    """The hand behind the card's lower edge, the wrist, the sleeve down to beyond the picture."""
    unit = TEXELS_PER_MM / canvas.height
    bottom, middle = card.size[1], GRIP_MM
    rows, columns, gx, gy = canvas.grid(0, 0, canvas.aspect, 1)
    x, y = gx / unit + REACH_MM[0], gy / unit + REACH_MM[1]
    axis = middle + 6 + 0.16 * (y - bottom)
    # Half width along the arm: palm, wrist, cuff, sleeve.
    half = np.interp(y, [bottom - 40, bottom, bottom + 40, bottom + 85, bottom + 115, bottom + 440],
                     [40, 45, 41, 31, 30, 46]).astype(np.float32)
    sleeved = smooth((y - bottom - 106) / 1.2)
    half = half + sleeved * 9
    t = np.clip((x - axis) / half, -0.999, 0.999)
    z = (half * np.sqrt(1 - t * t) * 0.55) * unit
    crease = np.sin(y * 0.16 + 2.2 * t + 1.4 * np.sin(y * 0.05)) * 1.6 + np.sin(y * 0.33 - 3 * t) * 0.6
    knuckle = (1 - sleeved) * (1.3 * np.sin((x - axis) * 0.17) * np.exp(-((y - bottom - 10) / 26) ** 2))
    z = z + (sleeved * crease + knuckle + (sleeved - 1) * 4) * unit
    knit = 1 + 0.06 * np.sin(x * 2.4) * np.sin(y * 2.0)
    colour = p["skin"] * (1 - sleeved)[..., None] + (p["sleeve"] * knit[..., None]) * sleeved[..., None]
    under = 0.45 + 0.55 * smooth((y - bottom + 2) / 40)
    cover = canvas.coverage(np.maximum(np.abs(x - axis) - half, bottom - 30 - y) * unit)
    height_field(canvas, rows, columns, z, colour * (under * np.ones_like(x))[..., None], np.ones_like(cover),
                 gloss=0.01)
    np.maximum(alpha, cover, out=alpha)


GRIP_MM = 190.0


def _thumb(canvas: Canvas, alpha: np.ndarray, gloss: np.ndarray, p: Palette, card: Card) -> None:
    """A thumb over the rim, clear of every patch, with its nail."""
    unit = TEXELS_PER_MM / canvas.height
    bottom = card.size[1]
    tip, foot = np.array([GRIP_MM - 3.0, bottom - 5.0]), np.array([GRIP_MM + 16.0, bottom + 52.0])
    (x0, y0), (x1, y1) = _mm(canvas, GRIP_MM - 30, bottom - 24), _mm(canvas, GRIP_MM + 50, bottom + 74)
    rows, columns, gx, gy = canvas.grid(x0, y0, x1, y1)
    x, y = gx / unit + REACH_MM[0], gy / unit + REACH_MM[1]
    along = (foot - tip) / np.linalg.norm(foot - tip)
    s = np.clip((x - tip[0]) * along[0] + (y - tip[1]) * along[1], 0, np.linalg.norm(foot - tip))
    half = 9.6 + 3.2 * smooth(s / 50) - 0.8 * np.exp(-((s - 20) / 8) ** 2)
    distance = np.hypot(x - tip[0] - s * along[0], y - tip[1] - s * along[1])
    cover = canvas.coverage((distance - half) * unit)
    z = np.sqrt(np.clip(half**2 - distance**2, 0.3, None)) * unit
    side = (x - tip[0]) * along[1] - (y - tip[1]) * along[0]
    nail = np.hypot((side + 0.3) / 5.6, ((x - tip[0]) * along[0] + (y - tip[1]) * along[1] - 1.5) / 8.2)
    colour = p["skin"] * (1 + 0.05 * np.sin(s * 1.1) * np.exp(-((s - 22) / 5) ** 2))[..., None]
    # Its shadow on the card would fall on the rim only; keep to a thin dark seam.
    height_field(canvas, rows, columns, z, colour, cover, gloss=0.03)
    nailed = canvas.coverage((nail - 1) * 5 * unit) * cover
    colour = p["skin"] * 1.15 + 0.06
    height_field(canvas, rows, columns, z * 0.75, colour * np.ones_like(z)[..., None], nailed, gloss=0.10)
    target = alpha[rows, columns]
    np.maximum(target, cover, out=target)
    gloss[rows, columns] *= 1 - cover
    ellipsoid(canvas, *_mm(canvas, GRIP_MM + 30, bottom + 66), 22 * unit, 18 * unit, p["skin"], gloss=0.01)


def motion_blur_px(motion: Motion, card: Card, frame: int, width: int, height: int) -> float:
    """How far the card's corners move while the shutter is open, in pixels, at most."""
    ends = [motion.at(frame + s * SHUTTER).project(card, np.array(card.corners), width, height) for s in (-0.5, 0.5)]
    return float(np.linalg.norm(ends[1] - ends[0], axis=-1).max())


def composite(background: np.ndarray, texture: Texture, card: Card, motion: Motion, frame: int,
              lamp: np.ndarray) -> np.ndarray:
    """The frame's raw light (h, w, 3), float32: background, card, hand, reflection, over the shutter's time.

    ``lamp`` is the raw colour of the lamp's light.
    """
    height, width = background.shape[:2]
    out = background.copy()
    blur = motion_blur_px(motion, card, frame, width, height)
    # A still card is drawn at twice the size and averaged down; a fast one at half the size, its edges being soft.
    fine = 2.0 if blur < 2.0 else 1.0 if blur < 30.0 else 0.5
    steps = int(np.clip(math.ceil(blur * fine / 2.0), 1, 48))
    times = (np.arange(steps) + 0.5) / steps - 0.5 if steps > 1 else np.zeros(1)
    poses = [motion.at(frame + SHUTTER * t) for t in times]
    x0, y0, x1, y1 = REACH_MM
    outline = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    corners = np.stack([pose.project(card, outline, width, height) for pose in poses])
    left, top = (int(np.clip(v, 0, n)) for v, n in zip(np.floor(corners.min((0, 1))) - 2, (width, height), strict=True))
    right, low = (int(np.clip(v, 0, n)) for v, n in zip(np.ceil(corners.max((0, 1))) + 2, (width, height), strict=True))
    if right - left < 2 or low - top < 2:
        return out
    box = (left, top, right, low)
    total = np.zeros((round((low - top) * fine), round((right - left) * fine), 4), np.float32)
    for pose, corner in zip(poses, corners, strict=True):
        total += _layer(texture, pose, corner, box, total.shape[1::-1], lamp, width, height)
    total /= np.float32(steps)
    if fine != 1.0:
        way = cv2.INTER_AREA if fine > 1 else cv2.INTER_LINEAR
        total = np.asarray(cv2.resize(total, (right - left, low - top), interpolation=way), np.float32)
    # The lens is a little soft.
    total = np.asarray(cv2.GaussianBlur(total, (0, 0), 0.55 * width / 1920 + 0.05), np.float32)
    region = out[top:low, left:right]
    region *= 1 - total[..., 3:]
    region += total[..., :3]
    return out


def _layer(texture: Texture, pose: Pose, corner: np.ndarray, box: tuple[int, int, int, int], size: tuple[int, int],
           lamp: np.ndarray, width: int, height: int) -> np.ndarray:
    """Premultiplied light and alpha of the card's plane in ``box`` at one instant, drawn at ``size`` (w, h)."""
    left, top, right, low = box
    scale = np.array([size[0] / (right - left), size[1] / (low - top)])
    h, w = texture.gloss.shape
    # OpenCV's pixel centres are at whole numbers, ours at halves.
    source = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float64) - 0.5
    target = (corner - (left, top)) * scale - 0.5
    H = cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))
    layer = np.asarray(cv2.warpPerspective(texture.light, H, size), np.float32)
    # Light varies slowly over the plane: evaluate it on a coarse grid and interpolate.
    cell = 12
    columns, rows = max(2, (right - left) // cell), max(2, (low - top) // cell)
    x = left + (np.arange(columns) + 0.5) * (right - left) / columns
    y = top + (np.arange(rows) + 0.5) * (low - top) / rows
    focal = FOCAL_WIDTHS * width
    ray = np.stack(np.broadcast_arrays((x[None] - width / 2) / focal, (y[:, None] - height / 2) / focal, 1.0), -1)
    along = ray @ pose.normal
    reach = (pose.centre @ pose.normal) / np.where(np.abs(along) < 1e-3, -1e-3, along)
    points = ray * np.clip(reach, 200, 4000)[..., None]
    shade = irradiance(points, pose.normal).astype(np.float32)
    layer[..., :3] *= _enlarged(shade, size)[..., None]
    mirror = reflection(points, pose.normal).astype(np.float32)
    if mirror.max() > 1e-6:
        gloss = np.asarray(cv2.warpPerspective(texture.gloss, H, size), np.float32)
        gloss *= np.maximum(_enlarged(mirror, size), 0)
        layer[..., :3] += gloss[..., None] * lamp.astype(np.float32)
    return layer


def _enlarged(coarse: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    return np.asarray(cv2.resize(coarse, size, interpolation=cv2.INTER_CUBIC), np.float32)
