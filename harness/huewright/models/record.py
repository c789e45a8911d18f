"""Typed models from files and back: strict reading, by msgspec, with errors that name the key in one sentence.

What every file is refused for, before its model is looked at: what :mod:`huewright.strict_json` refuses, whole numbers
beyond any of ours, and control characters in text.
"""

from __future__ import annotations

import atexit
import ctypes
import dataclasses
import difflib
import math
import re
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import msgspec
import numpy as np
from huewright_kernels.ops import Operation, operation_from_dict
from msgspec import inspect

from huewright import strict_json
from huewright.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


def _kept_to_the_end() -> list[type]:
    """What msgspec knows of dataclasses gets a reference that nobody gives back, and is not taken down by Python's last
    collection of garbage: msgspec frees parts of it twice there (0.22, DataclassInfo_clear), which ended processes by
    signal 11 when all was done. The system frees it. Returns the classes."""
    known = [kind for module in list(sys.modules.values()) if getattr(module, "__name__", "").startswith("huewright")
             for kind in list(vars(module).values()) if isinstance(kind, type) and "__msgspec_cache__" in vars(kind)]
    for kind in set(known):
        ctypes.pythonapi.Py_IncRef(ctypes.py_object(vars(kind)["__msgspec_cache__"]))
    return known


atexit.register(_kept_to_the_end)
NO_FORM = "%s: not a %s, whose format is %s; %s"
MOST_DEPTH = strict_json.DEEPEST
MOST_DIGITS = 20          # of a whole number; 2**64 has as many
MOST = 1e9                # no figure of ours is larger
MOST_CODE = 1e6           # code values: half floats end at 65504, and light in float files stays far below this
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")

# What fields are declared with; their limits stand in the JSON Schemas as well.
Number = Annotated[float, msgspec.Meta(ge=-MOST, le=MOST)]
Positive = Annotated[float, msgspec.Meta(ge=0, le=MOST)]         # 0 or more
Share = Annotated[float, msgspec.Meta(ge=0, le=1)]
Code = Annotated[float, msgspec.Meta(ge=-MOST_CODE, le=MOST_CODE)]
Count = Annotated[int, msgspec.Meta(ge=0, le=10**12)]
Frame = Annotated[int, msgspec.Meta(ge=-(10**12), le=10**12)]
Name = Annotated[str, msgspec.Meta(min_length=1, max_length=200, pattern="^(?!.*[\\n\\r\\t])")]
Sha256 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
Point = tuple[Code, Code]


# ---------------------------------------------------------------- from text

def load_record(path: Path | str, what: str, form: str, remedy: str) -> dict[str, Any]:
    """The JSON object in ``path``, of the format ``form``; ``what`` it is ("survey file") and ``remedy`` ("make one
    with ...") are for the sentence of the :class:`InputError`."""
    record = strict_json.read(path, what, remedy)
    try:
        _check_plain(record)
    except ValueError as error:
        raise InputError(f"{path}: damaged {what} ({error}); {remedy}") from None
    if not isinstance(record, dict) or record.get("format") != form:
        raise InputError(NO_FORM % (path, what, form, remedy))
    return record


def check_plain(record: Any) -> None:
    """Raises ``ValueError`` for numbers that are not finite, text with control characters, and deep nesting."""
    try:
        _check_plain(record)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _check_plain(value: Any, place: str = "", depth: int = 0) -> None:
    if depth > MOST_DEPTH:
        raise ValueError(f"{place[:80]} is nested too deeply")
    if isinstance(value, dict):
        for key, item in value.items():
            if _CONTROL.search(key):
                raise ValueError(f"the key {key[:80]!r} holds a control character")
            _check_plain(item, f"{place}.{key}" if place else key, depth + 1)
    elif isinstance(value, list):
        if all(type(item) is float for item in value):
            if not all(map(math.isfinite, value)):
                at = next(k for k, item in enumerate(value) if not math.isfinite(item))
                raise ValueError(f"{place}[{at}] must be a finite number, not {value[at]}")
            return
        for number, item in enumerate(value):
            _check_plain(item, f"{place}[{number}]", depth + 1)
    elif isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{place} must be a finite number, not {value}")
    elif isinstance(value, int):
        if abs(value) >= 10**MOST_DIGITS:
            raise ValueError(f"{place} is a whole number beyond any of a file's")
    elif isinstance(value, str) and _CONTROL.search(value):
        raise ValueError(f"{place} holds a control character: {value[:80]!r}")


# ---------------------------------------------------------------- from records

def from_record(record: Any, kind: type[T], *, named: Callable[[list[Any], Any], str] | None = None) -> T:
    """The model ``kind`` that ``record``, of plain dicts, lists and values, describes.

    Raises ``ValueError`` with one sentence that names the key: for what is missing, of another type or beyond its
    limits, what the model itself refuses, and keys that it doesn't have. ``named`` puts a place (keys and indices, and
    the whole record) in words; without it, "patches[1] (red): mean[2]".
    """
    named = named or place_words
    try:
        model = msgspec.convert(record, kind, dec_hook=_operation)
    except msgspec.ValidationError as error:
        raise ValueError(_sentence(str(error), record, kind, named)) from None
    except RecursionError:
        raise ValueError("nested too deeply") from None
    unknown = _unknown(record, model, [])
    if unknown is not None:
        place, names = unknown
        raise ValueError(_joined(named(place[:-1], record), _no_key(place[-1], names)))
    return model


