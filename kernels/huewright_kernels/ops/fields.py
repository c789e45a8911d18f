"""The fields of operations: what each holds, in which unit and range, and how it is refused.

A field is declared once, where the operation is; its record form (``to_dict``), its checks, its place among the
numbers that a packer takes, the plug-in's reader and the documentation follow from that declaration. Sentences
are written with ``%s`` alone, which Python and C fill in the same way.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

LARGEST = 1e9
"""Of every number and entry of a table, either way: no coefficient comes near it, nor light that a log curve gives for
twice its highest code; what is beyond it is damage, that drives pixels out of any range."""
MOST_SIGNAL = 1e6
"""What code values from 0 to 1 may come out as: half floats end at 65504, PQ's light at 10,000 cd/m2."""

NO_OPERATION = "unknown operation '%s'; known: %s"
NO_PARAMETER = "operation '%s' has no parameter '%s'"
TWICE = "operation '%s' gives its parameter '%s' twice"
WRONG = "operation '%s': %s takes %s"
REFUSED = "operation '%s': %s"
QUOTED = 40
"""So many characters of a name that we don't know are repeated; those that are no printable ASCII as '?'."""


@dataclass(frozen=True)
class Field:
    """One parameter of an operation.

    kind       "number"; "row" (a fixed count of numbers, ``shape`` (3,)); "rows" (``shape`` (3, 3)); "list" (``least``
               to ``most`` numbers); "word" (one of ``choices``); or "table" (float32, ``dimensions`` axes, the last of
               length 3, ``least`` to ``most`` entries along each of the others, which are equal)
    unit       of the numbers, empty for a plain ratio
    low, high  inclusive range of every number
    optional   None (null) is allowed and means that there is none
    """

    name: str
    kind: str
    meaning: str
    default: Any
    unit: str = ""
    shape: tuple[int, ...] = ()
    least: int = 0
    most: int = 0
    low: float = -LARGEST
    high: float = LARGEST
    choices: tuple[str, ...] = ()
    optional: bool = False
    dimensions: int = 0

    @property
    def slots(self) -> int:
        """How many places it takes among an operation's numbers."""
        return {"number": 1, "word": 1, "table": 0, "list": self.most}.get(self.kind, math.prod(self.shape))

    @property
    def wants(self) -> str:
        """What it takes, in words."""
        ranged = f" from {self.low:g} to {self.high:g}"
        words = {
            "number": f"a number{ranged}",
            "row": f"{math.prod(self.shape)} numbers{ranged}",
            "rows": f"{self.shape[0] if self.shape else 0} rows of {self.shape[-1] if self.shape else 0} "
                    f"numbers{ranged}",
            "list": f"{self.least} to {self.most} numbers{ranged}",
            "word": f"one of {', '.join(self.choices)}",
            "table": f"a table of {self.least} to {self.most} rows of three numbers{ranged}" if self.dimensions == 2
                     else f"a table of the same {self.least} to {self.most} entries along each axis, each three "
                          f"numbers{ranged}"}
        return words[self.kind] + (", or nothing" if self.optional else "")

    def taken(self, value: Any) -> Any:
        """``value`` as it is kept: lists as tuples, tables as read-only float32. ``ValueError`` without a message if
        the field doesn't take it."""
        if value is None and self.optional:
            return None
        if self.kind == "word":
            if not isinstance(value, str) or value not in self.choices:
                raise ValueError
            return value
        if self.kind == "table":
            return self._table(value)
        if self.kind == "number":
            return self._number(value)
        if isinstance(value, np.ndarray):
            value = value.tolist()
        if self.kind == "rows":
            if not isinstance(value, tuple | list) or len(value) != self.shape[0]:
                raise ValueError
            return tuple(self._row(row, self.shape[1], self.shape[1]) for row in value)
        if self.kind == "row":
            return self._row(value, self.shape[0], self.shape[0])
        return self._row(value, self.least, self.most)

    def numbers(self, value: Any) -> list[float]:
        """The numbers of a value that was taken; a word's is its place among the choices; none for a table."""
        if value is None or self.kind == "table":
            return []
        if self.kind == "word":
            return [float(self.choices.index(value))]
        if self.kind == "rows":
            return [float(number) for row in value for number in row]
        return [float(value)] if self.kind == "number" else [float(number) for number in value]

    def count(self, value: Any) -> int:
        """How many numbers a value that was taken gives; of a table, its entries along an axis; 0 for None."""
        if value is None:
            return 0
        return int(value.shape[0]) if self.kind == "table" else len(self.numbers(value))

    def _number(self, value: Any) -> Any:
        number = isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)
        if not number or not self.low <= value <= self.high:
            raise ValueError
        return value.item() if isinstance(value, np.generic) else value

    def _row(self, value: Any, least: int, most: int) -> tuple[Any, ...]:
        if not isinstance(value, tuple | list) or not least <= len(value) <= most:
            raise ValueError
        return tuple(self._number(number) for number in value)

    def _table(self, value: Any) -> np.ndarray:
        with np.errstate(over="ignore"):
            try:
                table = np.array(value, dtype=np.float32)
            except (TypeError, OverflowError):
                raise ValueError from None
        sides = set(table.shape[:-1])
        if (table.ndim != self.dimensions or table.shape[-1] != 3 or len(sides) != 1
                or not self.least <= min(sides) <= self.most
                or not np.abs(table).max(initial=0.0) <= LARGEST):
            raise ValueError
        if not isinstance(value, np.ndarray) and _holds_text(value):
            raise ValueError
        table.setflags(write=False)
        return table


