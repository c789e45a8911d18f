"""The card's patches measured on whole frames at corners that are known: for the proof, before against after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from huewright_kernels.ops import Operation
from huewright_kernels.statistics import PatchStatistics, patch_statistics

from huewright.errors import InputError
from huewright.finding.find import find_card
from huewright.finding.light import LinearLight
from huewright.finding.read import read_patches
from huewright.models.card import Card
from huewright.models.footage import Footage
from huewright.models.survey import FrameGrade
from huewright.reference import apply_chain

INNER = 0.7      # the share of a patch's width that is measured: rims mix paint and ground


@dataclass(frozen=True)
class Measurement:
    """Patches over several frames, in the order of ``names``.

    mean     (n, 3) signal, the light's fall-off over the card allowed for; ``as_lit`` (n, 3) the plain mean
    noise    (n, 3, 3) covariance of single pixels
    frames   (n,) how many frames each patch was measured on
    """

    names: tuple[str, ...]
    mean: np.ndarray
    as_lit: np.ndarray
    noise: np.ndarray
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


class EvenLight:
    """What the light's fall-off over the card does to each patch, found in a camera frame as the survey finds it."""

    def __init__(self, card: Card, footage: Footage) -> None:
        self._card, self._light = card, LinearLight(footage)

    def codes(self, rgb: np.ndarray, grade: FrameGrade) -> tuple[np.ndarray, np.ndarray]:
        """(in even light, as they are): code values (n, 3) of the patches in the camera's frame ``rgb``."""
        found = find_card(rgb, self._card, corners=np.array(grade.corners))
        if found is None:
            raise InputError(f"frame {grade.frame}: the card's corners lie outside the picture; prove with frames of "
                             "the take that was surveyed")
        raw = read_patches(rgb, self._card, found, self._light)
        return raw.code, raw.measured


class Measuring:
    """Collects one side's frames: :meth:`add` each, then :meth:`result`."""

    def __init__(self, card: Card, operations: Sequence[Operation]) -> None:
        self._card, self._operations = card, tuple(operations)
        self._names = tuple(patch.name for patch in card.patches)
        self._frames: list[tuple[FrameGrade, PatchStatistics, np.ndarray]] = []

    def add(self, grade: FrameGrade, signal: np.ndarray, even: np.ndarray, lit: np.ndarray) -> None:
        """A frame's display ``signal`` (h, w, 3) float32, and the patches' code values from :class:`EvenLight`.

        What the fall-off does to the signal is what this side's chain makes of it, to first order.
        """
        statistics = patch_statistics(signal, list(outlines(self._card, grade.corners, INNER).values()))
        shift = apply_chain(self._operations, even) - apply_chain(self._operations, lit)
        self._frames.append((grade, statistics, np.nan_to_num(shift)))

    def result(self) -> Measurement:
        """Means over the frames. A patch is left out of a frame where it lies outside, or where the survey excluded it
        (a reflection) and another frame shows it free. Raises :class:`InputError` where no frame shows a patch."""
        seen = np.array([statistics.weight > 0 for _, statistics, _ in self._frames])
        free = np.array([[name not in grade.excluded_patches for name in self._names] for grade, _, _ in self._frames])
        weight = np.where(np.any(seen & free, axis=0), seen & free, seen).astype(np.float64)
        if not np.all(weight.any(axis=0)):
            name = self._names[int(np.argmin(weight.any(axis=0)))]
            raise InputError(f"patch {name!r} lies outside the picture in every frame that the survey chose; prove "
                             "with frames of the take that was surveyed")
        share = weight / weight.sum(axis=0)
        lit = np.einsum("fn,fnc->nc", share, [np.nan_to_num(s.mean) for _, s, _ in self._frames])
        shift = np.einsum("fn,fnc->nc", share, [shift for _, _, shift in self._frames])
        noise = np.einsum("fn,fnij->nij", share, [np.nan_to_num(s.noise) for _, s, _ in self._frames])
        return Measurement(self._names, lit + shift, lit, noise, weight.sum(axis=0))
