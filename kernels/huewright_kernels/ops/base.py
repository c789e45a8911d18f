"""What every operation of the chain has in common, and what it must bring along.

An operation is one module of this folder: a frozen dataclass whose parameters are declared by the functions of
:mod:`~huewright_kernels.ops.fields`, its formulas (:mod:`~huewright_kernels.forms`), its packer, and a call of
:func:`complete` that puts them together. Everything else follows from that: the executor's code, accuracy and speed
rows, golden vectors, tests of special values, the plug-in's reader, the page of operations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, ClassVar

import numpy as np

from huewright_kernels.cache import Entry, packer
from huewright_kernels.forms import Form
from huewright_kernels.ops.fields import (
    NO_PARAMETER,
    REFUSED,
    WRONG,
    Field,
    fields_of,
    places,
    shown,
)

PACK_SIGNATURE = "void(int64, int64, int64, int64, int64)"
"""A packer's arguments are addresses: the numbers of all fields (float64, each field at its place), how many each field
gives (int64), the table (float32), what is packed (float32, zeros before), and three int64 that come back: which of the
operation's forms (-1: it does nothing), the form's size, how many floats were packed."""


@dataclass(frozen=True)
class Packed:
    """An operation ready for the executor: which form, its float32 parameters (and table), a size."""

    form: Form
    parameters: np.ndarray
    size: int = 0


@dataclass(frozen=True)
class Bound:
    """What is claimed of an operation's float32 result against the float64 reference.

    ``tolerance`` is absolute; with ``spacing`` it gives way to float32's own spacing of result and input where that is
    wider (results that grow without end).
    """

    tolerance: float
    spacing: bool = False


SMOOTH, DECODING, TABLE = Bound(2e-6), Bound(2e-6, spacing=True), Bound(1e-6)


@dataclass(frozen=True)
class Example:
    """The operation with typical parameters, for everything that checks, times or shows it.

    title      what is typical about them, in words
    low, high  the input range over which the result stays within ``Bound.tolerance`` times its own size above 1
    claimed    the input range of the accuracy claim
    timed      the name of its row among the timings; empty: it has none
    golden     whether a port gets golden vectors of it
    """

    title: str
    operation: Operation
    low: float = -0.5
    high: float = 4.0
    claimed: tuple[float, float] = (-0.5, 4.0)
    timed: str = ""
    golden: bool = True


@dataclass(frozen=True)
class Parts:
    """What an operation consists of beside its fields.

    forms      its formulas; a packer says which one is run
    pack       fills in what the formulas index: see :data:`PACK_SIGNATURE`
    room       how many floats that takes at the most; a function of the counts that only indexes and computes
    check      what no single field can say: 0, or k for the k-th of ``sentences``; a function of the numbers and counts
               that only indexes, compares and computes, so that it runs in Python and compiled alike
    sentences  what is wrong, in words
    bound      see :class:`Bound`
    examples   a function, since operations are not complete before; the first one has the most typical parameters
    source     the publication that the formulas are from
    reference  the module of the float64 references that holds it, as the function ``reference_name``
    peer       who else computes the same; "clf": whoever reads the CLF form that the operation has; "nobody": timings
               have no row of it, for there is nothing to time it beside
    """

    forms: tuple[Form, ...]
    pack: Entry
    room: Callable[[Any], int]
    check: Callable[[Any, Any], int]
    sentences: tuple[str, ...]
    bound: Bound
    examples: Callable[[], tuple[Example, ...]]
    source: str
    reference: str
    peer: str


class Operation:
    """One step of a chain: a frozen dataclass of parameters, with a name and a plain-dict form.

    Values are checked when an operation is made; ``ValueError`` says what is wrong in one sentence.
    """

    name: ClassVar[str]
    parts: ClassVar[Parts]
    FIELDS: ClassVar[tuple[Field, ...]]

    def __post_init__(self) -> None:
        for field in self.FIELDS:
            try:
                object.__setattr__(self, field.name, field.taken(getattr(self, field.name)))
            except ValueError:
                raise ValueError(WRONG % (self.name, field.name, field.wants)) from None
        numbers, counts = self.numbers()
        refusal = self.parts.check(numbers, counts)
        if refusal:
            raise ValueError(REFUSED % (self.name, self.parts.sentences[int(refusal) - 1]))

    @classmethod
    def reference_name(cls) -> str:
        """What its float64 reference and its packer are called."""
        return cls.name.replace("-", "_")

    def numbers(self) -> tuple[np.ndarray, np.ndarray]:
        """Every field's numbers at their places (float64), and how many each gives (int64)."""
        starts = places(type(self))
        values = np.zeros(max(1, starts[-1] + self.FIELDS[-1].slots if starts else 0), np.float64)
        counts = np.zeros(max(1, len(self.FIELDS)), np.int64)
        for k, (field, start) in enumerate(zip(self.FIELDS, starts, strict=True)):
            value = getattr(self, field.name)
            given = field.numbers(value)
            values[start:start + len(given)] = given
            counts[k] = field.count(value) if field.kind == "table" else len(given)
        return values, counts

    def pack(self) -> Packed | None:
        """The parameters as the formulas index them; None where the operation does nothing."""
        values, counts = self.numbers()
        table = next((np.ascontiguousarray(getattr(self, f.name)) for f in self.FIELDS if f.kind == "table"), None)
        parameters = np.zeros(int(self.parts.room(counts)), np.float32)
        out = np.zeros(3, np.int64)
        self.parts.pack(values.ctypes.data, counts.ctypes.data, 0 if table is None else table.ctypes.data,
                        parameters.ctypes.data, out.ctypes.data)
        form, size, used = (int(number) for number in out)
        return None if form < 0 else Packed(self.parts.forms[form], parameters[:used], size)

    def inverse(self) -> Operation | None:
        """The operation that undoes this one exactly; None where there is none of that kind."""
        return None

    def separable(self) -> bool:
        """Whether each channel's result depends on that channel alone."""
        return all(form.channel is not None for form in self.parts.forms)

    def clf(self) -> tuple[str, dict[str, Any]] | None:
        """The Common LUT Format node that does the same, as its kind and values; None where there is none.

        Kinds and values: "Matrix" (matrix, offset), "Log" (the fields of a log curve, encode), "ASC_CDL" (slope,
        offset, power, saturation, style), "Exponent" and "Range" (their fields), "LUT1D" and "LUT3D" (table,
        domain_min, domain_max, interpolation), "curve"
        (no node of its own, but a table of it for every half float says it all).
        """
        return None

    def to_dict(self) -> dict[str, Any]:
        """``{"operation": name, field: value, ...}`` with tuples as lists and arrays as nested lists."""
        record: dict[str, Any] = {"operation": self.name}
        for field in fields(self):  # type: ignore[arg-type]
            record[field.name] = _plain(getattr(self, field.name))
        return record

    @classmethod
    def from_fields(cls, record: dict[str, Any]) -> Operation:
        """The inverse of :meth:`to_dict`; absent fields have their default. ``ValueError`` for unknown ones."""
        known = {field.name for field in cls.FIELDS}
        given = {key: value for key, value in record.items() if key != "operation"}
        unknown = next((key for key in given if key not in known), None)
        if unknown is not None:
            raise ValueError(NO_PARAMETER % (cls.name, shown(unknown)))
        return cls(**given)


def complete(kind: type[Operation], *, pack: Callable[..., None], examples: Callable[[], tuple[Example, ...]],
             forms: tuple[Form, ...], bound: Bound, source: str, reference: str, peer: str,
             room: Callable[[Any], int], check: Callable[[Any, Any], int] | None = None,
             sentences: tuple[str, ...] = ()) -> None:
    """Makes an operation of a dataclass: see :class:`Parts`."""
    kind.FIELDS = fields_of(kind)
    kind.parts = Parts(forms, packer(PACK_SIGNATURE)(pack), room, check or _nothing_more, sentences, bound, examples,
                       source, reference, peer)


def _nothing_more(p: Any, counts: Any) -> int:
    return 0


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value
