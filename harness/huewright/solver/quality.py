"""What a correction costs: noise lifted, colours folded, small differences stretched."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from huewright_kernels.ops import Operation

from huewright.colorimetry.display import to_ycbcr
from huewright.colorimetry.inverse import inverse_operations, matrix_operation
from huewright.reference import apply_chain
from huewright.solver.evidence import Sample
from huewright.solver.model import code_jacobian, evaluation_points
from huewright.solver.problem import Problem, Solution

# The six tetrahedra of a lattice cell, as the order in which the axes are walked from its low to its high corner.
_WALKS = ((0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0))
_SIGNS = (1, -1, -1, 1, 1, -1)
FLAT = 1e-6              # share of its edges' box below which a tetrahedron counts as flat


def noise_gain_db(operations: Sequence[Operation], neutral: Sequence[Operation], samples: Sequence[Sample],
                  luma: tuple[float, float]) -> tuple[float, float]:
    """(all of Y', Cb, Cr; Cb and Cr only): power of the read pixel noise after the correction over that in the
    neutral picture, averaged over ``samples``, in dB. Zero where the reading holds no noise."""
    codes = np.array([sample.mean for sample in samples])
    covariance = np.array([sample.pixel_covariance for sample in samples])
    powers = []
    for chain in (operations, neutral):
        slope = code_jacobian(chain, codes, luma)
        noise = np.einsum("nij,njk,nik->ni", slope, covariance, slope)
        powers.append((float(noise.sum()), float(noise[:, 1:].sum())))
    (after, after_chroma), (before, before_chroma) = powers
    if min(before, before_chroma, after, after_chroma) <= 0:
        return 0.0, 0.0
    return float(10 * np.log10(after / before)), float(10 * np.log10(after_chroma / before_chroma))


def folded_fraction(operations: Sequence[Operation], neutral: Sequence[Operation], size: int = 25) -> float:
    """Fraction of the tetrahedra of a ``size``-cubed lattice over the code range that ``operations`` turn inside
    out and ``neutral``, the uncorrected chain, does not: 0 where a 3D LUT of that size, interpolated
    tetrahedrally, keeps neighbouring colours in order.

    Counted are tetrahedra that land within the display's range, since beyond it a picture is clipped anyway, and
    that the neutral chain doesn't squash flat (as a look does where it clamps).
    """
    axis = np.linspace(0.0, 1.0, size)
    lattice = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    out, plain = apply_chain(operations, lattice), apply_chain(neutral, lattice)
    turned = total = 0
    for walk, sign in zip(_WALKS, _SIGNS, strict=True):
        volume, points = _volume(out, walk, sign)
        before, _ = _volume(plain, walk, sign)
        inside = np.all([np.all((point > 0) & (point < 1), axis=-1) for point in points], axis=0)
        shown = inside & (before > 1000 * FLAT)
        turned += int(np.count_nonzero(volume[shown] < -FLAT))
        total += int(np.count_nonzero(shown))
    return turned / max(total, 1)


def _volume(lattice: np.ndarray, walk: tuple[int, int, int], sign: int) -> tuple[np.ndarray, list[np.ndarray]]:
    """Signed volumes of one tetrahedron of each cell, as a fraction of the box that its edges span; its corners."""
    corner = [0, 0, 0]
    points = [_corners(lattice, corner)]
    for step in walk:
        corner[step] = 1
        points.append(_corners(lattice, corner))
    a, b, c = (points[k + 1] - points[k] for k in range(3))
    edges = np.sqrt(np.einsum("...i,...i->...", a, a) * np.einsum("...i,...i->...", b, b)
                    * np.einsum("...i,...i->...", c, c))
    return sign * np.einsum("...i,...i->...", np.cross(a, b), c) / np.maximum(edges, 1e-30), points


def _corners(lattice: np.ndarray, corner: Sequence[int]) -> np.ndarray:
    n = lattice.shape[0] - 1
    i, j, k = corner
    return lattice[i:i + n, j:j + n, k:k + n]


def worst_local_gain(problem: Problem, solution: Solution, size: int = 16) -> float:
    """The most that a small difference in a picture with only exposure and balance corrected is stretched by the
    rest of ``solution``: largest singular value of the Jacobian in R'G'B', over the cells of the display's cube."""
    axis = (np.arange(size) + 0.5) / size
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    chain = problem.chain
    rest = tuple(operation for operation in (solution.tone, solution.sectors) if operation is not None)
    operations: tuple[Operation, ...] = rest
    if solution.colour:
        to_camera = matrix_operation(np.linalg.inv(chain.primaries))
        operations = (*inverse_operations(chain.from_colour), to_camera, *solution.colour, *chain.from_colour, *rest)
    if not operations:
        return 1.0
    step = 5e-4
    offsets = step * np.concatenate([np.eye(3), -np.eye(3)])
    out = apply_chain(operations, grid[:, None, :] + offsets)
    jacobian = (out[:, :3] - out[:, 3:]) / (2 * step)
    return float(np.linalg.svd(jacobian, compute_uv=False).max())


def gamut_fraction(operations: Sequence[Operation], samples: Sequence[Sample]) -> float:
    """Fraction of ``samples`` whose corrected mean leaves 0..1 in a channel."""
    out = apply_chain(operations, [sample.mean for sample in samples])
    return float(np.mean(np.any((out < 0) | (out > 1), axis=1)))


def landing_ycbcr(operations: Sequence[Operation], samples: Sequence[Sample],
                  luma: tuple[float, float]) -> np.ndarray:
    """(Y', Cb, Cr) (n, 3) at which the samples count as landing: see :func:`.model.evaluation_points`."""
    return to_ycbcr(apply_chain(operations, evaluation_points(samples)).mean(axis=1), luma)
