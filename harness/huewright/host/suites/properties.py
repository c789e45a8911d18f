"""The property suite."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any

from huewright.host.handles import Handles
from huewright.host.objects import Image, PropertySet
from huewright.host.standard import ERR_BAD_HANDLE, ERR_UNKNOWN, OK
from huewright.host.suites.common import NATIVE, Functions, text_of


def property_suite(host: Handles) -> Functions:
    def properties(handle: int | None, name: bytes | None, what: str) -> PropertySet | None:
        thing = host.find(handle, (PropertySet, Image), f"{what} of {text_of(name)}")
        return thing.properties if isinstance(thing, Image) else thing

    def setter(type_name: str) -> Callable[..., int]:
        def set_one(handle: int | None, name: bytes | None, index: int, value: Any) -> int:
            held = properties(handle, name, f"propSet{type_name.title()}")
            return ERR_BAD_HANDLE if held is None else held.set_from_plugin(text_of(name), type_name, index,
                                                                             _taken(type_name, value))
        return set_one

    def setter_n(type_name: str) -> Callable[..., int]:
        def set_many(handle: int | None, name: bytes | None, count: int, values: Any) -> int:
            held = properties(handle, name, f"propSet{type_name.title()}N")
            if held is None:
                return ERR_BAD_HANDLE
            status = OK
            for index in range(count):
                status = status or held.set_from_plugin(text_of(name), type_name, index,
                                                        _taken(type_name, values[index]))
            if status == OK and text_of(name) in held.values:
                del held.values[text_of(name)][count:]
            return status
        return set_many

    def give(held: PropertySet, name: str, type_name: str, index: int, address: int) -> int:
        status, value = held.get_for_plugin(name, type_name, index)
        if status == OK:
            if type_name == "string":
                value = held.c_string(name, index, value)
            NATIVE[type_name].from_address(address).value = value or 0
        return status

    def getter(type_name: str) -> Callable[..., int]:
        def get_one(handle: int | None, name: bytes | None, index: int, place: Any) -> int:
            held = properties(handle, name, f"propGet{type_name.title()}")
            if held is None:
                return ERR_BAD_HANDLE
            return give(held, text_of(name), type_name, index, ctypes.addressof(place.contents))
        return get_one

    def getter_n(type_name: str) -> Callable[..., int]:
        size = ctypes.sizeof(NATIVE[type_name])

        def get_many(handle: int | None, name: bytes | None, count: int, places: Any) -> int:
            held = properties(handle, name, f"propGet{type_name.title()}N")
            if held is None:
                return ERR_BAD_HANDLE
            start = ctypes.addressof(places.contents)
            status = OK
            for index in range(count):
                status = status or give(held, text_of(name), type_name, index, start + index * size)
            return status
        return get_many

    def reset(handle: int | None, name: bytes | None) -> int:
        held = properties(handle, name, "propReset")
        if held is None:
            return ERR_BAD_HANDLE
        key = text_of(name)
        if key not in held.table:
            return ERR_UNKNOWN
        held.values.pop(key, None)
        if key in held.defaults:
            held.values[key] = list(held.defaults[key])
        return OK

    def dimension(handle: int | None, name: bytes | None, place: Any) -> int:
        held = properties(handle, name, "propGetDimension")
        if held is None:
            return ERR_BAD_HANDLE
        key = text_of(name)
        if key not in held.table:
            return ERR_UNKNOWN
        place.contents.value = held.table[key].size or len(held.values.get(key, []))
        return OK

    functions: Functions = {"propReset": reset, "propGetDimension": dimension}
    for type_name in ("pointer", "string", "double", "int"):
        word = type_name.title()
        functions |= {f"propSet{word}": setter(type_name), f"propSet{word}N": setter_n(type_name),
                      f"propGet{word}": getter(type_name), f"propGet{word}N": getter_n(type_name)}
    return functions


def _taken(type_name: str, value: Any) -> Any:
    return value if type_name in ("int", "double") else (value or (b"" if type_name == "string" else 0))
