"""The float32 kernels against the float64 reference, which is written from the published formulae alone.

Smooth operations: 2e-6 absolute over [-0.5, 4]. Decodings grow so fast that float32 allows no fixed bound (ACEScct's
4.0 is light of 1e18; half a unit in the last place of such an input moves it by 2e12): they are held to 4 units in the
last place of the result plus what 2 units in the last place of the input are worth, over the same range.
Tables: 1e-6 absolute.
"""

from __future__ import annotations

import numpy as np
import pytest
from huewright.reference import apply, apply_chain
from huewright.reference.hue import rotation_and_gain, ycbcr_from_rgb
from huewright_kernels import compile_chain, run_colours
from huewright_kernels.ops import (
    HueSectors,
    LogDecode,
    LogEncode,
    Lut1D,
    Lut3D,
    Matrix,
    Operation,
    ToneCurve,
    Transfer,
)
from hypothesis import given, settings
from hypothesis import strategies as st

SMOOTH = 2e-6
LUT = 1e-6
# Academy S-2016-001: the constants of ACEScct as a camera log curve.
ACESCCT = {"base": 2.0, "log_side_slope": 1 / 17.52, "log_side_offset": 9.72 / 17.52, "lin_side_break": 0.0078125}


def colours(low: float, high: float, n: int = 20000) -> np.ndarray:
    """Random colours, a grid of greys with the ends, and primaries."""
    greys = np.linspace(low, high, 4097)[:, None].repeat(3, axis=1)
    rng = np.random.default_rng(11)
    return np.vstack([rng.uniform(low, high, (n, 3)), greys, np.eye(3) * high, np.eye(3) * low]).astype(np.float32)


def worst(operation: Operation, rgb: np.ndarray) -> float:
    ours, exact = both(operation, rgb)
    return float(np.max(np.abs(ours - exact)))


def both(operation: Operation, rgb: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    ours = run_colours(compile_chain([operation]), rgb).astype(np.float64)
    exact = apply(operation, rgb.astype(np.float64))
    assert np.isfinite(exact).all()
    return ours, exact


def undecided(operation: Operation, rgb: np.ndarray) -> np.ndarray:
    """What float32 leaves open of each channel's result; for operations on one channel at a time."""
    exact = apply(operation, rgb.astype(np.float64))
    step = 2.0 * np.spacing(np.abs(rgb)).astype(np.float64)
    moved = [np.abs(apply(operation, rgb + way * step) - exact) for way in (1.0, -1.0)]
    return 4.0 * np.spacing(np.abs(exact).astype(np.float32)).astype(np.float64) + np.maximum(*moved)


@pytest.mark.parametrize("operation", [
    Matrix(((1.3, -0.2, -0.1), (0.05, 0.9, 0.05), (0.02, -0.4, 1.38)), (0.01, 0.0, -0.02)),
    LogEncode(**ACESCCT),
    LogEncode(),
    LogEncode(base=10.0, log_side_slope=0.3, log_side_offset=0.4, lin_side_slope=5.0, lin_side_offset=0.05,
              lin_side_break=0.01, linear_slope=6.0),
    Transfer("bt709", "encode"), Transfer("bt1886", "encode"), Transfer("srgb", "encode"),
    Transfer("hlg", "encode"), Transfer("pq", "encode"), Transfer("linear", "encode"),
    ToneCurve((0.0, 0.4, 1.0), (0.02, 0.41, 0.95)),
    ToneCurve((0.0, 1.0), (-0.1, 1.2)),
    ToneCurve(tuple(np.linspace(0.0, 1.0, 16)), tuple(np.linspace(0.0, 1.0, 16) ** 0.6)),
    ToneCurve((-0.3, 0.0, 0.1, 0.12, 0.5, 2.0), (-0.2, 0.01, 0.05, 0.3, 0.6, 1.4)),
], ids=lambda operation: "-".join(str(v) for v in vars(operation).values() if isinstance(v, str)) or operation.name)
def test_smooth_operations_between_minus_a_half_and_four(operation):
    assert worst(operation, colours(-0.5, 4.0)) < SMOOTH


DECODINGS = [
    LogDecode(**ACESCCT), LogDecode(),
    LogDecode(base=10.0, log_side_slope=0.3, log_side_offset=0.4, lin_side_slope=5.0, lin_side_offset=0.05,
              lin_side_break=0.01),
    Transfer("bt709", "decode"), Transfer("bt1886", "decode"), Transfer("srgb", "decode"), Transfer("hlg", "decode"),
]


@pytest.mark.parametrize("operation", DECODINGS,
                         ids=lambda operation: getattr(operation, "curve", f"log{getattr(operation, 'base', '')}"))
def test_decodings_between_minus_a_half_and_four(operation):
    rgb = colours(-0.5, 4.0)
    ours, exact = both(operation, rgb)
    assert np.all(np.abs(ours - exact) <= np.maximum(SMOOTH, undecided(operation, rgb)))


def test_what_float32_leaves_open_is_little_where_decodings_are_not_steep():
    """Else the bound above would bound nothing: for signals up to 1 it is within a millionth of the light."""
    rgb = colours(0.2, 1.0)
    for operation in DECODINGS[1:]:
        assert np.all(undecided(operation, rgb) < 3e-6 * np.maximum(0.5, np.abs(apply(operation, rgb.astype(float)))))


def test_pq_decoding_of_every_signal_it_has():
    assert worst(Transfer("pq", "decode"), colours(-0.5, 1.0)) < SMOOTH


@pytest.mark.parametrize("interpolation", ["tetrahedral", "trilinear"])
@pytest.mark.parametrize("size", [2, 3, 17, 20, 33, 36, 65, 100])
def test_lut_3d_with_any_entries(size, interpolation):
    table = np.random.default_rng(size).uniform(0.0, 1.0, (size, size, size, 3))
    for low, high in ((0.0, 1.0), (-0.1, 1.3), (-0.125, 0.875), (0.3, 0.31)):
        operation = Lut3D(table, (low,) * 3, (high,) * 3, interpolation)
        assert worst(operation, colours(-0.5, 4.0)) < LUT


@pytest.mark.parametrize("interpolation", ["tetrahedral", "trilinear"])
@pytest.mark.parametrize("size, low, high", [(21, 0.0, 1.0), (36, -0.2, 1.3), (50, 0.0, 4.0)])
def test_lut_3d_over_any_domain(size, low, high, interpolation):
    grid = np.linspace(0.0, 1.0, size)
    table = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1)
    table = table**1.2 @ np.array([[0.9, 0.1, 0.0], [0.05, 0.8, 0.15], [0.0, 0.2, 0.8]])
    assert worst(Lut3D(table, (low,) * 3, (high,) * 3, interpolation), colours(-0.5, 4.0)) < LUT


