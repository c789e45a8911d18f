"""A chain of operations in the forms that other programs take: CLF nodes, .cube text, ASC CDL numbers.

CLF (SMPTE ST 2136-1). A matrix, a log curve and a table have a node that is the same. Display transfer and tone
curve, channel by channel, become one half-domain LUT1D (an entry for each half float, so relative steps of 2^-11
down to black, negatives and values over 1 included). Hue sectors become a LUT3D over the display signal: its
lattice has the neutral axis on its diagonal, where tetrahedral interpolation keeps neutrals exact, and it is
entered through a piecewise linear shaper (:func:`lattice_axis`) that gives most lattice points to [0, 1] and the
rest, ever wider spaced, to what lies outside, so that a coloured highlight above white isn't clamped before its hue
is turned. The range covered is what code values in [0, 1] can reach.

.cube. One lattice over file code values in [0, 1]; or ("shaped") a 1D table followed by a lattice, which is far
more exact where the correction works channel by channel up to the display signal, and which fewer programs read.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.ops import HueSectors, LogDecode, LogEncode, Lut1D, Lut3D, Matrix, Operation, ToneCurve, Transfer

from huewright.errors import InputError
from huewright.files import json_text
from huewright.reference import apply_chain

CLF_FORMAT = "Academy/ASC Common LUT Format"
_SHAPER_ENTRIES = 16384
_CURVES = (Transfer, ToneCurve)
_BY_CHANNEL = (LogDecode, LogEncode, Transfer, ToneCurve, Lut1D)


def clf_transforms(operations: Sequence[Operation], size: int) -> list[ocio.Transform]:
    """OpenColorIO transforms, each with a CLF node, that do what ``operations`` do; lattices of ``size`` points."""
    transforms: list[ocio.Transform] = []
    curves: list[Operation] = []
    for place, operation in enumerate(operations):
        if isinstance(operation, _CURVES):
            curves.append(operation)
            continue
        if isinstance(operation, HueSectors):
            axis = lattice_axis(*reach(operations[:place]), size)
            transforms += [_half_table(curves, axis),
                           _lattice(axis_lattice([operation], axis), ocio.INTERP_TETRAHEDRAL)]
        else:
            transforms += ([_half_table(curves, None)] if curves else []) + _node(operation)
        curves = []
    return transforms + ([_half_table(curves, None)] if curves else [])


def reach(operations: Sequence[Operation]) -> tuple[float, float]:
    """The least and the greatest value that ``operations`` make of code values in [0, 1], over a coarse lattice."""
    values = code_lattice(operations, 9)
    return float(values.min()), float(values.max())


def lattice_axis(low: float, high: float, size: int) -> np.ndarray:
    """Where along the display signal the ``size`` planes of a lattice lie: equal steps over [0, 1], on whose ends
    planes lie, and steps that grow by a constant factor outside, down to ``low`` and up to ``high``."""
    cells = size - 1
    # As many cells outside as keep the spacing of [0, 1], but no more than three eighths of all above and one below:
    # measured on an ACEScct chain that reaches 12 times white, this balances the error inside against that outside.
    below = min(max(1, round(-low * cells)), cells // 8) if low < 0 else 0
    above = min(max(1, round((high - 1) * cells)), 3 * cells // 8) if high > 1 else 0
    inside = cells - below - above
    if cells < 8:
        raise InputError(f"a lattice of {size} points is too small for hue sectors; use 9 or more, better 33 or 65")
    step = 1 / inside
    return np.concatenate([-_growing(step, below, -low)[::-1], np.linspace(0, 1, inside + 1),
                           1 + _growing(step, above, high - 1)])


def axis_lattice(operations: Sequence[Operation], axis: np.ndarray) -> np.ndarray:
    """``operations`` over a lattice with planes at ``axis``: float64 (size, size, size, 3) indexed [r, g, b]."""
    return apply_chain(operations, np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1))


def shaped(values: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Display signal to lattice coordinates in [0, 1]: linear between planes, so it bends nowhere inside a cell."""
    return np.interp(values, axis, np.linspace(0, 1, axis.size))


def code_lattice(operations: Sequence[Operation], size: int) -> np.ndarray:
    """``operations`` over code values in [0, 1]: float64 (size, size, size, 3) indexed [r, g, b]."""
    return axis_lattice(operations, np.linspace(0, 1, size))


def cube_text(lattice: np.ndarray, title: str, comments: Sequence[str]) -> str:
    """A .cube file of one lattice; red runs fastest, as the format has it."""
    head = [f'TITLE "{title.replace(chr(34), chr(39))}"', *(f"# {line}" for line in comments)]
    return "\n".join([*head, f"LUT_3D_SIZE {lattice.shape[0]}", *_rows(_red_fastest(lattice)), ""])


def shaped_cube_text(operations: Sequence[Operation], size: int, title: str, comments: Sequence[str]) -> str:
    """A .cube file of a 1D table and a lattice; :class:`InputError` if the channels mix before the display signal."""
    split = next((at for at, operation in enumerate(operations) if not _separable(operation)), len(operations))
    if not any(isinstance(operation, _CURVES) for operation in operations[:split]):
        raise InputError("this correction mixes the channels before the display signal, which a table ahead of a "
                         "lattice can't do; export a plain .cube or a .clf")
    codes = np.repeat(np.linspace(0, 1, _SHAPER_ENTRIES)[:, None], 3, axis=1)
    axis = lattice_axis(*reach(operations[:split]), size)
    table = shaped(apply_chain(operations[:split], codes), axis)
    return "\n".join([*(f"# {line}" for line in (title, *comments)),  # this form of the format has no TITLE
                      f"LUT_1D_SIZE {_SHAPER_ENTRIES}", "LUT_1D_INPUT_RANGE 0.0 1.0",
                      f"LUT_3D_SIZE {size}", "LUT_3D_INPUT_RANGE 0.0 1.0",
                      *_rows(table), *_rows(_red_fastest(axis_lattice(operations[split:], axis))), ""])