def _holds_text(value: Any) -> bool:
    """Whether anything in nested lists is no number: NumPy would read texts and truth values as numbers."""
    if isinstance(value, list | tuple):
        return any(_holds_text(item) for item in value)
    return isinstance(value, bool) or not isinstance(value, int | float | np.number | np.ndarray)


def _declared(kind: str, default: Any, meaning: str, **more: Any) -> Any:
    spec = Field("", kind, meaning, default, **more)
    if kind == "table":
        return dataclasses.field(default_factory=default, metadata={"field": spec})
    return dataclasses.field(default=default, metadata={"field": spec})


def number(default: float | None, meaning: str, *, unit: str = "", low: float = -LARGEST, high: float = LARGEST,
           optional: bool = False) -> Any:
    """A field of one number."""
    return _declared("number", default, meaning, unit=unit, low=low, high=high, optional=optional)


def row(default: tuple[float, ...], meaning: str, *, unit: str = "", low: float = -LARGEST,
        high: float = LARGEST) -> Any:
    """A field of as many numbers as its default has."""
    return _declared("row", default, meaning, unit=unit, shape=(len(default),), low=low, high=high)


def rows(default: tuple[tuple[float, ...], ...], meaning: str, *, unit: str = "") -> Any:
    """A field of rows, shaped like its default."""
    return _declared("rows", default, meaning, unit=unit, shape=(len(default), len(default[0])))


def numbers(default: tuple[float, ...], meaning: str, least: int, most: int, *, unit: str = "", low: float = -LARGEST,
            high: float = LARGEST) -> Any:
    """A field of ``least`` to ``most`` numbers."""
    return _declared("list", default, meaning, unit=unit, least=least, most=most, low=low, high=high)


def word(default: str, meaning: str, choices: tuple[str, ...]) -> Any:
    """A field of one of ``choices``."""
    return _declared("word", default, meaning, choices=choices)


def table(default: Any, meaning: str, dimensions: int, least: int, most: int, *, unit: str = "") -> Any:
    """A field of a table: see :class:`Field`. ``default`` is a function that makes one."""
    return _declared("table", default, meaning, dimensions=dimensions, least=least, most=most, unit=unit)


def fields_of(kind: type) -> tuple[Field, ...]:
    """The fields of an operation in the order of their declaration. ``TypeError`` where one was declared bare."""
    found = []
    for item in dataclasses.fields(kind):
        if "field" not in item.metadata:
            raise TypeError(f"{kind.__name__}.{item.name} is no field of an operation: declare it with number(), "
                            "row(), rows(), numbers(), word() or table()")
        found.append(dataclasses.replace(item.metadata["field"], name=item.name))
    return tuple(found)


def places(kind: type) -> tuple[int, ...]:
    """Where each field's numbers begin in the array of all of them."""
    if kind not in _PLACES:
        starts, position = [], 0
        for item in fields_of(kind):
            starts.append(position)
            position += item.slots
        _PLACES[kind] = tuple(starts)
    return _PLACES[kind]


_PLACES: dict[type, tuple[int, ...]] = {}
"""Known once a kind of operation was made: a solve makes thousands."""


def shown(name: object) -> str:
    """A name from a file as a sentence repeats it."""
    return "".join(c if " " <= c <= "~" else "?" for c in str(name)[:QUOTED])