@pytest.mark.parametrize("size", [2, 3, 255, 256, 257, 1000, 1024, 1025, 4096, 4097])
def test_lut_1d_with_any_entries(size):
    """The place in the table must not be rounded to float32: of 1024 entries that alone would be 3e-5 of a step."""
    table = np.random.default_rng(size).uniform(0.0, 1.0, (size, 3))
    for low, high in ((0.0, 1.0), (-0.1, 1.3), (-0.125, 0.875), (0.0, 4.0)):
        assert worst(Lut1D(table, (low,) * 3, (high,) * 3), colours(-0.5, 4.0)) < LUT


def test_lut_1d_of_the_greatest_length():
    assert worst(Lut1D(np.random.default_rng(1).uniform(0.0, 1.0, (65536, 3))), colours(-0.5, 1.5)) < LUT
    ramp = np.linspace(0.0, 1.0, 65536)[:, None]
    assert worst(Lut1D(ramp ** np.array([0.9, 1.0, 2.2]), (-0.1,) * 3, (2.0,) * 3), colours(-0.5, 4.0)) < LUT


def test_lut_nodes_come_out_as_they_are():
    """At a node the fraction is 0 and the entry itself comes out, next to it on either side hardly another."""
    for size in (17, 33, 1024, 1025):
        table = np.random.default_rng(size).uniform(0.0, 1.0, (size, 3)).astype(np.float32)
        nodes = (np.arange(size) / (size - 1)).astype(np.float32)[:, None].repeat(3, axis=1)
        for rgb in (nodes, np.nextafter(nodes, np.float32(2)), np.nextafter(nodes, np.float32(-1))):
            out = run_colours(compile_chain([Lut1D(table)]), rgb)
            assert np.max(np.abs(out - table)) < 1.5e-7 * size


hue_sectors = st.integers(3, 12).flatmap(lambda n: st.builds(
    HueSectors,
    hues_deg=st.just(tuple(float(h) for h in np.arange(n) * 360.0 / n + 7.0)),
    rotations_deg=st.tuples(*[st.floats(-0.45 * 360 / n, 0.45 * 360 / n)] * n),
    gains=st.tuples(*[st.floats(0.25, 4.0)] * n),
    kr=st.sampled_from([0.2126, 0.2627]), kb=st.sampled_from([0.0722, 0.0593])))


