"""The parameter suite."""

from __future__ import annotations

import ctypes
import math
import struct
from typing import Any

from huewright.host import abi, property_sets, standard
from huewright.host.handles import Handles
from huewright.host.objects import Parameter, ParameterSet, PropertySet, bytes_at
from huewright.host.standard import ERR_BAD_HANDLE, ERR_BAD_INDEX, ERR_EXISTS, ERR_UNKNOWN, ERR_UNSUPPORTED, FAILED, OK
from huewright.host.suites.common import NATIVE, Functions, put, text_of

_TEMPORAL = (standard.RENDER, standard.IDENTITY, standard.ROD, standard.ROI)


def parameter_suite(host: Handles) -> Functions:
    def define(handle: int | None, type_name: bytes | None, name: bytes | None, place: Any) -> int:
        wanted, key = text_of(type_name), text_of(name)
        parameters = host.find(handle, ParameterSet, "paramDefine")
        if parameters is None:
            return ERR_BAD_HANDLE
        effect = parameters.effect
        if effect.instance:
            host.journal.add("error", f"parameter {key!r} was defined outside the describe actions")
            return FAILED
        if wanted not in standard.PARAMETERS:
            host.journal.add("error", f"parameter {key!r} is of type {wanted!r}, which the standard does not have")
            return ERR_UNKNOWN
        if key in effect.parameters:
            host.journal.add("error", f"parameter {key!r} was defined twice")
            return ERR_EXISTS
        values: dict[str, Any] = {
            "OfxPropType": "OfxTypeParameter", "OfxPropName": key, "OfxPropLabel": key, "OfxParamPropType": wanted,
            "OfxParamPropScriptName": key}
        held = standard.PARAMETERS[wanted]
        if held is not None:
            values |= {"OfxParamPropAnimates": int(held[0] == "double" or "Integer" in wanted),
                       "OfxParamPropPersistant": 1, "OfxParamPropEvaluateOnChange": 1, "OfxParamPropCanUndo": 1}
            values["OfxParamPropDefault"] = [{"int": 0, "double": 0.0, "pointer": 0}.get(held[0], "")] * held[1]
        if wanted in standard.RANGED and held is not None:
            low, high = (-2**31, 2**31 - 1) if held[0] == "int" else (-1.7976931348623157e308, 1.7976931348623157e308)
            for side, bound in (("Min", low), ("Max", high), ("DisplayMin", low), ("DisplayMax", high)):
                values[f"OfxParamProp{side}"] = [bound] * held[1]
        properties = PropertySet(f"parameter {key}", property_sets.parameter_properties(wanted), values, host.journal)
        properties.owner = effect.parameters[key] = Parameter(key, wanted, properties)
        return put(place, host.handle_of(properties))

    def get_handle(handle: int | None, name: bytes | None, place: Any, properties: Any) -> int:
        parameters = host.find(handle, ParameterSet, "paramGetHandle")
        if parameters is None:
            return ERR_BAD_HANDLE
        if not parameters.effect.instance:
            host.journal.add("error", "paramGetHandle was called on a descriptor")
            return ERR_BAD_HANDLE
        parameter = parameters.effect.parameters.get(text_of(name))
        if parameter is None:
            host.journal.add("note", f"paramGetHandle asked for {text_of(name)!r}, which was not defined")
            return ERR_UNKNOWN
        if properties:
            properties[0] = host.handle_of(parameter.properties)
        return put(place, host.handle_of(parameter))

    def set_properties(handle: int | None, place: Any) -> int:
        parameters = host.find(handle, ParameterSet, "paramSetGetPropertySet")
        return put(place, host.handle_of(parameters.effect.properties)) if parameters else ERR_BAD_HANDLE

    def properties_of(handle: int | None, place: Any) -> int:
        parameter = host.find(handle, Parameter, "paramGetPropertySet")
        return put(place, host.handle_of(parameter.properties)) if parameter else ERR_BAD_HANDLE

    def valued(handle: int | None, what: str) -> Parameter | None:
        parameter: Parameter | None = host.find(handle, Parameter, what)
        if parameter is not None and parameter.held is None:
            host.journal.add("error", f"{what}: parameter {parameter.name!r} holds no value")
            return None
        return parameter

    def give(parameter: Parameter, values: tuple[Any, ...], places: tuple[int | None, ...]) -> int:
        assert parameter.held is not None
        kind = parameter.held[0]
        for value, address in zip(values, places, strict=False):
            if not address:
                host.journal.add("error", f"the value of {parameter.name!r} was asked for with a null pointer")
                return FAILED
            if parameter.type == standard.BYTES:
                ctypes.memmove(address, parameter.struct_of(value), ctypes.sizeof(abi.Bytes))
                continue
            if kind == "string":
                value = parameter.address_of(value)
            NATIVE[kind].from_address(address).value = value
        return OK

    def get_value(handle: int | None, *places: int | None) -> int:
        parameter = valued(handle, "paramGetValue")
        if parameter is None:
            return ERR_BAD_HANDLE
        if host.journal.action in _TEMPORAL and parameter.properties.get("OfxParamPropAnimates"):
            host.counts.current_value_reads.append(parameter.name)
        return give(parameter, parameter.at(host.time), places)

    def get_value_at(handle: int | None, time: float, *places: int | None) -> int:
        parameter = valued(handle, "paramGetValueAtTime")
        return ERR_BAD_HANDLE if parameter is None else give(parameter, parameter.at(time), places)

    def get_derivative(handle: int | None, time: float, *places: int | None) -> int:
        parameter = valued(handle, "paramGetDerivative")
        if parameter is None:
            return ERR_BAD_HANDLE
        if parameter.held is None or parameter.held[0] not in ("int", "double"):
            return ERR_UNSUPPORTED
        step = 1e-3
        slope = tuple((b - a) / (2 * step) for a, b in zip(parameter.at(time - step), parameter.at(time + step),
                                                           strict=True))
        return give(parameter, slope, places)

    def get_integral(handle: int | None, start: float, end: float, *places: int | None) -> int:
        parameter = valued(handle, "paramGetIntegral")
        if parameter is None:
            return ERR_BAD_HANDLE
        if parameter.held is None or parameter.held[0] not in ("int", "double"):
            return ERR_UNSUPPORTED
        edges = sorted({start, end, *(t for t in parameter.keys if min(start, end) < t < max(start, end))})
        sums = [0.0] * len(parameter.values)
        for a, b in zip(edges, edges[1:], strict=False):  # straight between keys: the trapezium rule is exact
            for i, (u, v) in enumerate(zip(parameter.at(a), parameter.at(b), strict=True)):
                sums[i] += (u + v) / 2 * (b - a)
        return give(parameter, tuple(math.copysign(1, end - start) * s for s in sums), places)

    def accept(parameter: Parameter, integers: tuple[int, ...], doubles: tuple[float, ...]) -> tuple[Any, ...]:
        assert parameter.held is not None
        kind, count = parameter.held
        if parameter.type == standard.BYTES:
            if not integers[0]:
                host.journal.add("error", f"bytes parameter {parameter.name!r} was set without an OfxBytes (NULL)")
            return (bytes_at(integers[0]),)
        if kind == "double":
            return doubles[:count]
        if kind == "string":
            return (ctypes.string_at(integers[0]) if integers[0] else b"",)
        return tuple(ctypes.c_int(value & 0xFFFFFFFF).value for value in integers[:count])

    def writable(parameter: Parameter) -> None:
        if host.journal.action in (standard.RENDER, standard.IDENTITY, standard.BEGIN_RENDER, standard.END_RENDER):
            host.journal.add("error", f"parameter {parameter.name!r} was set during rendering")

    def set_value(handle: int | None, *values: Any) -> int:
        parameter = valued(handle, "paramSetValue")
        if parameter is None:
            return ERR_BAD_HANDLE
        writable(parameter)
        parameter.values = accept(parameter, values[:4], values[4:])
        return OK

    def set_value_at(handle: int | None, time: float, *values: Any) -> int:
        parameter = valued(handle, "paramSetValueAtTime")
        if parameter is None:
            return ERR_BAD_HANDLE
        writable(parameter)
        parameter.keys[time] = accept(parameter, values[:4], values[4:])
        return OK

    def key_count(handle: int | None, place: Any) -> int:
        parameter = valued(handle, "paramGetNumKeys")
        if parameter is None:
            return ERR_BAD_HANDLE
        place[0] = len(parameter.keys)
        return OK

    def key_time(handle: int | None, index: int, place: Any) -> int:
        parameter = valued(handle, "paramGetKeyTime")
        if parameter is None:
            return ERR_BAD_HANDLE
        times = sorted(parameter.keys)
        if index >= len(times):
            return ERR_BAD_INDEX
        place[0] = times[index]
        return OK

    def key_index(handle: int | None, time: float, direction: int, place: Any) -> int:
        parameter = valued(handle, "paramGetKeyIndex")
        if parameter is None:
            return ERR_BAD_HANDLE
        found = [i for i, t in enumerate(sorted(parameter.keys))
                 if (t > time if direction > 0 else t < time if direction < 0 else abs(t - time) < 1e-6)]
        place[0] = (found[0] if direction >= 0 else found[-1]) if found else -1
        return OK if found else FAILED

    def delete_key(handle: int | None, time: float) -> int:
        parameter = valued(handle, "paramDeleteKey")
        if parameter is None:
            return ERR_BAD_HANDLE
        return OK if parameter.keys.pop(time, None) is not None else ERR_BAD_INDEX

    def delete_all(handle: int | None) -> int:
        parameter = valued(handle, "paramDeleteAllKeys")
        if parameter is None:
            return ERR_BAD_HANDLE
        parameter.keys.clear()
        return OK

    def copy(target: int | None, source: int | None, offset: float, frames: int | None) -> int:
        to, origin = valued(target, "paramCopy"), valued(source, "paramCopy")
        if to is None or origin is None:
            return ERR_BAD_HANDLE
        low, high = struct.unpack("dd", ctypes.string_at(frames, 16)) if frames else (-math.inf, math.inf)
        to.values = origin.values
        to.keys = {time + offset: value for time, value in origin.keys.items() if low <= time <= high}
        return OK

    def edit_begin(handle: int | None, _name: bytes | None) -> int:
        parameters = host.find(handle, ParameterSet, "paramEditBegin")
        if parameters is None:
            return ERR_BAD_HANDLE
        parameters.effect.open_edits += 1
        return OK

    def edit_end(handle: int | None) -> int:
        parameters = host.find(handle, ParameterSet, "paramEditEnd")
        if parameters is None:
            return ERR_BAD_HANDLE
        if parameters.effect.open_edits == 0:
            host.journal.add("error", "paramEditEnd was called without paramEditBegin")
        parameters.effect.open_edits = max(0, parameters.effect.open_edits - 1)
        return OK

    return {"paramDefine": define, "paramGetHandle": get_handle, "paramSetGetPropertySet": set_properties,
            "paramGetPropertySet": properties_of, "paramGetValue": get_value, "paramGetValueAtTime": get_value_at,
            "paramGetDerivative": get_derivative, "paramGetIntegral": get_integral, "paramSetValue": set_value,
            "paramSetValueAtTime": set_value_at, "paramGetNumKeys": key_count, "paramGetKeyTime": key_time,
            "paramGetKeyIndex": key_index, "paramDeleteKey": delete_key, "paramDeleteAllKeys": delete_all,
            "paramCopy": copy, "paramEditBegin": edit_begin, "paramEditEnd": edit_end}
