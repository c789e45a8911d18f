"""Operations against the OpenColorIO CPU processor (SMPTE ST 2136-1 nodes, ASC CDL 1.2), and the tone curve
against scipy's PchipInterpolator (Fritsch and Carlson 1980, Fritsch and Butland 1984)."""

from __future__ import annotations

from typing import Any

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest
from huewright.reference import apply_chain
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import LogDecode, LogEncode, Lut1D, Lut3D, Matrix, Operation, ToneCurve
from scipy.interpolate import PchipInterpolator

RNG = np.random.default_rng(23)
INSIDE = RNG.random((20_000, 3)).astype(np.float32)
WIDE = RNG.uniform(-0.5, 4.0, (20_000, 3)).astype(np.float32)


def by_opencolorio(transform: Any, colours: np.ndarray) -> np.ndarray:
    processor = ocio.Config.CreateRaw().getProcessor(transform)
    pixels = np.array(colours, np.float32, order="C")
    processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_NONE).applyRGB(pixels)
    return pixels.astype(np.float64)


def assert_same(transform: Any, operations: tuple[Operation, ...], colours: np.ndarray, tolerance: float) -> None:
    """Both of ours, kernel and reference, against OpenColorIO; relative above 1."""
    theirs = by_opencolorio(transform, colours)
    scale = np.maximum(1.0, np.abs(theirs))
    for ours in (run_colours(compile_chain(operations), colours), apply_chain(operations, colours)):
        assert np.max(np.abs(ours - theirs) / scale) < tolerance


@pytest.mark.parametrize("size", [2, 5, 33, 65])
@pytest.mark.parametrize(("interpolation", "theirs"), [("tetrahedral", ocio.INTERP_TETRAHEDRAL),
                                                       ("trilinear", ocio.INTERP_LINEAR)])
def test_lattice(size: int, interpolation: str, theirs: Any) -> None:
    """A lattice of noise, the hardest: neighbours differ by up to 1, so a float32 place (rounded to 2^-24 of the
    lattice's width) moves the result by up to (size - 1) 2^-24 an axis in each of the two programs."""
    table = RNG.random((size, size, size, 3)).astype(np.float32)
    lut = ocio.Lut3DTransform(size)
    lut.setInterpolation(theirs)
    lut.setData(table.ravel())
    beyond = np.concatenate([INSIDE, RNG.uniform(-0.3, 1.3, (5000, 3)).astype(np.float32)])
    assert_same(lut, (Lut3D(table, interpolation=interpolation),), beyond, 1e-6 + 6 * (size - 1) * 2.0**-24)


def test_table() -> None:
    steps = np.linspace(0, 1, 1024)
    table = np.stack([steps**0.6, steps**2, 1 - steps], axis=1).astype(np.float32)
    lut = ocio.Lut1DTransform(1024, False)
    lut.setInterpolation(ocio.INTERP_LINEAR)
    lut.setData(table.ravel())
    assert_same(lut, (Lut1D(table),), np.concatenate([INSIDE, WIDE]), 1e-6)


CURVES: tuple[dict[str, float], ...] = (
    {"base": 2.0, "log_side_slope": 1 / 17.52, "log_side_offset": 9.72 / 17.52, "lin_side_break": 0.0078125},
    {"base": 10.0, "log_side_slope": 0.25, "log_side_offset": 0.4, "lin_side_slope": 5.5, "lin_side_offset": 0.05,
     "lin_side_break": 0.01, "linear_slope": 5.3},
)


@pytest.mark.parametrize("curve", CURVES)
def test_camera_log(curve: dict[str, float]) -> None:
    log = ocio.LogCameraTransform([curve["lin_side_break"]] * 3)
    log.setBase(curve["base"])
    log.setLogSideSlopeValue([curve["log_side_slope"]] * 3)
    log.setLogSideOffsetValue([curve["log_side_offset"]] * 3)
    log.setLinSideSlopeValue([curve.get("lin_side_slope", 1.0)] * 3)
    log.setLinSideOffsetValue([curve.get("lin_side_offset", 0.0)] * 3)
    if "linear_slope" in curve:
        log.setLinearSlopeValue([curve["linear_slope"]] * 3)
    assert_same(log, (LogEncode(**curve),), WIDE, 2e-6)
    log.setDirection(ocio.TRANSFORM_DIR_INVERSE)
    assert_same(log, (LogDecode(**curve),), (INSIDE * 1.3 - 0.2).astype(np.float32), 2e-6)


