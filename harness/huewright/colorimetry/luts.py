"""LUT files as operations: .cube, CLF and whatever else OpenColorIO reads.

Each step of the file becomes the operation that is the same (matrix, range, exponent, log curve, CDL, 1D table, 3D
lattice). A .cdl, .cc or .ccc file names no style: it is taken as ASC CDL 1.2 defines it, limited to [0, 1] after slope
and offset and at the end. A lattice whose file names no interpolation is read tetrahedrally, which keeps the greys of a
neutral diagonal neutral (a CLF's is trilinear, as its specification says); how far the other way is from that is
measured and said.

A table with an entry for every half float is sampled by itself, over its logarithm. Where a file holds another step
that none of ours equals (an inverted table, one that keeps hues), the whole file is sampled instead: into a 1D table if
no channel depends on another, else into a lattice, over code values well beyond [0, 1]. How far that is from the file
is measured over as wide a range, and a file that it would be further off than :data:`MOST_BAKED_ERROR` is refused.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.executor import compile_chain, run_colours
from huewright_kernels.ops import LogDecode, LogEncode, Lut1D, Lut3D, Matrix, Operation
from huewright_kernels.ops.cdl import AscCdl
from huewright_kernels.ops.exponent import Exponent
from huewright_kernels.ops.fields import LARGEST
from huewright_kernels.ops.limits import RangeLimits

from huewright.colorimetry.refusing import check_file, check_result
from huewright.errors import InputError, library_text, library_words

BAKED_1D, BAKED_3D = 65536, 65
BAKED_OVER = (-0.5, 4.0), (-0.25, 1.5)
"""The code values that a baked table and a baked lattice cover."""
MOST_BAKED_ERROR = 2e-3
"""Of full scale, and relative above 1: half a code of 8 bits (common practice, no source)."""
_MEASURED_COLOURS = 20_000
Steps = tuple[Operation, ...]


@dataclass(frozen=True)
class LutReading:
    """``operations`` stand for the file at ``path``; ``baked`` says into what if they are a sampling of it, else
    it is empty; ``max_error`` is then the largest difference from OpenColorIO's own result (0.0 for an exact reading,
    which isn't measured), over code values in and beyond [0, 1], relative above 1. ``ways_apart`` is the largest
    difference between the lattice read tetrahedrally, which is taken, and trilinearly, where the file names neither
    (0.0: it names one, or holds no lattice)."""

    path: Path
    operations: tuple[Operation, ...]
    baked: str = ""
    max_error: float = 0.0
    ways_apart: float = 0.0


def read_lut(path: Path | str) -> tuple[Operation, ...]:
    """The operations that the LUT file at ``path`` stands for; :class:`InputError` if it is no LUT."""
    return read_lut_file(path).operations


def read_lut_file(path: Path | str) -> LutReading:
    """As :func:`read_lut`, with word on whether the reading is exact."""
    path = Path(path)
    processor = lut_processor(path)
    try:
        reading = _reading(path, processor)
        check_result(reading.operations)
    except (ValueError, np.linalg.LinAlgError, ocio.Exception) as error:
        said = library_words(error)
        raise InputError(f"{path}: this LUT cannot be used ({said}); export it again") from None
    return reading


def _reading(path: Path, processor: ocio.Processor) -> LutReading:
    operations: list[Operation] = []
    silent = sampled = False
    long = 0
    least = 0.0
    for transform in processor.createGroupTransform():
        same = _same(transform, path.suffix.lower())
        if same is None and _is_half_table(transform):
            same, sampled = _half_table(transform), True
        if same is None and _is_long_table(transform):
            (same, off), sampled, long = _short_table(transform), True, transform.getLength()
            least = max(least, off)
        if same is None:
            return _baked(path, processor, type(transform).__name__.removesuffix("Transform"))
        operations += same
        silent |= _names_no_way(transform, path.suffix.lower())
    apart = _ways_apart(operations) if silent else 0.0
    if not sampled:
        return LutReading(path, tuple(operations), ways_apart=apart)
    worst = max(least, _worst(processor, operations)[0])
    if not worst <= MOST_BAKED_ERROR and long:
        raise InputError(f"{path}: it holds a table of {long} entries, and one of {BAKED_1D} in its place, the most "
                         f"that is computed here, would be off by {worst:.2g} ({MOST_BAKED_ERROR:g} is the limit); "
                         "write it with fewer entries")
    if not worst <= MOST_BAKED_ERROR:
        return _baked(path, processor, "Lut1D")
    into = (f"a table of {BAKED_1D} points, for one of {long}" if long else
            f"a table of {BAKED_1D} points behind a logarithm, for a half-domain one")
    return LutReading(path, tuple(operations), into, worst, apart)


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
    check_file(path)
    ocio.ClearAllCaches()  # it remembers files by name, and a name may hold another LUT by now
    try:
        file = ocio.FileTransform(src=str(path.absolute()), interpolation=way)
        file.setCDLStyle(ocio.CDL_ASC)
        return ocio.Config.CreateRaw().getProcessor(file)
    except (ocio.Exception, UnicodeDecodeError) as error:  # it quotes the file in its message, whatever that holds
        raise InputError(f"{path}: not a LUT that can be read ({_reason(library_text(error))}); "
                         "give a .cube, .clf or another LUT file") from None


def _reason(message: str) -> str:
    """Where in the file the reader for its suffix stumbled, if OpenColorIO's message says so."""
    told = re.search(r"At line \((\d+)\)", message)
    return f"line {told[1]} doesn't belong in one" if told else "its contents fit no known LUT format"


