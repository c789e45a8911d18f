"""Takes of 24 frames put together from traced light: card, camera, lamps' spectra, lens, exposure and coding by seed.

A take's number is twice its room's seed, plus 0 or 1 for one of two ways to shoot it; from CLEAN on they are the same
rooms again, with a card that mirrors next to nothing and a lens without flare. A take's truth is the diffuse light
alone, in the camera's own linear light: what the card's surface mirrors and what the lens flares is on the frames only.

Sources: CIE illuminants and ISO 17321-1's reflectances, two cameras' measured sensitivities (known here by their index
only) and the reference device of the Academy's P-2013-001, all as colour-science carries them. Our card and everything
else is invented.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import colour
import cv2
import huewright_demo
import numpy as np
from huewright.colorimetry.declare import declare_footage
from huewright.colorimetry.inverse import inverse_operations
from huewright.models.card import Card, Mark, Patch, load_card
from huewright.models.footage import Footage
from huewright.reference import apply_chain

from traced.scene import BANDS, CARD_SIZE, EYE, FRAMES, project, room
from traced.trace import Light, light_of

WIDTH, HEIGHT = 800, 450
RASTER = 3000.0                # pixels per metre of the card's own picture
SHAPE = colour.SpectralShape(400, 700, 5)
LIGHTS = ("A", "D50", "D55", "D65", "D75", "LED-B3", "LED-B5", "LED-V1", "FL8")
CAMERAS = 3
# Takes from this number on are clean. Rooms' walls alone are mirrored, 0.7 % of white or more, so no choice of lamps
# makes a frame clean. So little of the mirror light is left there: no real card's, but what polarisers before lamps and
# lens leave in a room hung with black.
CLEAN, CLEAN_MIRROR = 100_000, 0.02
WAYS = ("log", "log", "veil", "log", "display", "flare", "log", "compressed", "motion", "depth")


@dataclass(frozen=True)
class Shot:
    """How a room is shot. ``veil`` and ``flare`` are shares of a perfect white's light: added to the card alone, and
    to the whole picture; ``mirror`` how much of the traced mirror light is there, ``gloss_spread`` how much that
    differs from patch to patch."""

    number: int
    way: str
    layout: str
    camera: int
    lights: tuple[str, ...]
    exposure_stops: float
    noise: tuple[float, float]
    veil: float
    flare: float
    shutter: float
    aperture: float
    focus: float
    quality: int
    gloss_spread: float
    mirror: float


@dataclass(frozen=True)
class Truth:
    """One frame. ``linear`` (patches, 3) the diffuse light of each patch under the card's usual light, geometric mean
    over the patches; ``added`` (patches, 3) what else is on the patch; ``white`` (3,) a perfect white in that light."""

    corners: np.ndarray
    linear: np.ndarray
    added: np.ndarray
    white: np.ndarray
    light_stops: float


def seed_of(number: int) -> int:
    """The room's."""
    return number % CLEAN // 2


