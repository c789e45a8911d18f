"""Uniform blobs of a picture: connected areas without edges, compact like a patch, with their shape and colour."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numba
import numpy as np


@dataclass(frozen=True)
class Blobs:
    """``centre`` (n, 2) px; ``shape`` (n, 2, 2) covariance of the area, px squared; ``area`` (n,) px;
    ``colour`` (n, 3) mean; ``where`` (h, w) int32, the blob that covers each pixel, or -1."""

    centre: np.ndarray
    shape: np.ndarray
    area: np.ndarray
    colour: np.ndarray
    where: np.ndarray


def tone_power(picture: np.ndarray) -> float:
    """The power that evens out ``picture`` (h, w, 3) for finding: below 1 lifts a linear-like or dark picture."""
    middle = float(np.clip(np.median(picture[::4, ::4]), 0.005, 1.0))
    power = float(np.clip(np.log(0.4) / np.log(middle), 0.35, 1.0)) if middle < 0.4 else 1.0
    return power if power < 0.98 else 1.0


def toned(values: np.ndarray, power: float) -> np.ndarray:
    """Code values (any shape, float32) raised to ``power``, highlights rolled off. Monotone per channel."""
    out = np.clip(values, 0.0, 4.0)
    return np.minimum(out if power == 1.0 else cv2.pow(out, power).reshape(out.shape), 1.6)


def edge_strength(picture: np.ndarray) -> np.ndarray:
    """Largest gradient over the channels, code values a pixel (h, w), of a lightly blurred ``picture``."""
    smooth = cv2.GaussianBlur(picture, (0, 0), 0.8)
    out = None
    for channel in cv2.split(smooth):
        gx = cv2.Scharr(channel, cv2.CV_32F, 1, 0, scale=1 / 32)
        gy = cv2.Scharr(channel, cv2.CV_32F, 0, 1, scale=1 / 32)
        size = cv2.magnitude(gx, gy)
        out = size if out is None else cv2.max(out, size)
    return out


def noise_floor(strength: np.ndarray) -> float:
    """A typical gradient that noise alone makes: the lower quartile, for most pictures are flat somewhere."""
    return float(np.quantile(strength[::3, ::3], 0.25))


def find_blobs(picture: np.ndarray, strength: np.ndarray, threshold: float, *, least: int = 20,
               largest: float = 0.06) -> Blobs:
    """Areas where ``strength`` stays under ``threshold``, of at least ``least`` pixels and at most the fraction
    ``largest`` of the picture, compact (no rings, strips of many arms, or ragged background)."""
    flat = (strength < threshold).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(flat, connectivity=4)
    area = stats[:, cv2.CC_STAT_AREA]
    box = stats[:, cv2.CC_STAT_WIDTH] * stats[:, cv2.CC_STAT_HEIGHT]
    keep = (area >= least) & (area <= largest * flat.size) & (area > 0.25 * box)
    keep[0] = False
    index = np.full(count, -1, np.int32)
    index[keep] = np.arange(int(keep.sum()))
    sums = _moments(labels, index, picture, int(keep.sum()))
    n = sums[:, 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = sums[:, 1:3] / n[:, None]
        xx = sums[:, 3] / n - mean[:, 0] ** 2 + 1 / 12
        yy = sums[:, 4] / n - mean[:, 1] ** 2 + 1 / 12
        xy = sums[:, 5] / n - mean[:, 0] * mean[:, 1]
        colour = sums[:, 6:9] / n[:, None]
        compact = n / (4 * np.pi * np.sqrt(np.maximum(xx * yy - xy**2, 1e-9)))
    shape = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2)
    good = compact > 0.7
    final = np.full(count, -1, np.int32)
    final[np.flatnonzero(keep)[good]] = np.arange(int(good.sum()))
    return Blobs(mean[good] + 0.5, shape[good], n[good], colour[good], final[labels])


@numba.njit(cache=True)
def _moments(labels, index, picture, count):  # type: ignore[no-untyped-def]
    """Per kept label: count, sums of x, y, xx, yy, xy, and of the three channels."""
    sums = np.zeros((count, 9), np.float64)
    h, w = labels.shape
    for y in range(h):
        for x in range(w):
            k = index[labels[y, x]]
            if k >= 0:
                row = sums[k]
                row[0] += 1
                row[1] += x
                row[2] += y
                row[3] += x * x
                row[4] += y * y
                row[5] += x * y
                row[6] += picture[y, x, 0]
                row[7] += picture[y, x, 1]
                row[8] += picture[y, x, 2]
    return sums
