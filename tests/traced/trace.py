"""Path tracing of a room's light, with Mitsuba's spectral variant, into what takes are put together from.

Light adds, so each lamp is traced alone, with a flat spectrum, in bands; lamps, spectra, cards and cameras are chosen
afterwards. Of each frame are kept: the light that falls on the card over its plane (its body scatters it alike in all
directions: times the reflectance, this is the diffuse light) and what a rough dielectric surface mirrors towards the
camera, over the card as the camera sees it. The room behind is traced once, and so is the light on two matt things that
stand beside the card: a sphere and a hanging cloth.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from traced.scene import BANDS, CARD_SIZE, EYE, FRAMES, Pose, Room, project, room

VERSION = 3                       # of what is traced: raise it when scene.py or this file changes that
LIT, ACROSS = (14, 10), (28, 20)  # places over the card at which its light, and its mirror light, are kept
PICTURE = (240, 135)              # the room behind
MIRROR = (80, 45)                 # the picture's size for mirror light
SAMPLES_LIGHT, SAMPLES_MIRROR, SAMPLES_ROOM = 4096, 1024, 16
BESIDE, SAMPLES_BESIDE = (3, 3), 512   # places on each thing beside the card


@dataclass(frozen=True)
class Light:
    """Traced light of one room, radiance of a perfect white (``diffuse``) or as seen (``mirror``, ``behind``).

    diffuse  (frames, lamps, rows, columns, bands) over the card, from its top left
    mirror   the same on a finer raster: added by the card's surface, towards the camera
    behind   (lamps, height, width, bands)
    beside   (lamps, 2, rows, columns, bands) over the sphere's front and over the cloth, as a perfect white
    """

    diffuse: np.ndarray
    mirror: np.ndarray
    behind: np.ndarray
    beside: np.ndarray


def cache_folder() -> Path:
    """Outside the repository: HUEWRIGHT_TRACED_CACHE, or in the user's cache folder."""
    given = os.environ.get("HUEWRIGHT_TRACED_CACHE")
    return Path(given) if given else Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "huewright-traced"


def light_of(seed: int, *, trace: bool = True) -> Light:
    """The light of room ``seed``, from the cache or traced now; ImportError where it is neither there nor Mitsuba."""
    path = cache_folder() / f"light-{seed:05d}-v{VERSION}.npz"
    if not path.exists():
        if not trace:
            raise FileNotFoundError(path)
        light = trace_light(room(seed))
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f"{path.stem}-{os.getpid()}.part.npz")
        # The room behind is only looked at: eight bits, as its square root up to three times the card's white.
        behind = np.clip(np.sqrt(light.behind / 3) * 255 + 0.5, 0, 255).astype(np.uint8)
        np.savez_compressed(part, diffuse=light.diffuse.astype(np.float16), mirror=light.mirror.astype(np.float16),
                            behind=behind, beside=light.beside.astype(np.float32))
        part.replace(path)
    with np.load(path) as kept:
        behind = 3 * (kept["behind"].astype(np.float32) / 255) ** 2
        return Light(kept["diffuse"].astype(np.float32), kept["mirror"].astype(np.float32), behind, kept["beside"])


