"""What every operation of the chain has in common."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, ClassVar

import numpy as np

LARGEST = float(np.finfo(np.float32).max)


@dataclass(frozen=True)
class Packed:
    """An operation ready for the executor: which block form, its float32 parameters (and table), a size."""

    block_form: Callable[..., None]
    parameters: np.ndarray
    size: int = 0


class Operation:
    """One step of a chain: a frozen dataclass of parameters, with a name and a plain-dict form.

    Subclasses are frozen dataclasses whose fields are numbers, strings, None, (nested) tuples of
    numbers, or NumPy arrays; they validate themselves in ``__post_init__`` and raise ``ValueError``.
    """

    name: ClassVar[str]
    block_forms: ClassVar[tuple[Callable[..., None], ...]] = ()

    def pack(self) -> Packed | None:
        """The parameters as the block form wants them; None where the operation does nothing."""
        raise NotImplementedError

    def require_numbers(self, *names: str) -> None:
        """Raises ``ValueError`` naming the first of the fields ``names`` that holds, at any depth of its tuples,
        anything but a number that a finite float32 can carry. None, where a field may be so, is passed over."""
        for name in names:
            strange = _no_number(getattr(self, name))
            if strange is not None:
                raise ValueError(f"{name} takes finite numbers, not {strange[0]!r}")

    def to_dict(self) -> dict[str, Any]:
        """``{"operation": name, field: value, ...}`` with tuples as lists and arrays as nested lists."""
        record: dict[str, Any] = {"operation": self.name}
        for field in fields(self):  # type: ignore[arg-type]
            record[field.name] = _plain(getattr(self, field.name))
        return record

    @classmethod
    def from_fields(cls, record: dict[str, Any]) -> Operation:
        """The inverse of :meth:`to_dict`; raises ``ValueError`` for unknown or missing fields."""
        known = {field.name for field in fields(cls)}  # type: ignore[arg-type]
        given = {key: value for key, value in record.items() if key != "operation"}
        unknown = sorted(set(given) - known)
        if unknown:
            raise ValueError(f"operation {cls.name!r} has no parameter {unknown[0]!r}")
        try:
            return cls(**{key: _tuples(value) for key, value in given.items()})
        except TypeError as error:
            raise ValueError(f"operation {cls.name!r}: {error}") from None


def _no_number(value: Any) -> tuple[Any] | None:
    """The first thing in ``value`` that is no finite number, wrapped; None if all are."""
    if isinstance(value, tuple | list):
        return next((found for found in map(_no_number, value) if found is not None), None)
    if value is None:
        return None
    number = isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)
    return None if number and abs(value) <= LARGEST else (value,)


def _plain(value: Any) -> Any:
    if isinstance(value, Operation):
        return value.to_dict()
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        return value.item()
    return value


def _tuples(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_tuples(item) for item in value)
    return value
