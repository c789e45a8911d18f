"""Which patches of a card are bars, chips and checks, told from their colours: measured ones, or a photograph's.

A photograph's light and rendering are not known. Its cast is taken off by the greatest set of patches that one gain a
channel makes neutral together; levels are then only known as far as the lightest of them is a white.
"""

from __future__ import annotations

from dataclasses import dataclass

import colour
import numpy as np
from huewright_kernels.ops import Transfer

from huewright.colorimetry.display import BT709_FROM_XYZ, display_luma, hue_deg, hue_difference_deg, to_ycbcr
from huewright.colorimetry.targets import bar_vectors
from huewright.reference import apply

# A bar is nearly neutral, a chip clearly coloured (CIELAB chroma); common practice, no source.
NEUTRAL_CHROMA, CHIP_CHROMA = 6.0, 35.0
# CIELAB hue angles of the 75 % bars of BT.709 seen in D65, rounded (computed with colour-science).
_HUE_OF_BAR = {"red": 40.0, "yellow": 103.0, "green": 136.0, "cyan": 196.0, "blue": 306.0, "magenta": 328.0}
# Levels that the trade sets black, middle and white bars to, within 0 to 10, about 41, and 90 to 100 IRE (common
# practice, no source); how far from 41 a grey may look in a photograph to be taken for the middle one.
PRACTICE_IRE = {"black": 9.0, "middle": 41.0, "white": 95.0}
MIDDLE_REACH_IRE = 14.0
# A chip of a photograph points at a bar within this angle on the vectorscope, and is this strong against its bar;
# a phone's own rendering turns hues by up to ten degrees or so (no source). Colours that were not meant for bars fall
# near one now and then, near four of the six hardly.
POINTING_DEG, LEAST_RADIUS, LEAST_CHIPS = 12.0, 0.22, 4
MOST_CAST = 1.9           # between the gains of two channels: usual lamps against a phone's own balance
TWO_GREYS = 12.0          # L* apart at least


@dataclass(frozen=True)
class Guess:
    """A patch's role as the photograph suggests it. ``off_deg`` is how far a chip points from its bar there, counter-
    clockwise on the vectorscope."""

    role: str
    hue: str | None = None
    level_ire: float | None = None
    name: str | None = None
    off_deg: float | None = None


def roles_of_colours(lab: np.ndarray) -> dict[int, tuple[str, str | None]]:
    """Index -> (role, hue) for measured CIELAB colours (n, 3): the darkest, middle and lightest neutrals as bars, the
    nearest strong colour to each 75 % bar's hue as its chip."""
    chroma, hue = np.hypot(lab[:, 1], lab[:, 2]), np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    roles: dict[int, tuple[str, str | None]] = {}
    neutral = np.flatnonzero(chroma < NEUTRAL_CHROMA)
    if len(neutral) >= 3:
        order = neutral[np.argsort(lab[neutral, 0])]
        # L* 49.5 is 18 % reflectance (CIE 15).
        middle = order[1:-1][np.abs(lab[order[1:-1], 0] - 49.5).argmin()]
        roles.update({int(k): ("bar", None) for k in (order[0], middle, order[-1])})
    for name, angle in _HUE_OF_BAR.items():
        off = np.abs((hue - angle + 180) % 360 - 180)
        free = [k for k in np.flatnonzero((chroma > CHIP_CHROMA) & (off < 35)) if int(k) not in roles]
        if free:
            best = min(free, key=lambda k: off[k] - 0.3 * chroma[k])
            roles[int(best)] = ("chip", name)
    return roles


