"""EXR files of luminance and chroma against OpenEXR's own writer and reader, and against colour-science.

``luminance_chroma.npz`` holds two files of 24 x 16 pixels that OpenEXR 3.1.5's ``RgbaOutputFile`` wrote (``WRITE_YC``,
PIZ; ``WRITE_YCA``, ZIP, with chromaticities of its own), the pictures drawn for them, invented, and what its
``RgbaInputFile`` read, half floats. The second picture has hard edges between dark and saturated colours.
"""

from __future__ import annotations

from pathlib import Path

import colour
import numpy as np
import pytest
from huewright.frames.frame import Frame
from huewright.frames.luminance import BT709, filled, luminance_weights
from huewright.frames.picture import read_attributes, read_frame, read_header

HELD = np.load(Path(__file__).with_name("luminance_chroma.npz"))
ACES_AP0 = (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767)


def read(folder: Path, name: str) -> Frame:
    pytest.importorskip("OpenEXR")
    path = folder / f"{name}.exr"
    path.write_bytes(HELD[f"{name}_file"].tobytes())
    return read_frame(path)


@pytest.mark.parametrize(("name", "names"), [("smooth", "RGB"), ("edges", "RGBA")])
def test_colours_are_those_of_openexrs_own_reader(tmp_path: Path, name: str, names: str) -> None:
    """Its chroma is rounded to half floats after each filter and its colours once more: up to three half steps."""
    frame, theirs = read(tmp_path, name), HELD[f"{name}_read"].astype(np.float64)
    assert "".join(frame.channel_names) == names and frame.pixels.dtype == np.float16
    apart = np.abs(frame.pixels[..., :3].astype(np.float64) - theirs[..., :3])
    assert (apart / np.abs(theirs[..., :3]).max(-1, keepdims=True)).max() < 3 * 2**-11
    if frame.has_alpha:
        np.testing.assert_array_equal(frame.pixels[..., 3], theirs[..., 3])


def test_a_smooth_picture_is_near_what_was_drawn(tmp_path: Path) -> None:
    """Its writer keeps 7 bits of luminance's fraction and 5 of chroma's; six pixels at the edges lack neighbours."""
    frame, drawn = read(tmp_path, "smooth"), HELD["smooth_drawn"].astype(np.float64)
    apart = np.abs(frame.pixels.astype(np.float64) - drawn[..., :3])[6:-6, 6:-6]
    assert apart.max() < 2**-6 * drawn[..., :3].max()


def test_header_is_that_of_other_files(tmp_path: Path) -> None:
    frame = read(tmp_path, "edges")
    said, header = read_attributes(tmp_path / "edges.exr"), read_header(tmp_path / "edges.exr")
    assert frame.data_window == (4, 6, 28, 22) and frame.display_window == (0, 0, 32, 28)
    assert (header.width, header.height, header.dtype, header.bits) == (24, 16, np.float16, 16)
    assert said["Copyright"] == "an invented studio" and said["framesPerSecond"] == (24, 1)
    assert said["compression"] == "zip" and said["chromaticities"][0] == np.float32(0.713)
    assert frame.metadata.changes == (("chroma", ()),) and frame.metadata.lossy


@pytest.mark.parametrize("chromaticities", [BT709, ACES_AP0])
def test_weights_of_luminance(chromaticities: tuple[float, ...]) -> None:
    primaries, white = np.reshape(chromaticities[:6], (3, 2)), chromaticities[6:]
    wanted = colour.models.normalised_primary_matrix(primaries, white)[1]
    np.testing.assert_allclose(luminance_weights(chromaticities), wanted, atol=1e-12)


def test_waves_of_up_to_an_eighth_of_the_samples_pass_the_filter() -> None:
    """A wave of 16 pixels, eight samples: common practice for a half-band filter of 27, no source for the limit."""
    x = np.arange(96)
    wave = np.cos(2 * np.pi * x / 16 + 0.3).astype(np.float32)
    picture = wave[:, None] * wave[None]
    result = filled(picture[::2, ::2])
    np.testing.assert_allclose(result[14:-14, 14:-14], picture[14:-14, 14:-14], atol=2e-3)
    np.testing.assert_array_equal(result[::2, ::2], picture[::2, ::2])
