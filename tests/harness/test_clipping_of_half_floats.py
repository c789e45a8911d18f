"""A half float's steps double at 0.5: what lies just above it is coarser than everything below, and not clipped."""

from __future__ import annotations

import numpy as np
import pytest
from huewright.finding.clip import LEAST_SHARE, _plateau
from huewright.finding.light import LinearLight
from huewright.solver.simulate import FOOTAGE


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
