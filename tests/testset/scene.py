"""One frame of the test set: a card plane before a pinhole camera with a lens, a lamp, a glossy surface, a sensor.

Everything is computed from the geometry: the lamp's irradiance over the card, its reflection in the surface
(a microfacet model), the lens' distortion, vignette and blur, the sensor's shot and read noise, the coding.
The truth that comes with the frame is therefore known without looking at the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from huewright.models.card import Card
from huewright.models.footage import Footage
from huewright_kernels.ops import LogDecode

FROM_XYZ = np.array([[3.2404542, -1.5371385, -0.4985314], [-0.9692660, 1.8760108, 0.0415560],
                     [0.0556434, -0.2040259, 1.0572252]])   # XYZ to linear BT.709, D65 (from its chromaticities)
# ACEScct, Academy S-2016-001, in the six-parameter form of SMPTE ST 2136-1.
ACESCCT = LogDecode(base=2.0, log_side_slope=1 / 17.52, log_side_offset=9.72 / 17.52, lin_side_slope=1.0,
                    lin_side_offset=0.0, lin_side_break=0.0078125)
FOOTAGE = {"display": Footage(encoding="display", bits=10), "acescct": Footage(encoding="ACEScct", decode=(ACESCCT,)),
           "linear": Footage(encoding="linear")}
GROUND = 0.05   # what lies between the patches of a card whose file has no marks


@dataclass(frozen=True)
class Conditions:
    """What one frame is like. Lengths in card units unless a name says px; angles in degrees."""

    width: int = 1920
    height: int = 1080
    pixel_aspect: float = 1.0
    focal: float = 1.4               # focal length over the frame's width
    centre: tuple[float, float] = (0.5, 0.5)   # where the card's middle falls, in fractions of the frame
    size: float = 0.4                # the card's long side over the frame's width, were it not tilted
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0
    roll_deg: float = 0.0
    distortion: float = 0.0          # radial, at the half diagonal
    vignette_stops: float = 0.0      # at the half diagonal
    blur_px: float = 0.6
    motion_px: tuple[float, float] = (0.0, 0.0)
    lamp: tuple[float, float, float] = (-900.0, -1500.0, -2500.0)   # seen from the card's middle, camera axes
    ambient: float = 0.3
    roughness: float = 0.6
    gloss: float = 1.0               # share of the surface that is coated; a matt print has little
    exposure_stops: float = 0.0
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    shot_noise: float = 1e-4         # variance per unit of linear signal
    read_noise: float = 5e-4         # standard deviation, linear
    coding: str = "display"
    bits: int = 10
    fingers: tuple[tuple[float, float, float, float, float], ...] = ()   # x0, y0, x1, y1, radius on the card


@dataclass(frozen=True)
class Truth:
    """``corners`` in px; ``patches`` (p, 3) noise-free code values in even light; ``glare`` (p,) the shift in
    code values that the lamp's reflection makes in each patch's mean (largest channel); ``visible`` (p,) the
    fraction of each patch not hidden and in the frame; ``visible_card`` the same for the whole card; ``outshone``
    the fraction of the card, visible all the same, where the lamp's reflection is brighter than a perfect white."""

    corners: np.ndarray
    homography: np.ndarray
    patches: np.ndarray
    glare: np.ndarray
    glare_range: np.ndarray
    visible: np.ndarray
    visible_card: float
    outshone: float
    light_stops: float
    conditions: Conditions
    labels: dict[str, str] = field(default_factory=dict)


def linear_rgb(card: Card) -> np.ndarray:
    """Linear BT.709 reflectances of the card's patches (p, 3)."""
    return np.array([FROM_XYZ @ np.array(patch.xyz) for patch in card.patches])


def encode(linear: np.ndarray, coding: str) -> np.ndarray:
    if coding == "linear":
        return linear
    if coding == "acescct":
        # Academy S-2016-001, section 4.4.
        return np.where(linear <= 0.0078125, 10.5402377416545 * linear + 0.0729055341958355,
                        (np.log2(np.maximum(linear, 1e-10)) + 9.72) / 17.52)
    # ITU-R BT.709-6, item 1.2. Not clipped here but in the frame: in even light a patch may lie above white.
    light = np.clip(linear, 0, None)
    return np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)


