"""Display transfer functions, each from its own document, extended to negatives as the operation states.

    bt709    ITU-R BT.709-6, item 1.2 (its constants as printed)
    bt1886   ITU-R BT.1886, Annex 1, with L_W = 1 and L_B = 0
    srgb     IEC 61966-2-1
    pq       SMPTE ST 2084 / ITU-R BT.2100-2, table 4 (the EOTF and its inverse)
    hlg      ITU-R BT.2100-2, table 5 (the OETF and its inverse)
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from huewright_kernels.ops import Transfer

PQ_M1, PQ_M2 = 2610 / 16384, 2523 / 4096 * 128
PQ_C1, PQ_C2, PQ_C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
HLG_A = 0.17883277
HLG_B = 1 - 4 * HLG_A
HLG_C = 0.5 - HLG_A * math.log(4 * HLG_A)


def transfer(operation: Transfer, rgb: np.ndarray) -> np.ndarray:
    """Linear light to display signal (``encode``) or back (``decode``)."""
    return _FUNCTIONS[operation.curve, operation.direction](rgb)


def _bt709_encode(light: np.ndarray) -> np.ndarray:
    return np.where(light < 0.018, 4.5 * light, 1.099 * _power(light, 0.45) - 0.099)


def _bt709_decode(signal: np.ndarray) -> np.ndarray:
    return np.where(signal < 0.081, signal / 4.5, _power((signal + 0.099) / 1.099, 1 / 0.45))


def _bt1886_encode(light: np.ndarray) -> np.ndarray:
    result: np.ndarray = np.copysign(np.abs(light) ** (1 / 2.4), light)
    return result


def _bt1886_decode(signal: np.ndarray) -> np.ndarray:
    result: np.ndarray = np.copysign(np.abs(signal) ** 2.4, signal)
    return result


def _srgb_encode(light: np.ndarray) -> np.ndarray:
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * _power(light, 1 / 2.4) - 0.055)


def _srgb_decode(signal: np.ndarray) -> np.ndarray:
    return np.where(signal <= 0.04045, signal / 12.92, _power((signal + 0.055) / 1.055, 2.4))


def _pq_encode(light: np.ndarray) -> np.ndarray:
    powered = _power(light, PQ_M1)
    return ((PQ_C1 + PQ_C2 * powered) / (1 + PQ_C3 * powered)) ** PQ_M2


def _pq_decode(signal: np.ndarray) -> np.ndarray:
    powered = _power(signal, 1 / PQ_M2)
    # Past 1 the formula goes on to a pole (at a signal of about 1.99), and has no meaning beyond it.
    return (np.maximum(powered - PQ_C1, 0) / np.maximum(PQ_C2 - PQ_C3 * powered, 0)) ** (1 / PQ_M1)


def _hlg_encode(light: np.ndarray) -> np.ndarray:
    size = np.abs(light)
    curved = HLG_A * np.log(np.maximum(12 * size - HLG_B, 1e-300)) + HLG_C
    result: np.ndarray = np.copysign(np.where(size <= 1 / 12, np.sqrt(3 * size), curved), light)
    return result


def _hlg_decode(signal: np.ndarray) -> np.ndarray:
    size = np.abs(signal)
    curved = (np.exp((size - HLG_C) / HLG_A) + HLG_B) / 12
    result: np.ndarray = np.copysign(np.where(size <= 0.5, size * size / 3, curved), signal)
    return result


def _power(base: np.ndarray, exponent: float) -> np.ndarray:
    result: np.ndarray = np.maximum(base, 0.0) ** exponent
    return result


_FUNCTIONS: dict[tuple[str, str], Callable[[np.ndarray], np.ndarray]] = {
    ("bt709", "encode"): _bt709_encode, ("bt709", "decode"): _bt709_decode,
    ("bt1886", "encode"): _bt1886_encode, ("bt1886", "decode"): _bt1886_decode,
    ("srgb", "encode"): _srgb_encode, ("srgb", "decode"): _srgb_decode,
    ("linear", "encode"): np.copy, ("linear", "decode"): np.copy,
    ("pq", "encode"): _pq_encode, ("pq", "decode"): _pq_decode,
    ("hlg", "encode"): _hlg_encode, ("hlg", "decode"): _hlg_decode,
}
