"""Any memory layout, window, thread count and number format gives the colours that the plain case gives."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from huewright_kernels import PixelBuffer, compile_chain, run, run_colours
from huewright_kernels.masks import isolate
from huewright_kernels.ops import HueSectors, LogDecode, Lut3D, Matrix, ToneCurve, Transfer
from huewright_kernels.ycbcr import Coding, to_rgb

RNG = np.random.default_rng(8)
CHAIN = compile_chain([
    LogDecode(base=2.0, log_side_slope=1 / 17.52, log_side_offset=9.72 / 17.52, lin_side_break=0.0078125),
    Matrix(((1.1, -0.05, -0.05), (0.02, 0.96, 0.02), (0.0, -0.1, 1.1))), Transfer(),
    ToneCurve((0.0, 0.4, 1.0), (0.02, 0.41, 0.95)),
    HueSectors(rotations_deg=(5, -12, 3, 8, -15, 2), gains=(1.2, 0.8, 1.1, 0.7, 1.5, 1)),
    Lut3D(RNG.uniform(0, 1, (9, 9, 9, 3)))])
NOTHING = compile_chain([])
PICTURE = RNG.uniform(0.0, 0.7, (61, 531, 4)).astype(np.float32)
PLAIN = run(CHAIN, PICTURE, threads=1)


def test_alpha_is_carried_and_colours_are_those_of_run_colours():
    assert np.array_equal(PLAIN[..., 3], PICTURE[..., 3])
    colours = run_colours(CHAIN, PICTURE[..., :3].reshape(-1, 3))
    assert np.array_equal(PLAIN[..., :3].reshape(-1, 3), colours)


@pytest.mark.parametrize("channels", [3, 4, 6])
def test_rgb_rgba_and_more_channels(channels):
    source = np.concatenate([PICTURE, PICTURE[..., :2] * 2], axis=2)[..., :channels]
    out = run(CHAIN, source)
    assert out.shape == source.shape and np.array_equal(out[..., :3], PLAIN[..., :3])
    assert np.array_equal(out[..., 3:], source[..., 3:])


def test_in_place():
    picture = PICTURE.copy()
    assert run(CHAIN, picture, picture) is picture
    assert np.array_equal(picture, PLAIN)


@pytest.mark.parametrize("view", [
    lambda a: a[::-1], lambda a: a[:, ::-1], lambda a: a[::-2, ::-3], lambda a: a[3:40, 7:300], lambda a: a[::2]],
    ids=["upside down", "mirrored", "thinned backwards", "a window", "every second row"])
def test_strides_of_source_and_target(view):
    assert np.array_equal(run(CHAIN, view(PICTURE), threads=2), view(PLAIN))
    target = np.full((61, 531, 4), 9.0, np.float32)
    run(CHAIN, view(PICTURE), view(target))
    assert np.array_equal(view(target), view(PLAIN))
    untouched = np.ones(target.shape, bool)
    view(untouched)[...] = False
    assert (target[untouched] == 9.0).all()


def test_padded_rows_and_channels_that_belong_to_others():
    padded = np.full((61, 540, 5), 7.0, np.float32)
    run(CHAIN, PICTURE, padded[:, 4:535, 1:5])
    assert np.array_equal(padded[:, 4:535, 1:5], PLAIN)
    assert (padded[:, :4] == 7).all() and (padded[:, 535:] == 7).all() and (padded[..., 0] == 7).all()
    run(CHAIN, PICTURE[..., :3], padded[:, 4:535, :3])
    assert np.array_equal(padded[:, 4:535, :3], PLAIN[..., :3])
    assert np.array_equal(padded[:, 4:535, 3:5], PLAIN[..., 2:4])


@pytest.mark.parametrize("threads", [1, 2, 3, 7])
@pytest.mark.parametrize("kind", [np.float32, np.float16, np.uint8, np.uint16])
def test_same_bytes_for_any_threads_and_tiles(threads, kind):
    tall = np.tile(PICTURE, (9, 1, 1))
    whole = run(CHAIN, tall, np.zeros(tall.shape, kind), threads=1, dither_seed=5)
    out = run(CHAIN, tall, np.zeros(tall.shape, kind), threads=threads, dither_seed=5)
    assert out.tobytes() == whole.tobytes()
    out[:] = 0
    for y0, y1 in ((0, 1), (1, 64), (64, 300), (300, tall.shape[0])):
        for x0, x1 in ((0, 3), (3, 17), (17, 290), (290, 531)):
            run(CHAIN, tall, out, region=(x0, y0, x1, y1), threads=threads, dither_seed=5)
    assert out.tobytes() == whole.tobytes()


def test_a_region_touches_nothing_else():
    target = np.full(PICTURE.shape, np.nan, np.float32)
    source = PICTURE.copy()
    source[:10] = source[50:] = source[:, :100] = source[:, 200:] = np.nan  # would show if it were read
    run(CHAIN, source, target, region=(100, 10, 200, 50))
    assert np.array_equal(target[10:50, 100:200], PLAIN[10:50, 100:200])
    assert np.isnan(target).sum() == target.size - 40 * 100 * 4
    fresh = run(CHAIN, PICTURE, region=(100, 10, 200, 50))
    assert np.array_equal(fresh[10:50, 100:200], PLAIN[10:50, 100:200])
    assert np.array_equal(fresh[:10], PICTURE[:10])


def test_every_half_float_is_read_as_numpy_reads_it_and_written_back():
    half = np.arange(65536, dtype=np.uint16).view(np.float16)
    picture = np.repeat(half[:, None], 3, axis=1).reshape(128, 512, 3)
    out = run(NOTHING, picture)
    assert np.array_equal(out.view(np.uint32), picture.astype(np.float32).view(np.uint32))
    back = run(NOTHING, out, np.zeros_like(picture))
    number = ~np.isnan(picture)
    assert np.array_equal(back.view(np.uint16)[number], picture.view(np.uint16)[number])
    assert np.isnan(back[~number]).all()


def test_float_to_half_rounds_as_numpy_does():
    bits = RNG.integers(0, 2**32, (256, 512, 3), dtype=np.uint64).astype(np.uint32)
    near = (np.linspace(-70000, 70000, 3 * 256 * 512).reshape(256, 512, 3)).astype(np.float32)
    tiny = near * np.float32(1e-9)
    for values in (bits.view(np.float32), near, tiny):
        with np.errstate(over="ignore"):
            exact = values.astype(np.float16)
        out = run(NOTHING, values, np.zeros(values.shape, np.float16))
        number = ~np.isnan(values)
        assert np.array_equal(out.view(np.uint16)[number], exact.view(np.uint16)[number])
        assert np.isnan(out[~number]).all()


PACKED = [("uint10be", 1023), ("uint10le", 1023), ("uint12be", 4095), ("uint12le", 4095), ("uint16be", 65535)]


def packed(codes: np.ndarray, encoding: str) -> np.ndarray:
    """The bytes, by NumPy: filled method A of SMPTE ST 268-1 for 10 and 12 bits."""
    order = ">" if encoding.endswith("be") else "<"
    if "10" in encoding:
        words = codes[..., 0] << 22 | codes[..., 1] << 12 | codes[..., 2] << 2
        return np.frombuffer(words.astype(order + "u4").tobytes(), np.uint8)
    return np.frombuffer((codes << (4 if "12" in encoding else 0)).astype(order + "u2").tobytes(), np.uint8)


@pytest.mark.parametrize("encoding, full", PACKED)
def test_packed_words(encoding, full):
    codes = RNG.integers(0, full + 1, (13, 300, 3))
    codes[0, 0], codes[0, 1] = 0, full
    data = packed(codes, encoding)
    row = data.size // 13
    out = run(NOTHING, PixelBuffer(data, 300, 13, row, encoding))
    assert np.array_equal(out, codes.astype(np.float32) / np.float32(full))
    room = np.full(data.size + 64, 0xAB, np.uint8)
    run(NOTHING, out, PixelBuffer(room, 300, 13, row, encoding, offset=32))
    assert np.array_equal(room[32:-32], data) and (room[:32] == 0xAB).all() and (room[-32:] == 0xAB).all()
    flipped = run(NOTHING, PixelBuffer(data, 300, 13, -row, encoding, offset=12 * row))
    assert np.array_equal(flipped, out[::-1])


@pytest.mark.parametrize("kind, full", [(np.uint8, 255), (np.uint16, 65535)])
def test_integers_are_rounded_and_limited(kind, full):
    values = np.linspace(-0.2, 1.2, 3 * 40 * 500).astype(np.float32).reshape(40, 500, 3)
    values[0, 0] = np.nan, np.inf, -np.inf
    out = run(NOTHING, values, np.zeros(values.shape, kind))
    with np.errstate(all="ignore"):
        exact = np.rint(np.clip(np.nan_to_num(values, nan=0.0) * np.float32(full), 0, full)).astype(kind)
    assert np.array_equal(out, exact)
    assert out[0, 0].tolist() == [0, full, 0]


def test_dither_is_triangular_and_hangs_on_seed_and_place():
    flat = np.full((400, 700, 3), 100.3 / 255, np.float32)
    out = run(NOTHING, flat, np.zeros(flat.shape, np.uint8), dither_seed=1)
    error = out.astype(np.float64) - 100.3
    # Triangular noise of +-1 code (variance 1/6), then rounding (1/12): no bias, and the same spread for any level.
    assert abs(error.mean()) < 0.003 and abs(error.var() - 0.25) < 0.003
    other = run(NOTHING, flat, np.zeros(flat.shape, np.uint8), dither_seed=2)
    correlation = np.corrcoef(out.ravel(), other.ravel())[0, 1]
    assert abs(correlation) < 0.01
    for shift in ((0, 1), (1, 0)):
        neighbour = np.roll(out, shift, axis=(0, 1))
        assert abs(np.corrcoef(out[..., 0].ravel(), neighbour[..., 0].ravel())[0, 1]) < 0.01
    assert abs(np.corrcoef(out[..., 0].ravel(), out[..., 1].ravel())[0, 1]) < 0.01
    assert np.array_equal(run(NOTHING, flat, np.zeros(flat.shape, np.uint8), dither_seed=1), out)


def test_premultiplied_pictures():
    alpha = RNG.choice(np.array([0.0, 0.25, 0.5, 1.0], np.float32), (61, 531, 1))
    straight = np.concatenate([PICTURE[..., :3], alpha], axis=2)
    ready = np.concatenate([straight[..., :3] * alpha, alpha], axis=2)
    out = run(CHAIN, ready, premultiplied=True)
    expected = run(CHAIN, straight)[..., :3] * alpha
    seen = alpha[..., 0] > 0
    assert np.allclose(out[..., :3][seen], expected[seen], atol=2e-6)
    assert np.array_equal(out[..., 3], alpha[..., 0])


@pytest.mark.parametrize("source, target, words", [
    (np.zeros((4, 4), np.float32), None, "at least 3 channels"),
    (np.zeros((4, 4, 3), np.float64), None, "float64"),
    (np.zeros((4, 4, 3), ">f4"), None, "byte order"),
    (np.zeros((3, 4, 4), np.float32).transpose(1, 2, 0), None, "side by side"),
    (np.zeros((4, 4, 3), np.float32), np.zeros((5, 4, 3), np.float32), "4x4 pixels but target 4x5"),
])
def test_pictures_that_cannot_be(source, target, words):
    with pytest.raises(ValueError, match=words):
        run(NOTHING, source, target)


def test_other_refusals():
    picture = np.zeros((8, 8, 3), np.float32)
    with pytest.raises(ValueError, match="share memory"):
        run(NOTHING, picture[1:], picture[:-1])
    locked = picture.copy()
    locked.setflags(write=False)
    with pytest.raises(ValueError, match="read-only"):
        run(NOTHING, picture, locked)
    for region in ((0, 0, 9, 8), (-1, 0, 8, 8), (3, 0, 2, 8)):
        with pytest.raises(ValueError, match="region"):
            run(NOTHING, picture, region=region)
    with pytest.raises(ValueError, match="thread"):
        run(NOTHING, picture, threads=0)
    with pytest.raises(ValueError, match="do not fit"):
        PixelBuffer(np.zeros(100, np.uint8), 8, 8, 32, "uint10be")


BYTES = np.zeros(4096, np.uint8)


@pytest.mark.parametrize(("said", "words"), [
    (("uint9", 4, 2, 64), "unknown pixel encoding 'uint9'; known: "), (("uint10be", 4, 2, 64, 4), "cannot have 4 comp"),
    (("uint8", 4, 2, 64, 5), "of uint8 cannot have 5 components"), (("uint8", 0, 2, 64), "at least one pixel"),
    (("uint8", 4, 0, 64), "at least one pixel"), (("uint16be", 4, 2, 8), "rows of 8 bytes cannot hold 4 pixels of"),
    (("uint16be", 4, 2, 25), "rows of uint16be must start at multiples of 2 bytes"),
    (("uint16be", 4, 2, 24, 3, 1), "must start at multiples of 2 bytes"), (("uint8", 4, 2, -64), "do not fit in 4096"),
    (("uint8", 4, 65, 64), "4x65 pixels of uint8 do not fit in 4096 bytes"), (("uint8", 64, 2, 4096), "do not fit")])
def test_what_a_run_of_bytes_can_t_hold(said: tuple[Any, ...], words: str) -> None:
    encoding, width, height, row, *more = said
    with pytest.raises(ValueError, match=words):
        PixelBuffer(BYTES, width, height, row, encoding, *more)
    for data in (BYTES.astype(np.uint16), BYTES.reshape(64, 64), BYTES[::2]):
        with pytest.raises(ValueError, match="data is a contiguous 1-D uint8 array"):
            PixelBuffer(data, 4, 2, 64, "uint8")


def test_arrays_of_another_kind_are_refused() -> None:
    program, pixels = compile_chain(()), np.zeros((4, 5, 3), np.float32)
    with pytest.raises(ValueError, match=r"colours are an array \(n, 3\), not \(5,\)"):
        run_colours(program, np.zeros(5, np.float32))
    with pytest.raises(ValueError, match="out has the shape and type of the pixels"):
        isolate(pixels, [[[0, 0], [2, 0], [2, 2]]], 0.0, (0.0, 0.0, 0.0), out=np.zeros((4, 5, 3)))
    coding, chroma = Coding(0.2126, 0.0722, 8, True, 2, 2), np.zeros((2, 3), np.uint8)
    for luma in (np.zeros((4, 6)), np.zeros(6, np.uint8), np.zeros((0, 6), np.uint8)):
        with pytest.raises(ValueError, match="luma is a plane"):
            to_rgb(luma, chroma, chroma, coding)
    with pytest.raises(ValueError, match="chroma planes are uint8 of shape"):
        to_rgb(np.zeros((4, 6), np.uint8), chroma, chroma.astype(np.uint16), coding)
    empty = np.full((4, 5, 3), 7, np.float32)
    assert (run(program, pixels, empty, region=(2, 1, 2, 3)) == 7).all()     # nothing to do, nothing done
