"""What is likely of a camera's response to the spectrum under some light, and what a card tells of it.

A response is (wavelengths, 3), so that light = reflectance @ response with a perfect white at 1, in BT.709's primaries.
The prior is of our making: invented sensitivities under CIE illuminants, with and without a maker's matrix; no camera's
measured sensitivities are in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

WAVELENGTHS_NM = np.arange(400.0, 701.0, 10.0)
CAMERAS = 600
SMOOTH = (1e-5, 15.0)        # variance and reach in nm of what no camera of the prior has
READ = (0.01, 0.002)         # what a patch's light is credited with: share of itself, share of white
LEAST_VARIANCE = 1e-9        # of what is left open, so that it has a root: far below what matters
LIGHTS = ("A", "D50", "D65", "D75", "LED-B1", "LED-B3", "LED-B5", "LED-V1", "LED-BH1", "FL2", "FL7", "FL11", "FL12",
          "FL3.15")


def likely_response(reflectance: np.ndarray, light: np.ndarray) -> np.ndarray:
    """(wavelengths, 3): mean of the response, given the ``light`` (n, 3) that came of each ``reflectance``
    (n, wavelengths): Gaussian conditioning."""
    seen, off, within = _against_prior(reflectance, light)
    prior = _prior()
    gain = np.linalg.solve(within, seen @ prior.covariance).T
    result: np.ndarray = (prior.mean + gain @ off).reshape(3, -1).T
    return result


def likely_responses(reflectance: np.ndarray, light: np.ndarray, pairs: int) -> tuple[np.ndarray, float]:
    """(2 ``pairs``, wavelengths, 3) drawn from what is likely of the response, given the same, in pairs on opposite
    sides of its mean; and how unlike the prior that light is: its mean square in standard deviations, of which 1 is
    expected."""
    seen, off, within = _against_prior(reflectance, light)
    prior = _prior()
    gain = np.linalg.solve(within, seen @ prior.covariance).T
    covariance = prior.covariance - gain @ seen @ prior.covariance
    root = np.linalg.cholesky((covariance + covariance.T) / 2 + LEAST_VARIANCE * np.eye(len(covariance)))
    away = np.random.default_rng(98).standard_normal((pairs, len(covariance))) @ root.T
    drawn = prior.mean + gain @ off + np.concatenate([away, -away])
    surprise = float(off @ np.linalg.solve(within, off)) / len(off)
    return np.swapaxes(drawn.reshape(2 * pairs, 3, -1), 1, 2), surprise


def _against_prior(reflectance: np.ndarray, light: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What takes a response to light; how far the light is from what the prior expects; covariance of that."""
    prior = _prior()
    seen = np.kron(np.eye(3), reflectance)
    # Credited by what is expected to be read, so that the answer stays linear in the reading.
    expected = seen @ prior.mean
    error = np.diag((READ[0] * np.abs(expected) + READ[1]) ** 2)
    return seen, light.T.ravel() - expected, seen @ prior.covariance @ seen.T + error


@dataclass(frozen=True)
class _Prior:
    """Over the response, channel by channel: ``mean`` (3 n,), ``covariance`` (3 n, 3 n)."""

    mean: np.ndarray
    covariance: np.ndarray


@cache
def _prior() -> _Prior:
    """Mean and covariance of :func:`invented_responses`, and something smooth that none of them has."""
    flat = np.swapaxes(invented_responses(np.random.default_rng(98), CAMERAS), 1, 2).reshape(CAMERAS, -1)
    apart = WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM
    smooth = SMOOTH[0] * np.exp(-0.5 * (apart / SMOOTH[1]) ** 2)
    return _Prior(flat.mean(axis=0), np.cov(flat.T) + np.kron(np.eye(3), smooth))


