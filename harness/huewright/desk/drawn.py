"""What of a corrected frame goes to the page: the picture as JPEG, and scopes as ink from the kernels' counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from huewright_kernels.executor import compile_chain, run
from huewright_kernels.ops import Operation
from huewright_kernels.scopes import parade, vectorscope, waveform

from huewright.colorimetry.shown import bytes_in_srgb
from huewright.errors import InputError
from huewright.report.draw import EXTENT
from huewright.report.graticule import HIGH, LOW, density
from huewright.report.scopes import card_alone

COLUMNS, LEVELS, DIAL = 384, 224, 224
QUALITY = 88


@dataclass(frozen=True)
class Ink:
    """A scope: ``ink`` (panels, h, w) uint8, 0 none .. 255 full; the top row is the highest level or Cr."""

    ink: np.ndarray


def corrected(operations: Sequence[Operation], codes: np.ndarray) -> np.ndarray:
    """``codes`` (h, w, 3) float32 through the chain: the display signal."""
    return np.asarray(run(compile_chain(operations), np.ascontiguousarray(codes)), dtype=np.float32)


def jpeg(signal: np.ndarray, display: str) -> bytes:
    """The picture as a browser shall show it, without chroma subsampling: colour is the matter here."""
    shown = bytes_in_srgb(signal, display)
    _, content = cv2.imencode(".jpg", cv2.cvtColor(shown, cv2.COLOR_RGB2BGR), [
        cv2.IMWRITE_JPEG_QUALITY, QUALITY, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444])
    return bytes(content)


def scopes(signal: np.ndarray, luma: tuple[float, float], mask: np.ndarray | None = None) -> dict[str, Ink]:
    """Waveform (1 panel), parade (3) and vectorscope (1) of the display signal (h, w, 3)."""
    columns = min(COLUMNS, signal.shape[1])
    third = max(1, columns // 3)
    return {
        "waveform": _ink(waveform(signal, columns, LEVELS, LOW, HIGH, *luma, mask=mask)[None]),
        "parade": _ink(parade(signal, third, LEVELS, LOW, HIGH, *luma, mask=mask)),
        "vectorscope": _ink(vectorscope(signal, DIAL, EXTENT, *luma, mask=mask)[None], curve=1000.0)}


def _ink(counts: np.ndarray, curve: float = 60.0) -> Ink:
    return Ink(np.rint(255 * density(counts, curve)).astype(np.uint8))


def alone(codes: np.ndarray, outlines: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """The codes of the box around the patches, and which of its pixels are the patches' (float32 coverage). Raises
    :class:`InputError` where none of them lies in the picture."""
    if not outlines:
        raise InputError("no card was found in this frame, so its patches can't be looked at alone; look at the whole "
                         "frame, or at another one")
    cut, mask, _ = card_alone(codes.shape[1], codes.shape[0], outlines)
    return np.ascontiguousarray(codes[cut]), mask
