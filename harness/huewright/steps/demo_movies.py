"""The demo with movies: two invented cameras' clips generated and encoded, brought together by one scene file, and
compared with each other and with what the generator knows. Nothing in the shoot is real."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from huewright.colorimetry.targets import delta_e
from huewright.errors import NoAnswerError
from huewright.files import refuse_existing, write_json
from huewright.frames import Take, open_take
from huewright.models.card import Card, load_card
from huewright.models.correction import Correction, load_correction
from huewright.models.demo import ChecksApart, MovieRecorded, MoviesSummary
from huewright.models.record import to_record
from huewright.models.survey import Survey, load_survey
from huewright.progress import Progress, silent
from huewright.steps.demo import FRAMES, SIZE
from huewright.steps.scene.job import SceneResult, run_scene

FORMAT = "huewright-demo-movies-1"
WITHIN = 1.0      # CIEDE2000 in the mean of check patches, to which two cameras shall come; an aim of ours


@dataclass(frozen=True)
class MoviesResult:
    summary: MoviesSummary
    scene: SceneResult
    scene_file: Path


def run_movies_demo(out_dir: Path | str, *, frames: int | None = None, size: tuple[int, int] | None = None,
                    seed: int = 1, overwrite: bool = False, progress: Progress = silent) -> MoviesResult:
    """Generates the movies and their scene file into ``out_dir``/movies, runs the scene, and returns (and writes as
    summary.json there) what came of it. Raises :class:`InputError` where the output exists, and
    :class:`NoAnswerError` where a camera's take gives no correction."""
    from huewright_demo.compare import measured, tidy
    from huewright_demo.movies import CAMERAS, make_movies
    from huewright_demo.shoot import FIRST

    folder = Path(out_dir) / "movies"
    refuse_existing(folder / "summary.json", overwrite=overwrite)
    begun = time.perf_counter()
    shape = size or SIZE
    made = make_movies(folder, seed=seed, frames=frames or FRAMES, size=shape, progress=progress, overwrite=overwrite)
    generated = time.perf_counter()
    result = run_scene(made.scene, overwrite=overwrite, progress=progress)
    done = time.perf_counter()
    pair = result.apart[0].figures("check") if result.apart else None
    if result.failed or pair is None:
        raise NoAnswerError(f"{made.scene}: a camera's take gives no correction; run `huewright scene {made.scene}`, "
                            "which says why")
    card = load_card(made.shoot.card)
    signals: dict[str, tuple[dict[str, np.ndarray], dict[str, np.ndarray]]] = {}
    movies: dict[str, MovieRecorded] = {}
    for name, path in made.takes.items():
        survey, correction, take = _of_take(result.out, f"card {name}", path)
        corners = {row["frame"] - FIRST: np.array(row["corners"], np.float32)
                   for row in made.shoot.truth["cameras"][name]["frames"]}
        before, after = (measured(card, corners, survey.chosen, take, chain)
                         for chain in (correction.neutral_operations, correction.operations))
        signals[name] = before, after
        lasts_s = len(take) / float(take.rate or 1)
        movies[name] = MovieRecorded(take.kind, CAMERAS[name].bit_rate(shape) / 1e6,
                                     8e-6 * path.stat().st_size / lasts_s)
    true = {row["name"]: np.array(row["rgb"]) for row in made.shoot.truth["patches"]}
    first, second = signals.values()
    summary = MoviesSummary(
        made.shoot.truth["note"], seed, frames or FRAMES, shape, movies, ChecksApart(*pair),
        _apart(card, first, second), {name: _apart(card, pair, (true, true)) for name, pair in signals.items()},
        {"generate": generated - begun, "scene": done - generated, "total": time.perf_counter() - begun})
    record: dict[str, Any] = {"format": FORMAT, **tidy(to_record(summary))}
    write_json(folder / "summary.json", record, overwrite=overwrite)
    return MoviesResult(summary, result, made.scene)


def _of_take(out: Path, name: str, movie: Path) -> tuple[Survey, Correction, Take]:
    folder = out / "takes" / name
    return load_survey(folder / "survey.json"), load_correction(folder / "correction.json"), open_take(movie)


def _apart(card: Card, one: tuple[dict[str, np.ndarray], dict[str, np.ndarray]],
           other: tuple[dict[str, np.ndarray], dict[str, np.ndarray]]) -> ChecksApart:
    """Of display signals by patch, before and after, on the BT.709 display."""
    checks = [patch.name for patch in card.patches if patch.role == "check"]
    sides = [np.asarray(delta_e(*(np.clip([signals[name] for name in checks], 0, 1) for signals in pair)))
             for pair in zip(one, other, strict=True)]
    return ChecksApart(*(float(value) for side in sides for value in (side.mean(), side.max())))


__all__ = ["WITHIN", "MoviesResult", "run_movies_demo"]