def invented_responses(rng: np.random.Generator, count: int) -> np.ndarray:
    """(count, wavelengths, 3) responses in BT.709's primaries: a third a sensor's own, the rest with a matrix fitted to
    ISO 17321-1's colours, for the light at hand or (a fifth) for another."""
    lights = _lights()
    shine = lights[rng.integers(len(lights), size=count)]
    shine = shine + np.where(rng.random((count, 1)) < 0.3, rng.uniform(0.1, 0.6, (count, 1)), 0) * lights[
        LIGHTS.index("D65")]
    sensors = _invented_sensors(rng, count)
    kind = rng.random((count, 1))
    usual = lights[np.where(rng.random(count) < 0.6, LIGHTS.index("D65"), LIGHTS.index("A"))]
    matrix = _maker_matrix(sensors, np.where(kind < 0.2, usual, shine))
    matrix[kind[:, 0] > 0.65] = np.eye(3)
    response = sensors * shine[..., None]
    result: np.ndarray = response / response.sum(axis=1, keepdims=True) @ matrix
    return result


def _invented_sensors(rng: np.random.Generator, count: int) -> np.ndarray:
    """Two half Gaussians a channel, with a wide and a narrow shoulder."""
    at, channels = WAVELENGTHS_NM[None, :], []
    for lowest, highest in ((585, 615), (520, 545), (445, 470)):
        peak, below, above, middle, place, wide, narrow = (rng.uniform(a, b, (count, 1)) for a, b in (
            (lowest, highest), (22, 45), (22, 45), (500, 580), (440, 640), (0, 0.12), (0, 0.08)))
        channels.append(np.exp(-0.5 * ((at - peak) / np.where(at < peak, below, above)) ** 2)
                        + wide * np.exp(-0.5 * ((at - middle) / 75) ** 2)
                        + narrow * np.exp(-0.5 * ((at - place) / 40) ** 2))
    return np.stack(channels, axis=-1)


def _maker_matrix(sensors: np.ndarray, shine: np.ndarray) -> np.ndarray:
    """(count, 3, 3), light @ matrix: least squares from ISO 17321-1's colours to BT.709 under D65, white all but
    kept."""
    colours, wanted = _iso_colours()
    response = sensors * shine[..., None]
    seen = colours @ (response / response.sum(axis=1, keepdims=True))
    heavy = 100.0 * np.ones((1, 3))
    seen = np.concatenate([seen, np.broadcast_to(heavy, (len(seen), 1, 3))], axis=1)
    turned = np.swapaxes(seen, 1, 2)
    result: np.ndarray = np.linalg.solve(turned @ seen, turned @ np.concatenate([wanted, heavy]))
    return result


# ---------------------------------------------------------------- published spectra, as colour-science carries them

@cache
def sample_reflectances() -> np.ndarray:
    """(99, wavelengths): the colour evaluation samples of CIE 224:2017, measured on real things."""
    import colour
    from colour.quality.cfi2017 import load_TCS_CIE2017

    return _sampled(load_TCS_CIE2017(colour.SpectralShape(380, 780, 5))).T


@cache
def _lights() -> np.ndarray:
    """(lights, wavelengths): the illuminants of CIE 15:2018 named in :data:`LIGHTS`, 1 in the mean."""
    import colour

    rows = np.array([_sampled(colour.SDS_ILLUMINANTS[name]) for name in LIGHTS])
    result: np.ndarray = rows / rows.mean(axis=1, keepdims=True)
    return result


@cache
def _iso_colours() -> tuple[np.ndarray, np.ndarray]:
    """Reflectances (24, wavelengths) of ISO 17321-1 and their linear BT.709 (24, 3) under D65."""
    import colour

    colours = np.array([_sampled(one) for one in colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()])
    observer = _sampled(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])
    daylight = _lights()[LIGHTS.index("D65")]
    xyz = (colours * daylight) @ observer / (daylight @ observer[:, 1])
    return colours, xyz @ np.asarray(colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB).T


def _sampled(spectrum: Any) -> np.ndarray:
    """Values of a spectrum (wavelengths,) or of several (wavelengths, n), by straight lines between their samples."""
    values = np.asarray(spectrum.values, dtype=np.float64)
    columns = values.reshape(len(values), -1)
    rows = np.stack([np.interp(WAVELENGTHS_NM, spectrum.wavelengths, column) for column in columns.T], axis=-1)
    return rows[:, 0] if values.ndim == 1 else rows
