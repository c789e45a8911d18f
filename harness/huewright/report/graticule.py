"""What the lines and targets on a scope stand for: numbers from the standards, no drawing."""

from __future__ import annotations

import numpy as np

from huewright.colorimetry.display import display_luma, to_ycbcr
from huewright.colorimetry.targets import BAR_SIGNALS

LOW, HIGH = -0.1, 1.1
"""Range of a level axis; 10-bit narrow-range code values 4..1019 lie at -6.8 % and 109 %."""


def code_10bit(level: float) -> int:
    """10-bit narrow-range code value of a signal level (1 = 100 %): ``round(64 + 876 Y')``.

    ITU-R BT.709-6 item 5.6 and BT.2100-2 table 9: black at 16, nominal peak at 235 of 8 bits, times 4.
    """
    return round(64 + 876 * level)


def chroma_code_10bit(component: float) -> int:
    """10-bit narrow-range code value of Cb or Cr (-0.5..0.5): ``round(512 + 896 C)``. Sources as :func:`code_10bit`."""
    return round(512 + 896 * component)


def colour_bars(luma: tuple[float, float], amplitude: float) -> dict[str, tuple[float, float, float]]:
    """(Y', Cb, Cr) of the six colour bars at ``amplitude`` (0.75, 1.0) for luma coefficients (Kr, Kb)."""
    values = to_ycbcr(amplitude * np.array(list(BAR_SIGNALS.values()), dtype=np.float64), luma)
    return {name: (float(row[0]), float(row[1]), float(row[2]))
            for name, row in zip(BAR_SIGNALS, values, strict=True)}


def standard_name(luma: tuple[float, float]) -> str:
    """Which standard's luma coefficients these are, in words."""
    for known, name in ((display_luma("bt709"), "ITU-R BT.709 luma"), (display_luma("bt2020"), "ITU-R BT.2020 luma")):
        if np.allclose(luma, known, atol=1e-6):
            return name
    return f"luma of Kr {luma[0]:g}, Kb {luma[1]:g}"


def density(counts: np.ndarray, curve: float = 60.0) -> np.ndarray:
    """Scope counts to ink 0..1, close to a logarithm: a single sample still shows, crowds don't drown the rest.

    ``curve`` is how many times weaker than full ink a cell may be and still take a good part of it.
    Full ink is the 99.7th percentile of the cells that are hit, so that one crowded cell doesn't set the scale.
    """
    counts = np.asarray(counts, dtype=np.float64)
    hit = counts[counts > 0]
    if hit.size == 0:
        return np.zeros_like(counts)
    full = max(float(np.percentile(hit, 99.7)), 1e-12)
    result: np.ndarray = np.clip(np.log1p(curve * counts / full) / np.log1p(curve), 0.0, 1.0)
    return result
