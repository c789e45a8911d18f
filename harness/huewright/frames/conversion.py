"""Channels and depths: from a file's numbers to those the kernels take, and to those another format holds."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from huewright.frames.dpx import DpxPicture
from huewright.frames.frame import Frame
from huewright.frames.picture import Header, check_depth, depths_of


def output_depth(source: Header, source_path: Path, out: Path, bits: int | None) -> int:
    """The output's bits a channel: what was asked for, else the take's or the format's usual one."""
    if bits is not None:
        check_depth(out, bits)
        return bits
    suffix, depths = out.suffix.lower(), depths_of(out)
    if suffix == ".exr":
        return 32 if source.dtype == np.float32 else 16
    if source.dtype.kind == "u" or suffix == source_path.suffix.lower():
        return min((depth for depth in depths if depth >= source.bits), default=max(depths))
    return 10 if suffix == ".dpx" else 16


def is_float(suffix: str, bits: int) -> bool:
    """Whether files that end so hold floating-point numbers."""
    return suffix == ".exr" or bits == 32


def kernel_source(frame: Frame) -> np.ndarray:
    """The pixels as the kernels take them; 10 and 12 bits in 16 as exact floats, which their 16-bit scale isn't."""
    if frame.pixels.dtype != np.uint16 or frame.bits == 16:
        return frame.pixels
    return np.concatenate([frame.rgb_float(), frame.pixels[..., 3:].astype(np.float32) / np.float32(65535)], axis=2)


def other_channels(frame: Frame, kind: type) -> np.ndarray:
    """Channels beyond the third in the output's numbers: alpha and others carried, not corrected."""
    others = frame.pixels[..., 3:]
    if others.dtype.kind == "u":
        others = others.astype(np.float32) / np.float32(np.iinfo(others.dtype).max)
    if np.dtype(kind).kind == "u":
        return np.rint(np.clip(np.nan_to_num(others.astype(np.float32)), 0, 1) * np.iinfo(kind).max).astype(kind)
    return others.astype(kind)


def packed_memory(width: int, height: int, bits: int) -> DpxPicture:
    """Memory that the kernels fill with 10- or 12-bit codes, for a file that packs them in its own way."""
    row_bytes = width * (4 if bits == 10 else 6)
    return DpxPicture(b"", np.empty(height * row_bytes, np.uint8), b"", width, height, 3, bits, "<", row_bytes)


def pixel_dtype(suffix: str, bits: int) -> type:
    """Of the pixels in memory of a file that ends so."""
    if suffix == ".exr":
        return np.float16 if bits == 16 else np.float32
    return {8: np.uint8, 16: np.uint16, 32: np.float32}[bits]
