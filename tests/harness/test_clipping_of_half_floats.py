"""A half float's steps double at 0.5: what lies just above it is coarser than everything below, and not clipped."""

from __future__ import annotations

import numpy as np
import pytest
from huewright.finding.clip import LEAST_SHARE, _plateau
from huewright.finding.light import LinearLight
from huewright.solver.simulate import FOOTAGE
from scipy.special import ndtri


def patches(white: float, seed: int, ceiling: float = np.inf) -> list[np.ndarray]:
    """Patches as a half-float file holds them, ``white`` the brightest, with noise that grows as the root of the light:
    in ACEScct, 17.52 stops a unit of code (Academy S-2016-001), it shrinks by half for every two stops."""
    rng = np.random.default_rng(seed)
    return [np.minimum(rng.normal(level, 0.00065 * 2 ** (17.52 * (white - level) / 2), 480), ceiling)
            .astype(np.float16).astype(np.float64) for level in (0.30, 0.36, 0.41, 0.44, white)]


@pytest.mark.parametrize("white", [0.5012, 0.5024, 0.505, 0.54])
@pytest.mark.parametrize("seed", range(40))
def test_coarse_steps_are_no_plateau(white: float, seed: int) -> None:
    assert _plateau(patches(white, seed), 1.0, 0, LinearLight(FOOTAGE), LEAST_SHARE) is None


@pytest.mark.parametrize("white", [0.5024, 0.54])
@pytest.mark.parametrize("seed", range(10))
def test_a_ceiling_is_one(white: float, seed: int) -> None:
    assert _plateau(patches(white, seed, white), 1.0, 0, LinearLight(FOOTAGE), LEAST_SHARE) is not None


@pytest.mark.parametrize("step", [1 / 1023, 1 / 2048, 1 / 65535])
@pytest.mark.parametrize("seed", range(10))
def test_a_white_noisier_than_the_others_let_expect_is_no_plateau(step: float, seed: int) -> None:
    """As a wrong encoding has it, and as paint has it that is not the others'."""
    rng = np.random.default_rng(seed)
    codes = [np.round(rng.normal(level, sigma, 480) / step) * step for level, sigma in (
        (0.30, 0.0008), (0.36, 0.0006), (0.41, 0.0004), (0.44, 0.0004), (0.502, 0.0007))]
    assert _plateau(codes, 1.0, 0, LinearLight(FOOTAGE), LEAST_SHARE) is None


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 1.0])
@pytest.mark.parametrize(("step", "noise"), [(1 / 1023, 0.0018), (1 / 2048, 0.0009), (1 / 65535, 0.0009)])
def test_what_a_ceiling_takes_from_a_noisy_white_is_missed(share: float, step: float, noise: float) -> None:
    rng = np.random.default_rng(5)
    ceiling = 0.5 // step * step
    white = np.minimum(rng.normal(ceiling + noise * (ndtri(share) if share < 1 else 6), noise, 480), ceiling)
    others = [rng.normal(level, noise * 2 ** (17.52 * (0.5 - level) / 2), 480) for level in (0.30, 0.36, 0.41, 0.44)]
    codes = [np.round(values / step) * step for values in (*others, white)]
    assert _plateau(codes, 1.0, 0, LinearLight(FOOTAGE), LEAST_SHARE) is not None
