"""A chain of operations as CLF nodes (SMPTE ST 2136-1).

A matrix, a log curve and a table have a node that is the same. Display transfer and tone
curve, channel by channel, become one half-domain LUT1D (an entry for each half float, so relative steps of 2^-11
down to black, negatives and values over 1 included). Hue sectors become a LUT3D over the display signal: its
lattice has the neutral axis on its diagonal, where tetrahedral interpolation keeps neutrals exact, and it is
entered through a piecewise linear shaper (:mod:`huewright.colorimetry.lattice`), so that a coloured highlight above
white isn't clamped before its hue is turned. The range covered is what code values in [0, 1] can reach.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.ops import HueSectors, LogDecode, LogEncode, Lut1D, Lut3D, Matrix, Operation, ToneCurve, Transfer

from huewright.colorimetry.lattice import axis_lattice, lattice_axis, reach, shaped
from huewright.errors import InputError
from huewright.files import json_text
from huewright.reference import apply_chain

CLF_FORMAT = "Academy/ASC Common LUT Format"
_CURVES = (Transfer, ToneCurve)


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


