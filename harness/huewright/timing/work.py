"""What is timed: pictures, and the operations with typical parameters."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from huewright_kernels.ops import REGISTRY, Operation

SIZES = {"HD": (1920, 1080), "UHD": (3840, 2160)}
TIMED: dict[str, Operation] = {example.timed: example.operation for kind in REGISTRY.values()
                               for example in kind.parts.examples() if example.timed}
"""Name of a row -> what is timed: every operation says with which parameters."""
CHAIN = ("log decode", "matrix", "display encode", "tone curve", "hue sectors", "LUT 3D tetrahedral")
"""The rows that the whole chain is made of, in its order."""
OPERATIONS: dict[str, tuple[Operation, ...]] = {
    "chain": tuple(TIMED[name] for name in CHAIN), **{name: (operation,) for name, operation in TIMED.items()}}


def noise(width: int, height: int) -> np.ndarray:
    """Every pixel another colour: nothing that was looked up before helps."""
    picture = np.random.default_rng(1).random((height, width, 4), dtype=np.float32)
    picture[..., 3] = 1.0
    return picture


def smooth(width: int, height: int) -> np.ndarray:
    """Neighbours alike, as in a photograph out of focus."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    picture = np.ones((height, width, 4), np.float32)
    picture[..., 0], picture[..., 1], picture[..., 2] = x / width, y / height, (x + y) / (width + height)
    return picture


PICTURES: dict[str, Callable[[int, int], np.ndarray]] = {"noise": noise, "smooth": smooth}