def trace_light(scene: Room) -> Light:
    import mitsuba as mi

    mi.set_variant(os.environ.get("HUEWRIGHT_TRACED_VARIANT", "scalar_spectral"))
    diffuse, mirror, behind, beside = [], [], [], []
    for number in range(len(scene.lamps)):
        empty = _room(mi, scene, number)
        behind.append(_film(mi, {**empty, "sensor": _camera(mi, scene, PICTURE, SAMPLES_ROOM)}, number))
        beside.append(_beside(mi, empty, scene, number))
        falls, shines = [], []
        for frame in range(FRAMES):
            pose = scene.pose(frame)
            falls.append(_falling(mi, empty, pose, frame))
            shines.append(_mirrored(mi, empty, scene, pose, frame))
        diffuse.append(falls)
        mirror.append(shines)
    # The lamps' strength is free: each one's light on the card is brought to its share of it at the middle frame.
    scale = [lamp.share / max(float(falls[FRAMES // 2].mean()), 1e-9)
             for lamp, falls in zip(scene.lamps, diffuse, strict=True)]
    gain = np.array(scale)[None, :, None, None, None]
    return Light(np.swapaxes(np.array(diffuse), 0, 1) * gain, np.swapaxes(np.array(mirror), 0, 1) * gain,
                 np.array(behind) * np.array(scale)[:, None, None, None],
                 np.array(beside) * np.array(scale)[:, None, None, None, None])


def _spectrum(values: tuple[float, ...]) -> dict[str, Any]:
    return {"type": "irregular", "wavelengths": ", ".join(f"{(a + b) / 2:g}" for a, b in BANDS),
            "values": ", ".join(f"{v:.5f}" for v in values)}


def _flat(value: float) -> dict[str, Any]:
    return {"type": "uniform", "value": value}


def _film_of(width: int, height: int, crop: tuple[int, int, int, int] | None = None) -> dict[str, Any]:
    film: dict[str, Any] = {"type": "specfilm", "width": width, "height": height, "rfilter": {"type": "box"}}
    if crop is not None:
        film |= dict(zip(("crop_offset_x", "crop_offset_y", "crop_width", "crop_height"), crop, strict=True))
    for k, (low, high) in enumerate(BANDS):
        film[f"band_{k:02d}"] = {"type": "regular", "wavelength_min": low, "wavelength_max": high, "values": "1, 1"}
    return film


def _film(mi: Any, scene: dict[str, Any], seed: int) -> np.ndarray:
    picture = np.array(mi.render(mi.load_dict(scene), seed=seed))
    # The film holds what each band adds up to; its mean is what the lamps' flat spectrum is counted in.
    return np.nan_to_num(picture / (BANDS[0][1] - BANDS[0][0])).astype(np.float32)


def _camera(mi: Any, scene: Room, size: tuple[int, int], samples: int,
            crop: tuple[int, int, int, int] | None = None) -> dict[str, Any]:
    return {"type": "perspective", "fov_axis": "x", "fov": float(np.degrees(2 * np.arctan(0.5 / scene.focal))),
            "near_clip": 0.01,
            "to_world": mi.ScalarTransform4f().look_at(EYE.tolist(), (EYE + [0, 0, 1]).tolist(), [0, 1, 0]),
            "film": _film_of(*size, crop), "sampler": {"type": "independent", "sample_count": samples}}


def _place(mi: Any, middle: np.ndarray, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> Any:
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2], matrix[:3, 3] = x, y, z, middle
    return mi.ScalarTransform4f(matrix)


def _room(mi: Any, scene: Room, lit: int) -> dict[str, Any]:
    """The room with lamp ``lit`` alone shining."""
    T = mi.ScalarTransform4f
    result: dict[str, Any] = {"type": "scene", "integrator": {"type": "path", "max_depth": 6}}
    left, right, back, front, floor, ceiling = scene.distances
    y = float(EYE[1])
    faces = [((left, y, 0), (-1, 0, 0)), ((-right, y, 0), (1, 0, 0)), ((0, y, back), (0, 0, -1)),
             ((0, y, -front), (0, 0, 1)), ((0, y - floor, 0), (0, 1, 0)), ((0, y + ceiling, 0), (0, -1, 0))]
    for k, (at, normal) in enumerate(faces):
        up = [0, 1, 0] if normal[1] == 0 else [0, 0, 1]
        target = [a + n for a, n in zip(at, normal, strict=True)]
        place = T().look_at(list(at), target, up) @ T().scale([6, 6, 1])
        paint = {"type": "diffuse", "reflectance": _spectrum(scene.walls[k])}
        result[f"wall_{k}"] = {"type": "rectangle", "to_world": place, "bsdf": {"type": "twosided", "b": paint}}
    for k, lamp in enumerate(scene.lamps):
        shape = {"type": "rectangle", "to_world": T().look_at(list(lamp.at), list(lamp.towards), [0.02, 1, 0])
                 @ T().scale([lamp.size / 2, lamp.size / 2, 1]),
                 "bsdf": {"type": "twosided", "b": {"type": "diffuse", "reflectance": _flat(0.15)}}}
        if k == lit:
            shape["emitter"] = {"type": "area", "radiance": _flat(1.0)}
        result[f"lamp_{k}"] = shape
    for k, box in enumerate(scene.boxes):
        place = T().translate(list(box.at)) @ T().rotate([0, 1, 0], box.turn_deg) @ T().scale(list(box.size))
        result[f"box_{k}"] = {"type": "cube", "to_world": place,
                              "bsdf": {"type": "diffuse", "reflectance": _spectrum(box.reflectance)}}
    return result


def _falling(mi: Any, empty: dict[str, Any], pose: Pose, seed: int) -> np.ndarray:
    """(rows, columns, bands) of a perfect white in the card's place, seen square on from just before it."""
    half = np.array(CARD_SIZE) / 2
    scale = mi.ScalarTransform4f().scale([half[0], half[1], 1])
    card = {"type": "rectangle", "to_world": _place(mi, pose.middle, -pose.right, -pose.down, pose.out) @ scale,
            "bsdf": {"type": "twosided", "b": {"type": "diffuse", "reflectance": _flat(0.25)}}}
    # An orthographic sensor looks along its z; its picture's x runs against its own x.
    sensor = {"type": "orthographic", "near_clip": 1e-4, "far_clip": 1.0,
              "to_world": _place(mi, pose.middle + 2e-3 * pose.out, -pose.right, -pose.down, -pose.out) @ scale,
              "film": _film_of(*LIT), "sampler": {"type": "independent", "sample_count": SAMPLES_LIGHT}}
    picture = _film(mi, {**empty, "card": card, "sensor": sensor}, seed) / 0.25
    wide = np.pad(picture, ((6, 6), (6, 6), (0, 0)), mode="reflect", reflect_type="odd")
    return np.asarray(gaussian_filter(wide, (1.2, 1.2, 0))[6:-6, 6:-6])


def _beside(mi: Any, empty: dict[str, Any], scene: Room, seed: int) -> np.ndarray:
    """(2, rows, columns, bands) of a perfect white on a sphere and on a cloth beside the card, as the camera sees
    them."""
    rng = np.random.default_rng([82, scene.seed])
    paint = {"type": "twosided", "b": {"type": "diffuse", "reflectance": _flat(0.25)}}
    away = EYE + [0, 0, float(scene.motion[2, 0])]
    side = float(rng.choice([-1, 1])) * (CARD_SIZE[0] / 2 + 0.09)
    result = []
    for k, thing in enumerate(("sphere", "cloth")):
        middle = away + [side if k == 0 else -side, float(rng.uniform(-0.08, 0.08)), 0.0]
        turn = rng.normal(0, 0.35, 2)
        out = np.array([np.sin(turn[0]), np.sin(turn[1]), -1.0])
        out /= np.linalg.norm(out)
        if thing == "sphere":
            shape: dict[str, Any] = {"type": "sphere", "center": middle.tolist(), "radius": 0.04, "bsdf": paint}
            out = (EYE - middle) / np.linalg.norm(EYE - middle)
        else:
            shape = {"type": "rectangle", "bsdf": paint, "to_world": mi.ScalarTransform4f().look_at(
                middle.tolist(), (middle + out).tolist(), [0, 1, 0]) @ mi.ScalarTransform4f().scale([0.05, 0.05, 1])}
        at = middle + (0.042 if thing == "sphere" else 0.002) * out
        sensor = {"type": "orthographic", "near_clip": 1e-4, "far_clip": 1.0,
                  "to_world": mi.ScalarTransform4f().look_at(at.tolist(), middle.tolist(), [0, 1, 0])
                  @ mi.ScalarTransform4f().scale([0.026, 0.026, 1]), "film": _film_of(*BESIDE),
                  "sampler": {"type": "independent", "sample_count": SAMPLES_BESIDE}}
        result.append(_film(mi, {**empty, "thing": shape, "sensor": sensor}, seed + 31 * k) / 0.25)
    return np.array(result)


def _mirrored(mi: Any, empty: dict[str, Any], scene: Room, pose: Pose, seed: int) -> np.ndarray:
    """(rows, columns, bands) of the surface's mirror light over the card, towards the camera."""
    half = np.array(CARD_SIZE) / 2
    wide = mi.ScalarTransform4f().scale([1.5 * half[0], 1.5 * half[1], 1])
    card = {"type": "rectangle", "to_world": _place(mi, pose.middle, -pose.right, -pose.down, pose.out) @ wide,
            "bsdf": {"type": "twosided", "b": {"type": "roughplastic", "distribution": "ggx", "alpha": scene.roughness,
                                               "int_ior": 1.5, "diffuse_reflectance": _flat(0.0)}}}
    columns, rows = ACROSS
    u, v = np.meshgrid((np.arange(columns) + 0.5) / columns * CARD_SIZE[0],
                       (np.arange(rows) + 0.5) / rows * CARD_SIZE[1])
    at = project(pose.points(np.column_stack([u.ravel(), v.ravel()])), scene.focal, *MIRROR)
    low = np.clip(np.floor(at.min(axis=0)).astype(int) - 4, 0, np.array(MIRROR) - 8)
    high = np.clip(np.ceil(at.max(axis=0)).astype(int) + 4, low + 4, MIRROR)
    crop = (int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))
    picture = _film(mi, {**empty, "card": card, "sensor": _camera(mi, scene, MIRROR, SAMPLES_MIRROR, crop)}, seed)
    picture = gaussian_filter(picture, (0.8, 0.8, 0), mode="nearest")
    x, y = (at - low - 0.5).T.reshape(2, rows, columns)
    bands = [map_coordinates(picture[..., b], [y, x], order=1, mode="nearest") for b in range(picture.shape[2])]
    return np.stack(bands, axis=-1)


if __name__ == "__main__":
    # python -m traced.trace SEED ...: fills the cache, a process a processor.
    import sys
    from multiprocessing import get_context

    with get_context("spawn").Pool(len(os.sched_getaffinity(0))) as pool:
        for _ in pool.imap_unordered(light_of, [int(word) for word in sys.argv[1:]]):
            print(".", end="", flush=True)
