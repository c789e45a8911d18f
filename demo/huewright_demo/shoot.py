"""Generates the invented shoot: two cameras, a card take and a second shot each, and the truth about them.

The files: ``camera-a/card.####.exr`` and ``shot.####.exr`` (half float), ``camera-b/...dpx`` (10 bit), ACEScct
codes of linear BT.709 from black to beyond white; ``card.toml``; ``truth.json``. Same seed, same bytes.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from huewright.errors import InputError
from huewright.files import write_json
from huewright.frames import Frame, write_frame
from huewright.models.card import Card, Mark, Patch, load_card
from huewright.progress import Progress, silent

from huewright_demo import held, scene, spectra
from huewright_demo.cameras import CAMERAS, Camera, acescct, expose, noise_tile
from huewright_demo.design_card import CARD

LIGHT = "D55"  # CIE daylight of 5500 K lights the set; the truth is the card under its own illuminant, D65
ENCODING, PRIMARIES = "ACEScct", "ITU-R BT.709"
FIRST = 1001
SHOT_SHARE = 4  # the second shot has one frame for this many of the card take
# A reflection counts where it moves the patch's true display signal by this much in any of R', G', B'.
REFLECTION_IRE = 0.5
FORMAT = "huewright-demo-truth-1"
Put = Callable[[Path, int, np.ndarray], None]
"""Takes (the sequence that a frame is of, its place from 0, its log codes (h, w, 3) float32)."""


@dataclass(frozen=True)
class CameraFiles:
    """``take`` and ``shot`` are sequence patterns; ``bits`` the depth of integer files, 16 for half floats."""

    name: str
    take: str
    shot: str
    bits: int


@dataclass(frozen=True)
class Shoot:
    """What was generated and where. ``truth`` is truth.json's content."""

    folder: Path
    card: Path
    cameras: dict[str, CameraFiles]
    encoding: str
    primaries: str
    truth_path: Path
    truth: dict[str, Any]


