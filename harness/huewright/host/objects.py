"""What a host keeps behind the opaque handles: property sets, descriptors, instances, parameters, clips."""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from huewright.host import abi, property_sets, standard
from huewright.host.pictures import Picture
from huewright.host.property_sets import Property

_ZERO = {"int": 0, "double": 0.0, "string": b"", "pointer": 0}


@dataclass(frozen=True)
class Finding:
    """One thing the host noticed.

    level    "error" (against the standard), "warning" or "note"
    action   the action in which it was noticed; section the place in the standard that says how it should be
    """

    level: str
    message: str
    action: str = ""
    section: str = ""


class Journal:
    """Collects findings once each, and reports the progress of the actions to whoever listens."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self.messages: list[tuple[str, str]] = []
        self.action = ""
        self.section = ""  # of the standard, as long as nothing nearer is known: a check's
        self.heard: Callable[[str], None] = lambda call: None
        self._thread = threading.local()

    def add(self, level: str, message: str, section: str = "") -> None:
        call = getattr(self._thread, "call", "")
        action = f"Actions passed to an image effect, {self.action}" if self.action else ""
        finding = Finding(level, message, self.action, section or call or action or self.section)
        if finding not in self.findings:
            self.findings.append(finding)

    @contextmanager
    def inside(self, section: str, call: str) -> Iterator[None]:
        """While a suite's function runs: what is found then is against that function's description."""
        self.heard(call)
        before = getattr(self._thread, "call", "")
        self._thread.call = section
        try:
            yield
        finally:
            self._thread.call = before

    @contextmanager
    def during(self, action: str) -> Iterator[None]:
        before, self.action = self.action, action
        try:
            yield
        finally:
            self.action = before


class PropertySet:
    """Typed, named, indexed values. ``table`` says what may be there; ``what`` names the owner in findings."""

    def __init__(self, what: str, table: dict[str, Property], values: dict[str, Any], journal: Journal) -> None:
        self.what, self.table, self.journal = what, table, journal
        self.owner: Parameter | None = None  # of a parameter's descriptor
        self.values: dict[str, list[Any]] = {}
        self._strings: dict[tuple[str, int], ctypes.Array[ctypes.c_char]] = {}
        for name, value in values.items():
            self.put(name, value)
        self.defaults = {name: list(value) for name, value in self.values.items()}

    def put(self, name: str, value: Any) -> None:
        """Sets all values from the host's side, unchecked."""
        values = list(value) if isinstance(value, (list, tuple)) else [value]
        self.values[name] = [item.encode() if isinstance(item, str) else item for item in values]

    def get(self, name: str, index: int = 0, default: Any = None) -> Any:
        values = self.values.get(name, [])
        value = values[index] if index < len(values) else default
        return value.decode(errors="replace") if isinstance(value, bytes) else value

    def all(self, name: str) -> tuple[Any, ...]:
        return tuple(self.get(name, index) for index in range(len(self.values.get(name, []))))

    def copy(self, what: str) -> PropertySet:
        other = PropertySet(what, self.table, {}, self.journal)
        other.values = {name: list(values) for name, values in self.values.items()}
        other.defaults = {name: list(values) for name, values in self.defaults.items()}
        return other

    # --- from the plug-in's side -----------------------------------------------------------------------------
    def check(self, name: str, type_name: str, index: int, *, setting: bool) -> int:
        spec = self.table.get(name)
        verb = "set" if setting else "read"
        if spec is None:
            known = property_sets.EVERY_PROPERTY.get(name)
            if known is None:
                self.journal.add("note", f"{verb} {name} on {self.what}: no property of the standard")
            elif setting:
                self.journal.add("error", f"set {name} on {self.what}: the standard has it elsewhere")
            else:
                self.journal.add("note", f"read {name} on {self.what}: the standard has it elsewhere")
            return standard.ERR_UNKNOWN
        if spec.type != type_name:
            self.journal.add("error", f"{verb} {name} on {self.what} as {type_name}: it is {spec.type}")
            return standard.ERR_VALUE
        if setting and not spec.writable:
            self.journal.add("error", f"set {name} on {self.what}: a plug-in may only read it")
            return standard.ERR_VALUE
        if index < 0 or spec.size and index >= spec.size:
            self.journal.add("error", f"{verb} index {index} of {name} on {self.what}: it has {spec.size}")
            return standard.ERR_BAD_INDEX
        return standard.OK

    def set_from_plugin(self, name: str, type_name: str, index: int, value: Any) -> int:
        status = self.check(name, type_name, index, setting=True)
        if status != standard.OK:
            return status
        closed = property_sets.CLOSED.get(name)
        if closed and isinstance(value, bytes) and value.decode(errors="replace") not in closed:
            self.journal.add("error", f"set {name} on {self.what} to {value.decode(errors='replace')!r}: "
                                      "the standard's list has no such value")
            return standard.ERR_VALUE
        if self.owner is not None and self.owner.type == standard.BYTES and name == "OfxParamPropDefault":
            value = self.owner.struct_of(bytes_at(value))
        values = self.values.setdefault(name, [])
        while len(values) <= index:
            values.append(_ZERO[type_name])
        values[index] = value
        if name in ("OfxParamPropMin", "OfxParamPropMax"):  # the standard: setting a bound resets the shown one
            self.values[name.replace("PropM", "PropDisplayM")] = list(values)
        return standard.OK

    def get_for_plugin(self, name: str, type_name: str, index: int) -> tuple[int, Any]:
        status = self.check(name, type_name, index, setting=False)
        if status != standard.OK:
            return status, None
        values = self.values.get(name)
        if values is None:
            return (standard.ERR_BAD_INDEX if self.table[name].size == 0 else standard.OK), _ZERO[type_name]
        if index >= len(values):
            return standard.ERR_BAD_INDEX, None
        return standard.OK, values[index]

    def c_string(self, name: str, index: int, value: bytes) -> int:
        """The address of a C string that stays where it is until the value changes."""
        held = self._strings.get((name, index))
        if held is None or held.value != value:
            held = ctypes.create_string_buffer(value)
            self._strings[name, index] = held
        return ctypes.addressof(held)