def _same(transform: Any, suffix: str) -> Steps | None:
    """The operations equal to ``transform``, or None if there are none."""
    forward = transform.getDirection() == ocio.TRANSFORM_DIR_FORWARD
    if isinstance(transform, ocio.Lut1DTransform):
        plain = forward and not transform.getInputHalfDomain() and transform.getHueAdjust() == ocio.HUE_NONE
        fits = plain and transform.getLength() <= BAKED_1D
        return (Lut1D(np.asarray(transform.getData()).reshape(-1, 3)),) if fits else None
    if isinstance(transform, ocio.Lut3DTransform):
        return _lattice(transform, suffix) if forward else None
    builders: tuple[tuple[Any, Any], ...] = (
        (ocio.MatrixTransform, _matrix), (ocio.RangeTransform, _range), (ocio.LogCameraTransform, _camera_log),
        ((ocio.LogAffineTransform, ocio.LogTransform), _plain_log), (ocio.CDLTransform, _cdl),
        (ocio.ExponentTransform, _exponent), (ocio.ExponentWithLinearTransform, _exponent_with_line))
    build = next((build for kind, build in builders if isinstance(transform, kind)), None)
    found = None if build is None else build(transform, forward)
    return found if found is None or isinstance(found, tuple) else (found,)


def _is_half_table(transform: Any) -> bool:
    return (isinstance(transform, ocio.Lut1DTransform) and transform.getInputHalfDomain()
            and transform.getDirection() == ocio.TRANSFORM_DIR_FORWARD and transform.getHueAdjust() == ocio.HUE_NONE)


def _is_long_table(transform: Any) -> bool:
    return (isinstance(transform, ocio.Lut1DTransform) and transform.getLength() > BAKED_1D
            and not transform.getInputHalfDomain() and transform.getDirection() == ocio.TRANSFORM_DIR_FORWARD
            and transform.getHueAdjust() == ocio.HUE_NONE)


def _short_table(transform: Any) -> tuple[Steps, float]:
    """A table of over 65,536 entries as one of so many, and how far that is off at worst, relative above 1.

    Both are straight between their entries, so that they are furthest apart at an entry of one of them."""
    entries = np.asarray(transform.getData(), np.float64).reshape(-1, 3)
    at, few = np.linspace(0, 1, len(entries)), np.linspace(0, 1, BAKED_1D)
    taken = np.stack([np.interp(few, at, entries[:, channel]) for channel in range(3)], axis=1)
    back = np.stack([np.interp(at, few, taken[:, channel]) for channel in range(3)], axis=1)
    return (Lut1D(_within(taken)),), float((np.abs(back - entries) / np.maximum(1.0, np.abs(entries))).max())


