"""What is timed: pictures, and the operations with typical parameters."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from huewright_kernels.ops import HueSectors, LogDecode, Lut1D, Lut3D, Matrix, Operation, ToneCurve, Transfer

SIZES = {"HD": (1920, 1080), "UHD": (3840, 2160)}
# Academy S-2016-001: ACEScct as a camera log curve.
LOG = {"base": 2.0, "log_side_slope": 1 / 17.52, "log_side_offset": 9.72 / 17.52, "lin_side_break": 0.0078125}
LATTICE = 33


def lattice() -> np.ndarray:
    """A LUT's table (33, 33, 33, 3) that bends and mixes the channels a little."""
    grid = np.linspace(0.0, 1.0, LATTICE)
    table = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1) ** 1.1
    result: np.ndarray = (table @ np.array([[0.9, 0.05, 0.05], [0.02, 0.95, 0.03], [0.0, 0.1, 0.9]])).astype(np.float32)
    return result


DECODE = LogDecode(**LOG)
BALANCE = Matrix(((1.2, -0.1, -0.1), (0.05, 0.9, 0.05), (0.0, 0.2, 0.8)), (0.01, 0.0, -0.01))
ENCODE = Transfer("bt709", "encode")
TONE = ToneCurve((0.0, 0.1, 0.4, 0.9, 1.0), (0.0, 0.12, 0.41, 0.93, 1.0))
HUES = HueSectors(rotations_deg=(5.0, -12.0, 3.0, 8.0, -15.0, 2.0), gains=(1.2, 0.8, 1.1, 0.7, 1.5, 1.0))
CUBE = Lut3D(lattice())

OPERATIONS: dict[str, tuple[Operation, ...]] = {
    "chain": (DECODE, BALANCE, ENCODE, TONE, HUES, CUBE),
    "hue sectors": (HUES,),
    "LUT 3D tetrahedral": (CUBE,),
    "LUT 3D trilinear": (Lut3D(CUBE.table, interpolation="trilinear"),),
    "LUT 1D": (Lut1D(np.linspace(0.0, 1.0, 1024)[:, None].repeat(3, axis=1) ** 0.5),),
    "tone curve": (TONE,),
    "log decode": (DECODE,),
    "display encode": (ENCODE,),
    "matrix": (BALANCE,),
    "PQ encode": (Transfer("pq", "encode"),),
}


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
