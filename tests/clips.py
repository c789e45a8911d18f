"""Small movies with known codes, made by FFmpeg's own encoders through PyAV."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

Planes = Sequence[np.ndarray]


def picture(planes: Planes, pixel_format: str) -> av.VideoFrame:
    """A frame of these planes, first that of Y' (or of G')."""
    height, width = planes[0].shape
    frame = av.VideoFrame(width, height, pixel_format)
    for plane, codes in zip(frame.planes, planes, strict=True):
        kind = codes.dtype
        lines = np.zeros((plane.height, plane.line_size // kind.itemsize), kind)
        lines[:, :codes.shape[1]] = codes
        plane.update(lines.tobytes())
    return frame


def write_clip(path: Path, frames: Sequence[Planes] | Callable[[int], Planes], *, codec: str = "libx264",
               pixel_format: str = "yuv420p", count: int | None = None, rate: Fraction | int = 25,
               options: dict[str, str] | None = None, stamps: Sequence[int] | None = None,
               time_base: Fraction | None = None, tags: dict[str, Any] | None = None,
               metadata: dict[str, str] | None = None, timecode: str = "", audio: bool = False,
               container_options: dict[str, str] | None = None) -> Path:
    """``tags`` are attributes of the encoder: color_range, colorspace, color_primaries, color_trc (H.273 code points),
    sample_aspect_ratio; ``stamps`` in units of ``time_base`` make the rate vary."""
    path.parent.mkdir(parents=True, exist_ok=True)
    total = count if callable(frames) else len(frames)
    assert total
    with av.open(str(path), "w", options=container_options or {}) as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        first = frames(0) if callable(frames) else frames[0]
        stream.height, stream.width = first[0].shape
        stream.pix_fmt = pixel_format
        if time_base is not None:
            stream.codec_context.time_base = time_base
        for name, value in (tags or {}).items():
            setattr(stream.codec_context, name, value)
        container.metadata.update(metadata or {})
        if timecode:
            stream.metadata["timecode"] = timecode
        sound = container.add_stream("aac", rate=48000) if audio else None
        for number in range(total):
            frame = picture(frames(number) if callable(frames) else frames[number], pixel_format)
            for name in ("color_range", "colorspace", "color_primaries", "color_trc"):
                if tags and name in tags:
                    setattr(frame, name, tags[name])
            frame.pts = number if stamps is None else stamps[number]
            if time_base is not None:
                frame.time_base = time_base
            container.mux(stream.encode(frame))
        if sound is not None:
            samples = int(48000 * total / rate)
            wave = (0.3 * np.sin(np.arange(samples) * 2 * np.pi * 440 / 48000)).astype(np.float32)
            for begin in range(0, samples, 1024):
                block = av.AudioFrame.from_ndarray(wave[None, begin:begin + 1024], format="fltp", layout="mono")
                block.sample_rate, block.pts = 48000, begin
                container.mux(sound.encode(block))
            container.mux(sound.encode())
        container.mux(stream.encode())
    return path


LOSSLESS = {"codec": "libx264", "options": {"qp": "0", "preset": "ultrafast"}}
"""H.264 that loses nothing of 8-bit planes (High 4:4:4 Predictive)."""
HD_TAGS = {"color_range": 1, "colorspace": 1, "color_primaries": 1, "color_trc": 1}


def codes(shape: tuple[int, int], bits: int, seed: int, *, low: float = 16, high: float = 235) -> np.ndarray:
    """Smooth codes between those of 8 bits, of ``bits``."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:shape[0], 0:shape[1]] / 24.0
    wave = 0.5 + 0.25 * (np.sin(x + rng.uniform(0, 6)) + np.cos(y * rng.uniform(0.7, 1.3) + rng.uniform(0, 6)))
    scale = 2 ** (bits - 8)
    return np.rint((low + (high - low) * wave) * scale).astype(np.uint8 if bits == 8 else np.uint16)


def planes(size: tuple[int, int], pixel_format: str, seed: int) -> list[np.ndarray]:
    """Planes (Y', Cb, Cr) of legal codes for a size (height, width) and a format such as yuv422p10le."""
    height, width = size
    bits = int(pixel_format.partition("p")[2].replace("le", "") or 8)
    across, down = {"444": (1, 1), "422": (2, 1), "420": (2, 2)}[pixel_format.replace("j", "")[3:6]]
    chroma = (-(-height // down), -(-width // across))
    return [codes(size, bits, seed), codes(chroma, bits, seed + 1, low=90, high=166),
            codes(chroma, bits, seed + 2, low=90, high=166)]
