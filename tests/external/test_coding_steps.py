"""A coder's steps as they are seen in decoded pictures, against the tables of the files themselves.

Sources: ITU-T T.81 (1992), Annex K.1, tables K.1 and K.2 (luminance and chrominance; the corners below from memory),
and the tables that Pillow, which codes by libjpeg, writes into files and reads back from them.
"""

import io
from dataclasses import replace

import av
import cv2
import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.declare import declare_footage
from huewright.finding.coding import ORDERS, TO_YCC, decoded_ycc, seen_coding
from huewright.finding.find import find_card
from huewright.finding.light import LinearLight
from huewright.finding.observe import observe
from huewright.models.card import load_card
from PIL import Image

FIRST_OF_K1 = np.array([[16, 11, 10], [12, 12, 14], [14, 13, 16]])
FIRST_OF_K2 = np.array([[17, 18, 24], [18, 21, 26], [24, 26, 56]])


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    """(480, 640, 3) of 0 to 255, coloured shapes with a little noise."""
    rng = np.random.default_rng(5)
    rgb = np.full((480, 640, 3), 90.0)
    for _ in range(150):
        x, y, r = rng.integers(0, 640), rng.integers(0, 480), rng.integers(8, 60)
        cv2.circle(rgb, (int(x), int(y)), int(r), rng.uniform(30, 225, 3).tolist(), -1, cv2.LINE_AA)
    return np.clip(np.round(rgb + rng.normal(0, 1.5, rgb.shape)), 0, 255).astype(np.uint8)


def coded(picture: np.ndarray, **how: object) -> tuple[np.ndarray, np.ndarray]:
    """Decoded, and the file's tables (2, 8, 8)."""
    held = io.BytesIO()
    Image.fromarray(picture).save(held, "JPEG", **how)
    opened = Image.open(io.BytesIO(held.getvalue()))
    tables = np.array([opened.quantization[k] for k in (0, 1)]).reshape(2, 8, 8)
    return np.asarray(opened.convert("RGB")), tables