def described(transforms: Sequence[ocio.Transform], name: str, operations: Sequence[Operation],
              descriptions: Sequence[str], takes: str, gives: str) -> ocio.GroupTransform:
    """The group that OpenColorIO writes, with its words; its id follows from the operations, so it is repeatable."""
    group = ocio.GroupTransform(list(transforms))
    metadata = group.getFormatMetadata()
    digest = hashlib.sha256(json_text([operation.to_dict() for operation in operations]).encode()).hexdigest()
    metadata.setID(f"huewright-{digest[:32]}")
    metadata.setName(name)
    for text in descriptions:
        metadata.addChildElement("Description", text)
    metadata.addChildElement("InputDescriptor", takes)
    metadata.addChildElement("OutputDescriptor", gives)
    return group


def _growing(step: float, cells: int, span: float) -> np.ndarray:
    """Distances of ``cells`` planes whose spacing grows from about ``step`` by a constant factor, the last at
    ``span``; evenly spaced where that is finer."""
    if cells == 0:
        return np.empty(0)
    counts = np.arange(1, cells + 1)
    if span <= cells * step:
        return span * counts / cells
    low, high = 1.0, 1 + span / step
    for _ in range(80):  # bisection: the sum of the spacings rises with the factor
        middle = (low + high) / 2
        low, high = (middle, high) if step * np.sum(middle**counts) < span else (low, middle)
    places = np.cumsum(low**counts)
    return span * places / places[-1]


def _half_table(operations: Sequence[Operation], axis: np.ndarray | None) -> ocio.Transform:
    """Curves (and the shaper to ``axis``) over every half float; not-a-number as 0, infinities as +-65504."""
    halves = np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float64)
    values = np.repeat(np.nan_to_num(halves, nan=0.0, posinf=65504.0, neginf=-65504.0)[:, None], 3, axis=1)
    values = apply_chain(operations, values)
    if axis is not None:
        values = shaped(values, axis)
    table = ocio.Lut1DTransform(length=65536, inputHalfDomain=True)
    table.setData(np.clip(values, -3e38, 3e38).astype(np.float32).ravel())
    return table


def _lattice(lattice: np.ndarray, interpolation: ocio.Interpolation) -> ocio.Transform:
    transform = ocio.Lut3DTransform(gridSize=lattice.shape[0])
    transform.setData(np.ascontiguousarray(lattice, dtype=np.float32).ravel())
    transform.setInterpolation(interpolation)
    return transform


def _node(operation: Operation) -> list[ocio.Transform]:
    if isinstance(operation, Matrix):
        return [_matrix(np.array(operation.matrix), np.array(operation.offset))]
    if isinstance(operation, (LogDecode, LogEncode)):
        return [_log(operation)]
    if isinstance(operation, Lut1D):
        table = ocio.Lut1DTransform(length=operation.table.shape[0], inputHalfDomain=False)
        table.setData(np.ascontiguousarray(operation.table).ravel())
        return [*_domain(operation), table]
    if isinstance(operation, Lut3D):
        kind = ocio.INTERP_TETRAHEDRAL if operation.interpolation == "tetrahedral" else ocio.INTERP_LINEAR
        return [*_domain(operation), _lattice(operation.table, kind)]
    raise InputError(f"the operation {operation.name!r} has no form in a CLF file; export a .cube")


def _domain(lut: Lut1D | Lut3D) -> list[ocio.Transform]:
    low, high = np.array(lut.domain_min), np.array(lut.domain_max)
    if not low.any() and (high == 1).all():
        return []
    return [_matrix(np.diag(1 / (high - low)), -low / (high - low))]


def _matrix(matrix: np.ndarray, offset: np.ndarray) -> ocio.Transform:
    full = np.eye(4)
    full[:3, :3] = matrix
    return ocio.MatrixTransform(matrix=full.ravel().tolist(), offset=[*offset.tolist(), 0.0])


def _log(operation: LogDecode | LogEncode) -> ocio.Transform:
    way = ocio.TRANSFORM_DIR_FORWARD if isinstance(operation, LogEncode) else ocio.TRANSFORM_DIR_INVERSE
    common = dict(base=operation.base, logSideSlope=[operation.log_side_slope] * 3,
                  logSideOffset=[operation.log_side_offset] * 3, linSideSlope=[operation.lin_side_slope] * 3,
                  linSideOffset=[operation.lin_side_offset] * 3, direction=way)
    if operation.lin_side_break is None:
        return ocio.LogAffineTransform(**common)
    transform = ocio.LogCameraTransform(linSideBreak=[operation.lin_side_break] * 3, **common)
    if operation.linear_slope is not None:
        transform.setLinearSlopeValue([operation.linear_slope] * 3)
    return transform


def _separable(operation: Operation) -> bool:
    if isinstance(operation, Matrix):
        return np.count_nonzero(np.array(operation.matrix) - np.diag(np.diag(operation.matrix))) == 0
    return isinstance(operation, _BY_CHANNEL)


def _red_fastest(lattice: np.ndarray) -> np.ndarray:
    return lattice.transpose(2, 1, 0, 3).reshape(-1, 3)


def _rows(colours: np.ndarray) -> list[str]:
    return [f"{r:.7g} {g:.7g} {b:.7g}" for r, g, b in colours.astype(np.float32).tolist()]
