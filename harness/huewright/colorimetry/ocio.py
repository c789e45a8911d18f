"""A colour space of an OpenColorIO configuration as operations: a curve a channel and a matrix where it is that,
else a 3D LUT with a logarithm after it. The error is measured either way."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from huewright_kernels.ops import LogDecode, LogEncode, Lut3D, Matrix, Operation

from huewright.colorimetry.curves import operations_for_curve
from huewright.colorimetry.refusing import check_result
from huewright.errors import InputError, library_words
from huewright.reference import apply, apply_chain

INTERCHANGE = "aces_interchange"
INTERCHANGE_SPACE = "ACES2065-1"
SEPARABLE_TOLERANCE = 1e-5
LATTICE = 65
LATTICE_TOLERANCE = 0.01
# A lattice from code values to the logarithm of light is often straighter than one to light. Academy S-2016-001's
# constants serve as that logarithm, for their linear part below black.
LOGARITHM = {"base": 2.0, "log_side_slope": 1 / 17.52, "log_side_offset": 9.72 / 17.52, "lin_side_break": 2.0**-7}


def decode_colour_space(config: str | Path, space: str, primaries: str) -> tuple[tuple[Operation, ...], float]:
    """Operations from code values in ``space`` to linear light in ``primaries`` (colour-science's name), and
    their worst error against OpenColorIO over colours in 0..1, absolute up to 1.0 linear and relative above.

    The way goes through the configuration's ``aces_interchange`` role (OpenColorIO 2: ACES2065-1), so that the
    primaries are known. Raises :class:`InputError` for a configuration or space that isn't there or lacks it.
    """
    transform = _to_primaries(config, space, primaries)
    sample = _sample()
    wanted = transform(sample)
    if not np.isfinite(wanted).all():
        raise InputError(f"{config}: colour space {space!r} gives undefined colours within code values 0..1; "
                         "declare the curve's parameters instead")
    try:
        operations, error = _nearest(transform, space, sample, wanted)
        check_result(operations)
    except ValueError as wrong:     # numbers beyond any that an operation takes
        raise InputError(f"{config}: colour space {space!r} cannot be used ({wrong}); declare the curve's parameters "
                         "instead") from None
    if error > LATTICE_TOLERANCE:
        raise InputError(f"{config}: colour space {space!r} is no curve and matrix, and a LUT of it would be wrong by "
                         f"{error:.2g}; convert the frames with OpenColorIO first, or declare the log curve")
    return operations, error


def _nearest(transform: Any, space: str, sample: np.ndarray, wanted: np.ndarray) -> tuple[tuple[Operation, ...], float]:
    """The operations that come nearest to ``transform``, and their error over ``sample``."""
    operations = _separate(transform, space)
    error = np.inf if operations is None else _error(operations, sample, wanted)
    if operations is not None and error <= SEPARABLE_TOLERANCE:
        return operations, error
    ways = _lattices(transform) if operations is None else (operations, *_lattices(transform))
    error, operations = min(((_error(way, sample, wanted), way) for way in ways), key=lambda pair: pair[0])
    return operations, error


def _lattices(transform: Any) -> tuple[tuple[Operation, ...], ...]:
    """A lattice from code values straight to light, and one to the logarithm of light."""
    grid = np.linspace(0.0, 1.0, LATTICE)
    code = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1)
    light = transform(code.reshape(-1, 3)).reshape(code.shape)
    return (Lut3D(light),), (Lut3D(apply(LogEncode(**LOGARITHM), light)), LogDecode(**LOGARITHM))


def _to_primaries(config: str | Path, space: str, primaries: str) -> Any:
    """A function over (n, 3) float arrays."""
    import PyOpenColorIO as ocio  # noqa: N813
    from colour import matrix_RGB_to_RGB

    text = str(config)
    if not text.startswith("ocio://") and not Path(text).is_file():
        raise InputError(f"{config}: there is no such OpenColorIO configuration; check the path")
    try:
        loaded = ocio.Config.CreateFromFile(text)
    except (ocio.Exception, UnicodeDecodeError) as error:
        raise InputError(f"{config}: not an OpenColorIO configuration ({_first_line(error)})") from None
    if loaded.getColorSpace(space) is None:
        raise InputError(f"{config}: there is no colour space {space!r} in it{_close(loaded, space)}")
    if not loaded.hasRole(INTERCHANGE):
        raise InputError(f"{config}: lacks the role {INTERCHANGE}, so the primaries of its light are unknown; "
                         "add that role, or declare the log curve and primaries instead")
    try:
        processor = loaded.getProcessor(space, INTERCHANGE).getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
    except (ocio.Exception, UnicodeDecodeError) as error:
        raise InputError(f"{config}: colour space {space!r} cannot be used ({_first_line(error)})") from None
    matrix = np.asarray(matrix_RGB_to_RGB(INTERCHANGE_SPACE, primaries, "CAT02"))

    def transform(code: np.ndarray) -> np.ndarray:
        pixels = np.ascontiguousarray(code, dtype=np.float32).copy()
        processor.applyRGB(pixels)
        return np.asarray(pixels.astype(np.float64) @ matrix.T)

    return transform


def _separate(transform: Any, space: str) -> tuple[Operation, ...] | None:
    """A curve and a matrix if one fits: the curve is what greys do, the matrix what single channels add."""
    code = np.linspace(0.0, 1.0, 9)
    grey = transform(np.repeat(code[:, None], 3, axis=1))
    scale = np.maximum(1.0, np.abs(grey).max(axis=1))
    if np.any(np.ptp(grey, axis=1) > 1e-3 * scale):
        return None

    def curve(values: np.ndarray) -> np.ndarray:
        result: np.ndarray = transform(np.repeat(np.asarray(values)[:, None], 3, axis=1)).mean(axis=1)
        return result

    operations: tuple[Operation, ...] = ()
    if not np.allclose(grey, code[:, None] * grey[-1], atol=1e-6):
        operations, _ = operations_for_curve(curve, f"colour space {space!r}")
    # One channel at 0.6 code: well above the toe, and not so bright that the rounding of floats shows.
    ends = transform(np.vstack([np.zeros(3), 0.6 * np.eye(3)]))
    step = float(np.diff(apply_chain(operations, [[0.0] * 3, [0.6] * 3])[:, 0])[0])
    if not step > 0:
        return None
    matrix = (ends[1:] - ends[0]).T / step
    if np.allclose(matrix, np.eye(3), atol=1e-6):
        return operations
    return (*operations, Matrix(tuple(tuple(map(float, row)) for row in matrix)))  # type: ignore[arg-type]


def _error(operations: tuple[Operation, ...], sample: np.ndarray, wanted: np.ndarray) -> float:
    difference = np.abs(apply_chain(operations, sample) - wanted)
    return float(np.max(difference / np.maximum(1.0, np.abs(wanted).max(axis=1, keepdims=True))))


def _sample() -> np.ndarray:
    grid = np.linspace(0.0, 1.0, 12)
    lattice = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.vstack([lattice, np.random.default_rng(1).random((4000, 3))]).astype(np.float32).astype(np.float64)


def _close(config: Any, space: str) -> str:
    import difflib

    close = difflib.get_close_matches(space, list(config.getColorSpaceNames()), n=4, cutoff=0.4)
    return f"; close names: {', '.join(close)}" if close else ""


def _first_line(error: Exception) -> str:
    return library_words(error)
