"""Cameras beside each other on the card: how far apart the same patch comes out, before the corrections and after, and
the card as each shows it.

The figures are of what each take's reading says, carried through the corrections; no rendered frame is measured. Where
a camera follows another by a patch, the patch is judged by a fit that left it out.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from huewright_kernels.executor import compile_chain, run

from huewright.colorimetry.display import display_named, from_ycbcr
from huewright.colorimetry.targets import delta_e
from huewright.errors import NoAnswerError
from huewright.frames.take import Take
from huewright.models.card import Card, Patch
from huewright.models.correction import Correction
from huewright.models.reading import Reading
from huewright.models.scene_made import CamerasApart, PatchApart
from huewright.models.survey import Survey
from huewright.proof.pictures import smear
from huewright.reference import apply_chain

ACROSS = 640         # px of the card's picture


def cameras_apart(cameras: tuple[str, str], takes: tuple[str, str], card: Card, readings: tuple[Reading, Reading],
                  corrections: tuple[Correction, Correction]) -> CamerasApart:
    """``readings`` and ``corrections`` are of the two ``takes``. A patch that either excluded is left out."""
    means = [{patch.name: patch.mean for patch in reading.patches if not patch.excluded} for reading in readings]
    kept = [patch for patch in card.patches if patch.name in means[0] and patch.name in means[1]]
    if not kept:
        return CamerasApart(cameras, takes, ())
    codes = [np.array([mean[patch.name] for patch in kept], np.float64) for mean in means]
    sides = [[np.clip(apply_chain(chain, values), 0.0, 1.0) for values, chain in zip(codes, chains, strict=True)]
             for chains in ([each.neutral_operations for each in corrections],
                            [each.operations for each in corrections])]
    without = [_left_out(signals, each, kept) for signals, each in zip(sides[1], corrections, strict=True)]
    sides.append([signals for signals, _ in without])
    seen = without[0][1] | without[1][1]
    apart = [np.asarray(delta_e(first, second, corrections[0].display)) for first, second in sides]
    signals = [signal for pair in sides[:2] for signal in pair]
    rows = tuple(PatchApart(patch.name, patch.role, float(apart[0][k]), float(apart[2][k]),
                            tuple(_triple(signal[k]) for signal in signals), float(apart[1][k]) if seen[k] else None)
                 for k, patch in enumerate(kept))
    return CamerasApart(cameras, takes, rows)


def _left_out(signals: np.ndarray, correction: Correction, kept: Sequence[Patch]) -> tuple[np.ndarray, np.ndarray]:
    """``signals`` (n, 3) after ``correction``, of each patch that it was fitted to for another camera's sake those with
    the patch left out; and which these are."""
    places = {row.name: row.left_out for row in correction.patches}
    display, result = display_named(correction.display), signals.copy()
    seen = np.array([places.get(patch.name) is not None for patch in kept])
    for index in np.flatnonzero(seen).tolist():
        place = np.array(places[kept[index].name], np.float64)
        result[index] = np.clip(from_ycbcr(place, (display.kr, display.kb)), 0.0, 1.0)
    return result, seen


def _triple(values: np.ndarray) -> tuple[float, float, float]:
    red, green, blue = (float(value) for value in values)
    return red, green, blue


def card_pictures(take: Take, survey: Survey, card: Card, correction: Correction) -> tuple[np.ndarray, np.ndarray]:
    """The card, straightened, as the sharpest of the chosen frames shows it: display signals (h, w, 3) float32 before
    and after. Raises :class:`NoAnswerError` where no frame was chosen."""
    chosen = [grade for grade in survey.grades if grade.verdict == "chosen" and len(grade.corners) == 4]
    if not chosen:
        raise NoAnswerError(f"{survey.take}: no frame of this take shows the card", survey.advice)
    grade = min(chosen, key=smear)
    codes = np.ascontiguousarray(take.frame(grade.frame).rgb_float())
    scale = ACROSS / card.size[0]
    size = (ACROSS, max(1, round(card.size[1] * scale)))
    places = np.array(card.corners, np.float32) * scale
    to_card = cv2.getPerspectiveTransform(np.array(grade.corners, np.float32), places)
    straight = np.ascontiguousarray(cv2.warpPerspective(codes, to_card, size, flags=cv2.INTER_AREA))
    before, after = (np.asarray(run(compile_chain(chain), straight), np.float32)
                     for chain in (correction.neutral_operations, correction.operations))
    return before, after


__all__ = ["cameras_apart", "card_pictures"]
