"""The displays that a correction can aim at: encoding, primaries, luma coefficients, and how light comes out.

A display's picture is made from scene-linear light in which the perfect white diffuser is 1.0:

    bt709    OETF of ITU-R BT.709-6
    bt2020   OETF of ITU-R BT.2020-2 (the same curve), its primaries and luma coefficients
    srgb     IEC 61966-2-1
    bt1886   the inverse of the EOTF of ITU-R BT.1886: light as shown on the reference display
    hlg      OETF of ITU-R BT.2100-2, scaled so that reference white is at 75 % signal (ITU-R BT.2408)
    pq       reference OOTF and PQ of ITU-R BT.2100-2, scaled so that reference white is 203 cd/m2 (BT.2408)

The two BT.2100 displays put an 18 % grey at 38 % signal, as BT.2408 tabulates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from huewright_kernels.ops import Matrix, Operation, Transfer

from huewright.errors import InputError
from huewright.reference import apply_chain
from huewright.reference.hue import rgb_from_ycbcr, ycbcr_from_rgb
from huewright.reference.transfer import HLG_A, HLG_B, HLG_C, transfer

REFERENCE_WHITE_NITS = 203.0     # ITU-R BT.2408: HDR reference white
HLG_WHITE_SIGNAL = 0.75          # ITU-R BT.2408: HDR reference white in HLG
# XYZ (D65) to linear BT.709, which are sRGB's as well: computed from the chromaticities of ITU-R BT.709-6.
BT709_FROM_XYZ = np.array([[3.2404542, -1.5371385, -0.4985314], [-0.9692660, 1.8760108, 0.0415560],
                           [0.0556434, -0.2040259, 1.0572252]])
HLG_PEAK_NITS, HLG_GAMMA = 1000.0, 1.2    # ITU-R BT.2100-2, table 5: nominal peak and its system gamma


@dataclass(frozen=True)
class Display:
    """``encode`` takes scene-linear light (white diffuser = 1, in ``primaries``) to the full-range signal.

    primaries       RGB colour space, by colour-science's name; its white is D65
    kr, kb          luma coefficients of R' and B'
    bar_amplitude   signal of the "75 %" colour bars: 0.75, and 0.58 for PQ (ITU-R BT.2111-2)
    light           what the signal is turned into to be seen: "bt1886", "srgb", "pq" or "hlg"
    """

    name: str
    encode: tuple[Operation, ...]
    primaries: str
    kr: float
    kb: float
    bar_amplitude: float
    light: str

    @property
    def decode(self) -> tuple[Operation, ...]:
        """The signal back to scene-linear light: the inverse of ``encode``."""
        from huewright.colorimetry.inverse import inverse_operations

        return inverse_operations(self.encode)

    def light_from_signal(self, signal: Any) -> np.ndarray:
        """What the viewer is shown for ``signal`` (..., 3): linear, reference white = 1, in ``primaries``.

        ITU-R BT.1886 with L_W = 1 and L_B = 0 for bt709, bt2020 and bt1886; IEC 61966-2-1 for srgb; the PQ
        EOTF over 203 cd/m2; for hlg the inverse OETF and the OOTF at 1000 cd/m2 (gamma 1.2) over 203 cd/m2.
        """
        light = apply_chain((Transfer(self.light, "decode"),), signal)
        if self.light == "pq":
            return light * (10000.0 / REFERENCE_WHITE_NITS)
        if self.light == "hlg":
            luminance = np.maximum(light @ np.array([self.kr, 1 - self.kr - self.kb, self.kb]), 1e-9)
            scale = HLG_PEAK_NITS / REFERENCE_WHITE_NITS
            shown: np.ndarray = light * scale * luminance[..., None] ** (HLG_GAMMA - 1)
            return shown
        return light


def _scale(factor: float) -> Matrix:
    return Matrix(((factor, 0.0, 0.0), (0.0, factor, 0.0), (0.0, 0.0, factor)))


def _pq_encode() -> tuple[Operation, ...]:
    # BT.2100 table 4: F_D = G1709-style OETF then G1886, 100 cd/m2 for an OETF signal of 1. Scene light is
    # scaled so that F_D of the white diffuser is the reference white.
    signal = (REFERENCE_WHITE_NITS / 100.0) ** (1 / 2.4)
    scale = float(transfer(Transfer("bt709", "decode"), np.array([signal]))[0])
    return (_scale(scale), Transfer("bt709", "encode"), Transfer("bt1886", "decode"), _scale(0.01),
            Transfer("pq", "encode"))


def _hlg_encode() -> tuple[Operation, ...]:
    return (_scale((math.exp((HLG_WHITE_SIGNAL - HLG_C) / HLG_A) + HLG_B) / 12), Transfer("hlg", "encode"))


BT709, BT2020 = "ITU-R BT.709", "ITU-R BT.2020"
# x and y of red, green, blue and white: ITU-R BT.709-6 items 1.3 and 1.4, ITU-R BT.2020-2 table 3.
CHROMATICITIES = {BT709: (0.640, 0.330, 0.300, 0.600, 0.150, 0.060, 0.3127, 0.3290),
                  BT2020: (0.708, 0.292, 0.170, 0.797, 0.131, 0.046, 0.3127, 0.3290)}
# Luma coefficients: ITU-R BT.709-6 item 3.2, ITU-R BT.2020-2 table 4 (and BT.2100-2 table 6).
DISPLAYS: dict[str, Display] = {
    display.name: display
    for display in (
        Display("bt709", (Transfer("bt709", "encode"),), BT709, 0.2126, 0.0722, 0.75, "bt1886"),
        Display("bt2020", (Transfer("bt709", "encode"),), BT2020, 0.2627, 0.0593, 0.75, "bt1886"),
        Display("srgb", (Transfer("srgb", "encode"),), BT709, 0.2126, 0.0722, 0.75, "srgb"),
        Display("bt1886", (Transfer("bt1886", "encode"),), BT709, 0.2126, 0.0722, 0.75, "bt1886"),
        Display("pq", _pq_encode(), BT2020, 0.2627, 0.0593, 0.58, "pq"),
        Display("hlg", _hlg_encode(), BT2020, 0.2627, 0.0593, 0.75, "hlg"),
    )
}


def display_named(name: str) -> Display:
    """The display called ``name``; :class:`InputError` lists the known ones."""
    if name not in DISPLAYS:
        raise InputError(f"unknown display {name!r}; known: {', '.join(DISPLAYS)}")
    return DISPLAYS[name]


def display_luma(display: str) -> tuple[float, float]:
    """The luma coefficients (Kr, Kb) of the display called ``display``."""
    known = display_named(display)
    return known.kr, known.kb


def to_ycbcr(rgb: Any, luma: tuple[float, float]) -> np.ndarray:
    """(Y', Cb, Cr) of R'G'B' (..., 3), stacked the same way."""
    return np.stack(ycbcr_from_rgb(np.asarray(rgb, dtype=np.float64), *luma), axis=-1)


def from_ycbcr(ycbcr: Any, luma: tuple[float, float]) -> np.ndarray:
    """R'G'B' of (Y', Cb, Cr) (..., 3)."""
    values = np.asarray(ycbcr, dtype=np.float64)
    return rgb_from_ycbcr(values[..., 0], values[..., 1], values[..., 2], *luma)


def hue_deg(cb: Any, cr: Any) -> np.ndarray:
    """Hue angle atan2(Cr, Cb) in degrees, [0, 360)."""
    result: np.ndarray = np.degrees(np.arctan2(cr, cb)) % 360.0
    return result


def hue_difference_deg(a: Any, b: Any) -> np.ndarray:
    """``a`` - ``b`` on the circle, in degrees, [-180, 180)."""
    result: np.ndarray = (np.asarray(a) - np.asarray(b) + 180.0) % 360.0 - 180.0
    return result


@lru_cache(maxsize=32)
def primaries_matrix(source: str, target: str, adaptation: str = "CAT16") -> tuple[tuple[float, ...], ...]:
    """3x3 from linear RGB of ``source`` to that of ``target`` (colour-science's names), whites adapted.

    White (1, 1, 1) goes to white exactly: each row is scaled to add up to 1, which mends the last digits of
    published matrices. Raises :class:`InputError` for a name that colour-science does not have.
    """
    if source == target:
        return ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    import colour

    spaces = []
    for name in (source, target):
        if name not in colour.RGB_COLOURSPACES:
            raise InputError(f"unknown primaries {name!r}; give an RGB colour space by colour-science's name, "
                             "such as 'ITU-R BT.709'")
        space = colour.RGB_COLOURSPACES[name].copy()
        space.use_derived_matrix_RGB_to_XYZ = space.use_derived_matrix_XYZ_to_RGB = True
        spaces.append(space)
    matrix = colour.matrix_RGB_to_RGB(spaces[0], spaces[1], chromatic_adaptation_transform=adaptation)
    matrix = matrix / matrix.sum(axis=1, keepdims=True)
    return tuple(tuple(float(v) for v in row) for row in matrix)
