"""A take's frames read together: each patch's diffuse level, of which every frame shows more or less.

The light of a frame is free; a patch's level is the same in all. What a frame has over it is its own (noise, a lamp's
reflection that the fit didn't follow) or grows with the frame's veil by a share that is the patch's own: a glossier
patch mirrors more than the fit took off, in every frame. The levels are the generalised least squares estimate under
both (a regression on the veil, with a prior), so that frames with little veil carry it. Mirror light only adds:
what stands over the level loses weight sooner than what lies under it.

Source: generalised least squares (Aitken, Proceedings of the Royal Society of Edinburgh 55, 1935); weights from
residuals as in iteratively reweighted least squares. The two limits are choices of ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

OVER, UNDER = 2.0, 3.0     # standard deviations from which a reading loses weight
STEPS = 4
# How many times the share of a veil that one frame is credited with the patches of this card may differ by: tried in
# these steps, each step of two from what is usual as unlikely as one standard deviation; heavy tails for what isn't
# normal. Most cards' patches mirror alike, which a take shows and a frame doesn't.
SCALES, FREEDOM = (0.0625, 0.125, 0.25, 0.5, 1.0, 2.0), 6.0
LEAST_TO_TELL = 5


@dataclass(frozen=True)
class Levels:
    """``level``, ``error`` (p, 3) of all frames together; ``weight`` (f, p, 3) what each frame had of it, adding to
    1 (generalised least squares may weigh a frame below 0); not-a-number and 0 where no frame counts."""

    level: np.ndarray
    error: np.ndarray
    weight: np.ndarray


def joint_levels(level: np.ndarray, alone: np.ndarray, shared: np.ndarray, use: np.ndarray) -> Levels:
    """``level`` (f, p, 3) of each frame in the take's usual light, ``alone`` (f, p, 3) and ``shared`` (f, p, 3, m)
    its standard errors, ``use`` (f, p) which readings count."""
    f, p, channels = level.shape
    result = Levels(np.full((p, channels), np.nan), np.full((p, channels), np.nan), np.zeros(level.shape))
    for k in range(p):
        frames = np.flatnonzero(use[:, k])
        if not len(frames):
            continue
        for c in range(channels):
            y, own, loads = level[frames, k, c], np.maximum(alone[frames, k, c], 1e-12), shared[frames, k, c]
            common = loads @ loads.T
            spread = own
            for _ in range(STEPS):
                share = 1 / (spread**2 + np.diag(common))
                share /= share.sum()
                off = (y - share @ y) / own
                # As soon as there are three: two can't tell which of them is contaminated.
                if len(y) > 2:
                    spread = own * np.maximum(np.maximum(off / OVER, -off / UNDER), 1.0)
            result.level[k, c] = share @ y
            result.error[k, c] = np.sqrt(share @ (np.diag(spread**2) + common) @ share)
            result.weight[frames, k, c] = share
    return result


def shared_scales(level: np.ndarray, alone: np.ndarray, shared: np.ndarray, use: np.ndarray,
                  usual: tuple[float, ...]) -> np.ndarray:
    """(m,) how many times ``shared`` is what the take itself says of it: the likeliest of :data:`SCALES`, over all
    patches, the patches' levels unknown (restricted likelihood), with ``usual`` (m,) before any frame tells. Arrays as
    in :func:`joint_levels`; ones where too few frames tell.

    Source: restricted maximum likelihood (Patterson and Thompson, Biometrika 58, 1971); the inverse and determinant of
    a diagonal with a product of few columns as in Woodbury, Inverting Modified Matrices (Princeton, 1950).
    """
    m = shared.shape[-1]
    tells = [k for k in range(level.shape[1]) if use[:, k].sum() >= LEAST_TO_TELL]
    if not tells:
        return np.ones(m)
    grid = np.stack(np.meshgrid(*[SCALES] * m, indexing="ij"), axis=-1).reshape(-1, m)
    total = -0.5 * (np.log2(grid / np.array(usual)) ** 2).sum(axis=1)
    for k in tells:
        frames = use[:, k]
        for c in range(level.shape[2]):
            unit = float(np.median(alone[frames, k, c])) or 1.0
            y, loads = level[frames, k, c] / unit, shared[frames, k, c] / unit
            own = (np.maximum(alone[frames, k, c], 1e-12) / unit) ** 2
            # What is shared has m columns: the covariance is inverted as such a sum (Woodbury), in the time of f m^2,
            # where f^3 made of thousands of frames hours.
            inside = np.eye(m) + grid[:, :, None] * ((loads.T / own) @ loads) * grid[:, None, :]

            def product(x: np.ndarray, z: np.ndarray, own: np.ndarray = own, loads: np.ndarray = loads,
                        inside: np.ndarray = inside) -> np.ndarray:
                """(g,) x' V^-1 z, ``x`` and ``z`` (f,) or (g, f)."""
                left, right = grid * ((x / own) @ loads), grid * ((z / own) @ loads)
                mixed = np.linalg.solve(inside, right[..., None])[..., 0]
                return np.asarray((x / own * z).sum(axis=-1) - (left * mixed).sum(axis=-1))

            ones = np.ones(len(y))
            information = product(ones, ones)
            off = y - (product(ones, y) / information)[:, None]
            square = product(off, off)
            n = len(y) - 1
            total -= 0.5 * (np.log(own).sum() + np.linalg.slogdet(inside)[1] + np.log(information))
            total -= 0.5 * (FREEDOM + n) * np.log1p(square / FREEDOM)
    best: np.ndarray = grid[int(total.argmax())]
    return best
