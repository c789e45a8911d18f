"""The frame before and after as a page shows it: small enough, and converted to what a browser takes it for."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from huewright.colorimetry.shown import shown_in_srgb
from huewright.files import whole_file

FRAME_WIDTH = 1280
JPEG_LIMIT = 800_000            # bytes: two of them and the scopes have to fit a page of 5 MB


def save_photo(picture: np.ndarray, path: Path, *, display: str = "bt709", overwrite: bool = False) -> float:
    """Writes the display signal ``picture`` (h, w, 3), float, as an sRGB JPEG of at most 1280 pixels width and returns
    the percentage of its pixels that lay outside sRGB (see :func:`huewright.colorimetry.shown.shown_in_srgb`).

    8 bits without chroma subsampling (colour is the matter here); a noisy picture is squeezed to JPEG_LIMIT.
    """
    import cv2

    height, width = picture.shape[:2]
    if width > FRAME_WIDTH:
        size = (FRAME_WIDTH, max(1, round(height * FRAME_WIDTH / width)))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    shown = shown_in_srgb(picture, display)
    codes = np.rint(shown.srgb * 255).astype(np.uint8)
    for quality in (88, 80, 70, 55):
        _, content = cv2.imencode(".jpg", np.ascontiguousarray(codes[..., ::-1]), [
            cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444])
        if content.size <= JPEG_LIMIT:
            break
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_bytes(content.tobytes())
    return shown.outside_percent
