"""Not-a-number, infinities, subnormal and huge values: what each operation documents, on arbitrary float32 bits."""

from __future__ import annotations

import numpy as np
import pytest
from huewright_kernels import compile_chain, run_colours
from huewright_kernels.ops import HueSectors, LogDecode, LogEncode, Lut1D, Lut3D, Matrix, ToneCurve, Transfer
from hypothesis import given, settings
from hypothesis import strategies as st

PER_CHANNEL = [
    LogDecode(base=2.0, log_side_slope=1 / 17.52, log_side_offset=9.72 / 17.52, lin_side_break=0.0078125), LogDecode(),
    LogEncode(base=2.0, log_side_slope=1 / 17.52, log_side_offset=9.72 / 17.52, lin_side_break=0.0078125), LogEncode(),
    *[Transfer(curve, direction) for curve in ("bt709", "bt1886", "srgb", "linear", "pq", "hlg")
      for direction in ("encode", "decode")],
    ToneCurve((0.0, 0.4, 1.0), (0.02, 0.41, 0.95)),
    Lut1D(np.linspace(0, 1, 33)[:, None] ** np.array([0.5, 1.0, 2.0])),
]
CLAMPED = (Lut1D, Lut3D)
TABLE = np.random.default_rng(3).uniform(0, 1, (5, 5, 5, 3))
bits = st.integers(0, 2**32 - 1)
any_float = st.one_of(bits, st.sampled_from([0, 0x80000000, 1, 0x80000001, 0x7F7FFFFF, 0xFF7FFFFF, 0x7F800000,
                                             0xFF800000, 0x7FC00001, 0x7FFFFFFF, 0xFF800001, 0x00800000]))
pixels = st.lists(st.tuples(any_float, any_float, any_float), min_size=1, max_size=40).map(
    lambda rows: np.array(rows, np.uint32).view(np.float32))


@pytest.mark.parametrize("operation", PER_CHANNEL, ids=lambda o: f"{o.name}-{getattr(o, 'curve', '')}"
                         f"-{getattr(o, 'direction', '')}")
@settings(max_examples=30, deadline=None)
@given(rgb=pixels)
def test_channel_by_channel(operation, rgb):
    out = run_colours(compile_chain([operation]), rgb)
    assert np.array_equal(np.isnan(out), np.isnan(rgb)), "NaN comes out where it went in, and nowhere else"
    top = rgb == np.inf
    if isinstance(operation, CLAMPED):
        assert np.isfinite(out[~np.isnan(rgb)]).all()
    elif top.any():
        assert (out[top] == np.inf).all()
    # A channel knows nothing of the others.
    alone = np.repeat(rgb[:, :1], 3, axis=1)
    assert np.array_equal(run_colours(compile_chain([operation]), alone)[:, 0], out[:, 0], equal_nan=True)


@settings(max_examples=60, deadline=None)
@given(rgb=pixels)
def test_monotone_curves_stay_monotone(rgb):
    finite = np.sort(rgb[np.isfinite(rgb).all(axis=1)].ravel())[:, None].repeat(3, axis=1)
    for operation in PER_CHANNEL:
        out = run_colours(compile_chain([operation]), finite)[:, 0]
        with np.errstate(invalid="ignore"):
            fell = np.diff(out.astype(np.float64)) < -3e-6 * np.maximum(1.0, np.abs(out[1:]))
        assert not fell.any(), operation


@settings(max_examples=60, deadline=None)
@given(rgb=pixels)
def test_matrix_is_plain_arithmetic(rgb):
    with np.errstate(all="ignore"):
        m = np.array([[1.5, -0.25, 0.125], [0.5, 0.25, 2.0], [-1.0, 0.0, 1.0]], np.float32)
        r, g, b = rgb.T
        exact = np.stack([((r * row[0] + g * row[1]) + b * row[2]) + np.float32(0.25) for row in m], axis=1)
    operation = Matrix(tuple(tuple(map(float, row)) for row in m), (0.25, 0.25, 0.25))
    assert np.array_equal(run_colours(compile_chain([operation]), rgb), exact, equal_nan=True)


@settings(max_examples=60, deadline=None)
@given(rgb=pixels)
def test_hue_sectors_spoil_a_pixel_whole_or_not_at_all(rgb):
    out = run_colours(compile_chain([HueSectors(rotations_deg=(9, -9, 4, 0, 20, 1), gains=(2, 1, 1, 0.5, 1, 1))]), rgb)
    bad = ~np.isfinite(rgb).all(axis=1)
    assert not np.isfinite(out[bad]).any(), "a pixel with one channel that is not finite has none that is"
    calm = np.abs(rgb).max(axis=1, initial=0.0) < 1e37
    assert np.isfinite(out[calm & ~bad]).all()


@pytest.mark.parametrize("interpolation", ["tetrahedral", "trilinear"])
@settings(max_examples=60, deadline=None)
@given(rgb=pixels)
def test_lut_3d_clamps_all_but_not_a_number(interpolation, rgb):
    out = run_colours(compile_chain([Lut3D(TABLE, interpolation=interpolation)]), rgb)
    bad = np.isnan(rgb).any(axis=1)
    assert np.isnan(out[bad]).all()
    assert (out[~bad] > TABLE.min() - 1e-6).all() and (out[~bad] < TABLE.max() + 1e-6).all()
