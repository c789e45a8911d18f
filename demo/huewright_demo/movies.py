"""The invented shoot as two cameras' movies, with time codes, tags and metadata, and the scene file for them.

The codings are of common kinds, at bit rates that cameras of such kinds have (common practice, no source; from memory):
camera A H.264 of 10 bits and 4:2:2, each picture by itself, 100 Mbit/s at 25 frames of 1920 x 1080 a second, legal
range; camera B H.264 of 8 bits and 4:2:0, a picture by itself every 12, 50 Mbit/s, full range. Smaller pictures have
as many bits a pixel. Log codes are under the tags of BT.709 in either, as is usual.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from huewright.files import whole_file, write_json
from huewright.frames.encoding import MovieWriter, Written, planes_for
from huewright.models.scene import Scene, SceneCamera, SceneOut, SceneShot, SceneTake
from huewright.models.scene_file import save_scene
from huewright.progress import Progress, silent

from huewright_demo.shoot import ENCODING, PRIMARIES, SHOT_SHARE, Shoot, make_shoot

RATE = 25
FULL_HD = 1920 * 1080
LEADING = "A"      # whom the other follows, for its movies hold the finer codes


@dataclass(frozen=True)
class Recorded:
    """How a camera records: ``mbit_s`` at full HD, ``apart`` pictures from one that stands alone to the next."""

    bits: int
    range: str
    mbit_s: float
    apart: int
    codes: dict[str, str]

    def bit_rate(self, size: tuple[int, int]) -> int:
        return round(self.mbit_s * 1e6 * size[0] * size[1] / FULL_HD)


CAMERAS = {"A": Recorded(10, "legal", 100.0, 1, {"card": "10:04:00:00", "shot": "10:06:00:00"}),
           "B": Recorded(8, "full", 50.0, 12, {"card": "10:04:30:00", "shot": "10:07:10:00"})}


@dataclass(frozen=True)
class MovieShoot:
    """``shoot`` is what was generated, ``scene`` the scene file, ``takes`` and ``shots`` the movies by camera."""

    shoot: Shoot
    scene: Path
    takes: dict[str, Path]
    shots: dict[str, Path]


def make_movies(out_dir: Path | str, *, seed: int = 1, frames: int = 48, size: tuple[int, int] = (1920, 1080),
                progress: Progress = silent, overwrite: bool = False) -> MovieShoot:
    """Generates ``out_dir``/camera-a/card.mov, shot.mov, the same of camera B, card.toml, truth.json and scene.toml.
    Raises as :func:`make_shoot`."""
    folder = Path(out_dir)
    pictures = {"card": frames, "shot": max(3, frames // SHOT_SHARE)}
    places = {(name, what): folder / f"camera-{name.lower()}" / f"{what}.mov" for name in CAMERAS for what in pictures}
    with ExitStack() as stack:
        writers: dict[Path, _InOrder] = {}

        def put(pattern: Path, index: int, codes: np.ndarray) -> None:
            movie = pattern.with_name(f"{pattern.name.partition('.')[0]}.mov")
            with opening:
                if movie not in writers:
                    name, what = next(key for key, place in places.items() if place == movie)
                    writers[movie] = stack.enter_context(_movie(movie, CAMERAS[name], name, what, size, overwrite))
            writers[movie].put(index, codes)

        opening = threading.Lock()
        shoot = make_shoot(folder, seed=seed, frames=frames, size=size, progress=progress, overwrite=overwrite, put=put)
    for camera in shoot.truth["cameras"].values():
        camera["files"] = {"take": "card.mov", "shot": "shot.mov"}
    write_json(shoot.truth_path, shoot.truth, overwrite=True)
    scene = folder / "scene.toml"
    save_scene(_scene(), scene, overwrite=overwrite)
    return MovieShoot(shoot, scene, {name: places[name, "card"] for name in CAMERAS},
                      {name: places[name, "shot"] for name in CAMERAS})


def _scene() -> Scene:
    cameras = tuple(SceneCamera(name, ENCODING, primaries=PRIMARIES, follows=None if name == LEADING else LEADING)
                    for name in CAMERAS)
    return Scene("card.toml", cameras,
                 tuple(SceneTake(name, f"camera-{name.lower()}/card.mov", f"card {name}") for name in CAMERAS),
                 tuple(SceneShot(name, f"camera-{name.lower()}/shot.mov", f"shot {name}") for name in CAMERAS),
                 "Invented shoot, two cameras", out=SceneOut("true", "mov", codec="vc3"))


class _InOrder:
    """Encodes pictures in order, whichever comes first."""

    def __init__(self, writer: MovieWriter, made: Written) -> None:
        self._writer, self._made, self._lock = writer, made, threading.Lock()
        self._waiting: dict[int, np.ndarray] = {}
        self._next = 0

    def put(self, index: int, codes: np.ndarray) -> None:
        with self._lock:
            self._waiting[index] = codes.copy()
            while self._next in self._waiting:
                self._writer.add(planes_for(_scaled(self._waiting.pop(self._next), self._made), self._made), self._next)
                self._next += 1


def _scaled(codes: np.ndarray, made: Written) -> np.ndarray:
    """Codes from 0 to 1 in the range of the movie (ITU-R BT.709-6, item 5: black 16, white 235 of 8 bits)."""
    if made.range == "full":
        return np.ascontiguousarray(codes, np.float32)
    step, top = 2 ** (made.bits - 8), 2**made.bits - 1
    return np.asarray((16 * step + 219 * step * codes) / top, np.float32)


@contextmanager
def _movie(path: Path, camera: Recorded, name: str, what: str, size: tuple[int, int], overwrite: bool
           ) -> Iterator[_InOrder]:
    made = Written("h264", camera.bits, camera.range, "bt709")
    base = Fraction(1, RATE)
    with whole_file(path, overwrite=overwrite) as temporary, av.open(
            str(temporary), "w", options={"movflags": "+faststart+use_metadata_tags"}) as container:
        container.metadata.update({"make": "Invented", "model": f"Camera {name}"})
        stream: Any = container.add_stream("libx264", rate=RATE, options={
            "preset": "fast", "g": str(camera.apart), "chroma_sample_location": "left"})
        stream.width, stream.height = size
        stream.pix_fmt = made.pixel_format
        stream.bit_rate = camera.bit_rate(size)
        stream.codec_context.time_base = base
        stream.metadata["timecode"] = camera.codes[what]
        context = stream.codec_context
        context.color_range = 1 if camera.range == "legal" else 2
        context.colorspace, context.color_primaries, context.color_trc = 1, 1, 1
        writer = MovieWriter(container, stream, made, base)
        yield _InOrder(writer, made)
        writer.finish()


__all__ = ["CAMERAS", "MovieShoot", "Recorded", "make_movies"]
