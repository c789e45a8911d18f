"""What the compiler made of the kernels does what their text says: the same sources in plain Python give the same bits.

No outside source: the formulas' truth is held by the float64 references; here it is only that nothing is lost or
gained between text and machine code (an order of sums, a fused product, a wider number).
"""

from __future__ import annotations

import math
from typing import Any

import huewright_kernels.masks as masks
import huewright_kernels.scopes as scopes
import huewright_kernels.statistics as statistics
import huewright_kernels.ycbcr as ycbcr
import numpy as np
import pytest
from huewright_kernels.executor import compile_chain, mixed_seed, run, run_colours
from huewright_kernels.formats import ENCODINGS, FULL_SCALES, PixelBuffer
from huewright_kernels.ops import REGISTRY, Matrix, Operation
from kernels.plain import kernels

SHORT = 5000
"""Operations of more floats are left out: their tables only take time, and shorter ones of the kind are there."""
COLOURS = np.concatenate([
    np.random.default_rng(20).uniform(-0.5, 4.0, (11, 3)),
    [[0, 0, 0], [1, 1, 1], [-0.0, 1e-40, 0.5], [np.nan, 0.5, 0.25], [np.inf, -np.inf, 0.2], [3e38, -3e38, 65504],
     [0.25, 0.5, 0.75], [0.5, 0.25, 0.75], [0.75, 0.5, 0.25], [0.018, 0.081, 1 / 12]]]).astype(np.float32)


def same_bits(ours: np.ndarray, plain: np.ndarray) -> None:
    """NaN apart: which one comes out, IEEE 754 leaves open."""
    assert ours.dtype == plain.dtype == np.float32 and np.array_equal(np.isnan(ours), np.isnan(plain))
    known = ~np.isnan(ours)
    np.testing.assert_array_equal(ours.view(np.int32)[known], plain.view(np.int32)[known])


def few(kind: type[Operation]) -> list[Operation]:
    """Examples of a kind, each of its forms among them; of packers that take long one."""
    chosen = [example.operation for example in kind.parts.examples()
              if len(compile_chain([example.operation]).data) <= SHORT]
    return chosen or [kind()]


@pytest.mark.parametrize("kind", REGISTRY.values(), ids=lambda kind: kind.name)
def test_an_operation_gives_the_bits_that_its_text_gives(kind: type[Operation]) -> None:
    plain = kernels()
    met = set()
    for operation in few(kind):
        again = plain.ops.operation_from_dict(operation.to_dict())
        program, uncompiled = compile_chain([operation]), plain.executor.compile_chain([again])
        np.testing.assert_array_equal(program.instructions, uncompiled.instructions)
        same_bits(program.data, uncompiled.data)
        same_bits(run_colours(program, COLOURS), plain.executor.run_colours(uncompiled, COLOURS))
        met |= set(program.instructions[:, 0].tolist())
    assert len(met) == len(kind.parts.forms)


def picture(encoding: str, components: int, step: int) -> tuple[Any, Any]:
    """A source and an empty target of 19 pixels in two rows, ``step`` channels a pixel apart where it is an array."""
    rng = np.random.default_rng(ENCODINGS.index(encoding))
    if encoding in ("float32", "float16", "uint8", "uint16"):
        values = rng.uniform(-0.1, 1.2, (2, 19, step))
        source = (values.astype(encoding) if encoding.startswith("float")
                  else rng.integers(0, FULL_SCALES[encoding] + 1, values.shape).astype(encoding))
        if encoding == "float16":
            source.view(np.uint16)[0, :4, 0] = (0x7C00, 0xFC01, 0x0001, 0x8000)      # infinite, NaN, subnormal, -0
        return source[..., :components], np.zeros_like(source)[..., :components]
    row = 19 * (4 if encoding.startswith("uint10") else 2 * components)
    data = rng.integers(0, 256, 2 * row).astype(np.uint8)
    return (PixelBuffer(data, 19, 2, row, encoding, components),
            PixelBuffer(np.zeros_like(data), 19, 2, row, encoding, components))


LAID = [(encoding, components, step) for encoding in ENCODINGS for components, step in ((3, 3), (4, 4), (3, 5), (4, 5))
        if step == components or encoding in ("float32", "uint8")
        if components == 3 or not encoding.startswith("uint10")]


