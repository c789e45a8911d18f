"""Control hues for the sectors, and a first answer for them.

Control hues sit at the chips' own hues as they arrive (after balance and tone): there a control turns its chip and
nothing else has to be traded for it. Chips closer together than :data:`LEAST_SEPARATION_DEG` share one control.
Between controls the correction is interpolated; a gap wider than :data:`WIDEST_GAP_DEG` gets controls of its own
which no chip drives, so that the far side of the circle is left as it is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from huewright_kernels.ops import HueSectors

from huewright.colorimetry.display import hue_deg, hue_difference_deg
from huewright.colorimetry.targets import Target

LEAST_SEPARATION_DEG = 8.0
WIDEST_GAP_DEG = 150.0
MOST_CONTROLS = 24


def direct(chroma: np.ndarray, targets: Sequence[Target], luma: tuple[float, float],
           least_slope: float) -> HueSectors:
    """Sectors that take each (Cb, Cr) of ``chroma`` (n, 2) to its target; the mean of it where chips share one.

    Where that would fold the order of hues, or nearly, rotations are drawn towards their common mean until the
    map's slope is at least ``least_slope`` between controls.
    """
    hues = hue_deg(chroma[:, 0], chroma[:, 1])
    radii = np.hypot(chroma[:, 0], chroma[:, 1])
    turns = hue_difference_deg([target.hue_deg for target in targets], hues)
    logs = np.log([max(target.radius, 1e-6) for target in targets]) - np.log(np.maximum(radii, 1e-6))
    logs = np.clip(logs, -np.log(4.0), np.log(4.0))
    controls = []
    for hue, members in _with_gaps_filled(_groups(hues)):
        turn, gain = (float(np.mean(turns[members])), float(np.mean(logs[members]))) if members else (0.0, 0.0)
        controls.append((round(hue, 3) % 360.0, turn, gain))
    controls.sort()
    places, rotations, gains = (np.array(column) for column in zip(*controls, strict=True))
    rotations = unfolded(places, rotations, least_slope)
    return HueSectors(tuple(places.tolist()), tuple(rotations.tolist()), tuple(np.exp(gains).tolist()), *luma)


def _groups(hues: np.ndarray) -> list[tuple[float, list[int]]]:
    """Chips by hue: (mean hue, their indices), rising, any two means at least the separation apart."""
    groups = [(float(hues[index]) % 360.0, [int(index)]) for index in np.argsort(hues, kind="stable")]
    while len(groups) > 1:
        gaps = [(groups[(k + 1) % len(groups)][0] - groups[k][0]) % 360.0 for k in range(len(groups))]
        k = int(np.argmin(gaps))
        if gaps[k] >= LEAST_SEPARATION_DEG and len(groups) <= MOST_CONTROLS:
            break
        (hue, members), (_, others) = groups[k], groups[(k + 1) % len(groups)]
        share = len(others) / (len(members) + len(others))
        merged = ((hue + gaps[k] * share) % 360.0, members + others)
        groups = sorted([group for index, group in enumerate(groups) if index not in (k, (k + 1) % len(groups))]
                        + [merged])
    return groups


def _with_gaps_filled(groups: list[tuple[float, list[int]]]) -> list[tuple[float, list[int]]]:
    filled = list(groups)
    for index, (hue, _) in enumerate(groups):
        gap = (groups[(index + 1) % len(groups)][0] - hue) % 360.0 or 360.0
        if gap > WIDEST_GAP_DEG:
            inside = max(int(np.ceil(gap / 100.0)) - 1, 1)
            filled += [((hue + gap * (step + 1) / (inside + 1)) % 360.0, []) for step in range(inside)]
    return sorted(filled)


def unfolded(places: np.ndarray, rotations: np.ndarray, least_slope: float) -> np.ndarray:
    """``rotations`` at ``places`` (n,), drawn towards their mean as far as the map's least slope asks."""
    mean = float(rotations.mean())
    steps = np.diff(np.append(places, places[0] + 360.0))
    bends = np.diff(np.append(rotations, rotations[0])) / steps      # slope of the map, less 1
    worst = float(bends.min())
    if 1.0 + worst > least_slope:
        return rotations
    return mean + (rotations - mean) * (1.0 - least_slope) / -worst * 0.999


def miss(place: np.ndarray, target: Target) -> tuple[float, float]:
    """Hue error in degrees and radius ratio of (Y', Cb, Cr) against a target."""
    error = float(hue_difference_deg(hue_deg(place[1], place[2]), target.hue_deg))
    return error, float(np.hypot(place[1], place[2]) / max(target.radius, 1e-9))
