"""Whether a shot's light looks like its take's, by the pictures alone.

Two estimates of what is neutral, each wrong where one colour fills the picture: the median colour of what isn't dark,
and the mean colour of edges (grey edge: J. van de Weijer, T. Gevers, A. Gijsenij, Edge-Based Color Constancy, IEEE
Transactions on Image Processing 16(9), 2007, of first order; its norm is 1 here). A difference between shot and take
is said where both show it in the same direction, and then the smaller one. That weighing and the limits are choices of
ours, no source: what pictures of unlike things under one light often reach must stay below them, so daylight that
drifts by a few hundred kelvin goes unseen.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from huewright_kernels.executor import compile_chain, run
from huewright_kernels.ops import Operation

from huewright.colorimetry.display import display_named
from huewright.frames.take import Take
from huewright.models.cautions import LightMayDiffer
from huewright.models.correction import Correction
from huewright.models.footage import THROUGH_LOOK
from huewright.models.scene_made import LightEstimate

BALANCE_STOPS = 0.6       # of red or blue against green
LEVEL_STOPS = 2.5         # of the picture as a whole
FRAMES_READ = 3
ACROSS = 160              # a frame is averaged down to this width, so that noise makes no edges
DARK, TOP = 0.01, 0.98    # of light; of code values, above which a pixel may be cut off
LEAST_PIXELS = 400        # of a frame, which say something
LEAST_EDGE = 0.002        # mean edge of green light


@dataclass(frozen=True)
class Neutral:
    """Of a take's frames, in stops: ``median`` and ``edges`` each (red, blue) against green, and the ``level``."""

    median: tuple[float, float]
    edges: tuple[float, float] | None
    level: float


def light_of(correction: Correction) -> tuple[Operation, ...] | None:
    """From file code values to linear light; None where nobody said how to get there."""
    footage = correction.footage
    if footage.encoding == THROUGH_LOOK:
        return None
    if footage.encoding == "display":
        return (*footage.to_code_float(), *display_named(correction.display).decode)
    return footage.to_linear()


def neutral_of(take: Take, to_light: tuple[Operation, ...]) -> Neutral | None:
    """Estimated on a few frames spread over ``take``; None where too little of them is neither dark nor cut off."""
    numbers = take.numbers
    picked = sorted({numbers[round(k * (len(numbers) - 1) / max(FRAMES_READ - 1, 1))] for k in range(FRAMES_READ)})
    chain = compile_chain(to_light)
    medians, edges, levels = [], [], []
    for number in picked:
        codes = np.ascontiguousarray(take.frame(number).rgb_float())
        size = (min(ACROSS, codes.shape[1]), max(1, round(codes.shape[0] * min(1.0, ACROSS / codes.shape[1]))))
        light = cv2.resize(np.asarray(run(chain, codes), np.float32), size, interpolation=cv2.INTER_AREA)
        kept = np.all(cv2.resize(codes, size, interpolation=cv2.INTER_AREA) < TOP, axis=2)
        kept = kept & np.isfinite(light).all(axis=2)
        bright = kept & (light > DARK).all(axis=2)
        if np.count_nonzero(bright) < LEAST_PIXELS:
            continue
        logs = np.log2(light[bright].astype(np.float64))
        medians.append(np.median(logs[:, [0, 2]] - logs[:, [1]], axis=0))
        levels.append(float(np.median(logs[:, 1])))
        mean = _edges(np.where(kept[..., None], light, 0.0), kept)
        if mean[1] >= LEAST_EDGE and mean.min() > 0:
            edges.append(np.log2(mean[[0, 2]] / mean[1]))
    if not medians:
        return None
    middle = np.median(medians, axis=0)
    between = np.median(edges, axis=0) if edges else None
    return Neutral((float(middle[0]), float(middle[1])),
                   None if between is None else (float(between[0]), float(between[1])), float(np.median(levels)))


def _edges(light: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Mean length of the gradient of each channel, where it rests on ``kept`` pixels only."""
    whole = cv2.erode(kept.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    if not whole.any():
        return np.zeros(3)
    smooth = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.0)
    across, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(smooth, cv2.CV_32F, 0, 1) / 8
    found: np.ndarray = np.hypot(across, down)[whole].astype(np.float64).mean(axis=0)
    return found


def estimate(take: Neutral | None, shot: Neutral | None) -> LightEstimate:
    """How the shot's light differs from the take's, as far as both say it."""
    if take is None or shot is None:
        return LightEstimate()
    level = round(shot.level - take.level, 3)
    if take.edges is None or shot.edges is None:
        return LightEstimate(level_stops=level)
    red, blue = (_agreed(shot.median[k] - take.median[k], shot.edges[k] - take.edges[k]) for k in range(2))
    return LightEstimate(red, blue, level)


def _agreed(one: float, other: float) -> float:
    smaller = one if abs(one) < abs(other) else other
    return round(smaller, 3) if one * other > 0 else 0.0


def light_cautions(found: LightEstimate, shot: str, take: str) -> list[LightMayDiffer]:
    """One where the difference is beyond the limits, with what is beyond them."""
    red, blue, level = (value if value is not None and abs(value) > limit else None for value, limit in (
        (found.red_stops, BALANCE_STOPS), (found.blue_stops, BALANCE_STOPS), (found.level_stops, LEVEL_STOPS)))
    return [] if red is blue is level is None else [LightMayDiffer(shot, take, red, blue, level)]


__all__ = ["BALANCE_STOPS", "LEVEL_STOPS", "Neutral", "estimate", "light_cautions", "light_of", "neutral_of"]
