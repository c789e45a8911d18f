"""The invented cameras: sensitivities, a maker's matrix, hue errors, noise, exposure and balance errors, log coding.

No real camera is meant. Each is a chain from reflected light to code values:

    raw         light through the sensitivities, 1 for the perfect diffuser under the set's light
    exposure    the person's error, in stops, then shot and read noise and the sensor's ceiling
    balance     the person's error: gains on raw R, G, B
    matrix      the maker's 3x3 from raw to linear BT.709, white kept, fitted to ISO 17321-1 reflectances
    pipeline    the maker's own idea of colour: a rotation and a gain of chroma that vary smoothly with hue
                (three harmonics; no 3x3 matrix undoes it), in square-root light, homogeneous of degree one
    log         ACEScct (Academy S-2016-001), then half floats or 10-bit integers
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import colour
import cv2
import numpy as np
from huewright_kernels.cache import entry
from numba import njit

from huewright_demo import spectra

# Academy S-2016-001, ACEScct: the break, the slope and offset of the linear part, and the log part's constants.
CCT_BREAK, CCT_SLOPE, CCT_OFFSET = 0.0078125, 10.5402377416545, 0.0729055341958355
CCT_LOG_OFFSET, CCT_LOG_SCALE = 9.72, 17.52
# Weights of the pipeline's own lightness: deliberately not those of any display standard.
_WR, _WG, _WB = 0.28, 0.60, 0.12

Harmonics = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Camera:
    """One invented camera.

    peaks          per channel R, G, B: (wavelength_nm, width_nm below, width_nm above, shoulder) of its sensitivity
    exposure_stops, balance   errors of the person who shot
    rotation       (amplitude_deg, phase_deg) of the first, second, ... harmonic of the hue rotation
    saturation     (amplitude, phase_deg) of the harmonics of the chroma gain's logarithm; the first is constant
    shot_noise, read_noise    raw standard deviation at raw 1 and at black
    ceiling        raw value where the sensor clips
    """

    name: str
    suffix: str
    peaks: tuple[tuple[float, float, float, float], ...]
    exposure_stops: float
    balance: tuple[float, float, float]
    rotation: Harmonics
    saturation: Harmonics
    shot_noise: float
    read_noise: float
    ceiling: float = 12.0

    @cached_property
    def sensitivities(self) -> np.ndarray:
        """(n, 3) at the package's wavelengths, each channel 1 at its highest: two half Gaussians and a shoulder."""
        nm = np.array(spectra.WAVELENGTHS_NM)
        columns = []
        for peak, below, above, shoulder in self.peaks:
            width = np.where(nm < peak, below, above)
            lobe = np.exp(-0.5 * ((nm - peak) / width) ** 2)
            wide = np.exp(-0.5 * ((nm - 530.0) / 75.0) ** 2)
            column = lobe + shoulder * wide
            columns.append(column / column.max())
        return np.stack(columns, -1)

    def raw_of_reflectance(self, reflectance: np.ndarray, light: str) -> np.ndarray:
        """(..., n) reflectances to raw (..., 3), the perfect diffuser at (1, 1, 1)."""
        weights = self.sensitivities * spectra.illuminant(light)[:, None]
        result: np.ndarray = np.asarray(reflectance, float) @ (weights / weights.sum(0))
        return result

    def matrix(self, light: str) -> np.ndarray:
        """The maker's 3x3 from balanced raw to linear BT.709: least squares with white kept."""
        training = _training_reflectances()
        raw = self.raw_of_reflectance(training, light)
        aim = spectra.xyz_to_rgb(training @ spectra.xyz_weights("D65"))
        # Rows sum to one: fit the two free columns of each row to what remains.
        free = raw[:, [0, 2]] - raw[:, [1]]
        solved, *_ = np.linalg.lstsq(free, aim - raw[:, [1]], rcond=None)
        return np.stack([solved[0], 1 - solved.sum(0), solved[1]], -1)

    def pack(self, light: str) -> np.ndarray:
        """The chain's numbers in the order that the kernels below read."""
        gain = self.balance
        matrix = self.matrix(light) @ np.diag(gain)
        rotation = _components([(math.radians(amplitude), phase) for amplitude, phase in self.rotation])
        saturation = _components(list(self.saturation))
        return np.array([2.0**self.exposure_stops, self.shot_noise, self.read_noise, self.ceiling,
                         *matrix.ravel(), *rotation, *saturation], np.float32)

    def linear_of_raw(self, raw: np.ndarray, light: str) -> np.ndarray:
        """Noise-free raw (..., 3) to the linear values that the camera codes (float64 of the same kernels)."""
        linear = np.array(raw, float, order="C")
        _linear(linear.reshape(-1, 3), self.pack(light).astype(np.float64))
        return linear


CAMERAS = {
    "A": Camera("A", ".exr", ((601.0, 34.0, 38.0, 0.06), (538.0, 37.0, 42.0, 0.05), (456.0, 24.0, 33.0, 0.03)),
                exposure_stops=-0.55, balance=(1.13, 1.0, 0.90),
                rotation=((5.0, 40.0), (4.5, 200.0), (2.0, 75.0)),
                saturation=((-0.12, 0.0), (0.10, 120.0), (0.06, 30.0)),
                shot_noise=0.0045, read_noise=0.0005),
    "B": Camera("B", ".dpx", ((598.0, 36.0, 36.0, 0.05), (532.0, 35.0, 40.0, 0.03), (450.0, 23.0, 30.0, 0.05)),
                exposure_stops=0.45, balance=(0.91, 1.0, 1.16),
                rotation=((-5.0, 150.0), (3.0, 20.0), (2.2, 260.0)),
                saturation=((-0.07, 0.0), (0.08, 250.0), (0.04, 140.0)),
                shot_noise=0.0055, read_noise=0.0006),
}