@settings(max_examples=25, deadline=None)
@given(hue_sectors)
def test_hue_turn_gain_and_luma(operation):
    rng = np.random.default_rng(5)
    hue = np.radians(np.linspace(0.0, 360.0, 40001))
    radius = rng.uniform(0.05, 0.5, hue.shape)
    cb, cr = radius * np.cos(hue), radius * np.sin(hue)
    kr, kb = operation.kr, operation.kb
    r, b = 0.4 + 2 * (1 - kr) * cr, 0.4 + 2 * (1 - kb) * cb
    rgb = np.stack([r, (0.4 - kr * r - kb * b) / (1 - kr - kb), b], axis=1).astype(np.float32)
    luma, cb, cr = ycbcr_from_rgb(rgb.astype(np.float64), kr, kb)
    out = run_colours(compile_chain([operation]), rgb).astype(np.float64)
    new_luma, new_cb, new_cr = ycbcr_from_rgb(out, kr, kb)
    turn, gain = rotation_and_gain(operation, np.degrees(np.arctan2(cr, cb)) % 360.0)
    before, after = cb + 1j * cr, new_cb + 1j * new_cr
    exact = before * gain * np.exp(1j * np.radians(turn))
    assert np.max(np.abs(new_luma - luma)) < 1e-6
    assert np.max(np.abs(np.degrees(np.angle(after / exact)))) < 0.01
    assert np.max(np.abs(np.abs(after) / np.abs(exact) - 1.0)) < 1e-4


@settings(max_examples=25, deadline=None)
@given(hue_sectors)
def test_neutrals_pass_the_hue_sectors_to_the_last_bit(operation):
    greys = np.concatenate([np.linspace(-0.5, 4.0, 5001), [1e-30, 1e-42, 6e4, -1e9]]).astype(np.float32)
    rgb = np.repeat(greys[:, None], 3, axis=1)
    assert np.array_equal(run_colours(compile_chain([operation]), rgb), rgb)


def test_luma_is_kept_over_the_whole_range():
    rgb = colours(-0.5, 4.0)
    operation = HueSectors(rotations_deg=(20, -20, 5, 9, -9, 0), gains=(2, 0.5, 1, 1, 1.5, 1))
    out = run_colours(compile_chain([operation]), rgb)
    weights = np.array([0.2126, 0.7152, 0.0722])
    difference = np.abs(out.astype(np.float64) @ weights - rgb.astype(np.float64) @ weights)
    assert difference.max() < 1e-6


def test_the_whole_chain():
    grid = np.linspace(0.0, 1.0, 33)
    table = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1) ** 1.1
    chain = [LogDecode(**ACESCCT), Matrix(((1.1, -0.05, -0.05), (0.02, 0.96, 0.02), (0.0, -0.1, 1.1))), Transfer(),
             ToneCurve((0.0, 0.4, 1.0), (0.02, 0.41, 0.95)), Lut3D(table)]
    rgb = colours(0.0, 0.6)
    out = run_colours(compile_chain(chain), rgb)
    # Five roundings, each through the slopes of what follows: the toe of the encoding multiplies by 4.5.
    assert np.max(np.abs(out - apply_chain(chain, rgb.astype(np.float64)))) < 5e-6


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-1.0, 2.0, width=16), min_size=2, max_size=16, unique=True),
       st.lists(st.floats(0.0625, 1.0, width=16), min_size=16, max_size=16))
def test_tone_curves_with_any_anchors(x, steps):
    x = sorted(x)
    if min(b - a for a, b in zip(x, x[1:], strict=False)) < 1e-2:
        return
    y = np.cumsum(steps)[:len(x)] / 8.0
    operation = ToneCurve(tuple(x), tuple(float(v) for v in y))
    rgb = colours(-1.5, 3.0, 2000)
    ours = run_colours(compile_chain([operation]), rgb).astype(np.float64)
    exact = apply(operation, rgb.astype(np.float64))
    # A curve as steep as s turns half a float32 step of its input into s of them.
    steepness = max(1.0, float(np.max(np.diff(y) / np.diff(x))) * 3)
    assert np.max(np.abs(ours - exact) / np.maximum(1.0, np.abs(exact))) < SMOOTH * steepness
