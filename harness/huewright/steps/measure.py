"""The card's patches measured on whole frames at corners that are known: for the proof, before against after."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from huewright_kernels.masks import patch_statistics

from huewright.errors import InputError
from huewright.models.card import Card
from huewright.models.survey import FrameGrade

INNER = 0.7      # the share of a patch's width that is measured: rims mix paint and ground


@dataclass(frozen=True)
class Measurement:
    """Patches over several frames, in the order of ``names``: mean signal (n, 3), pixel noise covariance (n, 3, 3),
    how much the frames' means scatter (n, 3; standard deviation), and from how many frames."""

    names: tuple[str, ...]
    mean: np.ndarray
    noise: np.ndarray
    scatter: np.ndarray
    frames: np.ndarray


def outlines(card: Card, corners: Sequence[tuple[float, float]], inner: float = 1.0) -> dict[str, np.ndarray]:
    """Each patch's polygon (k, 2) in pixels, drawn in to ``inner`` of its width, for a card whose ``corners`` lie at
    these pixels (clockwise from its own top left)."""
    to_px = cv2.getPerspectiveTransform(np.array(card.corners, np.float32), np.array(corners, np.float32))
    result = {}
    for patch in card.patches:
        polygon = np.array(patch.polygon, np.float64)
        drawn = polygon.mean(axis=0) + inner * (polygon - polygon.mean(axis=0))
        result[patch.name] = cv2.perspectiveTransform(drawn[None], to_px.astype(np.float64))[0]
    return result


def measure_patches(card: Card, grades: Sequence[FrameGrade],
                    picture: Callable[[int], np.ndarray]) -> Measurement:
    """Plain means over ``grades``' frames; ``picture(frame)`` is the display signal (h, w, 3) float32.

    A patch is left out of a frame where it lies outside, or where the survey excluded it (a reflection) and another
    frame shows it free. Raises :class:`InputError` where no frame shows a patch.
    """
    names = tuple(patch.name for patch in card.patches)
    means, noises, seen, trusted = [], [], [], []
    for grade in grades:
        pixels = picture(grade.frame)
        statistics = patch_statistics(pixels, list(outlines(card, grade.corners, INNER).values()))
        inside = statistics.weight > 0
        means.append(np.where(inside[:, None], statistics.mean, 0.0))
        noises.append(np.where(inside[:, None, None], statistics.noise, 0.0))
        seen.append(inside)
        trusted.append(inside & [name not in grade.excluded_patches for name in names])
    mean, noise = np.array(means), np.array(noises)
    weight = np.where(np.any(trusted, axis=0), trusted, seen).astype(np.float64)
    if not np.all(weight.any(axis=0)):
        name = names[int(np.argmin(weight.any(axis=0)))]
        raise InputError(f"patch {name!r} lies outside the picture in every frame that the survey chose; prove with "
                         "frames of the take that was surveyed")
    share = weight / weight.sum(axis=0)
    centre = np.einsum("fn,fnc->nc", share, mean)
    return Measurement(names, centre, np.einsum("fn,fnij->nij", share, noise),
                       np.sqrt(np.einsum("fn,fnc->nc", share, (mean - centre) ** 2)), weight.sum(axis=0))
