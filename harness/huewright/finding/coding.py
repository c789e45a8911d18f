"""A still picture's coding, as its decoded pixels still show it: in which steps blocks of 8 by 8 were rounded.

A coefficient of such a block (ITU-T T.81, the discrete cosine transform of Annex A.3.3) is a whole multiple of its
step. In the decoded picture the multiples are blurred by the rounding of pixels alone, so that the steps show as a
lattice; where none shows, nothing is said. Chroma that was halved and drawn larger again is brought back first.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

BLOCK, MACRO = 8, 16
# ITU-R BT.601-7's luma, full range, as ITU-T T.871 has it for files of this kind: R'G'B' to Y', Cb, Cr.
TO_YCC = np.array([[0.299, 0.587, 0.114], [-0.299 / 1.772, -0.587 / 1.772, 0.5], [0.5, -0.587 / 1.402, -0.114 / 1.402]])
HIGHEST = 4                # of u + v: what changes faster than that tells of no patch's colour
ORDERS = np.array([(u, v) for u in range(HIGHEST + 1) for v in range(HIGHEST + 1 - u)])
_K = np.arange(BLOCK)
DCT = np.sqrt(2 / BLOCK) * np.cos(np.pi * np.outer(np.arange(HIGHEST + 1), 2 * _K + 1) / (2 * BLOCK))
DCT[0] /= np.sqrt(2)
# A step counts as seen where so many coefficients that aren't 0 lie on its multiples so closely (mean cosine of their
# phase; 1 exactly on them, 0 anywhere), by so many standard errors.
FEWEST, CLOSE, SIGMAS, LARGEST_STEP = 20, 0.2, 5.0, 120
# Blocks whose luma or chroma varies by this (code values) are not flat: a flat one's mean is rounded once more, to a
# whole code.
FLAT = 0.7
MOST_BLOCKS, FEW_BLOCKS = 4000, 1200
# Steps below this are lost in the rounding of pixels.
LEAST_STEP = 2.0


@dataclass(frozen=True)
class Coding:
    """``steps`` (2, n) of luma's and chroma's coefficients in the order of :data:`ORDERS`, for code values 0 to 255 and
    an orthonormal transform; infinite where unknown. ``across`` and ``down`` how many pixels share a chroma sample;
    ``smooth`` whether a triangle filter drew it larger."""

    steps: np.ndarray
    across: int
    down: int
    smooth: bool


@lru_cache(maxsize=1)
def _by_differences() -> np.ndarray:
    """(511, 511, 3) by R - G and B - G, each from -255: Cb, Cr, and what green has over luma, as whole codes that give
    just these; not-a-number where none do. Where two do, their mean."""
    cb, cr = np.meshgrid(np.arange(-128.0, 128.0), np.arange(-128.0, 128.0), indexing="ij")
    back = np.linalg.inv(TO_YCC)
    red, green, blue = (np.floor(row[1] * cb + row[2] * cr + 0.5) for row in back)
    at = np.stack([red - green, blue - green]).astype(int) + 255
    fits = (np.abs(at - 255) <= 255).all(axis=0)
    total, count = np.zeros((511, 511, 3)), np.zeros((511, 511))
    np.add.at(total, (at[0][fits], at[1][fits]), np.stack([cb, cr, green], axis=-1)[fits])
    np.add.at(count, (at[0][fits], at[1][fits]), 1)
    with np.errstate(invalid="ignore"):
        return np.asarray(total / count[..., None])


def decoded_ycc(codes: np.ndarray) -> np.ndarray:
    """(h, w, 3) Y', Cb, Cr of whole codes (h, w, 3), 0 to 255, as they were before they were rounded to R'G'B': flat
    colour is off by the same in all pixels else. Where no whole codes give a pixel (it is clipped), by the matrix."""
    whole = np.round(codes).astype(int)
    told = _by_differences()[whole[..., 0] - whole[..., 1] + 255, whole[..., 2] - whole[..., 1] + 255]
    exact = np.concatenate([whole[..., 1:2] - told[..., 2:], told[..., :2]], axis=-1)
    return np.where(np.isfinite(told[..., :1]), exact, codes @ TO_YCC.T)


def coefficients(plane: np.ndarray) -> np.ndarray:
    """(..., rows, columns, n) of the blocks of ``plane`` (..., 8 rows, 8 columns)."""
    *more, h, w = plane.shape
    blocks = plane.reshape(*more, h // BLOCK, BLOCK, w // BLOCK, BLOCK).swapaxes(-3, -2)
    turned = DCT @ blocks @ DCT.T
    return np.asarray(turned[..., ORDERS[:, 0], ORDERS[:, 1]])


def halved(plane: np.ndarray, across: int, down: int) -> np.ndarray:
    """``plane`` (..., h, w) as a coder averages chroma."""
    if across == 2:
        plane = (plane[..., ::2] + plane[..., 1::2]) / 2
    if down == 2:
        plane = (plane[..., ::2, :] + plane[..., 1::2, :]) / 2
    return plane


def _undrawn(plane: np.ndarray, axis: int) -> np.ndarray:
    """What a triangle filter drew twice as large along ``axis``: each sample from its own two and the next two."""
    plane = np.moveaxis(plane, axis, 0)
    wide = np.concatenate([plane[:1], plane, plane[-1:]])
    own = wide[1:-1:2] + wide[2:-1:2]
    return np.moveaxis((3 * own - wide[:-2:2] - wide[3::2]) / 4, 0, axis)


def chroma_plane(plane: np.ndarray, across: int, down: int, smooth: bool) -> np.ndarray:
    """Cb or Cr (h, w), even, of a decoded picture as it was coded."""
    if not smooth:
        return halved(plane, across, down)
    if across == 2:
        plane = _undrawn(plane, 1)
    return _undrawn(plane, 0) if down == 2 else plane


def seen_coding(rgb: np.ndarray) -> Coding | None:
    """The coding of a decoded picture ``rgb`` (h, w, 3), code values of 0 to 255; None where no lattice shows."""
    h, w = (size // MACRO * MACRO for size in rgb.shape[:2])
    if h < 4 * MACRO or w < 4 * MACRO:
        return None
    if not _may_be_coded(rgb[:h, :w]):
        return None
    y, cb, cr = np.moveaxis(decoded_ycc(rgb[:h, :w]), 2, 0)
    inside = (rgb[:h, :w].min(axis=2) > 0) & (rgb[:h, :w].max(axis=2) < 255)
    luma, _ = _steps([y - 128], inside)
    if not np.isfinite(luma[:3]).all():
        return None
    best: tuple[float, Coding] | None = None
    for across, down, smooth in ((2, 2, True), (2, 1, True), (1, 1, False), (2, 2, False), (2, 1, False)):
        planes = [chroma_plane(plane, across, down, smooth) for plane in (cb, cr)]
        steps, close = _steps(planes, inside[::down, ::across] & inside[down - 1::down, across - 1::across])
        if np.isfinite(steps[:2]).all() and (best is None or close > best[0]):
            best = close, Coding(np.array([luma, steps]), across, down, smooth)
    return None if best is None else best[1]


def _may_be_coded(rgb: np.ndarray) -> bool:
    """Whether some of the blocks show luma's first steps, so that most other pictures are soon passed over."""
    h, w = rgb.shape[0] // BLOCK, rgb.shape[1] // BLOCK
    blocks = rgb.reshape(h, BLOCK, w, BLOCK, 3).swapaxes(1, 2)
    rows, columns = np.divmod(np.arange(0, h * w, max(1, h * w // FEW_BLOCKS)), w)
    some = blocks[rows, columns]
    whole = (some.min(axis=(1, 2, 3)) > 0) & (some.max(axis=(1, 2, 3)) < 255)
    value = coefficients(decoded_ycc(some.reshape(-1, BLOCK, 3))[..., 0].reshape(some.shape[:3]))[:, 0, 0][whole]
    return any(np.isfinite(_step(value[:, k])[0]) for k in (1, 2, len(DCT)))


def _steps(planes: list[np.ndarray], inside: np.ndarray) -> tuple[np.ndarray, float]:
    """(n,) steps, infinite where none shows, and how closely coefficients lie on their multiples, in the mean."""
    values, lively = [], []
    for plane in planes:
        h, w = (size // BLOCK * BLOCK for size in plane.shape)
        of = plane[:h, :w]
        whole = inside[:h, :w].reshape(h // BLOCK, BLOCK, w // BLOCK, BLOCK)
        spread = of.reshape(whole.shape).std(axis=(1, 3))
        use = whole.all(axis=(1, 3))
        every = max(1, int(use.sum()) // MOST_BLOCKS)
        values.append(coefficients(of)[use][::every])
        lively.append((spread > FLAT)[use][::every])
    value, active = np.concatenate(values), np.concatenate(lively)
    found = [_step(value[active if k == 0 else slice(None), k]) for k in range(len(ORDERS))]
    seen = [close for step, close in found if np.isfinite(step)]
    return np.array([step for step, _ in found]), float(np.mean(seen)) if seen else 0.0


def _step(value: np.ndarray) -> tuple[float, float]:
    """The largest step on whose multiples ``value`` (n,) lies, and how closely."""
    candidates = np.arange(2, LARGEST_STEP + 1)
    value = value[np.abs(value) > 1.0]
    if len(value) < FEWEST:
        return np.inf, 0.0
    phase = np.cos(2 * np.pi * value[:, None] / candidates)
    told = np.abs(value)[:, None] > 0.5 * candidates
    count = told.sum(axis=0)
    close = (phase * told).sum(axis=0) / np.maximum(count, 1)
    least = np.maximum(CLOSE, SIGMAS / np.sqrt(2 * np.maximum(count, 1)))
    # A multiple of the step leaves values that it takes for none at all.
    missed = (~told & (np.abs(value)[:, None] > 0.25 * candidates)).sum(axis=0) > 0.2 * count
    close = np.where((count >= FEWEST) & (close > least) & ~missed, close, -1.0)
    if close.max() < 0:
        return np.inf, 0.0
    k = int(np.flatnonzero(close > 0.85 * close.max())[-1])
    near = np.arange(max(0, k - max(1, int(0.12 * candidates[k]))), k + 1)
    k = int(near[close[near].argmax()])
    return float(candidates[k]), float(close[k])


__all__ = ["BLOCK", "DCT", "LEAST_STEP", "MACRO", "ORDERS", "TO_YCC", "Coding", "chroma_plane", "coefficients",
           "decoded_ycc", "halved", "seen_coding"]
