"""The colours that the kernels are checked on: dense, random and awkward ones."""

from __future__ import annotations

import numpy as np

SMOOTH_RANGE = (-0.5, 4.0)
_SEED = 20111


def colours_between(low: float, high: float, count: int = 60_000) -> np.ndarray:
    """float32 (n, 3): a lattice and random colours over [low, high], colours close to grey and close to black,
    single channels at the ends, and both sides of the published curves' breaks."""
    rng = np.random.default_rng(_SEED)
    axis = np.linspace(low, high, 28)
    lattice = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    scattered = rng.uniform(low, high, (count, 3))
    grey = rng.uniform(low, high, (count // 4, 1)) + rng.normal(0, 0.02, (count // 4, 3))
    dark = rng.choice([-1.0, 1.0], (count // 4, 3)) * 10.0 ** rng.uniform(-9, -1, (count // 4, 3))
    ends = np.array([[r, g, b] for r in (low, 0.0, 1.0, high) for g in (low, 0.0, 1.0, high)
                     for b in (low, 0.0, 1.0, high)])
    breaks = np.array([0.018, 0.0031308, 0.081, 0.04045, 1 / 12, 0.5, 0.0078125], np.float32)
    breaks = np.concatenate([breaks, np.nextafter(breaks, np.float32(0)), np.nextafter(breaks, np.float32(1))])
    every = np.concatenate([lattice, scattered, grey, dark, ends, np.repeat(breaks[:, None], 3, axis=1)])
    result: np.ndarray = np.clip(every, low, high).astype(np.float32)
    return result


def greys_between(low: float, high: float, count: int = 20_000) -> np.ndarray:
    """float32 (n, 3) with equal channels."""
    values = np.linspace(low, high, count).astype(np.float32)
    return np.repeat(values[:, None], 3, axis=1)
