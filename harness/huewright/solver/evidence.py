"""What of a reading the solve may lean on, and the plain refusals where a card cannot support an answer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from huewright.colorimetry.targets import Target
from huewright.errors import NoAnswerError
from huewright.models.card import Card
from huewright.models.reading import PatchReading, Reading
from huewright.solver.settings import SolveSettings

GLARE_LIMIT = 0.5        # above this an overexposed patch is a reflection, not an overexposed take
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
    """``bars`` and ``chips`` drive the solve, ``checks`` only prove; ``unused`` is name -> reason in words."""

    bars: tuple[Sample, ...]
    chips: tuple[Sample, ...]
    checks: tuple[Sample, ...]
    set_aside: tuple[Sample, ...]
    unused: dict[str, str]


def gather(reading: Reading, card: Card, targets: dict[str, Target], settings: SolveSettings) -> Evidence:
    """Sorts the patches. Raises :class:`NoAnswerError` for clipped bars, too few bars, or no chips."""
    read = {patch.name: patch for patch in reading.patches}
    groups: dict[str, list[Sample]] = {"bar": [], "chip": [], "check": []}
    unused: dict[str, str] = {}
    set_aside: list[Sample] = []
    for patch in card.patches:
        found = read.get(patch.name)
        if found is None or not np.all(np.isfinite(found.mean)):
            unused[patch.name] = "not read"
            continue
        clipped = max(found.clipped) > settings.clip_limit
        if patch.role == "bar" and clipped and found.glare < GLARE_LIMIT:
            raise NoAnswerError(_clipped_bar(found))
        sample = _sample(found, patch.role, targets[patch.name])
        if found.excluded or clipped:
            unused[patch.name] = "; ".join(found.reasons) or ("clipped" if clipped else "excluded")
            set_aside.append(sample)
        else:
            groups[patch.role].append(sample)
    _check_bars(groups["bar"], unused)
    if not groups["chip"] and settings.method != "balance":
        raise NoAnswerError("no chip of the card could be read, so no hue can be solved; use a frame where the chips "
                            "are free of glare and inside the picture, or --method balance")
    return Evidence(tuple(groups["bar"]), tuple(groups["chip"]), tuple(groups["check"]), tuple(set_aside), unused)


def _sample(found: PatchReading, role: str, target: Target) -> Sample:
    pixel = np.array(found.covariance, dtype=np.float64)
    deviation = np.sqrt(np.clip(np.diag(pixel), 1e-30, None))
    correlation = pixel / np.outer(deviation, deviation)
    np.fill_diagonal(correlation, 1.0)
    error = np.array(found.standard_error, dtype=np.float64)
    return Sample(found.name, role, target, np.array(found.mean, dtype=np.float64), pixel,
                  np.clip(correlation, -1, 1) * np.outer(error, error))


def _clipped_bar(found: PatchReading) -> str:
    channel = int(np.argmax(found.clipped))
    return (f"bar {found.name!r} is clipped in {('red', 'green', 'blue')[channel]} "
            f"({100 * found.clipped[channel]:.0f} % of its pixels), so its level is not known; "
            "shoot the card with an exposure that keeps every bar inside the code range")


def _check_bars(bars: list[Sample], unused: dict[str, str]) -> None:
    levels = sorted(bar.target.luma for bar in bars if bar.target.luma is not None)
    if len(levels) >= 2 and levels[-1] - levels[0] >= LEAST_LEVEL_STEP:
        return
    missing = ", ".join(f"{name} ({reason})" for name, reason in unused.items())
    raise NoAnswerError("too few grey bars could be read: exposure and tone need two or more at different levels"
                        + (f"; not used: {missing}" if missing else "")
                        + "; use a frame where the bars are free of glare")


def check_light(chips: tuple[Sample, ...], chroma: np.ndarray) -> None:
    """Raises :class:`NoAnswerError` where the chips' balanced (Cb, Cr) (n, 2) fall onto a line or a point.

    Under a light that lacks most of the spectrum, unlike chips look alike: then a hue cannot be told from its
    opposite's strength, and any rotation would be made up.
    """
    if len(chips) < 3:
        return
    asked = np.array([(chip.target.cb, chip.target.cr) for chip in chips])
    spread = np.linalg.svd(chroma - chroma.mean(axis=0), compute_uv=False) / np.sqrt(len(chips))
    wanted = np.linalg.svd(asked - asked.mean(axis=0), compute_uv=False) / np.sqrt(len(chips))
    if spread[0] < 0.1 * wanted[0]:
        raise NoAnswerError("the chips show almost no colour after balancing: the light or the camera's settings took "
                            "it away; shoot the card under a light with a full spectrum, with colour on")
    if spread[1] < 0.2 * wanted[1] / wanted[0] * spread[0]:
        raise NoAnswerError("the chips' colours fall onto one line after balancing: this light lacks too much of the "
                            "spectrum to tell their hues apart; shoot the card under a light with a full spectrum")