def _components(harmonics: list[tuple[float, float]]) -> list[float]:
    """a cos(k t - phase) as the factors of cos(k t) and sin(k t)."""
    return [part for amplitude, phase_deg in harmonics
            for part in (amplitude * math.cos(math.radians(phase_deg)), amplitude * math.sin(math.radians(phase_deg)))]


def _training_reflectances() -> np.ndarray:
    return np.stack([sd.copy().align(spectra._SHAPE).values
                     for sd in colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()])


@njit(inline="always")
def _signed_root(value):  # type: ignore[no-untyped-def]
    return math.copysign(math.sqrt(abs(value)), value)


@njit
def _pipeline(r, g, b, pack):  # type: ignore[no-untyped-def]
    """Exposed raw to linear BT.709 as the camera sees it: matrix, then hue rotation and gain in root light."""
    x = _signed_root(pack[4] * r + pack[5] * g + pack[6] * b)
    y = _signed_root(pack[7] * r + pack[8] * g + pack[9] * b)
    z = _signed_root(pack[10] * r + pack[11] * g + pack[12] * b)
    w = np.float32(_WR) * x + np.float32(_WG) * y + np.float32(_WB) * z
    p, q = z - w, x - w
    chroma = math.sqrt(p * p + q * q) + np.float32(1e-12)
    # Harmonics from the angle-addition formulae: cos(k t - phase) with cos t = p / chroma, sin t = q / chroma.
    c1, s1 = p / chroma, q / chroma
    c2, s2 = c1 * c1 - s1 * s1, 2 * s1 * c1
    c3, s3 = c2 * c1 - s2 * s1, s2 * c1 + c2 * s1
    turn = pack[13] * c1 + pack[14] * s1 + pack[15] * c2 + pack[16] * s2 + pack[17] * c3 + pack[18] * s3
    gain = math.exp(pack[19] + pack[21] * c1 + pack[22] * s1 + pack[23] * c2 + pack[24] * s2)
    ct, st = math.cos(turn) * gain, math.sin(turn) * gain
    z, x = w + p * ct - q * st, w + p * st + q * ct
    y = (w - np.float32(_WR) * x - np.float32(_WB) * z) / np.float32(_WG)
    return x * abs(x), y * abs(y), z * abs(z)


@njit(inline="always")
def _encode(value):  # type: ignore[no-untyped-def]
    if value <= np.float32(CCT_BREAK):
        return np.float32(CCT_SLOPE) * value + np.float32(CCT_OFFSET)
    return (math.log2(value) + np.float32(CCT_LOG_OFFSET)) * np.float32(1 / CCT_LOG_SCALE)


@entry("void(f8[:,::1], f8[::1])")
def _linear(raw, pack):  # type: ignore[no-untyped-def]
    """Raw (n, 3) to what the pipeline makes of it, in place."""
    for row in range(raw.shape[0]):
        raw[row, 0], raw[row, 1], raw[row, 2] = _pipeline(
            min(raw[row, 0] * pack[0], pack[3]), min(raw[row, 1] * pack[0], pack[3]),
            min(raw[row, 2] * pack[0], pack[3]), pack)


@entry("void(f4[:,:,::1], f4[:,:,::1], i8, i8, f4[::1])")
def expose(raw, noise, top, left, pack):  # type: ignore[no-untyped-def]
    """ACEScct code values, float32 like ``raw`` (h, w, 3), in place: exposure, noise, ceiling, pipeline, log.

    ``noise`` is a larger (H, W, 3) float32 picture of unit noise, read from (``top``, ``left``) on.
    """
    shot, read = pack[1] * pack[1], pack[2] * pack[2]
    for row in range(raw.shape[0]):
        for column in range(raw.shape[1]):
            r, g, b = raw[row, column, 0] * pack[0], raw[row, column, 1] * pack[0], raw[row, column, 2] * pack[0]
            r += noise[row + top, column + left, 0] * math.sqrt(shot * r + read)
            g += noise[row + top, column + left, 1] * math.sqrt(shot * g + read)
            b += noise[row + top, column + left, 2] * math.sqrt(shot * b + read)
            r, g, b = _pipeline(min(r, pack[3]), min(g, pack[3]), min(b, pack[3]), pack)
            raw[row, column, 0] = _encode(r)
            raw[row, column, 1] = _encode(g)
            raw[row, column, 2] = _encode(b)


def noise_tile(height: int, width: int, seed: int) -> np.ndarray:
    """Unit Gaussian noise, float32 (height, width, 3), neighbours a little alike as after a mosaic's interpolation."""
    noise = np.random.default_rng((seed, 5)).standard_normal((height, width, 3), dtype=np.float32)
    noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), 0.55), np.float32)
    result: np.ndarray = noise / noise.std()
    return result


def acescct(linear: np.ndarray) -> np.ndarray:
    """Academy S-2016-001 ACEScct of linear values, float64: for the truth's table."""
    linear = np.asarray(linear, float)
    log = (np.log2(np.maximum(linear, CCT_BREAK)) + CCT_LOG_OFFSET) / CCT_LOG_SCALE
    return np.where(linear <= CCT_BREAK, CCT_SLOPE * linear + CCT_OFFSET, log)
