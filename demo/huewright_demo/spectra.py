"""Spectra of the invented shoot: the sampling, the illuminants' weights, and smooth reflectances for given colours.

Everything spectral in this package is sampled at :data:`WAVELENGTHS_NM`. Published data (the CIE 1931 2 degree
observer and illuminants D65 and D55, CIE 15:2018) come from colour-science; reflectances are computed here.
"""

from __future__ import annotations

import warnings
from functools import cache

import colour
import numpy as np
from huewright.reference.transfer import transfer
from huewright_kernels.ops import Transfer

WAVELENGTHS_NM = tuple(float(v) for v in range(380, 731, 10))
_SHAPE = colour.SpectralShape(380, 730, 10)
OBSERVER = "CIE 1931 2 Degree Standard Observer"
LOWEST, HIGHEST = 0.01, 0.95
# ITU-R BT.709-6: luma coefficients.
KR, KB = 0.2126, 0.0722


@cache
def xyz_weights(illuminant: str = "D65") -> np.ndarray:
    """(n, 3) weights W with XYZ = reflectance @ W, the perfect diffuser at about Y = 1.

    ASTM E308 is linear in the reflectance, so colour-science's ``sd_to_XYZ`` of each unit sample gives them.
    """
    cmfs, light = colour.MSDS_CMFS[OBSERVER], colour.SDS_ILLUMINANTS[illuminant]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        rows = [colour.sd_to_XYZ(colour.SpectralDistribution(row, _SHAPE), cmfs, light)
                for row in np.eye(len(WAVELENGTHS_NM))]
    return np.array(rows) / 100.0


@cache
def illuminant(name: str) -> np.ndarray:
    """(n,) relative spectral power of a CIE illuminant, 1 at its mean."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        values = colour.SDS_ILLUMINANTS[name].copy().align(_SHAPE).values
    result: np.ndarray = np.asarray(values, float) / np.mean(values)
    return result


def rgb_to_xyz(rgb: np.ndarray) -> np.ndarray:
    """Linear BT.709 (..., 3) to XYZ, perfect diffuser (1, 1, 1) at the D65 white."""
    return np.asarray(rgb, float) @ np.linalg.inv(_xyz_to_rgb_matrix()).T


def xyz_to_rgb(xyz: np.ndarray) -> np.ndarray:
    """XYZ (..., 3) relative to D65 to linear BT.709 (ITU-R BT.709-6 primaries and white)."""
    result: np.ndarray = np.asarray(xyz, float) @ _xyz_to_rgb_matrix().T
    return result


@cache
def _xyz_to_rgb_matrix() -> np.ndarray:
    return np.asarray(colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB, float)


def oetf(linear: np.ndarray) -> np.ndarray:
    """ITU-R BT.709-6 item 1.2, constants as printed; negatives follow the linear part."""
    return transfer(Transfer("bt709", "encode"), np.asarray(linear, float))


def oetf_inverse(signal: np.ndarray) -> np.ndarray:
    return transfer(Transfer("bt709", "decode"), np.asarray(signal, float))


def ycbcr(signal: np.ndarray) -> np.ndarray:
    """R'G'B' (..., 3) to (Y', Cb, Cr), ITU-R BT.709-6 item 3."""
    r, g, b = np.moveaxis(np.asarray(signal, float), -1, 0)
    y = KR * r + (1 - KR - KB) * g + KB * b
    return np.stack([y, (b - y) / (2 * (1 - KB)), (r - y) / (2 * (1 - KR))], -1)


def rgb_of_ycbcr(values: np.ndarray) -> np.ndarray:
    """The inverse of :func:`ycbcr`."""
    y, cb, cr = np.moveaxis(np.asarray(values, float), -1, 0)
    r, b = y + 2 * (1 - KR) * cr, y + 2 * (1 - KB) * cb
    return np.stack([r, (y - KR * r - KB * b) / (1 - KR - KB), b], -1)


def true_signal(reflectance: np.ndarray) -> np.ndarray:
    """The colorimetric BT.709 picture R'G'B' (..., 3) of reflectances (..., n) under D65."""
    return oetf(xyz_to_rgb(np.asarray(reflectance, float) @ xyz_weights("D65")))


def smooth_reflectance(xyz: np.ndarray) -> np.ndarray:
    """A very smooth reflectance within :data:`LOWEST` .. :data:`HIGHEST` with this XYZ under D65.

    (n,) with the least sum of squared second differences, a little of first ones, subject to the colour's equations.
    Raises ``ValueError`` if no reflectance within the bounds has that colour.
    """
    W, xyz = xyz_weights("D65"), np.asarray(xyz, float)
    n = len(WAVELENGTHS_NM)
    first, second = np.diff(np.eye(n), axis=0), np.diff(np.eye(n), n=2, axis=0)
    H = second.T @ second + 0.02 * first.T @ first
    reflectance, held = np.zeros(n), np.zeros(n, bool)
    # Samples that leave the bounds are held there and the rest solved again, until none does.
    while True:
        free = ~held
        size = int(free.sum())
        if size <= 3:
            break
        system = np.zeros((size + 3, size + 3))
        system[:size, :size], system[:size, size:], system[size:, :size] = H[np.ix_(free, free)], W[free], W[free].T
        right = np.concatenate([-H[np.ix_(free, held)] @ reflectance[held], xyz - reflectance[held] @ W[held]])
        reflectance[free] = np.linalg.solve(system, right)[:size]
        outside = free & ((reflectance < LOWEST - 1e-9) | (reflectance > HIGHEST + 1e-9))
        if not outside.any():
            return reflectance
        reflectance = np.clip(reflectance, LOWEST, HIGHEST)
        held |= outside
    raise ValueError(f"no smooth reflectance in {LOWEST}..{HIGHEST} has XYZ {np.round(xyz, 4).tolist()}")
