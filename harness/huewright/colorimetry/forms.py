"""What a LUT can be made of: a lattice of some size, alone or with a 1D table ahead of it that spaces its planes.

    none      no table: planes lie evenly over the code values
    bends     planes lie close where the correction bends (:func:`huewright.colorimetry.lattice.bend_axes`)
    display   planes lie along the display signal, if the channels don't mix before it

and which of them are tried, one after another, where a LUT shall keep within an error.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from huewright_kernels.ops import Lut1D, Lut3D, Operation

from huewright.colorimetry.lattice import axis_lattice, bend_axes, code_lattice, lattice_axis, reach, shaped
from huewright.errors import InputError
from huewright.reference import apply_chain

Shaper = Literal["none", "bends", "display"]
Domain = tuple[float, float]
TABLE_ENTRIES = 16384
SIZES = (17, 25, 33, 49, 65)
LARGE_SIZES = (97, 129)
"""Common practice, no source: many programs read lattices up to 65, OpenColorIO up to 129."""


@dataclass(frozen=True)
class LutForm:
    shaper: Shaper
    size: int


@dataclass(frozen=True, eq=False)
class Tables:
    """``table`` float (n, 3) or None, evenly over the code values ``domain``, to lattice coordinates; ``lattice``
    float (size, size, size, 3) indexed [r, g, b]; without a table evenly over ``domain``."""

    table: np.ndarray | None
    lattice: np.ndarray
    domain: Domain = (0.0, 1.0)

    def operations(self, interpolation: str) -> tuple[Operation, ...]:
        """What a program that reads them does, interpolating the lattice "trilinear" or "tetrahedral"."""
        low, high = ((value,) * 3 for value in self.domain)
        if self.table is None:
            return (Lut3D(self.lattice, low, high, interpolation=interpolation),)
        return Lut1D(self.table, low, high), Lut3D(self.lattice, interpolation=interpolation)


def cube_forms(operations: Sequence[Operation]) -> Iterator[LutForm]:
    """Forms of a .cube, those first that most programs read, then the smaller ones."""
    shapers: tuple[Shaper, ...] = ("bends", "display") if _display_split(operations) is not None else ("bends",)
    yield from (LutForm("none", size) for size in SIZES)
    yield from (LutForm(shaper, size) for size in SIZES for shaper in shapers)
    yield from (LutForm(shaper, size) for size in LARGE_SIZES for shaper in ("none", *shapers))


def clf_sizes(operations: Sequence[Operation]) -> tuple[int, ...]:
    """Sizes of the lattice in a CLF; one that stands for none where every operation has a node of its own."""
    return (*SIZES, *LARGE_SIZES) if has_lattice(operations) else SIZES[-1:]


def has_lattice(operations: Sequence[Operation]) -> bool:
    """Whether a CLF of ``operations`` needs a lattice."""
    return any(operation.clf() is None for operation in operations)


def tables_of(form: LutForm, operations: Sequence[Operation], domain: Domain = (0.0, 1.0)) -> Tables:
    """``operations`` as tables over the code values ``domain``; :class:`InputError` for a table of the display signal
    where the channels mix before it."""
    low, high = domain
    if form.shaper == "none":
        return Tables(None, code_lattice(operations, form.size, low, high), domain)
    codes = np.linspace(low, high, TABLE_ENTRIES)
    if form.shaper == "bends":
        axes = bend_axes(operations, form.size, low, high)
        table = np.stack([shaped(codes, axis) for axis in axes], axis=1)
        return Tables(table, axis_lattice(operations, axes), domain)
    split = _display_split(operations)
    if split is None:
        raise InputError("this correction mixes the channels before the display signal, which a table ahead of a "
                         "lattice can't do; export a plain .cube or a .clf")
    axis = lattice_axis(*reach(operations[:split], low, high), form.size)
    table = shaped(apply_chain(operations[:split], np.repeat(codes[:, None], 3, axis=1)), axis)
    return Tables(table, axis_lattice(operations[split:], axis), domain)


def _display_split(operations: Sequence[Operation]) -> int | None:
    """How many operations work channel by channel up to the display signal; None if they don't come so far."""
    split = next((at for at, operation in enumerate(operations) if not operation.separable()), len(operations))
    return split if any((operation.clf() or ("",))[0] == "curve" for operation in operations[:split]) else None
