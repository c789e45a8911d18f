"""What a camera may be expected to see of a card: relative R, G, B of each patch, good enough to tell patches apart.

From spectral reflectance through three Gaussian bands, from XYZ through BT.709's primaries, from what a photograph
showed, or, where a card file has display targets only, from a bar's level or a chip's hue. Never used to solve, only to
find.
"""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.colorimetry.display import BT709_FROM_XYZ
from huewright.models.card import Card, Mark, Patch
from huewright.reference import apply

# Centres and widths (nm) of three bands, about where camera sensors have theirs. A choice, no source.
_BANDS = ((600.0, 32.0), (540.0, 38.0), (455.0, 28.0))
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