@pytest.mark.parametrize("quality", [70, 80, 90])
@pytest.mark.parametrize("subsampling", [0, 2])
def test_the_steps_are_those_in_the_file(picture: np.ndarray, quality: int, subsampling: int) -> None:
    decoded, tables = coded(picture, quality=quality, subsampling=subsampling)
    # K.1 and K.2 scaled by 200 - 2 * quality per cent, rounded, are what quality means to these libraries.
    for table, first in zip(tables, (FIRST_OF_K1, FIRST_OF_K2), strict=True):
        assert (table[:3, :3] == (first * (200 - 2 * quality) + 50) // 100).all()
    coding = seen_coding(decoded.astype(float))
    assert coding is not None
    assert (coding.across, coding.down) == ((1, 1) if subsampling == 0 else (2, 2))
    for steps, table in zip(coding.steps, tables, strict=True):
        known = np.isfinite(steps)
        assert known[:3].all()
        assert (steps[known] == table[ORDERS[known, 0], ORDERS[known, 1]]).all()


def test_steps_of_a_table_of_its_own_are_seen(picture: np.ndarray) -> None:
    own = [np.arange(5, 69).tolist(), np.arange(7, 71).tolist()]
    decoded, tables = coded(picture, qtables=own, subsampling=2)
    coding = seen_coding(decoded.astype(float))
    assert coding is not None
    for steps, table in zip(coding.steps, tables, strict=True):
        known = np.isfinite(steps)
        assert known.sum() > 8 and (steps[known] == table[ORDERS[known, 0], ORDERS[known, 1]]).all()


def test_no_steps_are_seen_where_none_are(picture: np.ndarray) -> None:
    decoded, _ = coded(picture, quality=70)
    resized = cv2.resize(decoded, None, fx=0.9, fy=0.9, interpolation=cv2.INTER_AREA)
    for other in (picture, resized, decoded[3:, 5:], np.full((480, 640, 3), 128, np.uint8)):
        assert seen_coding(other.astype(float)) is None


@pytest.mark.parametrize("codec", ["libx264", "mpeg4"])
def test_no_steps_are_seen_in_a_movie_that_predicts(picture: np.ndarray, codec: str) -> None:
    held = io.BytesIO()
    with av.open(held, "w", format="mp4") as out:
        stream = out.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = 640, 480, "yuv420p", 4_000_000
        for shift in range(4):
            frame = av.VideoFrame.from_ndarray(np.roll(picture, 2 * shift, axis=1), format="rgb24")
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    held.seek(0)
    with av.open(held) as taken:
        frames = [frame.to_ndarray(format="rgb24") for frame in taken.decode(video=0)]
    assert len(frames) == 4
    # The first one predicts within itself (H.264) or is coded much as a still is (MPEG-4); in the others a block is
    # what another frame has there, and a difference in steps.
    for frame in frames[1:]:
        assert seen_coding(frame.astype(float)) is None


def test_codes_before_they_were_rounded_to_red_green_and_blue() -> None:
    # ITU-T T.871's equations, of whole Y', Cb and Cr; colours that no R'G'B' clips.
    rng = np.random.default_rng(8)
    ycc = np.stack([rng.integers(90, 166, 4000), *rng.integers(-40, 41, (2, 4000))], axis=-1).astype(float)
    y, cb, cr = ycc.T
    rgb = np.stack([y + 1.402 * cr, y - (0.114 * 1.772 * cb + 0.299 * 1.402 * cr) / 0.587, y + 1.772 * cb], axis=-1)
    exact = decoded_ycc(np.floor(rgb + 0.5)[None])[0]
    plain = np.floor(rgb + 0.5) @ TO_YCC.T
    assert np.abs(exact - ycc).max() <= 1.0
    assert np.abs(exact - ycc)[:, 1:].mean() < 0.3 * np.abs(plain - ycc)[:, 1:].mean()


@pytest.mark.slow
def test_patches_of_a_coded_card_are_told_closer_than_by_their_means() -> None:
    card = load_card(huewright_demo.__file__.replace("__init__.py", "card.toml"))
    scale, size, rng = 6, (640, 480), np.random.default_rng(3)
    light = LinearLight(declare_footage(encoding="display", bits=8))
    colours = rng.uniform(0.04, 0.7, (len(card.patches), 3))
    corners = np.array([[92.3, 81.7], [541.2, 99.5], [528.6, 401.4], [80.9, 389.2]])
    to = cv2.getPerspectiveTransform(np.array(card.corners, np.float32), (corners * scale).astype(np.float32))
    big = np.full((size[1] * scale, size[0] * scale, 3), 0.2, np.float32)
    grey = [(0.05, 0.75, 0.05)[k % 3] for k in range(len(card.marks))]
    for area, colour in [*zip(card.marks, np.repeat(np.array(grey)[:, None], 3, axis=1), strict=True),
                         *zip(card.patches, colours, strict=True)]:
        points = cv2.perspectiveTransform(np.array([area.polygon], np.float32), to)[0]
        cv2.fillConvexPoly(big, np.round(points * 16).astype(np.int32), colour.tolist(), cv2.LINE_8, 4)
    linear = cv2.resize(big, size, interpolation=cv2.INTER_AREA)
    linear = linear + 0.002 * rng.standard_normal(linear.shape)
    codes = np.clip(np.round(255 * light.to_code(np.maximum(linear, 0))), 0, 255).astype(np.uint8)
    decoded, _ = coded(codes, quality=70, subsampling=2)
    rgb = decoded.astype(np.float32) / 255
    found = find_card(rgb, card, corners=corners)
    assert found is not None
    # Told that the picture has 10 bits nothing is looked for: then blocks' means are read as they are.
    by_means = observe(rgb, card, found, LinearLight(declare_footage(encoding="display", bits=10)))
    seen = observe(rgb, card, found, light)
    assert by_means.rounded is None and seen.rounded is not None
    truth = light.to_code(colours)
    off = [255 * ((one.code - truth) @ TO_YCC.T)[:, 1:] for one in (by_means, seen)]
    before, after = (float(np.sqrt(np.mean(part**2))) for part in off)
    assert after < 0.6 * before, (before, after)
    assert (np.abs(seen.code - truth) < 3 * seen.rounded + 0.002).mean() > 0.95
    assert np.isfinite(seen.gradient).all() and replace(seen, rounded=None).highest_code == 255
