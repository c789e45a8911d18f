"""LUT files as operations: .cube, CLF and whatever else OpenColorIO reads.

Each step of the file becomes the operation that is the same (matrix, log curve, CDL, 1D table, 3D lattice). A .cdl, .cc
or .ccc file names no style: it is taken as ASC CDL 1.2 defines it, limited to [0, 1] after slope and offset and at the
end. Where a
file holds a step that none of ours equals (an exponent, a one-sided clamp, an inverted table), the whole file is
baked from [0, 1] instead: into a 1D table of 4096 entries if no channel depends on another, else into a lattice
of 65 points along each axis; how far the baked form is from the file is measured and said.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.ops import LogDecode, LogEncode, Lut1D, Lut3D, Matrix, Operation
from huewright_kernels.ops.cdl import AscCdl

from huewright.errors import InputError

BAKED_1D, BAKED_3D = 4096, 65
_MEASURED_COLOURS = 20_000


@dataclass(frozen=True)
class LutReading:
    """``operations`` stand for the file at ``path``; ``baked`` says into what if they are a sampling of it, else
    it is empty; ``max_error`` is the largest difference from OpenColorIO's own result on random colours in
    [0, 1] (0.0 for an exact reading, which isn't measured)."""

    path: Path
    operations: tuple[Operation, ...]
    baked: str = ""
    max_error: float = 0.0


def read_lut(path: Path | str) -> tuple[Operation, ...]:
    """The operations that the LUT file at ``path`` stands for; :class:`InputError` if it is no LUT."""
    return read_lut_file(path).operations


def read_lut_file(path: Path | str) -> LutReading:
    """As :func:`read_lut`, with word on whether the reading is exact."""
    path = Path(path)
    processor = lut_processor(path)
    try:
        operations: list[Operation] = []
        for transform in processor.createGroupTransform():
            operation = _same(transform, path.suffix.lower())
            if operation is None:
                return _baked(path, processor)
            operations.append(operation)
    except ValueError as error:
        raise InputError(f"{path}: this LUT cannot be used ({error}); export it again") from None
    return LutReading(path, tuple(operations))


def apply_with_opencolorio(source: Any, rgb: np.ndarray, *, tetrahedral: bool = False) -> np.ndarray:
    """``rgb`` (..., 3) through an OpenColorIO processor, or the LUT file at a path, in float32, nothing optimised.

    ``tetrahedral`` asks for that interpolation where a file's lattice doesn't name its own.
    """
    processor = source if isinstance(source, ocio.Processor) else lut_processor(Path(source), tetrahedral=tetrahedral)
    cpu = processor.getOptimizedCPUProcessor(ocio.BIT_DEPTH_F32, ocio.BIT_DEPTH_F32, ocio.OPTIMIZATION_NONE)
    pixels = np.array(rgb, dtype=np.float32, order="C")
    cpu.applyRGB(pixels.reshape(-1, 3))
    return pixels


def lut_processor(path: Path, *, tetrahedral: bool = False) -> ocio.Processor:
    """OpenColorIO's processor of the LUT file at ``path``, for :func:`apply_with_opencolorio`; :class:`InputError`
    if it is no LUT."""
    way = ocio.INTERP_TETRAHEDRAL if tetrahedral else ocio.INTERP_DEFAULT
    if not path.is_file():
        raise InputError(f"{path}: there is no such LUT file; check the path")
    ocio.ClearAllCaches()  # it remembers files by name, and a name may hold another LUT by now
    try:
        file = ocio.FileTransform(src=str(path.absolute()), interpolation=way)
        file.setCDLStyle(ocio.CDL_ASC)
        return ocio.Config.CreateRaw().getProcessor(file)
    except (ocio.Exception, UnicodeDecodeError) as error:  # it quotes the file in its message, whatever that holds
        raise InputError(f"{path}: not a LUT that can be read ({_reason(str(error))}); "
                         "give a .cube, .clf or another LUT file") from None


def _reason(message: str) -> str:
    """Where in the file the reader for its suffix stumbled, if OpenColorIO's message says so."""
    told = re.search(r"At line \((\d+)\)", message)
    return f"line {told[1]} doesn't belong in one" if told else "its contents fit no known LUT format"


def _same(transform: Any, suffix: str) -> Operation | None:
    """The operation equal to ``transform``, or None if there is none."""
    forward = transform.getDirection() == ocio.TRANSFORM_DIR_FORWARD
    if isinstance(transform, ocio.MatrixTransform):
        return _matrix(transform, forward)
    if isinstance(transform, ocio.Lut1DTransform):
        plain = forward and not transform.getInputHalfDomain() and transform.getHueAdjust() == ocio.HUE_NONE
        return Lut1D(np.asarray(transform.getData()).reshape(-1, 3)) if plain else None
    if isinstance(transform, ocio.Lut3DTransform):
        if not forward:
            return None
        size = transform.getGridSize()
        if size > 129:
            raise ValueError(f"its lattice has {size} points along each axis, and 129 is the most taken here")
        return Lut3D(np.asarray(transform.getData()).reshape(size, size, size, 3),
                     interpolation=_interpolation(transform.getInterpolation(), suffix))
    if isinstance(transform, ocio.RangeTransform):
        return _range(transform, forward)
    if isinstance(transform, ocio.LogCameraTransform):
        return _camera_log(transform, forward)
    if isinstance(transform, (ocio.LogAffineTransform, ocio.LogTransform)):
        return _plain_log(transform, forward)
    if isinstance(transform, ocio.CDLTransform):
        return _cdl(transform, forward)
    return None


def _interpolation(kind: Any, suffix: str) -> str:
    if kind == ocio.INTERP_LINEAR:
        return "trilinear"
    if kind in (ocio.INTERP_TETRAHEDRAL, ocio.INTERP_BEST):
        return "tetrahedral"
    # Where the file is silent: trilinear by the CLF specification, tetrahedral for formats that say nothing.
    return "trilinear" if suffix in (".clf", ".ctf") else "tetrahedral"


def _matrix(transform: Any, forward: bool) -> Matrix | None:
    full = np.array(transform.getMatrix(), dtype=np.float64).reshape(4, 4)
    offset = np.array(transform.getOffset(), dtype=np.float64)
    if not np.allclose(full[3], [0, 0, 0, 1]) or not np.allclose(full[:3, 3], 0) or offset[3] != 0:
        return None
    if not forward:
        inverse = np.linalg.inv(full[:3, :3])
        return _as_matrix(inverse, -inverse @ offset[:3])
    return _as_matrix(full[:3, :3], offset[:3])


def _as_matrix(matrix: np.ndarray, offset: Sequence[float] | np.ndarray) -> Matrix:
    rows = tuple(tuple(float(v) for v in row) for row in matrix)
    return Matrix(rows, tuple(float(v) for v in offset))  # type: ignore[arg-type]


def _range(transform: Any, forward: bool) -> Operation | None:
    has = (transform.hasMinInValue(), transform.hasMinOutValue(), transform.hasMaxInValue(), transform.hasMaxOutValue())
    if not all(has):
        return None
    inside = (transform.getMinInValue(), transform.getMaxInValue())
    outside = (transform.getMinOutValue(), transform.getMaxOutValue())
    if not forward:
        inside, outside = outside, inside
    if inside[1] <= inside[0]:
        return None
    if transform.getStyle() == ocio.RANGE_NO_CLAMP:
        slope = (outside[1] - outside[0]) / (inside[1] - inside[0])
        return _as_matrix(np.eye(3) * slope, [outside[0] - inside[0] * slope] * 3)
    return Lut1D(np.repeat(np.array(outside)[:, None], 3, axis=1), (float(inside[0]),) * 3, (float(inside[1]),) * 3)


def _camera_log(transform: Any, forward: bool) -> Operation | None:
    values = {"log_side_slope": transform.getLogSideSlopeValue(), "log_side_offset": transform.getLogSideOffsetValue(),
              "lin_side_slope": transform.getLinSideSlopeValue(), "lin_side_offset": transform.getLinSideOffsetValue(),
              "lin_side_break": transform.getLinSideBreakValue()}
    if transform.isLinearSlopeValueSet():
        values["linear_slope"] = transform.getLinearSlopeValue()
    return _log(transform.getBase(), values, forward)


def _plain_log(transform: Any, forward: bool) -> Operation | None:
    if isinstance(transform, ocio.LogTransform):
        return _log(transform.getBase(), {}, forward)
    return _log(transform.getBase(), {
        "log_side_slope": transform.getLogSideSlopeValue(), "log_side_offset": transform.getLogSideOffsetValue(),
        "lin_side_slope": transform.getLinSideSlopeValue(), "lin_side_offset": transform.getLinSideOffsetValue()},
        forward)


def _log(base: float, values: dict[str, Sequence[float]], forward: bool) -> Operation | None:
    if any(len(set(channels)) > 1 for channels in values.values()):
        return None
    kind = LogEncode if forward else LogDecode
    return kind(base=float(base), **{name: float(channels[0]) for name, channels in values.items()})


def _cdl(transform: Any, forward: bool) -> AscCdl:
    style = ("Fwd" if forward else "Rev") + ("NoClamp" if transform.getStyle() == ocio.CDL_NO_CLAMP else "")
    slope, offset, power = (tuple(float(v) for v in row)
                            for row in (transform.getSlope(), transform.getOffset(), transform.getPower()))
    return AscCdl(slope, offset, power, float(transform.getSat()), style)  # type: ignore[arg-type]


def _baked(path: Path, processor: ocio.Processor) -> LutReading:
    from huewright.reference import apply_chain

    if processor.hasChannelCrosstalk():
        axis = np.linspace(0, 1, BAKED_3D)
        grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1)
        operation: Operation = Lut3D(apply_with_opencolorio(processor, grid))
        baked = f"a lattice of {BAKED_3D} points along each axis over [0, 1]"
    else:
        axis = np.linspace(0, 1, BAKED_1D)
        operation = Lut1D(apply_with_opencolorio(processor, np.repeat(axis[:, None], 3, axis=1)))
        baked = f"a table of {BAKED_1D} entries over [0, 1]"
    colours = np.random.default_rng(0).random((_MEASURED_COLOURS, 3)).astype(np.float32)
    error = np.abs(apply_chain((operation,), colours) - apply_with_opencolorio(processor, colours)).max()
    return LutReading(path, (operation,), baked, float(error))
