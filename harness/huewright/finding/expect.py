"""What a camera may be expected to see of a card: relative R, G, B of each patch, good enough to tell patches apart.

From spectral reflectance through three Gaussian bands, from XYZ through BT.709's primaries, from what a photograph
showed, or, where a card file has display targets only, from a bar's level or a chip's hue. Never used to solve, only to
find.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.colorimetry.display import BT709_FROM_XYZ
from huewright.models.card import Card, Mark, Patch
from huewright.reference import apply

# Centres and widths (nm) of three bands, about where camera sensors have theirs. A choice, no source.
_BANDS = ((600.0, 32.0), (540.0, 38.0), (455.0, 28.0))
# What sensors differ in: the bands' centres by as much (nm), their widths by as many times; and what of a colour's
# difference between channels a camera's matrix may move. Choices of ours, near what three measured cameras and nine
# lights make of ISO 17321-1's greys.
_SHIFTS, _SPREADS, _MATRIXED = (-10.0, 0.0, 10.0), (0.8, 1.0, 1.25), 0.2
_HUES = {"red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "cyan": (0, 1, 1), "blue": (0, 0, 1),
         "magenta": (1, 0, 1)}


def expected_rgb(card: Card) -> np.ndarray:
    """(p, 3) of the card's patches, lightness-like (square root of reflectance), 0..1; NaN where unknown."""
    return np.array([expected_colour(patch) for patch in card.patches], dtype=np.float64)


def expected_colour(area: Patch | Mark) -> np.ndarray:
    """(3,) as in :func:`expected_rgb`."""
    if area.reflectance:
        wavelengths = np.array(area.wavelengths_nm)
        linear = np.array([np.average(area.reflectance, weights=np.exp(-0.5 * ((wavelengths - centre) / width) ** 2))
                  for centre, width in _BANDS])
    elif area.xyz is not None:
        linear = BT709_FROM_XYZ @ np.array(area.xyz)
    elif isinstance(area, Patch) and area.photographed is not None:
        linear = apply(Transfer("srgb", "decode"), np.array(area.photographed))
    elif isinstance(area, Patch) and area.level_ire is not None:
        # A level is already display-like; squared, the square root below gives it back.
        linear = np.full(3, (area.level_ire / 100) ** 2)
    elif isinstance(area, Patch) and area.hue is not None:
        linear = 0.05 + 0.35 * np.array(_HUES[area.hue], dtype=np.float64)
    else:
        return np.full(3, np.nan)
    result: np.ndarray = np.sqrt(np.clip(linear, 0.0, 1.5))
    return result


@lru_cache(maxsize=512)
def reflected(area: Patch | Mark) -> tuple[np.ndarray, np.ndarray]:
    """(3,) share of the light that ``area`` sends back in a camera's channels, and (3,) how much that differs (one
    standard deviation, natural log) from sensor to sensor; NaN where the card doesn't say what it reflects.

    A flat spectrum is the same to every sensor; one that falls where a band ends is not.
    """
    if not area.reflectance:
        known = area.xyz is not None
        return (expected_colour(area) ** 2 if known else np.full(3, np.nan)), np.full(3, 0.01 if known else np.nan)
    wavelengths = np.array(area.wavelengths_nm)
    seen = np.array([[np.average(area.reflectance, weights=np.exp(-0.5 * ((wavelengths - centre - shift)
                                                                          / (spread * width)) ** 2))
                      for shift in _SHIFTS for spread in _SPREADS] for centre, width in _BANDS])
    logs = np.log(np.maximum(seen, 1e-4))
    middle = logs.mean(axis=1)
    return np.exp(middle), np.hypot(logs.std(axis=1), _MATRIXED * np.ptp(middle))
