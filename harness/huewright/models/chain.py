"""The chains in a correction file: what the program and the plug-in both read of it, and refuse in the same words."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from huewright_kernels.ops import Operation, operation_from_dict

from huewright import strict_json
from huewright.errors import InputError
from huewright.models.record import NO_FORM

FORMAT = "huewright-correction-1"
WHAT, REMEDY = "correction file", "solve again or mend it"
LISTS = ("operations", "neutral_operations")
NO_CORRECTION = NO_FORM % ("%s", WHAT, FORMAT, REMEDY)
DAMAGED = f"%s: damaged {WHAT} (%s); {REMEDY}"
ABSENT, NO_LIST = "%s is missing", "%s takes a list of operations"
AT, NO_RECORD = "%s[%d]: %s", "an operation is a record with its name and its parameters"


def chains_of(record: Mapping[str, Any]) -> tuple[tuple[Operation, ...], ...]:
    """The operations of each of :data:`LISTS`. ``ValueError`` says what is wrong, and where."""
    return tuple(_chain(record, key) for key in LISTS)


def _chain(record: Mapping[str, Any], key: str) -> tuple[Operation, ...]:
    if key not in record:
        raise ValueError(ABSENT % key)
    if not isinstance(record[key], list):
        raise ValueError(NO_LIST % key)
    operations = []
    for number, row in enumerate(record[key]):
        if not isinstance(row, dict):
            raise ValueError(AT % (key, number, NO_RECORD))
        try:
            operations.append(operation_from_dict(row))
        except ValueError as error:
            raise ValueError(AT % (key, number, error)) from None
    return tuple(operations)


def read_chains(path: Path | str) -> tuple[tuple[Operation, ...], ...]:
    """The chains in the file at ``path``; :class:`InputError` if it is no correction file or they are damaged."""
    record = strict_json.read(path, WHAT, REMEDY)
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise InputError(NO_CORRECTION % path)
    try:
        return chains_of(record)
    except ValueError as error:
        raise InputError(DAMAGED % (path, error)) from None