def roles_of_photograph(codes: np.ndarray) -> list[Guess]:
    """What each patch of sRGB code values ``codes`` (n, 3) is likely to be; see :class:`Guess`. There are chips only
    where most of the bars' hues have one: fewer are not taken to be meant for them."""
    light = apply(Transfer("srgb", "decode"), np.clip(codes, 0, 1))
    gains = _uncast(light)
    balanced = light * gains
    neutral = np.flatnonzero(_chroma(balanced) < NEUTRAL_CHROMA)
    guesses = [Guess("check") for _ in codes]
    if len(neutral) == 0:
        return guesses
    # The lightest neutral is taken for a white of 90 %, on which all else that is said of levels hangs.
    white = float(balanced[neutral].mean(axis=1).max())
    signal = apply(Transfer("bt709", "encode"), 0.9 * balanced / white)
    places = to_ycbcr(signal, display_luma("bt709"))
    for k, name in _bars(neutral, 100 * places[:, 0]).items():
        guesses[k] = Guess("bar", level_ire=PRACTICE_IRE[name], name=name)
    chips: dict[int, Guess] = {}
    for hue, vector in bar_vectors().items():
        off = hue_difference_deg(hue_deg(places[:, 1], places[:, 2]), hue_deg(*vector))
        radius = np.hypot(places[:, 1], places[:, 2]) / np.hypot(*vector)
        free = [k for k in np.flatnonzero((np.abs(off) < POINTING_DEG) & (radius > LEAST_RADIUS))
                if guesses[k].role == "check" and int(k) not in chips]
        if free:
            best = min(free, key=lambda k: abs(off[k]) - 20 * min(radius[k], 0.6))
            chips[int(best)] = Guess("chip", hue, name=hue, off_deg=round(float(off[best]), 1))
    if len(chips) >= LEAST_CHIPS:
        for k, guess in chips.items():
            guesses[k] = guess
    return guesses


def _bars(neutral: np.ndarray, level: np.ndarray) -> dict[int, str]:
    """Index -> black, middle or white among the ``neutral``, by ``level`` (n,) in IRE as far as that is known."""
    order = neutral[np.argsort(level[neutral])]
    if len(order) < 2 or level[order[-1]] - level[order[0]] < TWO_GREYS:
        return {}
    bars = {int(order[0]): "black", int(order[-1]): "white"}
    between = [k for k in order[1:-1] if abs(level[k] - PRACTICE_IRE["middle"]) < MIDDLE_REACH_IRE]
    if between:
        bars[int(min(between, key=lambda k: abs(level[k] - PRACTICE_IRE["middle"])))] = "middle"
    return bars


def _uncast(light: np.ndarray) -> np.ndarray:
    """(3,) gains, 1 for green, under which most patches of ``light`` (n, 3) are neutral, lighter ones counting more."""
    best, most = np.ones(3), -1.0
    for row in [np.ones(3), *light]:
        if row.min() <= 0.004:
            continue
        gains = row[1] / row
        if gains.max() / gains.min() > MOST_CAST:
            continue
        near = _chroma(light * gains) < NEUTRAL_CHROMA
        lightness = np.sqrt(np.clip(light[:, 1], 0, 1))
        # Apart in lightness they count: ten patches of one grey are one witness.
        score = len(set(np.round(lightness[near] * 12).tolist())) + 0.1 * float(lightness[near].max(initial=0.0))
        if score > most + 1e-9:
            best, most = gains, score
    near = _chroma(light * best) < NEUTRAL_CHROMA
    total = light[near].sum(axis=0) if near.any() else np.ones(3)
    return np.asarray(total[1] / np.maximum(total, 1e-9)) if near.any() else best


def _chroma(light: np.ndarray) -> np.ndarray:
    """CIELAB chroma of linear BT.709 light (n, 3), its brightest patch taken for white."""
    scaled = light / max(float(light[:, 1].max()), 1e-6)
    xyz = np.clip(scaled, 0, None) @ _TO_XYZ.T
    lab = np.asarray(colour.XYZ_to_Lab(xyz, np.array([0.3127, 0.3290])))
    return np.asarray(np.hypot(lab[:, 1], lab[:, 2]))


_TO_XYZ = np.linalg.inv(BT709_FROM_XYZ)
