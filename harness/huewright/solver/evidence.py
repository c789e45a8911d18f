"""What of a reading the solve may lean on, and the plain refusals where a card cannot support an answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from huewright.colorimetry.targets import Target
from huewright.errors import NoAnswerError
from huewright.models import reasons, refusals
from huewright.models.card import Card
from huewright.models.reading import PatchReading, Reading, clip_shift, clipping_tells, correlation_matrix
from huewright.models.settings import SolveSettings

GLARE_LIMIT = 0.5        # above this an overexposed patch is a reflection, not an overexposed take
FAINT = 0.1              # chips that spread less than this share of their targets' spread show no colour
# Chips this flat lie on a line (see flatness). Measured on the spectral takes of the external tests, two cameras, two
# cards: spectra of two lines 0.000, one line with up to 5 % of daylight 0.010 to 0.041 (noise lifted 33 dB and more,
# hues made up; the other camera shows almost no colour there, and is refused for that); all CIE illuminants and
# measured lamps 0.094 and more, the least of them being three narrow bands seen by the camera of weaker colours, which
# comes from 13.8 to 3.3 CIEDE2000 on check patches. In between is only light that nobody works in: a line with 10 % of
# daylight 0.050 to 0.070, a printer's blue filter 0.026 to 0.093.
LINE = 0.075
PRIMARIES: tuple[Literal["red", "green", "blue"], ...] = ("red", "green", "blue")
LEAST_LEVEL_STEP = 0.05  # bars closer together than this do not span a range of levels


@dataclass(frozen=True)
class Sample:
    """One patch as measured. ``mean`` (3,), ``pixel_covariance`` and ``mean_covariance`` (3, 3), code values."""

    name: str
    role: str
    target: Target
    mean: np.ndarray
    pixel_covariance: np.ndarray
    mean_covariance: np.ndarray


@dataclass(frozen=True)
class Evidence:
    """``bars`` and ``chips`` drive the solve, ``checks`` only prove; ``unused`` is name -> why."""

    bars: tuple[Sample, ...]
    chips: tuple[Sample, ...]
    checks: tuple[Sample, ...]
    set_aside: tuple[Sample, ...]
    unused: dict[str, tuple[reasons.PatchReason, ...]]


def gather(reading: Reading, card: Card, targets: dict[str, Target], settings: SolveSettings) -> Evidence:
    """Sorts the patches. Raises :class:`NoAnswerError` for clipped bars, too few bars, or no chips."""
    read = {patch.name: patch for patch in reading.patches}
    groups: dict[str, list[Sample]] = {"bar": [], "chip": [], "check": []}
    unused: dict[str, tuple[reasons.PatchReason, ...]] = {}
    set_aside: list[Sample] = []
    for patch in card.patches:
        found = read.get(patch.name)
        if found is None or not np.all(np.isfinite(found.mean)):
            unused[patch.name] = (reasons.NotRead(),)
            continue
        clipped = _is_clipped(found, settings.clip_limit)
        if patch.role == "bar" and clipped and found.glare < GLARE_LIMIT:
            raise NoAnswerError(_clipped_bar(found))
        sample = _sample(found, patch.role, targets[patch.name])
        if found.excluded or clipped:
            unused[patch.name] = found.reasons or ((reasons.Clipped() if clipped else reasons.Excluded()),)
            set_aside.append(sample)
        else:
            groups[patch.role].append(sample)
    _check_bars(groups["bar"], unused)
    if not groups["chip"] and settings.method != "balance":
        raise NoAnswerError(refusals.NoChips())
    return Evidence(tuple(groups["bar"]), tuple(groups["chip"]), tuple(groups["check"]), tuple(set_aside), unused)


def _sample(found: PatchReading, role: str, target: Target) -> Sample:
    pixel = np.array(found.covariance, dtype=np.float64)
    deviation = np.sqrt(np.clip(np.diag(pixel), 1e-30, None))
    correlation = pixel / np.outer(deviation, deviation)
    if found.correlation is not None:
        correlation = correlation_matrix(found.correlation)
    np.fill_diagonal(correlation, 1.0)
    error = np.array(found.standard_error, dtype=np.float64)
    return Sample(found.name, role, target, np.array(found.mean, dtype=np.float64), pixel,
                  np.clip(correlation, -1, 1) * np.outer(error, error))


def _is_clipped(found: PatchReading, limit: float) -> bool:
    share = np.array(found.clipped)
    deviation = np.sqrt(np.clip(np.diag(found.covariance), 0.0, None))
    return bool(clipping_tells(share, clip_shift(share, deviation), limit).any())


def _clipped_bar(found: PatchReading) -> refusals.BarClipped:
    channel = int(np.argmax(found.clipped))
    return refusals.BarClipped(found.name, PRIMARIES[channel], float(found.clipped[channel]))


def _check_bars(bars: list[Sample], unused: dict[str, tuple[reasons.PatchReason, ...]]) -> None:
    levels = sorted(bar.target.luma for bar in bars if bar.target.luma is not None)
    if len(levels) >= 2 and levels[-1] - levels[0] >= LEAST_LEVEL_STEP:
        return
    raise NoAnswerError(refusals.TooFewBars(tuple(refusals.Unused(name, why) for name, why in unused.items())))


def check_light(chips: tuple[Sample, ...], chroma: np.ndarray, light: np.ndarray, wanted: np.ndarray) -> None:
    """Raises :class:`NoAnswerError` where the chips' colours fall onto a point or a line.

    chroma          balanced (Cb, Cr) (n, 2) of the chips as they arrive
    light, wanted   balanced camera light (n, 3), and the display light that the targets ask for (n, 3)

    Under a light that lacks most of the spectrum, unlike chips look alike: then a hue cannot be told from its
    opposite's strength, and any rotation would be made up. A line is looked for in the chromaticities of light, where
    a spectrum of two lines leaves exactly that; a display's curve bends it.
    """
    if len(chips) < 3:
        return
    asked = np.array([(chip.target.cb, chip.target.cr) for chip in chips])
    if _extent(chroma)[0] < FAINT * _extent(asked)[0]:
        raise NoAnswerError(refusals.ChipsColourless())
    if flatness(light, wanted) < LINE:
        raise NoAnswerError(refusals.ChipsOnLine())


def flatness(light: np.ndarray, wanted: np.ndarray) -> float:
    """Width over length of the chromaticities of ``light`` (n, 3), against those ``wanted``: 0 on a line, about 1
    where the colours lie as they are meant to; infinite where they are meant to lie on a line."""
    seen, meant = _extent(_chromaticity(light)), _extent(_chromaticity(wanted))
    if meant[1] <= 1e-9 * meant[0] or seen[0] == 0:
        return np.inf
    return float(seen[1] / seen[0] * meant[0] / meant[1])


def _extent(points: np.ndarray) -> np.ndarray:
    """Length and width of a cloud of (n, 2)."""
    return np.linalg.svd(points - points.mean(axis=0), compute_uv=False)


def _chromaticity(light: np.ndarray) -> np.ndarray:
    kept = np.maximum(light, 1e-6)
    result: np.ndarray = kept[:, [0, 2]] / kept.sum(axis=1, keepdims=True)
    return result