def _operation(kind: type, record: Any) -> Any:
    if kind is Operation:
        if not isinstance(record, dict):
            raise ValueError(f"takes an operation, not {shown(record)}")
        return operation_from_dict(record)
    raise NotImplementedError(kind)


def _unknown(record: Any, model: Any, place: list[Any]) -> tuple[list[Any], list[str]] | None:
    """The place of the first key of ``record`` that ``model``, made of it, has no field for; and the fields."""
    if isinstance(model, Operation):
        return None
    if isinstance(record, dict):
        if dataclasses.is_dataclass(model):
            names = [field.name for field in dataclasses.fields(model)]
        elif isinstance(model, dict):
            names = list(record)
        else:                       # a Caution: msgspec has seen to its own keys
            names = ["code", *getattr(model, "__struct_fields__", record)]
        for key, item in record.items():
            if key not in names:
                return [*place, key], names
            inner = model[key] if isinstance(model, dict) else getattr(model, key, None)
            if (found := _unknown(item, inner, [*place, key])) is not None:
                return found
    elif isinstance(record, list) and isinstance(model, tuple | list) and record and isinstance(record[0], dict | list):
        for number, (item, inner) in enumerate(zip(record, model, strict=True)):
            if (found := _unknown(item, inner, [*place, number])) is not None:
                return found
    return None


def _no_key(key: str, names: Iterable[str]) -> str:
    names = list(names)
    close = difflib.get_close_matches(key, names, 1, 0.5)
    return f"there is no key {key[:80]!r}" + (f"; do you mean {close[0]}?" if close else
                                             f"; the keys are {', '.join(names)}")


# ---------------------------------------------------------------- what is wrong, in words

_KINDS = {"float": "a number", "int": "a whole number", "str": "text", "bool": "true or false", "array": "a list",
          "object": "an object with keys", "null": "null"}


def _sentence(message: str, record: Any, kind: type, named: Callable[[list[Any], Any], str]) -> str:
    found = re.fullmatch(r"(?s)(.*?)(?: - at `\$(.*)`)?", message)
    assert found is not None
    problem, path = found.group(1), found.group(2) or ""
    place: list[Any] = []
    for key, index in re.findall(r"\.(\w+)|\[(\d+|\.\.\.)\]", path):
        place.append(key or (_culprit(record, place, kind, message) if index == "..." else int(index)))
    value = _at(record, place)
    if missing := re.fullmatch(r"Object missing required field `(\w+)`", problem):
        # A key spelt otherwise is the likelier where there is one that isn't known.
        names = _names(kind, place)
        strange = next((key for key in value or () if names and key not in (*names, "code")), None)
        if strange is not None:
            return _joined(named(place, record), _no_key(strange, names))
        return _joined(named([*place, missing.group(1)], record), "is missing")
    if unknown := re.fullmatch(r"Object contains unknown field `(.+)`", problem):
        return _joined(named(place, record), f"there is no key {unknown.group(1)!r}")
    said = _wrong(problem, value, kind, place)
    where = named(place, record)
    # What a model or an operation says of itself is a sentence of its own.
    return f"{where}: {said}" if said == problem and where and not where.endswith(": ") else _joined(where, said)


def _wrong(problem: str, value: Any, kind: type, place: list[Any]) -> str:
    if length := re.fullmatch(r"Expected `array` of length (\d+), got (\d+)", problem):
        return f"takes {length.group(1)} values, not {length.group(2)}"
    if length := re.fullmatch(r"Expected `array` of (at least )?length >= (\d+)", problem):
        return f"takes {length.group(2)} values or more"
    if re.match(r"Expected `str` of length|Expected `str` matching", problem):
        return "takes text of 1 to 200 characters on one line" if "length" in problem else f"can't be {shown(value)}"
    if limit := re.fullmatch(r"Expected `(float|int)` (>=|<=|>|<) (\S+)", problem):
        bound = f"{float(limit.group(3)):g}"
        return (f"is {bound} or more" if limit.group(2) == ">=" else f"is {bound} at most" if limit.group(2) == "<="
                else f"is {'above' if limit.group(2) == '>' else 'below'} {bound}") + f", not {shown(value)}"
    if wanted := re.fullmatch(r"Expected `(.+)`, got `\w+`", problem):
        kinds = [_KINDS.get(name.strip(), name.strip()) for name in wanted.group(1).split("|")]
        return f"takes {' or '.join(kinds)}, not {shown(value)}"
    if problem.startswith(("Invalid enum value", "Invalid value")):
        known = _literals(kind, place)
        return f"is one of {', '.join(known)}, not {shown(value)}" if known else f"can't be {shown(value)}"
    return f"is too large: {shown(value)}" if problem == "Number out of range" else problem


