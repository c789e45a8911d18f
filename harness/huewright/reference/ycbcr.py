"""Y'CbCr codes to R'G'B' and back in float64, written from the published formulae.

Source: ITU-T H.273 (equations of clause 8.3.4: full and limited range, non-constant luminance), with the luma
coefficients of ITU-R BT.709-6, BT.601-7 and BT.2020-2.
"""

from __future__ import annotations

from typing import Any

import numpy as np


def signal_from_codes(y: Any, cb: Any, cr: Any, *, kr: float, kb: float, bits: int, legal: bool) -> np.ndarray:
    """E'R, E'G, E'B (..., 3), 1 at nominal white, of codes of Y', Cb and Cr of ``bits``."""
    y, cb, cr = (np.asarray(codes, np.float64) for codes in (y, cb, cr))
    if legal:
        luma = (y / 2 ** (bits - 8) - 16) / 219
        blue, red = (cb / 2 ** (bits - 8) - 128) / 224, (cr / 2 ** (bits - 8) - 128) / 224
    else:
        luma = y / (2**bits - 1)
        blue, red = (cb - 2 ** (bits - 1)) / (2**bits - 1), (cr - 2 ** (bits - 1)) / (2**bits - 1)
    r = luma + 2 * (1 - kr) * red
    b = luma + 2 * (1 - kb) * blue
    g = (luma - kr * r - kb * b) / (1 - kr - kb)
    return np.stack([r, g, b], axis=-1)


def codes_from_signal(rgb: Any, *, kr: float, kb: float, bits: int, legal: bool) -> np.ndarray:
    """Codes of Y', Cb and Cr (..., 3), not rounded, of E'R, E'G, E'B (..., 3)."""
    rgb = np.asarray(rgb, np.float64)
    r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    luma = kr * r + (1 - kr - kb) * g + kb * b
    blue, red = (b - luma) / (2 * (1 - kb)), (r - luma) / (2 * (1 - kr))
    if legal:
        step = 2.0 ** (bits - 8)
        return np.stack([(219 * luma + 16) * step, (224 * blue + 128) * step, (224 * red + 128) * step], axis=-1)
    top, middle = 2.0**bits - 1, 2.0 ** (bits - 1)
    return np.stack([top * luma, top * blue + middle, top * red + middle], axis=-1)


__all__ = ["codes_from_signal", "signal_from_codes"]
