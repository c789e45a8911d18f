"""Y'CbCr to R'G'B' and back: against the float64 reference, without a shift, with nothing limited on the way."""

from __future__ import annotations

import numpy as np
import pytest
from huewright.reference.ycbcr import codes_from_signal, signal_from_codes
from huewright_kernels.ycbcr import Coding, from_rgb, to_rgb

MATRICES = {"BT.709": (0.2126, 0.0722), "BT.601": (0.299, 0.114), "BT.2020": (0.2627, 0.0593)}


def fraction(signal: np.ndarray, bits: int, legal: bool) -> np.ndarray:
    """Of the full scale, from signal: legal black at 16 of 8 bits and white at 235."""
    return (16 + 219 * signal) * 2 ** (bits - 8) / (2**bits - 1) if legal else signal


@pytest.mark.parametrize("name", MATRICES)
@pytest.mark.parametrize("legal", [True, False])
@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_every_code_becomes_what_the_reference_says(name: str, legal: bool, bits: int) -> None:
    kr, kb = MATRICES[name]
    rng = np.random.default_rng(bits)
    planes = [rng.integers(0, 2**bits, (37, 53)).astype(np.uint8 if bits == 8 else np.uint16) for _ in range(3)]
    coding = Coding(kr, kb, bits, legal)
    rgb = to_rgb(*planes, coding)
    expected = fraction(signal_from_codes(*planes, kr=kr, kb=kb, bits=bits, legal=legal), bits, legal)
    assert np.abs(rgb - expected).max() < 4e-7
    assert rgb.min() < 0 and rgb.max() > 1                 # of Y'CbCr beyond R'G'B' nothing is cut off
    for back, plane in zip(from_rgb(rgb, coding), planes, strict=True):
        assert np.abs(back.astype(int) - plane).max() <= (0 if bits < 16 else 1)


@pytest.mark.parametrize("legal", [True, False])
def test_codes_of_colours_are_the_references(legal: bool) -> None:
    kr, kb = MATRICES["BT.709"]
    signal = np.random.default_rng(3).uniform(0, 1, (24, 40, 3))
    planes = from_rgb(fraction(signal, 10, legal).astype(np.float32), Coding(kr, kb, 10, legal))
    expected = codes_from_signal(signal, kr=kr, kb=kb, bits=10, legal=legal)
    for k in range(3):
        assert np.abs(planes[k] - expected[..., k]).max() <= 0.5 + 1e-3


@pytest.mark.parametrize(("across", "down"), [(2, 1), (2, 2), (1, 2), (4, 1)])
@pytest.mark.parametrize("site", [(0.0, 0.5), (0.5, 0.5), (0.0, 0.0), (0.5, 0.0), (0.0, 1.0)])
def test_a_slope_of_chroma_is_where_it_was(across: int, down: int, site: tuple[float, float]) -> None:
    """A slope sampled where chroma samples lie (ITU-T H.273, chroma sample location types) comes back without a shift.
    The limit is the codes' own rounding; a sample taken for half a pixel off would be wrong by 6 codes."""
    height, width = 48, 96
    y, x = np.mgrid[0:height, 0:width].astype(float)
    wanted = 6000 + 12 * x + 9 * y
    chroma_y = np.arange(-(-height // down))[:, None] * down + site[1] * (down - 1)
    chroma_x = np.arange(-(-width // across))[None] * across + site[0] * (across - 1)
    plane = np.rint(6000 + 12 * chroma_x + 9 * chroma_y).astype(np.uint16)
    coding = Coding(*MATRICES["BT.709"], 16, False, across, down, *site)
    rgb = to_rgb(np.full((height, width), 30000, np.uint16), plane, np.full_like(plane, 32768), coding)
    blue = (rgb[..., 2].astype(float) - 30000 / 65535) / (2 * (1 - 0.0722)) * 65535 + 32768
    inner = np.s_[2 * down:-2 * down or None, 2 * across:-2 * across]
    assert np.abs(blue - wanted)[inner].max() < 0.75


@pytest.mark.parametrize("site", [(0.0, 0.5), (0.5, 0.5), (0.0, 0.0)])
def test_chroma_goes_down_and_up_without_a_shift(site: tuple[float, float]) -> None:
    """A 4:4:4 original through 4:2:0: the best shift between it and what comes back, by their spectra's phase."""
    height, width = 64, 128
    y, x = np.mgrid[0:height, 0:width] * 2 * np.pi
    signal = np.full((height, width, 3), 0.5)
    signal[..., 2] += 0.3 * np.sin(x * 4 / width) * np.cos(y * 2 / height)
    coding = Coding(*MATRICES["BT.709"], 12, True, 2, 2, *site)
    original = fraction(signal, 12, True).astype(np.float32)
    back = to_rgb(*from_rgb(original, coding), coding)
    a, b = (np.fft.fft2((p[..., 2] - p[..., 1]).astype(float)) for p in (original, back))
    turn = np.angle(b[2, 4] / a[2, 4]) / (2 * np.pi)         # of a wave, 4 across and 2 down the picture
    assert abs(turn) * min(width / 4, height / 2) < 0.02     # pixels
    assert np.abs(back - original)[8:-8, 8:-8].max() < 0.012


def test_what_is_no_number_becomes_black() -> None:
    rgb = np.full((4, 4, 3), np.nan, np.float32)
    luma, cb, cr = from_rgb(rgb, Coding(0.2126, 0.0722, 10, True))
    assert (luma == 0).all() and (cb == 512).all() and (cr == 512).all()


def test_threads_change_nothing() -> None:
    rng = np.random.default_rng(0)
    coding = Coding(0.2126, 0.0722, 10, True, 2, 2, 0.0, 0.5)
    planes = [rng.integers(0, 1024, shape).astype(np.uint16) for shape in ((201, 99), (101, 50), (101, 50))]
    rgb = to_rgb(*planes, coding, threads=1)
    assert np.array_equal(rgb, to_rgb(*planes, coding, threads=3))
    for one, other in zip(from_rgb(rgb, coding, 1), from_rgb(rgb, coding, 3), strict=True):
        assert np.array_equal(one, other)


@pytest.mark.parametrize("wrong", [{"kr": 0.0}, {"bits": 7}, {"across": 3}, {"site_x": 2.0}])
def test_impossible_codings_are_refused(wrong: dict) -> None:
    with pytest.raises(ValueError):
        Coding(**{"kr": 0.2126, "kb": 0.0722, "bits": 10, "legal": True, **wrong})


def test_planes_of_other_shapes_are_refused() -> None:
    coding = Coding(0.2126, 0.0722, 8, True, 2, 2)
    with pytest.raises(ValueError, match="chroma planes"):
        to_rgb(np.zeros((4, 4), np.uint8), np.zeros((4, 4), np.uint8), np.zeros((2, 2), np.uint8), coding)
    with pytest.raises(ValueError, match="float32"):
        from_rgb(np.zeros((4, 4, 3)), coding)