def test_affine_log_without_a_linear_part() -> None:
    log = ocio.LogAffineTransform()
    log.setBase(10.0)
    log.setLogSideSlopeValue([0.3] * 3)
    log.setLogSideOffsetValue([0.669] * 3)
    log.setLinSideSlopeValue([0.9892] * 3)
    log.setLinSideOffsetValue([0.0108] * 3)
    curve = {"base": 10.0, "log_side_slope": 0.3, "log_side_offset": 0.669, "lin_side_slope": 0.9892,
             "lin_side_offset": 0.0108}
    # Next to the logarithm's pole at -0.0109 OpenColorIO's own rounding is what would be measured.
    assert_same(log, (LogEncode(**curve),), np.abs(WIDE) + np.float32(1e-4), 2e-6)
    assert_same(log, (LogEncode(**curve),), np.float32(-0.1) - np.abs(WIDE), 3e-6)
    log.setDirection(ocio.TRANSFORM_DIR_INVERSE)
    assert_same(log, (LogDecode(**curve),), INSIDE, 2e-6)


def test_cdl_slope_and_offset_are_a_matrix() -> None:
    """ASC CDL 1.2 without power and saturation: out = in * slope + offset."""
    cdl = ocio.CDLTransform()
    cdl.setStyle(ocio.CDL_NO_CLAMP)
    cdl.setSlope([1.2, 0.95, 1.07])
    cdl.setOffset([0.01, -0.02, 0.005])
    assert_same(cdl, (Matrix(((1.2, 0, 0), (0, 0.95, 0), (0, 0, 1.07)), (0.01, -0.02, 0.005)),), WIDE, 1e-6)


def test_matrix_with_offset() -> None:
    rows = ((1.7, -0.5, -0.2), (-0.1, 1.3, -0.2), (0.02, -0.6, 1.58))
    four = np.eye(4)
    four[:3, :3] = rows
    transform = ocio.MatrixTransform(four.ravel().tolist(), [0.01, -0.02, 0.03, 0])
    assert_same(transform, (Matrix(rows, (0.01, -0.02, 0.03)),), WIDE, 2e-6)


TONES = (((0.04, 0.38, 0.91), (0.02, 0.41, 0.95)), ((0.0, 1.0), (0.1, 0.8)),
         (tuple(np.linspace(0, 1.5, 16)), tuple(np.linspace(0, 1.5, 16) ** 1.4)),
         ((0.0, 0.2, 0.25, 0.8, 1.0), (-0.02, 0.15, 0.55, 0.56, 0.97)))


@pytest.mark.parametrize("anchors", TONES)
def test_tone_curve_is_scipys_pchip(anchors: tuple[tuple[float, ...], tuple[float, ...]]) -> None:
    x, y = anchors
    pchip = PchipInterpolator(x, y)
    between = np.linspace(x[0], x[-1], 4001)
    for values in (between, np.array(x)):
        values = np.clip(values.astype(np.float32).astype(np.float64), x[0], x[-1])
        colours = np.repeat(values[:, None], 3, axis=1)
        np.testing.assert_allclose(apply_chain((ToneCurve(x, y),), colours)[:, 1], pchip(values), atol=1e-14)
        np.testing.assert_allclose(run_colours(compile_chain((ToneCurve(x, y),)), colours)[:, 1], pchip(values),
                                   atol=2e-6)


@pytest.mark.parametrize("anchors", TONES)
def test_tone_curve_goes_on_straight_outside(anchors: tuple[tuple[float, ...], tuple[float, ...]]) -> None:
    """With the end slopes that scipy's derivative has at the outer anchors."""
    x, y = anchors
    slope = PchipInterpolator(x, y).derivative()
    for end, places in ((0, x[0] - np.array([0.01, 0.4])), (-1, x[-1] + np.array([0.01, 2.0]))):
        wanted = y[end] + slope(x[end]) * (places - x[end])
        colours = np.repeat(places[:, None], 3, axis=1)
        np.testing.assert_allclose(apply_chain((ToneCurve(x, y),), colours)[:, 0], wanted, atol=1e-12)
        np.testing.assert_allclose(run_colours(compile_chain((ToneCurve(x, y),)), colours)[:, 0], wanted, atol=2e-6)