def make_shoot(out_dir: Path | str, *, seed: int = 1, frames: int = 48, size: tuple[int, int] = (1920, 1080),
               cameras: Sequence[str] = ("A", "B"), progress: Progress = silent, overwrite: bool = False,
               threads: int = 2, put: Put | None = None) -> Shoot:
    """Generates the shoot into ``out_dir``. ``frames`` is the card take's length (12 or more), ``size`` the picture's.
    ``put`` is given every frame, by several threads and in any order, instead of its being written.

    Raises :class:`InputError` if the folder holds a shoot already and ``overwrite`` is false, or for sizes that
    leave no readable card.
    """
    folder, (width, height) = Path(out_dir), size
    if frames < 12 or width < 320 or height < 180:
        raise InputError("the demo needs 12 frames or more of 320 x 180 pixels or more; ask for more")
    unknown = [name for name in cameras if name not in CAMERAS]
    if unknown or not cameras:
        raise InputError(f"the demo's cameras are {', '.join(CAMERAS)}; choose among them")
    if folder.exists() and any(folder.iterdir()) and not overwrite:
        raise InputError(f"{folder} is not empty; add --overwrite to write the demo's files there, or choose another")
    folder.mkdir(parents=True, exist_ok=True)
    card = load_card(CARD)
    shutil.copyfile(CARD, folder / "card.toml")
    shots = max(3, frames // SHOT_SHARE)
    total, done = len(cameras) * (frames + shots), 0
    files: dict[str, CameraFiles] = {}
    truth: dict[str, Any] = {
        "format": FORMAT, "note": "Everything about this shoot is invented and generated; nobody and nothing is meant.",
        "seed": seed, "size": [width, height], "light": LIGHT, "encoding": ENCODING, "primaries": PRIMARIES,
        "reflection_ire": REFLECTION_IRE, "patches": _patch_truth(card), "cameras": {}}
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for name in cameras:
            camera = CAMERAS[name]
            place = folder / f"camera-{name.lower()}"
            take, shot = (place / f"{what}.####{camera.suffix}" for what in ("card", "shot"))
            files[name] = CameraFiles(name, str(take), str(shot), 10 if camera.suffix == ".dpx" else 16)
            for pattern, count in ((take, frames), (shot, shots)):
                _clear(pattern, count)
            studio = _Studio(camera, card, width, height, seed, frames, pool, put)
            for job in (studio.take_jobs(take), studio.shot_jobs(shot, shots)):
                for _ in pool.map(lambda work: work(overwrite), job):
                    done += 1
                    progress(done, total, f"generating camera {name}")
            truth["cameras"][name] = studio.truth()
    write_json(folder / "truth.json", truth, overwrite=overwrite)
    return Shoot(folder, folder / "card.toml", files, ENCODING, PRIMARIES, folder / "truth.json", truth)


def _numbered(pattern: Path, index: int) -> Path:
    return pattern.with_name(pattern.name.replace("####", f"{FIRST + index:04d}"))


def _clear(pattern: Path, count: int) -> None:
    """Removes what an earlier, longer shoot left of this sequence, so that the take ends where it should."""
    wanted = {_numbered(pattern, index) for index in range(count)}
    for path in pattern.parent.glob(pattern.name.replace("####", "[0-9][0-9][0-9][0-9]")):
        if path not in wanted:
            path.unlink()


def _patch_truth(card: Card) -> list[dict[str, Any]]:
    """The colorimetric BT.709 picture of each patch: reflectance under D65, CIE 1931 2 degree observer, OETF."""
    rows = []
    for patch in card.patches:
        signal = spectra.true_signal(np.array(patch.reflectance))
        rows.append({"name": patch.name, "role": patch.role, "rgb": _rounded(signal, 6),
                     "ycbcr": _rounded(spectra.ycbcr(signal), 6)})
    return rows


def _rounded(values: np.ndarray, digits: int) -> list[float]:
    return [float(v) for v in np.round(values, digits)]


class _Studio:
    """One camera on the set: its pictures of the scenery, the card in its eyes, its noise."""

    def __init__(self, camera: Camera, card: Card, width: int, height: int, seed: int, frames: int,
                 pool: ThreadPoolExecutor, put: Put | None) -> None:
        self.put = put
        self.camera, self.card, self.width, self.height, self.frames = camera, card, width, height, frames
        self.seed = seed + 1000 * sorted(CAMERAS).index(camera.name)
        self.pack = camera.pack(LIGHT)
        room = pool.submit(scene.room, camera, LIGHT, width, height, seed)
        # A margin for the slow pan of the second shot.
        self.margin = max(4, width // 60)
        wide = pool.submit(scene.still_life, camera, LIGHT, width + 2 * self.margin,
                           height + 2 * round(self.margin * height / width), seed)
        areas: tuple[Mark | Patch, ...] = (*card.marks, *card.patches)
        self.raw = {area.name: camera.raw_of_reflectance(np.array(area.reflectance), LIGHT) for area in areas}
        self.texture = held.card_texture(card, self.raw, scene.palette(camera, LIGHT), seed)
        self.noise = noise_tile(height + 192, width + 192, self.seed)
        self.motion = held.Motion(frames, self.seed, mirrored=camera.name == "B")
        self.room, self.still = room.result(), wide.result()
        expose(np.zeros((1, 1, 3), np.float32), self.noise, 0, 0, self.pack)  # compile before threads share it

    def take_jobs(self, pattern: Path) -> list[Callable[[bool], None]]:
        def job(index: int) -> Callable[[bool], None]:
            return lambda overwrite: self._write(
                held.composite(self.room, self.texture, self.card, self.motion, index, np.ones(3)),
                pattern, index, 0, overwrite)
        return [job(index) for index in range(self.frames)]

    def shot_jobs(self, pattern: Path, count: int) -> list[Callable[[bool], None]]:
        def job(index: int) -> Callable[[bool], None]:
            return lambda overwrite: self._write(self._pan(index / max(count - 1, 1)), pattern, index, 1, overwrite)
        return [job(index) for index in range(count)]

    def _pan(self, share: float) -> np.ndarray:
        ease = share * share * (3 - 2 * share)
        shift_x = 2 * self.margin * (0.1 + 0.8 * ease)
        shift_y = (self.still.shape[0] - self.height) * (0.4 + 0.2 * math.sin(2 * ease))
        M = np.array([[1, 0, -shift_x], [0, 1, -shift_y]], np.float64)
        return cv2.warpAffine(self.still, M, (self.width, self.height), flags=cv2.INTER_LINEAR,
                              borderMode=cv2.BORDER_REPLICATE)

    def _write(self, raw: np.ndarray, pattern: Path, index: int, what: int, overwrite: bool) -> None:
        top, left = np.random.default_rng((self.seed, what, index)).integers(0, 192, 2)
        expose(raw, self.noise, int(top), int(left), self.pack)
        if self.put is not None:
            self.put(pattern, index, raw)
        else:
            write_frame(_numbered(pattern, index), _coded(raw, self.camera), overwrite=overwrite)

    def truth(self) -> dict[str, Any]:
        linear = {p.name: self.camera.linear_of_raw(self.raw[p.name], LIGHT) for p in self.card.patches}
        return {"files": {"take": f"card.####{self.camera.suffix}", "shot": f"shot.####{self.camera.suffix}"},
                "exposure_stops": self.camera.exposure_stops, "balance": list(self.camera.balance),
                "patches": [{"name": n, "linear": _rounded(v, 6), "code": _rounded(acescct(v), 6)}
                            for n, v in linear.items()],
                "frames": [self._frame_truth(index) for index in range(self.frames)]}

    def _frame_truth(self, index: int) -> dict[str, Any]:
        corners = self.motion.at(index).project(self.card, np.array(self.card.corners), self.width, self.height)
        inside = ((corners > 0) & (corners < (self.width, self.height))).all(1)
        instants = [self.motion.at(index + held.SHUTTER * t) for t in (np.arange(5) + 0.5) / 5 - 0.5]
        moved = {p.name: self._reflection_ire(p, instants) for p in self.card.patches}
        box_low, box_high = corners.min(0), corners.max(0)
        visible = bool((box_high > 0).all() and (box_low < (self.width, self.height)).all())
        light = self._light(instants[2])
        return {"frame": FIRST + index, "card": "whole" if inside.all() else "part" if visible else "none",
                "corners": [_rounded(c, 3) for c in corners],
                "blur_px": round(held.motion_blur_px(self.motion, self.card, index, self.width, self.height), 2),
                "light": round(float(light.mean()), 4),
                "light_stops": round(float(np.log2(light.max() / light.min())), 4),
                "reflections": {n: round(v, 2) for n, v in moved.items() if visible and v >= REFLECTION_IRE}}

    def _light(self, pose: held.Pose) -> np.ndarray:
        return held.irradiance(pose.points(self.card, np.array(self.card.corners)), pose.normal)

    def _reflection_ire(self, patch: Patch, instants: list[held.Pose]) -> float:
        """How far the lamp moves the patch's true display signal at its worst point, over the shutter's time."""
        polygon = np.array(patch.polygon)
        middle = polygon.mean(0)
        points = np.concatenate([middle + s * (polygon - middle) for s in (0.0, 0.45, 0.9)])
        added = np.mean([held.reflection(pose.points(self.card, points), pose.normal) for pose in instants], axis=0)
        linear = spectra.oetf_inverse(spectra.true_signal(np.array(patch.reflectance)))
        shift = spectra.oetf(linear + added[:, None]) - spectra.oetf(linear)
        return float(100 * shift.max())


def _coded(code: np.ndarray, camera: Camera) -> Frame:
    """Half floats for EXR, or 10-bit codes in the form that :mod:`huewright.frames` holds them."""
    if camera.suffix == ".exr":
        return Frame(code.astype(np.float16))
    ten = np.rint(np.clip(code, 0, 1) * np.float32(1023))
    return Frame(np.rint(ten * np.float32(65535 / 1023)).astype(np.uint16), bits=10)


__all__ = ["CameraFiles", "Shoot", "make_shoot"]
