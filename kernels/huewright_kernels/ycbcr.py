"""Y'CbCr planes, as movies hold them, to R'G'B' and back: exact, chroma without a shift, nothing limited on the way.

Source: ITU-R BT.709-6 items 3 and 4, BT.2020-2 tables 4 and 5, and ITU-T H.273 clause 8.3 for the luma coefficients,
the two ranges of codes and where chroma samples lie. Chroma between its samples follows the cubic through four
neighbours of R. G. Keys, "Cubic convolution interpolation for digital image processing" (1981), a = -1/2, which keeps
straight slopes straight and so moves nothing; at the edges the outermost sample goes on.

R'G'B' are fractions of the full scale, 2^n - 1, in the planes' own range of codes: of legal planes black is
16 * 2^(n-8) / (2^n - 1), as in a legal R'G'B' file of n bits. Values may lie beyond 0 and 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit

from huewright_kernels.cache import entry
from huewright_kernels.threads import for_each_tile

ROWS = 64
"""Rows of the picture that one tile takes."""


@dataclass(frozen=True)
class Coding:
    """How n-bit planes hold colours.

    kr, kb       luma coefficients of R' and B'
    bits         n, 8 to 16
    legal        whether black and white are 16 and 235 of 8 bits and chroma goes from 16 to 240; else the full scale
    across, down pixels a chroma sample stands for: 1, 2 or 4
    site_x, site_y  where in these it lies: 0 at the first pixel (left, top), 0.5 between, 1 at the last
    """

    kr: float
    kb: float
    bits: int
    legal: bool
    across: int = 1
    down: int = 1
    site_x: float = 0.0
    site_y: float = 0.5

    def __post_init__(self) -> None:
        if not (0 < self.kr < 1 and 0 < self.kb < 1 and self.kr + self.kb < 1):
            raise ValueError("luma coefficients are above 0, and together below 1")
        if not 8 <= self.bits <= 16 or self.across not in (1, 2, 4) or self.down not in (1, 2, 4):
            raise ValueError("planes have 8 to 16 bits, and chroma samples stand for 1, 2 or 4 pixels each way")
        if not (0 <= self.site_x <= 1 and 0 <= self.site_y <= 1):
            raise ValueError("a chroma sample lies within the pixels that it stands for")

    def chroma_shape(self, height: int, width: int) -> tuple[int, int]:
        return -(-height // self.down), -(-width // self.across)

    @property
    def top(self) -> int:
        """The greatest code."""
        return int(2**self.bits - 1)

    def scales(self) -> tuple[float, float, float]:
        """(codes of Y' from black to white, the code of black, codes of chroma from -0.5 to 0.5); H.273, 8.3.4."""
        step = 2.0 ** (self.bits - 8)
        return (219 * step, 16 * step, 224 * step) if self.legal else (self.top, 0.0, self.top)

    def to_rgb(self) -> np.ndarray:
        """(3, 4) float64: R', G', B' as fractions of the full scale from codes of Y', Cb, Cr, and a constant."""
        luma, black, chroma = self.scales()
        middle = 2.0 ** (self.bits - 1)
        kg = 1 - self.kr - self.kb
        # E'R etc. from E'Y, E'Cb, E'Cr, then black + luma * E' over the full scale.
        of_signal = np.array([[1, 0, 2 * (1 - self.kr)],
                              [1, -2 * self.kb * (1 - self.kb) / kg, -2 * self.kr * (1 - self.kr) / kg],
                              [1, 2 * (1 - self.kb), 0]])
        matrix = of_signal * luma / np.array([luma, chroma, chroma])
        constant = black - matrix[:, 0] * black - matrix[:, 1:].sum(axis=1) * middle
        return np.column_stack([matrix, constant]) / self.top

    def from_rgb(self) -> np.ndarray:
        """(3, 4) float64: the inverse, codes not yet rounded."""
        forward = self.to_rgb()
        matrix = np.linalg.inv(forward[:, :3])
        return np.column_stack([matrix, -matrix @ forward[:, 3]])


def to_rgb(luma: np.ndarray, cb: np.ndarray, cr: np.ndarray, coding: Coding, threads: int | None = 1) -> np.ndarray:
    """R'G'B' (h, w, 3) float32 of planes of codes, uint8 or uint16: ``luma`` (h, w), ``cb`` and ``cr`` as
    :meth:`Coding.chroma_shape` says. Raises ``ValueError`` for planes of other shapes or types."""
    _check(luma, cb, cr, coding)
    height, width = luma.shape
    luma, cb, cr = (np.ascontiguousarray(plane) for plane in (luma, cb, cr))     # lines are padded in decoders' memory
    rgb = np.empty((height, width, 3), np.float32)
    matrix = coding.to_rgb().astype(np.float32)
    rows, row_taps = _taps(height, cb.shape[0], coding.down, coding.site_y)
    columns, column_taps = _taps(width, cb.shape[1], coding.across, coding.site_x)
    convert = _to_rgb_8 if luma.dtype == np.uint8 else _to_rgb_16

    def tile(k: int) -> None:
        convert(luma, cb, cr, matrix, rows, row_taps, columns, column_taps, coding.across, k * ROWS,
                min((k + 1) * ROWS, height), rgb)

    for_each_tile(tile, -(-height // ROWS), threads)
    return rgb


def from_rgb(rgb: np.ndarray, coding: Coding, threads: int | None = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Planes (Y', Cb, Cr) of codes, rounded and limited to 0 and the greatest, of R'G'B' (h, w, 3) float32 as
    :func:`to_rgb` gives it; uint8 where the coding has 8 bits, else uint16.

    Chroma is filtered down around where its samples lie by the triangle that is one sample wide to each side. What is
    no number becomes the code of black, or no chroma.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.float32:
        raise ValueError(f"pixels are float32 of shape (height, width, 3); these are {rgb.dtype} of shape {rgb.shape}")
    height, width = rgb.shape[:2]
    ch, cw = coding.chroma_shape(height, width)
    kind = np.uint8 if coding.bits == 8 else np.uint16
    planes = (np.empty((height, width), kind), np.empty((ch, cw), kind), np.empty((ch, cw), kind))
    matrix = coding.from_rgb().astype(np.float32)
    rows, row_weights = _gathered(height, ch, coding.down, coding.site_y)
    columns, column_weights = _gathered(width, cw, coding.across, coding.site_x)
    convert = _from_rgb_8 if coding.bits == 8 else _from_rgb_16
    step = ROWS // coding.down

    def tile(k: int) -> None:
        convert(rgb, matrix, np.float32(coding.top), rows, row_weights, columns, column_weights, coding.down, k * step,
                min((k + 1) * step, ch), *planes)

    for_each_tile(tile, -(-ch // step), threads)
    return planes


def _check(luma: np.ndarray, cb: np.ndarray, cr: np.ndarray, coding: Coding) -> None:
    if luma.ndim != 2 or luma.dtype not in (np.uint8, np.uint16) or not luma.size:
        raise ValueError("luma is a plane (height, width) of uint8 or uint16")
    shape = coding.chroma_shape(*luma.shape)
    for plane in (cb, cr):
        if plane.shape != shape or plane.dtype != luma.dtype:
            raise ValueError(f"chroma planes are {luma.dtype} of shape {shape}; this one is {plane.dtype} of shape "
                             f"{plane.shape}")


def _taps(count: int, samples: int, factor: int, site: float) -> tuple[np.ndarray, np.ndarray]:
    """(count, 4) samples that each pixel lies among, uint32, and their weights, float32."""
    at = (np.arange(count) - site * (factor - 1)) / factor
    base = np.floor(at)
    t = at - base
    weights = np.stack([((-0.5 * t + 1) * t - 0.5) * t, (1.5 * t - 2.5) * t * t + 1, ((-1.5 * t + 2) * t + 0.5) * t,
                        (0.5 * t - 0.5) * t * t], axis=1)
    places = np.clip(base[:, None] + np.arange(-1, 3), 0, samples - 1)
    return places.astype(np.uint32), weights.astype(np.float32)


def _gathered(count: int, samples: int, factor: int, site: float) -> tuple[np.ndarray, np.ndarray]:
    """(samples, k) pixels that each chroma sample is made of, uint32, and their weights, float32, of sum one."""
    at = np.arange(samples) * factor + site * (factor - 1)
    reach = np.arange(-factor, factor + 1) if factor > 1 else np.zeros(1)
    places = np.floor(at)[:, None] + reach
    weights = np.maximum(0.0, 1 - np.abs(places - at[:, None]) / factor)
    weights /= weights.sum(axis=1, keepdims=True)
    return np.clip(places, 0, count - 1).astype(np.uint32), weights.astype(np.float32)


def _inlined(function: Any) -> Any:
    return njit(forceinline=True, nogil=True, error_model="numpy")(function)


@_inlined
def _rgb_rows(luma, cb, cr, m, rows, row_taps, columns, column_taps, across, y0, y1, rgb):
    width, samples = luma.shape[1], cb.shape[1]
    line_b, line_r = np.empty(samples, np.float32), np.empty(samples, np.float32)
    wide_b, wide_r = np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(y0, y1):
        a, b, c, d = rows[y, 0], rows[y, 1], rows[y, 2], rows[y, 3]
        wa, wb, wc, wd = row_taps[y, 0], row_taps[y, 1], row_taps[y, 2], row_taps[y, 3]
        if wb == np.float32(1.0):
            b0, r0 = cb[b], cr[b]
            for x in range(samples):
                line_b[x] = np.float32(b0[x])
                line_r[x] = np.float32(r0[x])
        else:
            b0, b1, b2, b3 = cb[a], cb[b], cb[c], cb[d]
            r0, r1, r2, r3 = cr[a], cr[b], cr[c], cr[d]
            for x in range(samples):
                line_b[x] = (wa * np.float32(b0[x]) + wb * np.float32(b1[x]) + wc * np.float32(b2[x])
                             + wd * np.float32(b3[x]))
            for x in range(samples):
                line_r[x] = (wa * np.float32(r0[x]) + wb * np.float32(r1[x]) + wc * np.float32(r2[x])
                             + wd * np.float32(r3[x]))
        if across == 1:
            wide_b, wide_r = line_b, line_r
        else:
            for x in range(width):
                a, b, c, d = columns[x, 0], columns[x, 1], columns[x, 2], columns[x, 3]
                wa, wb, wc, wd = column_taps[x, 0], column_taps[x, 1], column_taps[x, 2], column_taps[x, 3]
                wide_b[x] = wa * line_b[a] + wb * line_b[b] + wc * line_b[c] + wd * line_b[d]
                wide_r[x] = wa * line_r[a] + wb * line_r[b] + wc * line_r[c] + wd * line_r[d]
        for x in range(width):
            level, blue, red = np.float32(luma[y, x]), wide_b[x], wide_r[x]
            rgb[y, x, 0] = m[0, 0] * level + m[0, 1] * blue + m[0, 2] * red + m[0, 3]
            rgb[y, x, 1] = m[1, 0] * level + m[1, 1] * blue + m[1, 2] * red + m[1, 3]
            rgb[y, x, 2] = m[2, 0] * level + m[2, 1] * blue + m[2, 2] * red + m[2, 3]


_TAPS = "u4[:,::1], f4[:,::1], u4[:,::1], f4[:,::1]"


@entry(f"void(u1[:,::1], u1[:,::1], u1[:,::1], f4[:,::1], {_TAPS}, i8, i8, i8, f4[:,:,::1])")
def _to_rgb_8(luma, cb, cr, m, rows, row_taps, columns, column_taps, across, y0, y1, rgb):
    _rgb_rows(luma, cb, cr, m, rows, row_taps, columns, column_taps, across, y0, y1, rgb)


@entry(f"void(u2[:,::1], u2[:,::1], u2[:,::1], f4[:,::1], {_TAPS}, i8, i8, i8, f4[:,:,::1])")
def _to_rgb_16(luma, cb, cr, m, rows, row_taps, columns, column_taps, across, y0, y1, rgb):
    _rgb_rows(luma, cb, cr, m, rows, row_taps, columns, column_taps, across, y0, y1, rgb)


@_inlined
def _code(value, top):
    """Rounded and limited; not-a-number falls to 0 (compared false)."""
    value = value + np.float32(0.5)
    value = value if value > np.float32(0.0) else np.float32(0.0)
    return np.uint16(value if value < top else top)


@_inlined
def _plane_rows(rgb, m, top, rows, row_weights, columns, column_weights, down, c0, c1, luma, cb, cr):
    height, width = luma.shape
    samples = cb.shape[1]
    gathered = row_weights.shape[1]
    line_b, line_r = np.empty(width, np.float32), np.empty(width, np.float32)
    middle = (top + np.float32(1.0)) * np.float32(0.5)
    for c in range(c0, c1):
        for y in range(c * down, min((c + 1) * down, height)):
            for x in range(width):
                luma[y, x] = _code(m[0, 0] * rgb[y, x, 0] + m[0, 1] * rgb[y, x, 1] + m[0, 2] * rgb[y, x, 2] + m[0, 3],
                                   top)
        line_b[:] = np.float32(0.0)
        line_r[:] = np.float32(0.0)
        for k in range(gathered):
            weight, y = row_weights[c, k], rows[c, k]
            if weight == np.float32(0.0):
                continue
            for x in range(width):
                r, g, b = rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]
                line_b[x] += weight * (m[1, 0] * r + m[1, 1] * g + m[1, 2] * b)
                line_r[x] += weight * (m[2, 0] * r + m[2, 1] * g + m[2, 2] * b)
        for s in range(samples):
            blue, red = np.float32(0.0), np.float32(0.0)
            for k in range(column_weights.shape[1]):
                blue += column_weights[s, k] * line_b[columns[s, k]]
                red += column_weights[s, k] * line_r[columns[s, k]]
            blue, red = blue + m[1, 3], red + m[2, 3]
            cb[c, s] = _code(blue if blue == blue else middle, top)
            cr[c, s] = _code(red if red == red else middle, top)


@entry(f"void(f4[:,:,::1], f4[:,::1], f4, {_TAPS}, i8, i8, i8, u1[:,::1], u1[:,::1], u1[:,::1])")
def _from_rgb_8(rgb, m, top, rows, row_weights, columns, column_weights, down, c0, c1, luma, cb, cr):
    _plane_rows(rgb, m, top, rows, row_weights, columns, column_weights, down, c0, c1, luma, cb, cr)


@entry(f"void(f4[:,:,::1], f4[:,::1], f4, {_TAPS}, i8, i8, i8, u2[:,::1], u2[:,::1], u2[:,::1])")
def _from_rgb_16(rgb, m, top, rows, row_weights, columns, column_weights, down, c0, c1, luma, cb, cr):
    _plane_rows(rgb, m, top, rows, row_weights, columns, column_weights, down, c0, c1, luma, cb, cr)