def _half_table(transform: Any) -> Steps:
    """A table with an entry for every half float, from -0.5 to the largest of them, as one over their logarithm."""
    from huewright.colorimetry.inverse import SHAPER, SHAPER_INVERSE

    ends = run_colours(compile_chain((SHAPER,)), np.array([[-0.5] * 3, [65504.0] * 3], np.float32))[:, 0]
    low, high = float(ends[0]), float(ends[1])
    grid = np.repeat(np.linspace(low, high, BAKED_1D)[:, None], 3, axis=1).astype(np.float32)
    light = run_colours(compile_chain((SHAPER_INVERSE,)), grid)
    table = apply_with_opencolorio(ocio.Config.CreateRaw().getProcessor(transform), light)
    return SHAPER, Lut1D(_within(table), (low,) * 3, (high,) * 3)


def _worst(processor: ocio.Processor, operations: Sequence[Operation]) -> tuple[float, np.ndarray]:
    """How far ``operations`` are from the file, relative above 1, and the code values there, in and beyond [0, 1]."""
    rng = np.random.default_rng(0)
    codes = np.concatenate([rng.random((_MEASURED_COLOURS, 3)),
                            rng.uniform(-0.5, 2.0, (_MEASURED_COLOURS, 3))]).astype(np.float32)
    wanted = apply_with_opencolorio(processor, codes)
    errors = np.abs(run_colours(compile_chain(operations), codes) - wanted) / np.maximum(1.0, np.abs(wanted))
    at = errors.max(axis=1).argmax()
    return float(errors[at].max()), codes[at]


def _lattice(transform: Any, suffix: str) -> Steps:
    size = transform.getGridSize()
    if size > 129:
        raise ValueError(f"its lattice has {size} points along each axis, and 129 is the most taken here")
    return (Lut3D(np.asarray(transform.getData()).reshape(size, size, size, 3),
                  interpolation=_interpolation(transform.getInterpolation(), suffix)),)


def _names_no_way(transform: Any, suffix: str) -> bool:
    return (isinstance(transform, ocio.Lut3DTransform) and suffix not in (".clf", ".ctf") and
            transform.getInterpolation() not in (ocio.INTERP_LINEAR, ocio.INTERP_TETRAHEDRAL, ocio.INTERP_BEST))


def _ways_apart(operations: Sequence[Operation]) -> float:
    """The largest difference that the interpolation of lattices makes, over random code values in [0, 1]."""
    codes = np.random.default_rng(0).random((_MEASURED_COLOURS, 3)).astype(np.float32)
    found = []
    for way in ("tetrahedral", "trilinear"):
        chain = [replace(item, interpolation=way) if isinstance(item, Lut3D) else item for item in operations]
        found.append(run_colours(compile_chain(chain), codes))
    return float(np.abs(found[0] - found[1]).max())


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
    named = {"min_in": "MinIn", "max_in": "MaxIn", "min_out": "MinOut", "max_out": "MaxOut"}
    values: dict[str, Any] = {
        name: getattr(transform, f"get{words}Value")() if getattr(transform, f"has{words}Value")() else None
        for name, words in named.items()}
    if not forward:
        values = {"min_in": values["min_out"], "max_in": values["max_out"], "min_out": values["min_in"],
                  "max_out": values["max_in"]}
    if transform.getStyle() == ocio.RANGE_NO_CLAMP:
        slope = (values["max_out"] - values["min_out"]) / (values["max_in"] - values["min_in"])
        return _as_matrix(np.eye(3) * slope, [values["min_out"] - values["min_in"] * slope] * 3)
    return RangeLimits(**values)


def _exponent(transform: Any, forward: bool) -> Operation | None:
    *powers, alpha = (float(value) for value in transform.getValue())
    kinds = {ocio.NEGATIVE_CLAMP: "basic", ocio.NEGATIVE_MIRROR: "basicMirror",
             ocio.NEGATIVE_PASS_THRU: "basicPassThru"}
    kind = kinds.get(transform.getNegativeStyle())
    if alpha != 1 or kind is None or not all(0.01 <= power <= 100 for power in powers):
        return None
    return Exponent((powers[0], powers[1], powers[2]), style=kind + ("Fwd" if forward else "Rev"))


