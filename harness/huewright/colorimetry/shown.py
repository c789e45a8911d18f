"""What a web page can show of a display's picture: every browser takes an untagged picture for sRGB (IEC 61966-2-1).

    bt709, bt1886, srgb   the signal as it is. BT.709 primaries are sRGB's; the step from the reference display's
                          gamma of 2.4 in a dim room to an sRGB screen in a lit one is left to eye and room, as is
                          common practice (no source)
    bt2020                light of BT.1886, brought to BT.709 primaries, encoded for BT.1886 again: greys unchanged
    pq, hlg               light of ITU-R BT.2100-2 (HLG at a nominal peak of 1000 cd/m2); its luminance rolls off by
                          the EETF of Report ITU-R BT.2408-7, annex 5 (in BT.2390 before), from 1000 to 203 cd/m2;
                          BT.709 primaries; encoded for BT.1886

Light outside BT.709 is mixed with the grey of its own luminance until it is inside: its luminance and its dominant
wavelength stay. A picture that was converted is for comparing before with after, not for judging level.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.colorimetry.display import (
    BT709,
    HLG_PEAK_NITS,
    REFERENCE_WHITE_NITS,
    Display,
    display_named,
    primaries_matrix,
)
from huewright.reference import apply_chain

AS_IT_IS = ("bt709", "bt1886", "srgb")
HDR = ("pq", "hlg")
SOURCE_PEAK_NITS = HLG_PEAK_NITS
# By ITU-R BT.709-6 item 3.2: for the grey that a colour outside its primaries is mixed with.
LUMINANCE_709 = np.array([0.2126, 0.7152, 0.0722])
OUTSIDE = 1e-3


@dataclass(frozen=True)
class Shown:
    """``srgb`` (..., 3) float64 in 0..1, ready for 8 bits; ``outside_percent`` of the colours lay outside BT.709's
    gamut by more than a thousandth of its range and were mixed with grey (0 where nothing is converted)."""

    srgb: np.ndarray
    outside_percent: float


def shown_in_srgb(signal: Any, display: str) -> Shown:
    """Display R'G'B' (..., 3), nominal 0..1, as a browser shall show it. What is not a number becomes black; what lies
    beyond 0..1 is cut, as the display does. Raises :class:`InputError` for an unknown display."""
    known = display_named(display)
    codes = np.clip(np.nan_to_num(np.asarray(signal, dtype=np.float64)), 0.0, 1.0)
    if known.name in AS_IT_IS:
        return Shown(codes, 0.0)
    light = known.light_from_signal(codes)
    if known.name in HDR:
        light = _rolled_off(light, known)
    light = light @ np.array(primaries_matrix(known.primaries, BT709)).T
    inside, outside_percent = _brought_inside(light)
    return Shown(np.clip(apply_chain((Transfer("bt1886", "encode"),), inside), 0.0, 1.0), outside_percent)


def bytes_in_srgb(signal: np.ndarray, display: str) -> np.ndarray:
    """:func:`shown_in_srgb` in 8 bits, (..., 3) uint8; in float32 where nothing is converted, for pictures that must
    be there at once."""
    if display_named(display).name not in AS_IT_IS:
        converted: np.ndarray = np.rint(shown_in_srgb(signal, display).srgb * 255).astype(np.uint8)
        return converted
    scaled = np.multiply(signal, np.float32(255), dtype=np.float32)
    np.nan_to_num(scaled, copy=False, nan=0.0)
    np.clip(scaled, 0.0, 255.0, out=scaled)
    codes: np.ndarray = np.rint(scaled, out=scaled).astype(np.uint8)
    return codes


def shown_note(display: str) -> str:
    """What :func:`shown_in_srgb` does to a picture of ``display``, for those who look at it."""
    known = display_named(display)
    if known.name in AS_IT_IS:
        return "The pictures are the display signal itself, unconverted; how they look also depends on the screen."
    if known.name not in HDR:
        return ("Shown here converted from BT.2020 to the BT.709 colours of a web page: greys are unchanged, stronger "
                "colours are mixed with grey. Compare before with after; don't judge saturation by it.")
    return (f"Shown here for a standard screen, converted from {known.name.upper()}: levels from "
            f"{SOURCE_PEAK_NITS:.0f} down to {REFERENCE_WHITE_NITS:.0f} cd/m² are rolled off and BT.2020 colours "
            "brought into BT.709. Compare before with after; not for judging level.")


def rolled_off_nits(luminance_nits: Any, peak_nits: float = SOURCE_PEAK_NITS,
                    target_nits: float = REFERENCE_WHITE_NITS) -> np.ndarray:
    """Luminance in cd/m2 through the EETF of Report ITU-R BT.2408-7, annex 5, black levels at 0: below the knee as it
    is, above it a Hermite spline in PQ signal that arrives at ``target_nits`` level."""
    def pq(nits: Any, direction: str) -> np.ndarray:
        return np.asarray(apply_chain((Transfer("pq", direction),), np.asarray(nits, dtype=np.float64)))

    top = float(pq(np.full((1, 3), peak_nits / 10000.0), "encode")[0, 0])
    most = float(pq(np.full((1, 3), target_nits / 10000.0), "encode")[0, 0]) / top
    flat = np.asarray(luminance_nits, dtype=np.float64).reshape(-1)
    padded = np.zeros((-(-flat.size // 3), 3))
    padded.reshape(-1)[:flat.size] = flat / 10000.0
    signal = np.minimum(pq(padded, "encode") / top, 1.0)
    knee = 1.5 * most - 0.5
    t = np.clip((signal - knee) / (1.0 - knee), 0.0, 1.0)
    spline = ((2 * t**3 - 3 * t**2 + 1) * knee + (t**3 - 2 * t**2 + t) * (1.0 - knee) + (3 * t**2 - 2 * t**3) * most)
    mapped = 10000.0 * pq(np.where(signal < knee, signal, spline) * top, "decode")
    return np.asarray(mapped.reshape(-1)[:flat.size].reshape(np.shape(luminance_nits)))


def _rolled_off(light: np.ndarray, display: Display) -> np.ndarray:
    """Light relative to reference white, its luminance rolled off, R:G:B kept."""
    nits = REFERENCE_WHITE_NITS * (light @ np.array([display.kr, 1 - display.kr - display.kb, display.kb]))
    scale = np.where(nits > 1e-6, rolled_off_nits(nits) / np.maximum(nits, 1e-6), 1.0)
    return light * scale[..., None]


def _brought_inside(light: np.ndarray) -> tuple[np.ndarray, float]:
    """BT.709 light mixed with its own grey until it lies in 0..1, and the percentage that had to be."""
    grey = np.clip(light @ LUMINANCE_709, 0.0, 1.0)[..., None]
    chroma = light - grey
    with np.errstate(divide="ignore", invalid="ignore"):
        room = np.where(chroma > 0, (1.0 - grey) / chroma, np.where(chroma < 0, -grey / chroma, np.inf))
    share = np.minimum(room.min(axis=-1, keepdims=True), 1.0)
    outside = ((light < -OUTSIDE) | (light > 1 + OUTSIDE)).any(axis=-1)
    return grey + share * chroma, 100.0 * float(outside.mean()) if outside.size else 0.0


__all__ = ["AS_IT_IS", "HDR", "Shown", "bytes_in_srgb", "rolled_off_nits", "shown_in_srgb", "shown_note"]