@pytest.mark.parametrize(("encoding", "components", "step"), LAID)
def test_pixels_are_read_and_written_as_the_text_says(encoding: str, components: int, step: int) -> None:
    plain = kernels()
    matrix = Matrix(((0.9, 0.1, 0.0), (0.05, 0.8, 0.1), (0.0, 0.0, 1.1)), (0.01, 0.0, -0.02))
    source, target = picture(encoding, components, step)
    _, other = picture(encoding, components, step)
    options: dict[str, Any] = {"premultiplied": components == 4, "threads": 1,
                               "dither_seed": 7 if encoding in FULL_SCALES else None}
    run(compile_chain([matrix]), source, target, **options)
    again = plain.ops.operation_from_dict(matrix.to_dict())
    if isinstance(source, PixelBuffer):
        source, other = (plain.formats.PixelBuffer(buffer.data, buffer.width, buffer.height, buffer.row_bytes,
                                                   buffer.encoding, buffer.components) for buffer in (source, other))
    plain.executor.run(plain.executor.compile_chain([again]), source, other, **options)
    ours, theirs = ((picture.data if hasattr(picture, "data") and not isinstance(picture, np.ndarray) else picture)
                    for picture in (target, other))
    assert (ours != 0).any()
    if encoding.startswith("float"):
        np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
        kept = ~np.isnan(ours)
        assert ours[kept].tobytes() == theirs[kept].tobytes()
    else:
        np.testing.assert_array_equal(ours, theirs)
    assert mixed_seed(7) == plain.executor.mixed_seed(7)


QUAD = [[3.3, 2.2], [16.7, 1.1], [15.2, 11.3], [4.1, 12.6]]
"""Coverage and statistics are sums in float64 where NumPy's scalars keep float32 beside plain numbers: the last digits
may differ, and these are the limits of float32."""


@pytest.mark.parametrize("feather_px", [0.0, 3.0])
def test_masks_and_statistics_are_what_the_text_says(feather_px: float) -> None:
    plain = kernels().masks
    rng = np.random.default_rng(2)
    pixels = rng.normal(0.4, 0.05, (15, 20, 4)).astype(np.float32)
    pixels[5, 6, 1], pixels[7, 8] = np.nan, 1.5
    # Others' pixels are all there; one is a column's, one of a single pixel's share.
    polygons = [QUAD, QUAD[::-1], [[-4, -4], [5, -3], [3, 6]], [[30, 30], [40, 30], [35, 40]],
                [[1.2, 1.1], [4.6, 1.3], [4.4, 4.3], [1.3, 4.2]], [[2.1, 1.0], [2.4, 1.0], [2.4, 9.0], [2.1, 9.0]],
                [[15.2, 9.3], [15.5, 9.3], [15.5, 9.6]]]
    np.testing.assert_allclose(masks.coverage(QUAD, 20, 15, feather_px), plain.coverage(QUAD, 20, 15, feather_px),
                               atol=1e-6)
    ours, theirs = (module.patch_statistics(pixels, polygons, feather_px, threads=1)
                    for module in (statistics, kernels().statistics))
    for name in ("mean", "covariance", "noise", "robust", "weight", "clipped", "gradient"):
        np.testing.assert_allclose(getattr(ours, name), getattr(theirs, name), rtol=2e-5, atol=2e-6, err_msg=name)
    ours, theirs = (module.isolate(pixels, polygons, feather_px, (0.1, 0.2, 0.3), threads=1)
                    for module in (masks, plain))
    np.testing.assert_allclose(ours, theirs, atol=1e-6)


def test_an_ellipse_is_what_the_text_says() -> None:
    arguments = ((10.0, 7.0), (6.0, 4.0), 30.0, 20, 15, 2.0)
    np.testing.assert_allclose(masks.ellipse_coverage(*arguments), kernels().masks.ellipse_coverage(*arguments),
                               atol=1e-6)


@pytest.mark.parametrize("masked", [False, True])
def test_scopes_count_what_the_text_counts(masked: bool) -> None:
    plain = kernels().scopes
    rng = np.random.default_rng(5)
    # Clear of every bin's border: one count more or less would then be a fault.
    pixels = (rng.integers(-30, 130, (12, 21, 3)) / 100).astype(np.float32)
    pixels[3, 4] = np.nan
    mask = rng.integers(0, 3, (12, 21)).astype(np.float32) / 2 if masked else None
    for name, arguments in (("waveform", (7, 24, -0.105, 1.095)), ("parade", (7, 24, -0.105, 1.095)),
                            ("vectorscope", (37, 0.61))):
        ours, theirs = (getattr(module, name)(pixels, *arguments, mask=mask, threads=1) for module in (scopes, plain))
        assert ours.sum() > 0
        np.testing.assert_array_equal(ours, theirs, err_msg=name)