def _exponent_with_line(transform: Any, forward: bool) -> Operation | None:
    *powers, _ = (float(value) for value in transform.getGamma())
    *offsets, alpha = (float(value) for value in transform.getOffset())
    kinds = {ocio.NEGATIVE_LINEAR: "monCurve", ocio.NEGATIVE_MIRROR: "monCurveMirror"}
    kind = kinds.get(transform.getNegativeStyle())
    if transform.getGamma()[3] != 1 or alpha != 0 or kind is None or min(powers) <= 1 or min(offsets) <= 0:
        return None
    return Exponent((powers[0], powers[1], powers[2]), (offsets[0], offsets[1], offsets[2]),
                    kind + ("Fwd" if forward else "Rev"))


def _camera_log(transform: Any, forward: bool) -> Operation | None:
    values = {"log_side_slope": transform.getLogSideSlopeValue(), "log_side_offset": transform.getLogSideOffsetValue(),
              "lin_side_slope": transform.getLinSideSlopeValue(), "lin_side_offset": transform.getLinSideOffsetValue(),
              "lin_side_break": transform.getLinSideBreakValue()}
    if transform.isLinearSlopeValueSet():
        values["linear_slope"] = transform.getLinearSlopeValue()
    return _log(transform.getBase(), values, forward)


def _plain_log(transform: Any, forward: bool) -> Operation | Steps | None:
    if isinstance(transform, ocio.LogTransform):
        return _log(transform.getBase(), {}, forward)
    values = {
        "log_side_slope": transform.getLogSideSlopeValue(), "log_side_offset": transform.getLogSideOffsetValue(),
        "lin_side_slope": transform.getLinSideSlopeValue(), "lin_side_offset": transform.getLinSideOffsetValue()}
    same = _log(transform.getBase(), values, forward)
    if same is not None:
        return same
    # Channels that differ: a matrix on either side of the plain logarithm says the same.
    light, code = (_as_matrix(np.diag(values[f"{side}_side_slope"]), values[f"{side}_side_offset"])
                   for side in ("lin", "log"))
    base = float(transform.getBase())
    if forward:
        return light, LogEncode(base=base), code
    back = code.inverse(), light.inverse()
    return None if back[0] is None or back[1] is None else (back[0], LogDecode(base=base), back[1])


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


def _within(table: np.ndarray) -> np.ndarray:
    """What a table takes: curves to light have no end beyond 1."""
    result: np.ndarray = np.clip(table, -LARGEST, LARGEST)
    return result


def _baked(path: Path, processor: ocio.Processor, step: str) -> LutReading:
    """A sampling of the whole file, which holds a ``step`` that isn't computed here."""
    mixed = processor.hasChannelCrosstalk()
    size, (low, high) = (BAKED_3D, BAKED_OVER[1]) if mixed else (BAKED_1D, BAKED_OVER[0])
    axis = np.linspace(low, high, size)
    ends: dict[str, Any] = {"domain_min": (low,) * 3, "domain_max": (high,) * 3}
    if mixed:
        grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1)
        operation: Operation = Lut3D(_within(apply_with_opencolorio(processor, grid)), **ends)
    else:
        operation = Lut1D(_within(apply_with_opencolorio(processor, np.repeat(axis[:, None], 3, axis=1))), **ends)
    into = f"a {'lattice' if mixed else 'table'} of {size} points{' along each axis' * mixed} over [{low:g}, {high:g}]"
    worst, where = _worst(processor, (operation,))
    if not worst <= MOST_BAKED_ERROR:
        code = ", ".join(f"{value:.3g}" for value in where)
        raise InputError(f"{path}: it holds a step ({step}) that is not computed here, and {into} in its place would "
                         f"be off by {worst:.2g} at code values {code} ({MOST_BAKED_ERROR:g} is the limit); write it "
                         "without that step, as plain tables, matrices or curves")
    return LutReading(path, (operation,), into, worst)