def shot(number: int) -> Shot:
    scene, clean = room(seed_of(number)), number >= CLEAN
    rng = np.random.default_rng([78, number])
    way = WAYS[(scene.seed // 10 * 3 + scene.seed + 5 * (number % 2)) % len(WAYS)]
    if clean and way in ("veil", "flare"):
        way = "log"
    lights = [str(rng.choice(LIGHTS))] * len(scene.lamps)
    if scene.kind == "mixed":
        lights = ["A", "D65", "D65"][:len(scene.lamps)]
    elif len(lights) > 2:
        lights[2] = "D65"
    return Shot(number, way, "iso" if number % 3 == 2 else "ours", int(rng.integers(CAMERAS)), tuple(lights),
                float(rng.uniform(-1.0, 0.3)), (float(np.exp(rng.uniform(np.log(3e-5), np.log(6e-4)))),
                                                float(rng.uniform(0.0003, 0.0012))),
                float(rng.choice([0.005, 0.01, 0.02, 0.03, 0.05])) if way == "veil" else 0.0,
                float(rng.choice([0.005, 0.01, 0.02, 0.03])) if way == "flare" else 0.0,
                float(rng.uniform(0.2, 0.6)) if way == "motion" else 0.05,
                float(rng.uniform(0.004, 0.012)) if way == "depth" else 0.0008,
                float(rng.normal(1.0, 0.02)) if way == "depth" else 1.0, int(rng.choice([70, 80, 90])),
                0.12 if number % 5 == 0 else 0.0, CLEAN_MIRROR if clean else 1.0)


def footage_of(one: Shot) -> Footage:
    if one.way in ("display", "compressed"):
        return declare_footage(encoding="display", bits=8)
    return declare_footage(encoding="ACEScct")


@functools.cache
def card_of(layout: str) -> Card:
    """Ours, or ISO 17321-1's 24 reflectances six by four on a black ground."""
    if layout == "ours":
        return load_card(Path(huewright_demo.__file__).parent / "card.toml")
    patches = []
    shape = colour.SpectralShape(380, 730, 10)
    for index, (name, spectrum) in enumerate(colour.SDS_COLOURCHECKERS["ISO 17321-1"].items()):
        role = "bar" if index >= 18 else "chip" if index >= 12 else "check"
        x, y = 45.0 * (index % 6), 45.0 * (index // 6)
        values = spectrum.copy().align(shape)
        patches.append(Patch(name, role, ((x + 8, y + 8), (x + 42, y + 8), (x + 42, y + 42), (x + 8, y + 42)),
                             wavelengths_nm=tuple(values.wavelengths.tolist()),
                             reflectance=tuple(values.values.tolist())))
    size = (275.0, 185.0)
    ground = Mark("ground", ((0, 0), (size[0], 0), size, (0, size[1])), tuple(shape.wavelengths.tolist()),
                  (0.04,) * len(shape.wavelengths))
    return Card("six by four", size, tuple(patches), illuminant="D50", marks=(ground,))


@functools.cache
def _fine() -> np.ndarray:
    return np.arange(400.0, 700.1, 5.0)


@functools.cache
def _sensitivities(camera: int) -> np.ndarray:
    sets = [*colour.MSDS_CAMERA_SENSITIVITIES.values(), colour.characterisation.MSDS_ACES_RICD]
    outside = {"method": "Constant", "left": 0, "right": 0}
    return np.nan_to_num(sets[camera].copy().align(SHAPE, extrapolator_kwargs=outside).values)


@functools.cache
def _shine(name: str) -> np.ndarray:
    values = colour.SDS_ILLUMINANTS[name].copy().align(SHAPE).values
    return np.asarray(values / values.mean())


def _in_bands(spectrum: np.ndarray) -> np.ndarray:
    """(bands, wavelengths...) of a product of spectra over fine wavelengths, split among the traced bands."""
    at = _fine()
    index = np.clip(((at - BANDS[0][0]) / (BANDS[0][1] - BANDS[0][0])).astype(int), 0, len(BANDS) - 1)
    out = np.zeros((len(BANDS), *spectrum.shape[1:]))
    np.add.at(out, index, spectrum)
    return out


class Camera:
    """From bands of light of each lamp to the camera's linear light: sensitivities, balanced for the take's white, and
    the matrix to BT.709's primaries that fits ISO 17321-1's colours best in that light."""

    def __init__(self, one: Shot, share: Sequence[float]) -> None:
        sensitivity = _sensitivities(one.camera)
        mixed = sum(s * _shine(name) for s, name in zip(share, one.lights, strict=True))
        white = np.asarray(mixed) @ sensitivity
        spectra = np.array([sd.copy().align(SHAPE).values
                            for sd in colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()])
        raw = (spectra * mixed) @ sensitivity / white
        cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE).values
        d65 = _shine("D65")
        xyz = (spectra * d65) @ cmfs / (d65 @ cmfs[:, 1])
        wanted = xyz @ colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB.T
        # White stays white: rows sum to one.
        matrix = np.linalg.lstsq(np.vstack([raw, 100 * np.ones((1, 3))]), np.vstack([wanted, 100 * np.ones((1, 3))]),
                                 rcond=None)[0]
        self._columns = sensitivity / white @ matrix * 2**one.exposure_stops
        self._lights = [_shine(name) for name in one.lights]

    def per_band(self, reflectance: np.ndarray | float = 1.0) -> np.ndarray:
        """(lamps, bands, 3): linear light of a surface of this reflectance (wavelengths,) for unit light a band."""
        columns = self._columns * np.broadcast_to(reflectance, _fine().shape)[:, None]
        return np.array([_in_bands(shine[:, None] * columns) for shine in self._lights])


def _reflectance(area: Patch | Mark) -> np.ndarray:
    return np.interp(_fine(), area.wavelengths_nm, area.reflectance)


class Shooting:
    """What is known of take ``number`` without its light."""

    def __init__(self, number: int) -> None:
        self.shot, self.scene = shot(number), room(seed_of(number))
        self.card, self.footage = card_of(self.shot.layout), footage_of(self.shot)


class Take(Shooting):
    def __init__(self, number: int, light: Light | None = None) -> None:
        super().__init__(number)
        self.light = light or light_of(seed_of(number))
        share = [float(self.light.diffuse[:, k].mean()) for k in range(len(self.scene.lamps))]
        total = sum(share)
        self._gain = 1 / total
        self._camera = Camera(self.shot, [s / total for s in share])
        self._areas = [*self.card.marks, *self.card.patches]
        self._bands = np.array([self._camera.per_band(_reflectance(area)) for area in self._areas])
        self._white = self._camera.per_band()
        rng = np.random.default_rng([79, number])
        self._gloss = np.exp(rng.normal(0, self.shot.gloss_spread, len(self._areas)))
        self._index = self._map()
        # Millimetres of the card to metres of the plane that was traced, the card in its middle.
        self._offset = (np.array(CARD_SIZE) - np.array(self.card.size) / 1000) / 2

    def _map(self) -> np.ndarray:
        """Which area each pixel of the card's own picture shows."""
        w, h = (int(round(s * RASTER / 1000)) for s in self.card.size)
        index = np.zeros((h, w), np.uint8)
        for k, area in enumerate(self._areas):
            cv2.fillConvexPoly(index, np.round(np.array(area.polygon) * RASTER / 1000 * 16).astype(np.int32), k,
                               cv2.LINE_8, 4)
        return index

    def frames(self, numbers: Sequence[int] = range(FRAMES)) -> Iterator[tuple[np.ndarray, Truth]]:
        """(code values (h, w, 3) float32, truth) of each frame."""
        behind = self._behind()
        for number in numbers:
            yield self._frame(number, behind)

    def _behind(self) -> np.ndarray:
        picture = np.einsum("lhwb,lbc->hwc", self.light.behind * self._gain, self._white)
        picture = cv2.medianBlur(picture.astype(np.float32), 3)
        picture = cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), 3.0 if self.shot.way == "depth" else 1.0))

    def _over_card(self, light: np.ndarray, bands: np.ndarray) -> np.ndarray:
        """(lamps, rows, columns, bands) to (rows, columns, 3) through (lamps, bands, 3)."""
        return np.einsum("lyxb,lbc->yxc", light * self._gain, bands).astype(np.float32)

    def _raster(self, values: np.ndarray) -> np.ndarray:
        """Light (rows, columns, 3) over the traced plane, spread over the card's own picture."""
        h, w = self._index.shape
        rows, columns = values.shape[:2]
        x = ((np.arange(w) + 0.5) / RASTER + self._offset[0]) / CARD_SIZE[0] * columns - 0.5
        y = ((np.arange(h) + 0.5) / RASTER + self._offset[1]) / CARD_SIZE[1] * rows - 0.5
        gx, gy = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
        return np.asarray(cv2.remap(values, gx, gy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    def _frame(self, number: int, behind: np.ndarray) -> tuple[np.ndarray, Truth]:
        one, rng = self.shot, np.random.default_rng([80, self.shot.number, number])
        falls, shines = self.light.diffuse[number], self.light.mirror[number]
        usual_bands, log_light = self._usual(falls)
        white = np.einsum("lb,lbc->c", usual_bands, self._white)
        mirror = self._raster(self._over_card(shines, self._white)) * np.float32(one.mirror)
        body = np.zeros_like(mirror)
        for k in range(len(self._areas)):
            x0, y0, x1, y1 = self._box(k)
            here = self._index[y0:y1, x0:x1] == k
            lit = self._raster_part(self._over_card(falls, self._bands[k]), x0, y0, x1, y1)
            body[y0:y1, x0:x1][here] = lit[here]
        if one.gloss_spread:
            mirror *= self._gloss.astype(np.float32)[self._index][..., None]
        mirror += np.float32(one.veil) * white.astype(np.float32)
        picture, cover = self._seen(body + mirror, number)
        frame = behind * (1 - cover) + picture
        flare = one.flare * white
        if one.flare:
            spread = cv2.GaussianBlur(frame, (0, 0), 0.35 * WIDTH)
            flare = one.flare * 0.5 * (white + white * spread / max(float(spread.mean()), 1e-6))
        frame = frame + flare.astype(np.float32)
        noise = np.sqrt(np.float32(one.noise[0]) * np.maximum(frame, 0) + np.float32(one.noise[1] ** 2))
        frame = frame + noise * rng.standard_normal(frame.shape, np.float32)
        truth = self._truth(number, usual_bands, mirror, np.broadcast_to(flare, frame.shape), log_light, white)
        return self._coded(frame, rng), truth

    def _box(self, k: int) -> tuple[int, int, int, int]:
        p = np.array(self._areas[k].polygon) * RASTER / 1000
        h, w = self._index.shape
        (x0, y0), (x1, y1) = np.floor(p.min(axis=0)).astype(int) - 1, np.ceil(p.max(axis=0)).astype(int) + 2
        return max(x0, 0), max(y0, 0), min(x1, w), min(y1, h)

    def _raster_part(self, values: np.ndarray, x0: int, y0: int, x1: int, y1: int) -> np.ndarray:
        rows, columns = values.shape[:2]
        x = ((np.arange(x0, x1) + 0.5) / RASTER + self._offset[0]) / CARD_SIZE[0] * columns - 0.5
        y = ((np.arange(y0, y1) + 0.5) / RASTER + self._offset[1]) / CARD_SIZE[1] * rows - 0.5
        gx, gy = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
        return np.asarray(cv2.remap(values, gx, gy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    def _centres(self) -> np.ndarray:
        return np.array([np.mean(patch.polygon, axis=0) for patch in self.card.patches])

    def _usual(self, falls: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(lamps, bands) of light, each lamp's and band's own at the card's usual level; (p,) log light at the patches.

        The usual level is the geometric mean over the patches' middles of the green light."""
        rows, columns = falls.shape[1:3]
        at = (self._centres() / 1000 + self._offset) / CARD_SIZE * (columns, rows) - 0.5
        x, y = at.T.astype(np.float32)
        here = np.array([[cv2.remap(np.ascontiguousarray(lamp[..., b]), x[None], y[None], cv2.INTER_LINEAR,
                                    borderMode=cv2.BORDER_REPLICATE)[0] for b in range(lamp.shape[2])]
                         for lamp in falls]) * self._gain                       # lamps, bands, patches
        green = np.einsum("lbp,lb->p", here, self._white[..., 1])
        log_light = np.log(green) - np.log(green).mean()
        return (here / np.exp(log_light)).mean(axis=2), log_light

    def _truth(self, number: int, usual: np.ndarray, mirror: np.ndarray, flare: np.ndarray, log_light: np.ndarray,
               white: np.ndarray) -> Truth:
        first = len(self.card.marks)
        linear = np.einsum("lb,plbc->pc", usual, self._bands[first:])
        inner = []
        for k in range(first, len(self._areas)):
            x0, y0, x1, y1 = self._box(k)
            here = self._index[y0:y1, x0:x1] == k
            inner.append(mirror[y0:y1, x0:x1][here].mean(axis=0))
        at = np.clip(self._to_pixels(self._centres() / 1000, number).astype(int), 0, (WIDTH - 1, HEIGHT - 1))
        added = np.array(inner) + flare[at[:, 1], at[:, 0]]
        return Truth(self._to_pixels(np.array(self.card.corners) / 1000, number), linear, added, white,
                     float(np.ptp(log_light) / np.log(2)))

    def _to_pixels(self, metres: np.ndarray, time: float, lens: np.ndarray | None = None) -> np.ndarray:
        """Pixels of card points; seen through a point of the lens off its middle, what is out of focus shifts."""
        pose = self.scene.pose(time)
        eye = EYE if lens is None else EYE + lens
        pixels = project(pose.points(metres + self._offset), self.scene.focal, WIDTH, HEIGHT, eye)
        if lens is not None:
            in_focus = float(self.scene.motion[2, 0]) * self.shot.focus
            pixels -= self.scene.focal * WIDTH * lens[:2] / in_focus
        return pixels

    def _seen(self, card: np.ndarray, number: int) -> tuple[np.ndarray, np.ndarray]:
        """The card's own picture as the lens and the shutter see it, and how much of each pixel it covers."""
        many = 24 if self.shot.way in ("motion", "depth") else 9
        rng = np.random.default_rng([81, self.shot.number, number])
        source = np.array([[0, 0], [card.shape[1], 0], [card.shape[1], card.shape[0]], [0, card.shape[0]]], np.float64)
        metres = source / RASTER
        picture = np.dstack([card, np.ones(card.shape[:2], np.float32)])
        total = np.zeros((HEIGHT, WIDTH, 4), np.float32)
        for k in range(many):
            time = number + self.shot.shutter * ((k + 0.5) / many - 0.5)
            angle, radius = 2.4 * k + rng.uniform(0, 0.1), np.sqrt((k + 0.5) / many)
            lens = np.array([np.cos(angle), np.sin(angle), 0]) * radius * self.shot.aperture / 2
            jitter = np.array([(k * 0.618) % 1, (k * 0.382 + 0.5) % 1]) - 0.5
            target = self._to_pixels(metres, time, lens) + 0.9 * jitter
            h = cv2.getPerspectiveTransform((source - 0.5).astype(np.float32), (target - 0.5).astype(np.float32))
            total += cv2.warpPerspective(picture, h, (WIDTH, HEIGHT), flags=cv2.INTER_AREA)
        total /= many
        return total[..., :3], total[..., 3:]

    def _coded(self, frame: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        if self.footage.encoding == "display":
            v = np.maximum(frame, 0)
            signal = np.clip(np.where(v < 0.018, 4.5 * v, 1.099 * np.maximum(v, 0.018) ** 0.45 - 0.099), 0, 1)
            codes = np.round(signal * 255).astype(np.uint8)
            if self.shot.way == "compressed":
                settings = [cv2.IMWRITE_JPEG_QUALITY, self.shot.quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
                            cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420]
                coded = cv2.imencode(".jpg", codes[..., ::-1], settings)[1]
                codes = cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1]
            return np.asarray(codes.astype(np.float32) / 255)
        codes = apply_chain(inverse_operations(self.footage.decode), frame.astype(np.float64))
        return np.asarray(codes, np.float32).astype(np.float16).astype(np.float32)