def encode_frame(linear: np.ndarray, conditions: Conditions) -> np.ndarray:
    """As a file would hold it: coded and quantised, float32 with integers scaled to 0..1."""
    coded = encode(linear, conditions.coding)
    if conditions.coding == "linear":
        return coded.astype(np.float16).astype(np.float32)
    scale = 2**conditions.bits - 1
    return (np.round(np.clip(coded, 0, 1) * scale) / scale).astype(np.float32)


class Plane:
    """The card's plane in the camera's axes (x right, y down, z away from the camera)."""

    def __init__(self, card: Card, c: Conditions) -> None:
        self.c = c
        self.square_width = c.width * c.pixel_aspect
        f = c.focal * self.square_width
        tilt, towards, roll = np.radians([c.tilt_deg, c.tilt_towards_deg, c.roll_deg])
        axis = np.array([np.cos(towards), np.sin(towards), 0.0])
        rotation = cv2.Rodrigues(axis * tilt)[0] @ cv2.Rodrigues(np.array([0, 0, roll]))[0]
        distance = f * max(card.size) / (c.size * self.square_width)
        x = (c.centre[0] - 0.5) * self.square_width * distance / f
        y = (c.centre[1] - 0.5) * c.height * distance / f
        self.middle = np.array([x, y, distance])
        self.rotation = rotation
        self.normal = rotation @ np.array([0, 0, -1.0])
        self.offset = np.array([card.size[0] / 2, card.size[1] / 2])
        to_space = np.column_stack([rotation[:, 0], rotation[:, 1],
                                    self.middle - rotation[:, 0] * self.offset[0] - rotation[:, 1] * self.offset[1]])
        intrinsics = np.array([[f, 0, self.square_width / 2], [0, f, c.height / 2], [0, 0, 1.0]])
        self.to_space = to_space
        self.homography = intrinsics @ to_space          # card -> ideal square pixels

    def to_pixels(self, points: np.ndarray) -> np.ndarray:
        """Card points (n, 2) to file pixels, distortion and pixel aspect included."""
        homogeneous = np.column_stack([points, np.ones(len(points))]) @ self.homography.T
        ideal = homogeneous[:, :2] / homogeneous[:, 2:]
        centre = np.array([self.square_width / 2, self.c.height / 2])
        radius = float(np.hypot(*centre))
        target = (ideal - centre) / radius
        bent = target.copy()
        for _ in range(30):
            bent = target / (1 + self.c.distortion * (bent**2).sum(1, keepdims=True))
        return (bent * radius + centre) / np.array([self.c.pixel_aspect, 1.0])

    def from_pixels(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The inverse of :meth:`to_pixels` for coordinate arrays."""
        cx, cy = self.square_width / 2, self.c.height / 2
        radius = np.hypot(cx, cy)
        dx, dy = (x * self.c.pixel_aspect - cx) / radius, (y - cy) / radius
        factor = 1 + self.c.distortion * (dx * dx + dy * dy)
        dx, dy = dx * factor * radius + cx, dy * factor * radius + cy
        m = np.linalg.inv(self.homography)
        w = m[2, 0] * dx + m[2, 1] * dy + m[2, 2]
        return (m[0, 0] * dx + m[0, 1] * dy + m[0, 2]) / w, (m[1, 0] * dx + m[1, 1] * dy + m[1, 2]) / w

    def light(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(irradiance, reflection) at card points (n, 2), relative to a perfect diffuser at the card's middle.

        Lambert's law with the inverse square; the reflection is a GGX microfacet term (Walter et al. 2007) with
        Schlick's Fresnel, F0 = 0.04, scaled so that 1 is a perfect diffuser's radiance.
        """
        lamp, normal = self.middle + np.array(self.c.lamp), self.normal
        # Axis by axis: of a million points that takes a quarter of what rows of three take.
        u, v = np.ascontiguousarray(points[:, 0]), np.ascontiguousarray(points[:, 1])
        space = [row[0] * u + row[1] * v + row[2] for row in self.to_space]
        to_lamp = [at - axis for at, axis in zip(lamp, space, strict=True)]
        r2 = _dot(to_lamp, to_lamp)
        view_length, lamp_length = np.sqrt(_dot(space, space)), np.sqrt(r2)
        direction = [axis / lamp_length for axis in to_lamp]
        view = [-axis / view_length for axis in space]
        cos_lamp = np.maximum(_dot(direction, normal), 1e-3)
        cos_view = np.maximum(_dot(view, normal), 1e-3)
        centre = lamp - self.middle
        reference = max(float(centre @ normal), 1e-3) / float(centre @ centre) ** 1.5
        direct = (1 - self.c.ambient) * cos_lamp / r2 / reference
        half = [one + other for one, other in zip(direction, view, strict=True)]
        half_length = np.sqrt(_dot(half, half))
        cos_half = np.clip(_dot(half, normal) / half_length, 0, 1)
        a2 = self.c.roughness**2
        spread = a2 / (np.pi * (cos_half * cos_half * (a2 - 1) + 1) ** 2)
        grazing = 1 - np.clip(_dot(half, view) / half_length, 0, 1)
        square = grazing * grazing
        fresnel = 0.04 + 0.96 * (square * square * grazing)
        shadow = (2 / (1 + np.sqrt(1 + a2 * (1 / (cos_lamp * cos_lamp) - 1)))
                  * 2 / (1 + np.sqrt(1 + a2 * (1 / (cos_view * cos_view) - 1))))
        reflection = self.c.gloss * np.pi * direct * spread * fresnel * shadow / (4 * cos_lamp * cos_view)
        return self.c.ambient + direct, reflection

    def mirror_lamp(self, point: tuple[float, float], distance: float) -> np.ndarray:
        """Where a lamp must stand (from the card's middle) for ``point`` on the card to reflect it to the lens."""
        space = self.to_space @ np.array([*point, 1.0])
        view = -space / np.linalg.norm(space)
        direction = 2 * (view @ self.normal) * self.normal - view
        return space + direction * distance - self.middle


def _dot(one: Sequence[Any], other: Sequence[Any]) -> np.ndarray:
    """Of vectors given axis by axis."""
    result: np.ndarray = one[0] * other[0] + one[1] * other[1] + one[2] * other[2]
    return result


@lru_cache(4)
def paint(card: Card, px_per_unit: float) -> np.ndarray:
    """The card's reflectances as a linear picture (the marks or a dark ground, then the patches), not to be written to:
    frames of a take share it."""
    over = 4
    scale = px_per_unit * over
    w, h = (int(round(side * px_per_unit)) * over for side in card.size)
    picture = np.full((h, w, 3), GROUND, np.float32)
    for area in (*card.marks, *card.patches):
        rgb = FROM_XYZ @ np.array(area.xyz)
        points = np.round(np.array(area.polygon) * scale * 16 - 8).astype(np.int32)
        cv2.fillConvexPoly(picture, points, tuple(float(v) for v in np.clip(rgb, 0, None)), cv2.LINE_8, 4)
    picture = cv2.resize(picture, (w // over, h // over), interpolation=cv2.INTER_AREA)
    picture.flags.writeable = False
    return picture


def compose(card: Card, background: np.ndarray | None, c: Conditions, rng: np.random.Generator,
            texture: tuple[np.ndarray, float] | None = None) -> tuple[np.ndarray, Truth]:
    """The frame (height, width, 3) float32 code values, and its truth."""
    plane = Plane(card, c)
    scene = np.full((c.height, c.width, 3), 0.15, np.float32) if background is None else background.copy()
    if texture is None:
        texture = (paint(card, 4.0), 4.0)
    alpha = _insert(card, plane, scene, texture)
    hidden = _fingers(plane, scene, c, rng)
    blurred = _lens(scene, c)
    exposure = np.array(c.gains, np.float32) * np.float32(2.0**c.exposure_stops)
    linear = blurred * _vignette(c)[..., None] * exposure
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    linear = linear + noise * np.sqrt(c.shot_noise * np.maximum(linear, 0) + c.read_noise**2).astype(np.float32)
    return encode_frame(linear, c), _truth(card, plane, c, alpha, hidden, exposure)


def insert(scene: np.ndarray, card: Card, c: Conditions) -> None:
    """Paints another card into a linear ``scene`` (height, width, 3), before the lens and the sensor of the frame."""
    _insert(card, Plane(card, c), scene, (paint(card, 1120 / card.size[0]), 1120 / card.size[0]))


def empty(background: np.ndarray, c: Conditions, rng: np.random.Generator) -> np.ndarray:
    """A frame without a card, through the same lens, sensor and coding."""
    exposure = np.array(c.gains, np.float32) * np.float32(2.0**c.exposure_stops)
    linear = _lens(background.copy(), c) * _vignette(c)[..., None] * exposure
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    linear = linear + noise * np.sqrt(c.shot_noise * np.maximum(linear, 0) + c.read_noise**2).astype(np.float32)
    return encode_frame(linear, c)


def _insert(card: Card, plane: Plane, scene: np.ndarray, texture: tuple[np.ndarray, float]) -> np.ndarray:
    """Paints the lit card into ``scene``, supersampled 3 x 3; returns its coverage of each pixel."""
    c, over = plane.c, 3
    picture, px_per_unit = texture
    u, v = np.meshgrid(np.linspace(0, card.size[0], 30), np.linspace(0, card.size[1], 30))
    bounds = plane.to_pixels(np.column_stack([u.ravel(), v.ravel()]))
    x0, y0 = (int(max(0, np.floor(value) - 2)) for value in bounds.min(0))
    x1 = int(min(c.width, np.ceil(bounds[:, 0].max()) + 2))
    y1 = int(min(c.height, np.ceil(bounds[:, 1].max()) + 2))
    alpha = np.zeros(scene.shape[:2], np.float32)
    if x1 <= x0 or y1 <= y0:
        return alpha
    gx, gy = np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5)
    cu, cv = plane.from_pixels(gx, gy)
    size = ((x1 - x0) * over, (y1 - y0) * over)
    map_u = cv2.resize(cu.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    map_v = cv2.resize(cv.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    # A minified texture is averaged first, so that sampling it doesn't alias.
    density = np.sqrt(abs(np.linalg.det(_jacobian(plane, card)))) * over
    shrink = max(1, int(px_per_unit / density))
    if shrink > 1:
        picture = cv2.resize(picture, (picture.shape[1] // shrink, picture.shape[0] // shrink),
                             interpolation=cv2.INTER_AREA)
    sx, sy = picture.shape[1] / card.size[0], picture.shape[0] / card.size[1]
    albedo = cv2.remap(picture, map_u * sx - 0.5, map_v * sy - 0.5, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = ((map_u >= 0) & (map_u <= card.size[0]) & (map_v >= 0) & (map_v <= card.size[1])).astype(np.float32)
    down = (x1 - x0, y1 - y0)
    coverage = cv2.resize(inside, down, interpolation=cv2.INTER_AREA)
    albedo = cv2.resize(albedo * inside[..., None], down, interpolation=cv2.INTER_AREA)
    irradiance, reflection = plane.light(np.column_stack([cu.ravel(), cv.ravel()]))
    irradiance = irradiance.reshape(cu.shape).astype(np.float32)[..., None]
    reflection = reflection.reshape(cu.shape).astype(np.float32)[..., None]
    region = scene[y0:y1, x0:x1]
    region *= 1 - coverage[..., None]
    region += albedo * irradiance + coverage[..., None] * reflection
    alpha[y0:y1, x0:x1] = coverage
    return alpha


def _jacobian(plane: Plane, card: Card) -> np.ndarray:
    middle = np.array(card.size) / 2
    p = plane.to_pixels(np.array([middle, middle + [1, 0], middle + [0, 1]]))
    return np.array([p[1] - p[0], p[2] - p[0]])


def _fingers(plane: Plane, scene: np.ndarray, c: Conditions, rng: np.random.Generator) -> np.ndarray:
    hidden = np.zeros(scene.shape[:2], np.uint8)
    for x0, y0, x1, y1, radius in c.fingers:
        ends = plane.to_pixels(np.array([[x0, y0], [x1, y1], [x0 + radius, y0]]))
        thickness = max(3, int(round(2 * np.linalg.norm(ends[2] - ends[0]))))
        a, b = (tuple(int(round(v)) for v in np.clip(end, -4000, 8000)) for end in ends[:2])
        mask = np.zeros_like(hidden)
        cv2.line(mask, a, b, 255, thickness, cv2.LINE_8)
        skin = np.array([0.45, 0.24, 0.16], np.float32) * np.float32(rng.uniform(0.4, 1.2))
        soft = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), max(0.6, thickness * 0.12))
        shade = (0.35 + 0.65 * np.clip(2 * soft - 0.9, 0, 1))[..., None]
        scene[mask > 0] = (skin * shade)[mask > 0]
        hidden |= mask
    return hidden


def _lens(scene: np.ndarray, c: Conditions) -> np.ndarray:
    if c.blur_px > 0:
        scene = cv2.GaussianBlur(scene, (0, 0), c.blur_px)
    dx, dy = c.motion_px
    length = float(np.hypot(dx, dy))
    if length > 0.5:
        half = int(np.ceil(length / 2)) + 1
        kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
        for t in np.linspace(-0.5, 0.5, 16 * half):
            x, y = half + t * dx, half + t * dy
            i, j, fx, fy = int(np.floor(x)), int(np.floor(y)), x - np.floor(x), y - np.floor(y)
            for oy, wy in ((0, 1 - fy), (1, fy)):
                for ox, wx in ((0, 1 - fx), (1, fx)):
                    if j + oy < kernel.shape[0] and i + ox < kernel.shape[1]:
                        kernel[j + oy, i + ox] += wx * wy
        scene = cv2.filter2D(scene, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE)
    return scene


def _vignette(c: Conditions) -> np.ndarray:
    x = (np.arange(c.width, dtype=np.float32) + 0.5 - c.width / 2) * np.float32(c.pixel_aspect)
    y = np.arange(c.height, dtype=np.float32) + 0.5 - c.height / 2
    r2 = (x[None] ** 2 + y[:, None] ** 2) / np.float32((c.width * c.pixel_aspect / 2) ** 2 + (c.height / 2) ** 2)
    return np.exp2(-np.float32(c.vignette_stops) * r2)


def _vignette_at(points: np.ndarray, c: Conditions) -> np.ndarray:
    d = (points - [c.width / 2, c.height / 2]) * [c.pixel_aspect, 1.0]
    return np.exp2(-c.vignette_stops * (d**2).sum(1) / ((c.width * c.pixel_aspect / 2) ** 2 + (c.height / 2) ** 2))


def _truth(card: Card, plane: Plane, c: Conditions, alpha: np.ndarray, hidden: np.ndarray,
           exposure: np.ndarray) -> Truth:
    albedo = linear_rgb(card)
    fields, glares, spans, visible = [], [], [], []
    for patch in card.patches:
        points = _inner_points(patch.polygon, 0.8)
        irradiance, reflection = plane.light(points)
        pixels = plane.to_pixels(points)
        fall = _vignette_at(pixels, c)
        fields.append((irradiance * fall).mean())
        glares.append((reflection * fall).mean())
        spans.append((reflection * fall).max())
        visible.append(_seen(pixels, hidden, c).mean())
    field_ = np.array(fields)
    even = albedo * np.exp(np.log(field_).mean()) * exposure
    lit = albedo * field_[:, None] * exposure
    shift = np.abs(encode(lit + np.array(glares)[:, None] * exposure, c.coding) - encode(lit, c.coding)).max(1)
    peak = np.abs(encode(lit + np.array(spans)[:, None] * exposure, c.coding) - encode(lit, c.coding)).max(1)
    u, v = np.meshgrid(np.linspace(1, card.size[0] - 1, 40), np.linspace(1, card.size[1] - 1, 40))
    everywhere = np.column_stack([u.ravel(), v.ravel()])
    outshone = (plane.light(everywhere)[1] > 1.0).mean()
    seen = _seen(plane.to_pixels(everywhere), hidden, c).mean()
    corners = plane.to_pixels(np.array(card.corners))
    return Truth(corners, plane.homography, encode(even, c.coding), shift, peak, np.array(visible), float(seen),
                 float(outshone), float(np.log2(field_.max() / field_.min())), c)


def _inner_points(polygon: tuple[tuple[float, float], ...], scale: float) -> np.ndarray:
    corners = np.array(polygon)
    centre = corners.mean(0)
    steps = np.linspace(0, scale, 6)
    edge = np.concatenate([np.linspace(a, b, 6, endpoint=False)
                           for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)])
    return np.concatenate([centre + s * (edge - centre) for s in steps])


def _seen(pixels: np.ndarray, hidden: np.ndarray, c: Conditions) -> np.ndarray:
    x, y = np.floor(pixels[:, 0]).astype(int), np.floor(pixels[:, 1]).astype(int)
    inside = (x >= 0) & (x < c.width) & (y >= 0) & (y < c.height)
    seen = inside.copy()
    seen[inside] = hidden[y[inside], x[inside]] == 0
    return seen
