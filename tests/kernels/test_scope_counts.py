"""Scope counts against NumPy's histograms, and what becomes of values beyond the scope."""

from __future__ import annotations

import numpy as np
import pytest
from huewright_kernels.scopes import parade, vectorscope, waveform

KR, KB = 0.2126, 0.0722


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    # Values that lie clear of every bin's border, so that rounding cannot move a pixel between bins.
    rng = np.random.default_rng(11)
    return (rng.integers(0, 100, (70, 97, 4)) / 100).astype(np.float32)


def test_parade_counts_what_numpy_counts(picture: np.ndarray) -> None:
    counts = parade(picture, 13, 24, low=-0.105, high=1.095)
    assert counts.dtype == np.uint32 and counts.shape == (3, 24, 13)
    column = np.arange(97) * 13 // 97
    for channel in range(3):
        wanted, *_ = np.histogram2d(picture[..., channel].ravel(), np.tile(column, 70), bins=(24, 13),
                                    range=((-0.105, 1.095), (0, 13)))
        np.testing.assert_array_equal(counts[channel], wanted[::-1])


def test_waveform_counts_luma(picture: np.ndarray) -> None:
    counts = waveform(picture, 97, 120)
    luma = picture[..., :3].astype(np.float64) @ [KR, 1 - KR - KB, KB]
    assert counts.sum() == luma.size
    levels = 1.1 - (np.arange(120) + 0.5) * 0.01
    seen = (counts * levels[:, None]).sum(axis=0) / 70
    np.testing.assert_allclose(seen, luma.mean(axis=0), atol=0.005)


def test_grey_step_lands_on_its_row() -> None:
    pixels = np.full((4, 6, 3), 0.415, np.float32)
    counts = waveform(pixels, 6, 120, low=-0.1, high=1.1)
    assert np.flatnonzero(counts.any(axis=1)).tolist() == [68]          # (1.1 - 0.415) / 0.01 = 68.5 rows from the top
    assert (counts[68] == 4).all()


def test_vectorscope_puts_red_up_and_blue_right() -> None:
    for rgb, (cb, cr) in {(0.75, 0, 0): (-0.0859, 0.375), (0, 0, 0.75): (0.375, -0.0344)}.items():
        counts = vectorscope(np.full((2, 2, 3), rgb, np.float32), 120, extent=0.6)
        (row,), (column,) = np.nonzero(counts)
        assert counts[row, column] == 4
        assert (column + 0.5) / 100 - 0.6 == pytest.approx(cb, abs=0.0051)
        assert 0.6 - (row + 0.5) / 100 == pytest.approx(cr, abs=0.0051)


def test_mask_weighs_the_counts(picture: np.ndarray) -> None:
    mask = np.random.default_rng(2).random((70, 97)).astype(np.float32)
    for count in (lambda **k: waveform(picture, 20, 50, **k), lambda **k: vectorscope(picture, 64, **k)):
        weighted, plain = count(mask=mask), count()
        assert weighted.dtype == np.float32
        assert weighted.sum(dtype=np.float64) == pytest.approx(mask.sum(dtype=np.float64), rel=1e-5)
        np.testing.assert_allclose(count(mask=np.ones_like(mask)), plain, rtol=1e-6)
        assert ((weighted > 0) <= (plain > 0)).all()


def test_values_beyond_the_scope_show_at_its_edge_and_undefined_ones_nowhere() -> None:
    pixels = np.array([[[5, 5, 5], [-5, -5, -5], [np.nan, 0, 0], [np.inf, 0, 0]]], np.float32)
    counts = waveform(pixels, 1, 10)
    assert counts.ravel().tolist() == [1, 0, 0, 0, 0, 0, 0, 0, 0, 1]
    assert vectorscope(np.array([[[9, 0, 0], [np.nan, 0, 0]]], np.float32), 11)[0].sum() == 1


def test_threads_and_layout_change_nothing(picture: np.ndarray) -> None:
    mask = np.random.default_rng(2).random((70, 97)).astype(np.float32)
    flipped = np.ascontiguousarray(picture[:, ::-1])[:, ::-1]
    wide = np.tile(picture, (1, 12, 1))
    wide_mask = np.tile(mask, (1, 12))
    for shown, weights in ((wide, None), (wide, wide_mask)):
        np.testing.assert_array_equal(waveform(shown, 256, 64, mask=weights, threads=1),
                                      waveform(shown, 256, 64, mask=weights, threads=4))
        np.testing.assert_array_equal(vectorscope(shown, 64, mask=weights, threads=1),
                                      vectorscope(shown, 64, mask=weights, threads=4))
    np.testing.assert_array_equal(parade(picture, 300, 64), parade(flipped, 300, 64))


def test_what_makes_no_scope_is_refused(picture: np.ndarray) -> None:
    with pytest.raises(ValueError, match="column"):
        waveform(picture, 0, 10)
    with pytest.raises(ValueError, match="mask"):
        vectorscope(picture, 10, mask=np.ones((2, 2), np.float32))
    with pytest.raises(ValueError, match="float32"):
        parade(picture.astype(np.float64), 10, 10)
    with pytest.raises(ValueError, match="extent"):
        vectorscope(picture, 10, extent=0)
