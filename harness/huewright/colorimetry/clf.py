"""A chain of operations as CLF nodes (SMPTE ST 2136-1).

Every operation says which node is the same: a matrix, a log curve, a CDL and a table have one. Curves without a node,
channel by channel, become one half-domain LUT1D (an entry for each half float, so relative steps of 2^-11 down to
black, negatives and values over 1 included). What has no node (hue sectors) becomes a LUT3D over the display signal:
its lattice has the neutral axis on its diagonal, where tetrahedral interpolation keeps neutrals exact, and it is
entered through a piecewise linear shaper (:mod:`huewright.colorimetry.lattice`), so that a coloured highlight above
white isn't clamped before its hue is turned. The range covered is what the code values can reach: those in [0, 1],
unless more are to be held.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.ops import Operation

from huewright.colorimetry.lattice import axis_lattice, lattice_axis, reach, shaped
from huewright.errors import InputError
from huewright.files import json_text
from huewright.reference import apply_chain

CLF_FORMAT = "Academy/ASC Common LUT Format"


def clf_transforms(operations: Sequence[Operation], size: int,
                   domain: tuple[float, float] = (0.0, 1.0)) -> list[ocio.Transform]:
    """OpenColorIO transforms, each with a CLF node, that do what ``operations`` do; lattices of ``size`` points over
    what they can make of code values in ``domain``."""
    transforms: list[ocio.Transform] = []
    curves: list[Operation] = []
    for place, operation in enumerate(operations):
        form = operation.clf()
        if form is not None and form[0] == "curve":
            curves.append(operation)
            continue
        if form is None:
            axis = lattice_axis(*reach(operations[:place], *domain), size)
            transforms += [_half_table(curves, axis),
                           _lattice(axis_lattice([operation], axis), ocio.INTERP_TETRAHEDRAL)]
        else:
            transforms += ([_half_table(curves, None)] if curves else []) + _node(*form)
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


def _node(kind: str, values: dict[str, Any]) -> list[ocio.Transform]:
    builders: dict[str, Callable[..., list[ocio.Transform]]] = {
        "Matrix": _matrix_node, "Log": _log_node, "ASC_CDL": _cdl_node, "LUT1D": _line_node, "LUT3D": _lattice_node,
        "Exponent": _exponent_node, "Range": _range_node}
    if kind not in builders:
        raise InputError(f"a step of this correction has the CLF form {kind!r}, which is not written; export a .cube")
    return builders[kind](**values)


def _matrix_node(matrix: Any, offset: Any) -> list[ocio.Transform]:
    return [_matrix(np.array(matrix), np.array(offset))]


def _line_node(table: np.ndarray, domain_min: Any, domain_max: Any) -> list[ocio.Transform]:
    transform = ocio.Lut1DTransform(length=table.shape[0], inputHalfDomain=False)
    transform.setData(np.ascontiguousarray(table).ravel())
    return [*_domain(domain_min, domain_max), transform]


def _lattice_node(table: np.ndarray, domain_min: Any, domain_max: Any, interpolation: str) -> list[ocio.Transform]:
    kind = ocio.INTERP_TETRAHEDRAL if interpolation == "tetrahedral" else ocio.INTERP_LINEAR
    return [*_domain(domain_min, domain_max), _lattice(table, kind)]


def _cdl_node(slope: Any, offset: Any, power: Any, saturation: float, style: str) -> list[ocio.Transform]:
    transform = ocio.CDLTransform()
    transform.setSlope(list(slope))
    transform.setOffset(list(offset))
    transform.setPower(list(power))
    transform.setSat(saturation)
    transform.setStyle(ocio.CDL_NO_CLAMP if style.endswith("NoClamp") else ocio.CDL_ASC)
    transform.setDirection(ocio.TRANSFORM_DIR_INVERSE if style.startswith("Rev") else ocio.TRANSFORM_DIR_FORWARD)
    return [transform]


def _exponent_node(exponent: Any, offset: Any, style: str) -> list[ocio.Transform]:
    way = ocio.TRANSFORM_DIR_FORWARD if style.endswith("Fwd") else ocio.TRANSFORM_DIR_INVERSE
    if style.startswith("monCurve"):
        line = ocio.ExponentWithLinearTransform(gamma=[*exponent, 1.0], offset=[*offset, 0.0], direction=way)
        line.setNegativeStyle(ocio.NEGATIVE_MIRROR if "Mirror" in style else ocio.NEGATIVE_LINEAR)
        return [line]
    power = ocio.ExponentTransform(value=[*exponent, 1.0], direction=way)
    power.setNegativeStyle(ocio.NEGATIVE_MIRROR if "Mirror" in style else
                           ocio.NEGATIVE_PASS_THRU if "PassThru" in style else ocio.NEGATIVE_CLAMP)
    return [power]


def _range_node(min_in: float | None, max_in: float | None, min_out: float | None,
                max_out: float | None) -> list[ocio.Transform]:
    transform = ocio.RangeTransform()
    for value, put in ((min_in, transform.setMinInValue), (max_in, transform.setMaxInValue),
                       (min_out, transform.setMinOutValue), (max_out, transform.setMaxOutValue)):
        if value is not None:
            put(value)
    return [transform] if transform.hasMinInValue() or transform.hasMaxInValue() else []


def _domain(domain_min: Any, domain_max: Any) -> list[ocio.Transform]:
    low, high = np.array(domain_min), np.array(domain_max)
    if not low.any() and (high == 1).all():
        return []
    return [_matrix(np.diag(1 / (high - low)), -low / (high - low))]


def _matrix(matrix: np.ndarray, offset: np.ndarray) -> ocio.Transform:
    full = np.eye(4)
    full[:3, :3] = matrix
    return ocio.MatrixTransform(matrix=full.ravel().tolist(), offset=[*offset.tolist(), 0.0])


def _log_node(encode: bool, base: float, log_side_slope: float, log_side_offset: float, lin_side_slope: float,
              lin_side_offset: float, lin_side_break: float | None, linear_slope: float | None) -> list[ocio.Transform]:
    common = dict(logSideSlope=[log_side_slope] * 3, logSideOffset=[log_side_offset] * 3,
                  linSideSlope=[lin_side_slope] * 3, linSideOffset=[lin_side_offset] * 3,
                  direction=ocio.TRANSFORM_DIR_FORWARD if encode else ocio.TRANSFORM_DIR_INVERSE)
    if lin_side_break is None:
        affine = ocio.LogAffineTransform(**common)
        affine.setBase(base)
        return [affine]
    transform = ocio.LogCameraTransform(linSideBreak=[lin_side_break] * 3, base=base, **common)
    if linear_slope is not None:
        transform.setLinearSlopeValue([linear_slope] * 3)
    return [transform]