@dataclass(eq=False)
class Parameter:
    """A parameter's descriptor or instance. ``keys`` maps times to values; between keys doubles go straight."""

    name: str
    type: str
    properties: PropertySet
    values: tuple[Any, ...] = ()
    keys: dict[float, tuple[Any, ...]] = field(default_factory=dict)
    curves: dict[int, list[tuple[float, float]]] = field(default_factory=dict)  # a parametric one's, by dimension
    _strings: dict[bytes, ctypes.Array[ctypes.c_char]] = field(default_factory=dict)
    _structs: dict[bytes, abi.Bytes] = field(default_factory=dict)

    @property
    def held(self) -> tuple[str, int] | None:
        return standard.PARAMETERS.get(self.type)

    def default(self) -> tuple[Any, ...]:
        assert self.held is not None
        kind, count = self.held
        given = self.properties.values.get("OfxParamPropDefault", [])
        if self.type == standard.BYTES:
            return (bytes_at(given[0] if given else None),)
        return tuple(given[i] if i < len(given) else _ZERO[kind] for i in range(count))

    def at(self, time: float) -> tuple[Any, ...]:
        if not self.keys:
            return self.values
        times = sorted(self.keys)
        if time <= times[0]:
            return self.keys[times[0]]
        if time >= times[-1]:
            return self.keys[times[-1]]
        after = next(t for t in times if t > time)
        before = times[times.index(after) - 1]
        if self.held is None or self.held[0] != "double":
            return self.keys[before]
        share = (time - before) / (after - before)
        return tuple(a + (b - a) * share for a, b in zip(self.keys[before], self.keys[after], strict=True))

    def address_of(self, value: bytes) -> int:
        """Strings handed out stay valid as long as the parameter does."""
        held = self._strings.setdefault(value, ctypes.create_string_buffer(value, len(value) + 1))
        return ctypes.addressof(held)

    def struct_of(self, value: bytes) -> int:
        """The address of an OfxBytes with a copy of ``value``; it stays as long as the parameter does."""
        held = self._structs.setdefault(value, abi.Bytes(self.address_of(value) if value else None, len(value)))
        return ctypes.addressof(held)


def bytes_at(address: int | None) -> bytes:
    """What the OfxBytes at ``address`` holds; NULL holds nothing."""
    if not address:
        return b""
    held = abi.Bytes.from_address(address)
    return ctypes.string_at(held.data, held.length) if held.data and held.length else b""


# time, region wanted (canonical coordinates) or None -> the picture, or a status other than kOfxStatOK
PictureSource = Callable[[float, tuple[float, float, float, float] | None], "Picture | int"]


@dataclass(eq=False)
class Clip:
    """A clip's descriptor or instance; ``source`` answers the plug-in's wish for a picture."""

    name: str
    properties: PropertySet
    source: PictureSource | None = None
    region: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)


@dataclass(eq=False)
class Effect:
    """A descriptor (``context`` None: the one common to all contexts) or an instance."""

    properties: PropertySet
    instance: bool
    context: str | None = None
    clips: dict[str, Clip] = field(default_factory=dict)
    parameters: dict[str, Parameter] = field(default_factory=dict)
    handle: int = 0
    open_edits: int = 0
    in_progress: bool = False
    parameter_set: ParameterSet | None = None


@dataclass(frozen=True, eq=False)
class ParameterSet:
    effect: Effect


@dataclass(eq=False)
class Image:
    """A picture of a clip handed to a plug-in and not yet given back."""

    picture: Picture
    properties: PropertySet
    action: str
    clip: Clip


@dataclass(eq=False)
class Memory:
    storage: Any
    address: int
    size: int
    image: bool
    locks: int = 0
    action: str = ""


class Mutex:
    """A counting lock in the standard's sense: lock nests per thread, as a recursive lock does."""

    def __init__(self, count: int) -> None:
        self.lock = threading.RLock()
        for _ in range(max(0, count)):
            self.lock.acquire()


@dataclass(eq=False)
class Interact:
    """An overlay's instance. Nothing is shown: what it asks for and draws is kept."""

    effect: Effect
    properties: PropertySet
    swaps: int = 0
    redraws: int = 0


@dataclass(eq=False)
class DrawContext:
    """What may be drawn on during one draw action; ``calls`` are the names of the functions and their arguments."""

    calls: list[tuple[Any, ...]] = field(default_factory=list)
    open: bool = True
