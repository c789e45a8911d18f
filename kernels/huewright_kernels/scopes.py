"""Scope accumulators: luma waveform, RGB parade and vectorscope, as counts of pixels.

Sources: Y' and the colour differences of ITU-R BT.709-6 item 3 and BT.2020-2 table 4, for any luma
coefficients. Row 0 is always the top of the scope: the highest level, or the highest Cr. Values beyond the
scope's edge are counted in its outermost row or column, so that none is lost from sight; pixels that are not
finite are not counted. Counts are uint32 and the same for any number of threads; with a mask (0..1 a pixel)
they are float32 sums of it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from huewright_kernels.cache import entry
from huewright_kernels.threads import for_each_tile

LUMA_BT709 = (0.2126, 0.0722)
COLUMN_TILE = 96
"""Pixel columns counted together: their counts stay in the second-level cache."""
BANDS = 8
"""Row bands of the vectorscope, counted apart and added in order."""


def waveform(pixels: np.ndarray, columns: int, levels: int, low: float = -0.1, high: float = 1.1,
             kr: float = LUMA_BT709[0], kb: float = LUMA_BT709[1], mask: np.ndarray | None = None,
             threads: int | None = None) -> np.ndarray:
    """Counts of Y' from ``low`` (last row) to ``high`` (first row), as (levels, columns).

    ``pixels`` is float32 (h, w, c >= 3); pixel column x falls into column x * columns // w. Raises ``ValueError``
    for pixels or a mask of another type or shape, or a scope without extent.
    """
    counts = _levels(pixels, columns, levels, low, high, mask, threads, 1, kr, kb)
    return np.ascontiguousarray(counts[0].T)


def parade(pixels: np.ndarray, columns: int, levels: int, low: float = -0.1, high: float = 1.1,
           kr: float = LUMA_BT709[0], kb: float = LUMA_BT709[1], mask: np.ndarray | None = None,
           threads: int | None = None) -> np.ndarray:
    """Counts of R', G' and B', as (3, levels, columns); otherwise as :func:`waveform` (kr and kb change nothing)."""
    counts = _levels(pixels, columns, levels, low, high, mask, threads, 3, kr, kb)
    return np.ascontiguousarray(counts.transpose(0, 2, 1))


def vectorscope(pixels: np.ndarray, size: int, extent: float = 0.6, kr: float = LUMA_BT709[0],
                kb: float = LUMA_BT709[1], mask: np.ndarray | None = None, threads: int | None = None) -> np.ndarray:
    """Counts over Cb (right) and Cr (up) from -extent to extent, as (size, size)."""
    _check(pixels, mask)
    if size < 1 or not extent > 0:
        raise ValueError("a vectorscope has a positive size and extent")
    height = pixels.shape[0]
    counts = np.zeros((BANDS, size, size), np.uint32 if mask is None else np.float32)
    count = _count_chroma if mask is None else _count_chroma_masked
    extra = _nothing() if mask is None else mask
    per_cb, per_cr = size / (4 * extent * (1 - kb)), size / (4 * extent * (1 - kr))
    view = pixels[..., :3]

    def band(k: int) -> None:
        count(view, k * height // BANDS, (k + 1) * height // BANDS, np.float32(kr), np.float32(kb),
              np.float32(per_cb), np.float32(per_cr), extra, counts[k])

    for_each_tile(band, BANDS, threads)
    return counts.sum(axis=0, dtype=counts.dtype)