def test_statistics_of_pixels_alike_and_of_many() -> None:
    """Where nothing spreads, and where the median begins from some of the pixels only."""
    pixels = np.full((80, 90, 3), 0.25, np.float32)
    pixels[:, 45:] = np.random.default_rng(4).normal(0.5, 0.1, (80, 45, 3))
    polygons = [[[1, 1], [40, 1], [40, 79], [1, 79]], [[46, 1], [89, 1], [89, 79], [46, 79]]]
    ours, theirs = (module.patch_statistics(pixels, polygons, 0.0, threads=1)
                    for module in (statistics, kernels().statistics))
    np.testing.assert_allclose(ours.mean[0], 0.25, rtol=1e-6)
    np.testing.assert_allclose(ours.robust[0], 0.25, rtol=1e-6)
    for name in ("mean", "covariance", "robust", "weight"):
        np.testing.assert_allclose(getattr(ours, name), getattr(theirs, name), rtol=2e-5, atol=2e-6, err_msg=name)


@pytest.mark.parametrize(("bits", "across", "down"), [(8, 2, 2), (10, 2, 2), (10, 2, 1), (8, 1, 1)])
def test_ycbcr_is_what_the_text_says(bits: int, across: int, down: int) -> None:
    plain = kernels().ycbcr
    rng = np.random.default_rng(bits)
    kind = np.uint8 if bits == 8 else np.uint16
    coding, other = (module.Coding(0.2126, 0.0722, bits, True, across, down) for module in (ycbcr, plain))
    chroma = (12 // down, 18 // across)
    planes = [rng.integers(0, 2**bits, shape).astype(kind) for shape in ((12, 18), chroma, chroma)]
    ours, theirs = ycbcr.to_rgb(*planes, coding), plain.to_rgb(*planes, other)
    np.testing.assert_allclose(ours, theirs, atol=5e-7)
    ours[2, 3] = np.nan
    for mine, its in zip(ycbcr.from_rgb(ours, coding), plain.from_rgb(ours, other), strict=True):
        np.testing.assert_array_equal(mine, its)


def test_what_the_text_of_float64_functions_says_at_their_ends() -> None:
    """Against the C library's functions (Python's ``math``), within the units in the last place that are claimed."""
    plain = kernels().precise
    for x in (-745.0, -700.0, -1.0, 0.0, 1e-9, 1.0, 700.0, 709.7):
        assert abs(plain.exp(x) - math.exp(x)) <= 2 * math.ulp(math.exp(x))
    for x in (5e-324, 1e-300, 1e-9, 0.7, 1.0, 1.5, 1e9, 1e300):
        assert abs(plain.log(x) - math.log(x)) <= 2 * math.ulp(math.log(x))
        assert abs(plain.log2(x) - math.log2(x)) <= 3 * math.ulp(math.log2(x))
    for y, x in ((1, 2), (2, 1), (2, -1), (1, -2), (-1, -2), (-2, -1), (-2, 1), (-1, 2), (0, 3), (0, -3), (0, 0)):
        assert abs(plain.atan2(y, x) - math.atan2(y, x)) <= 4 * math.ulp(math.atan2(y, x))
    for x in (0.0, 1.0, 2.0, 4.0, 5.5, -1.0, 99999.0):
        np.testing.assert_allclose(plain.sincos(x), (math.sin(x), math.cos(x)), rtol=0, atol=1e-15)
    assert plain.exp(710.0) == plain.exp(math.inf) == math.inf and plain.exp(-747.0) == 0.0
    for log in (plain.log, plain.log2):
        assert log(0.0) == -math.inf and log(math.inf) == math.inf and math.isnan(log(-1.0))
        assert math.isnan(log(math.nan))
    assert math.isnan(plain.exp(math.nan)) and np.isnan(plain.sincos(1e6)).all() and np.isnan(
        plain.sincos(math.nan)).all()