def shown(value: Any) -> str:
    """``value`` as it stands in the file, cut short."""
    if isinstance(value, dict | list):
        return "an object with keys" if isinstance(value, dict) else f"a list of {len(value)}"
    text = repr(value) if isinstance(value, str) else "null" if value is None else str(value).lower()
    return text if len(text) <= 60 else f"{text[:57]}..."


def place_words(place: list[Any], record: Any) -> str:
    """``patches[1] (red): mean[2]``: the name, or the number of a frame, of the innermost thing that has one."""
    head, tail, inner = "", "", record
    for step in place:
        tail += f"[{step}]" if isinstance(step, int) else f".{step}" if tail else str(step)
        inner = _at(inner, [step])
        if isinstance(inner, dict) and isinstance(step, int):
            name = inner.get("name", inner.get("frame"))
            if isinstance(name, str | int):
                head, tail = f"{head}{tail} ({str(name)[:80]}): ", ""
    return head + tail


def _joined(place: str, problem: str) -> str:
    between = "" if not place or place.endswith(": ") else ": " if problem.startswith("there is") else " "
    return f"{place}{between}{problem}"


def _at(record: Any, place: list[Any]) -> Any:
    for step in place:
        try:
            record = record[step]
        except (KeyError, IndexError, TypeError):
            return None
    return record


def _culprit(record: Any, place: list[Any], kind: type, message: str) -> str:
    """The key of the mapping at ``place`` whose value ``message`` is about, which msgspec doesn't name."""
    mapping = _at(record, place)
    for key in mapping:
        alone = _with(record, place, {key: mapping[key]})
        try:
            msgspec.convert(alone, kind, dec_hook=_operation)
        except msgspec.ValidationError as error:
            if str(error) == message:
                return str(key)
    return "..."


def _with(record: Any, place: list[Any], value: Any) -> Any:
    if not place:
        return value
    copy = record.copy()
    copy[place[0]] = _with(record[place[0]], place[1:], value)
    return copy


def _names(kind: Any, place: list[Any]) -> list[str]:
    """The keys that the object at ``place`` takes."""
    node: Any = inspect.type_info(kind)
    for step in place:
        node = _inside(node, step)
    return [field.encode_name for option in (node.types if isinstance(node, inspect.UnionType) else (node,))
            for field in getattr(option, "fields", ())]


def _literals(kind: Any, place: list[Any]) -> list[str]:
    """The values that the field at ``place`` takes, or none where it is no choice."""
    node: Any = inspect.type_info(kind)
    for step in place:
        node = _inside(node, step)
        if node is None:
            return []
    options = node.types if isinstance(node, inspect.UnionType) else (node,)
    return [str(value) for option in options if isinstance(option, inspect.LiteralType) for value in option.values]


def _inside(node: Any, step: Any) -> Any:
    for option in node.types if isinstance(node, inspect.UnionType) else (node,):
        if isinstance(step, int) and hasattr(option, "item_types"):
            return option.item_types[step]
        if isinstance(step, int) and hasattr(option, "item_type"):
            return option.item_type
        if isinstance(option, inspect.DictType):
            return option.value_type
        for field in getattr(option, "fields", ()):
            if field.encode_name == step:
                return field.type
    return None


# ---------------------------------------------------------------- to records

def to_record(model: Any) -> Any:
    """``model`` as dicts, lists and plain values, its fields in their order: what :func:`from_record` takes. Of a
    Caution or its like, figures that are None are left out."""
    if isinstance(model, Operation):
        return operation_record(model)
    if isinstance(model, msgspec.Struct):
        config = model.__struct_config__
        tag = {config.tag_field: config.tag} if config.tag_field is not None else {}
        values = {name: getattr(model, name) for name in model.__struct_fields__}
        return {**tag, **{name: to_record(value) for name, value in values.items() if value is not None}}
    if dataclasses.is_dataclass(model) and not isinstance(model, type):
        return {field.name: to_record(getattr(model, field.name)) for field in dataclasses.fields(model)}
    if isinstance(model, dict):
        return {str(key): to_record(value) for key, value in model.items()}
    if isinstance(model, tuple | list):
        return [to_record(item) for item in model]
    if isinstance(model, np.ndarray):
        return model.tolist()
    if isinstance(model, np.generic):
        return model.item()
    return str(model) if isinstance(model, Path) else model


def operation_record(operation: Operation) -> dict[str, Any]:
    """With the numbers of float32 tables to 6 decimals where these are read back as the same ones."""
    record = operation.to_dict()
    for name, value in vars(operation).items():
        if isinstance(value, np.ndarray) and value.dtype == np.float32:
            short = np.round(value.astype(np.float64), 6)
            record[name] = np.where(short.astype(np.float32) == value, short, value.astype(np.float64)).tolist()
    return record