def _levels(pixels: np.ndarray, columns: int, levels: int, low: float, high: float, mask: np.ndarray | None,
            threads: int | None, traces: int, kr: float, kb: float) -> np.ndarray:
    """Counts as (traces, columns, levels): a pixel column's counts lie together."""
    _check(pixels, mask)
    if columns < 1 or levels < 1 or not high > low:
        raise ValueError("a scope has at least one column and level, and high above low")
    width = pixels.shape[1]
    counts = np.zeros((traces, columns, levels), np.uint32 if mask is None else np.float32)
    count = _count_levels if mask is None else _count_levels_masked
    extra = _nothing() if mask is None else mask
    # Tiles end where a scope column ends, so that no two threads count into the same one.
    tiles = max(1, min(columns, width // COLUMN_TILE))
    edges = [-(-(k * columns // tiles) * width // columns) for k in range(tiles + 1)]
    view = pixels[..., :3]

    def tile(k: int) -> None:
        count(view, edges[k], edges[k + 1], np.float32(high), np.float32(levels / (high - low)), np.float32(kr),
              np.float32(kb), extra, counts)

    for_each_tile(tile, tiles, threads)
    return counts


def _check(pixels: np.ndarray, mask: np.ndarray | None) -> None:
    if pixels.ndim != 3 or pixels.shape[2] < 3 or pixels.dtype != np.float32:
        raise ValueError("pixels are float32 of shape (height, width, 3 or more channels); "
                         f"these are {pixels.dtype} of shape {pixels.shape}")
    if mask is not None and (mask.shape != pixels.shape[:2] or mask.dtype != np.float32):
        raise ValueError(f"a mask is float32 of shape {pixels.shape[:2]}; "
                         f"this one is {mask.dtype} of shape {mask.shape}")


def _nothing() -> np.ndarray:
    return np.zeros((1, 1), np.float32)


def _inlined(function: Any) -> Any:
    return njit(forceinline=True, nogil=True, error_model="numpy")(function)


@_inlined
def _bin(position, last):
    """The bin of a position counted in bins, kept within 0 .. last; not-a-number falls into 0."""
    position = position if position > np.float32(0.0) else np.float32(0.0)
    position = position if position < last else last
    return np.int32(position)


@_inlined
def _add_levels(rgb, x0, x1, high, per_level, kr, kb, mask, masked, counts):
    traces, columns, levels = counts.shape
    width = rgb.shape[1]
    n = x1 - x0
    kg = np.float32(1.0) - kr - kb
    last = np.float32(levels - 1)
    column = np.empty(n, np.uint32)
    for i in range(n):
        column[i] = (x0 + i) * columns // width
    bins = np.empty((traces, n), np.int32)
    seen = np.empty(n, np.bool_)
    # Bins are worked out for a row of the tile at once, which vectorises; then they are counted.
    for y in range(rgb.shape[0]):
        for i in range(n):
            r, g, b = rgb[y, x0 + i, 0], rgb[y, x0 + i, 1], rgb[y, x0 + i, 2]
            luma = kr * r + kg * g + kb * b
            seen[i] = abs(luma) < np.float32(3e38)
            if traces == 1:
                bins[0, i] = _bin((high - luma) * per_level, last)
            else:
                bins[0, i] = _bin((high - r) * per_level, last)
                bins[1, i] = _bin((high - g) * per_level, last)
                bins[2, i] = _bin((high - b) * per_level, last)
        for t in range(traces):
            for i in range(n):
                if masked:
                    counts[t, column[i], np.uint32(bins[t, i])] += mask[y, x0 + i] if seen[i] else np.float32(0.0)
                else:
                    counts[t, column[i], np.uint32(bins[t, i])] += np.uint32(seen[i])


@entry("void(f4[:,:,:], i8, i8, f4, f4, f4, f4, f4[:,:], u4[:,:,:])")
def _count_levels(rgb, x0, x1, high, per_level, kr, kb, mask, counts):
    _add_levels(rgb, x0, x1, high, per_level, kr, kb, mask, False, counts)


@entry("void(f4[:,:,:], i8, i8, f4, f4, f4, f4, f4[:,:], f4[:,:,:])")
def _count_levels_masked(rgb, x0, x1, high, per_level, kr, kb, mask, counts):
    _add_levels(rgb, x0, x1, high, per_level, kr, kb, mask, True, counts)


@_inlined
def _add_chroma(rgb, y0, y1, kr, kb, per_cb, per_cr, mask, masked, counts):
    size = counts.shape[0]
    n = rgb.shape[1]
    middle, last = np.float32(0.5 * size), np.float32(size - 1)
    kg = np.float32(1.0) - kr - kb
    rows, columns = np.empty(n, np.int32), np.empty(n, np.int32)
    seen = np.empty(n, np.bool_)
    for y in range(y0, y1):
        for x in range(n):
            r, g, b = rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]
            luma = kr * r + kg * g + kb * b
            seen[x] = abs(luma) < np.float32(3e38)
            rows[x] = _bin(middle - (r - luma) * per_cr, last)
            columns[x] = _bin(middle + (b - luma) * per_cb, last)
        for x in range(n):
            if masked:
                counts[np.uint32(rows[x]), np.uint32(columns[x])] += mask[y, x] if seen[x] else np.float32(0.0)
            else:
                counts[np.uint32(rows[x]), np.uint32(columns[x])] += np.uint32(seen[x])


@entry("void(f4[:,:,:], i8, i8, f4, f4, f4, f4, f4[:,:], u4[:,:])")
def _count_chroma(rgb, y0, y1, kr, kb, per_cb, per_cr, mask, counts):
    _add_chroma(rgb, y0, y1, kr, kb, per_cb, per_cr, mask, False, counts)


@entry("void(f4[:,:,:], i8, i8, f4, f4, f4, f4, f4[:,:], f4[:,:])")
def _count_chroma_masked(rgb, y0, y1, kr, kb, per_cb, per_cr, mask, counts):
    _add_chroma(rgb, y0, y1, kr, kb, per_cb, per_cr, mask, True, counts)
