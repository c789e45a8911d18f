"""The functions of the suites that the headless host offers, in the standard's names (OpenFX 1.4, suite chapters)."""

from __future__ import annotations

import ctypes
import math
import re
import struct
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from huewright.ofx import abi, standard
from huewright.ofx.objects import Clip, Effect, Image, Memory, Parameter, ParameterSet, PropertySet
from huewright.ofx.standard import (
    ERR_BAD_HANDLE,
    ERR_BAD_INDEX,
    ERR_EXISTS,
    ERR_MEMORY,
    ERR_UNKNOWN,
    ERR_UNSUPPORTED,
    FAILED,
    OK,
)

if TYPE_CHECKING:
    from huewright.ofx.host import Host

Functions = dict[str, Callable[..., int]]


def tables(host: Host) -> list[tuple[str, int, type[ctypes.Structure], Functions]]:
    """(name, version, structure, functions) of every suite. Version 1 of the message suite is a prefix of 2."""
    message = _message(host)
    return [(standard.SUITE_PROPERTY, 1, abi.PropertySuite, _property(host)),
            (standard.SUITE_EFFECT, 1, abi.ImageEffectSuite, _effect(host)),
            (standard.SUITE_PARAMETER, 1, abi.ParameterSuite, _parameter(host)),
            (standard.SUITE_MEMORY, 1, abi.MemorySuite, _memory(host)),
            (standard.SUITE_THREAD, 1, abi.MultiThreadSuite, _threads(host)),
            (standard.SUITE_MESSAGE, 1, abi.MessageSuite, message),
            (standard.SUITE_MESSAGE, 2, abi.MessageSuite, message),
            (standard.SUITE_TIMELINE, 1, abi.TimeLineSuite, _time_line(host))]


def _text(value: bytes | None) -> str:
    return (value or b"").decode(errors="replace")


# --- property suite -------------------------------------------------------------------------------------------
_NATIVE: dict[str, Any] = {"int": ctypes.c_int, "double": ctypes.c_double, "pointer": ctypes.c_void_p,
                           "string": ctypes.c_void_p}


def _property(host: Host) -> Functions:
    def properties(handle: int | None, name: bytes | None, what: str) -> PropertySet | None:
        thing = host.find(handle, (PropertySet, Image), f"{what} of {_text(name)}")
        return thing.properties if isinstance(thing, Image) else thing

    def setter(type_name: str) -> Callable[..., int]:
        def set_one(handle: int | None, name: bytes | None, index: int, value: Any) -> int:
            held = properties(handle, name, f"propSet{type_name.title()}")
            return ERR_BAD_HANDLE if held is None else held.set_from_plugin(_text(name), type_name, index,
                                                                             _taken(type_name, value))
        return set_one

    def setter_n(type_name: str) -> Callable[..., int]:
        def set_many(handle: int | None, name: bytes | None, count: int, values: Any) -> int:
            held = properties(handle, name, f"propSet{type_name.title()}N")
            if held is None:
                return ERR_BAD_HANDLE
            status = OK
            for index in range(count):
                status = status or held.set_from_plugin(_text(name), type_name, index,
                                                        _taken(type_name, values[index]))
            if status == OK and _text(name) in held.values:
                del held.values[_text(name)][count:]
            return status
        return set_many

    def give(held: PropertySet, name: str, type_name: str, index: int, address: int) -> int:
        status, value = held.get_for_plugin(name, type_name, index)
        if status == OK:
            if type_name == "string":
                value = held.c_string(name, index, value)
            _NATIVE[type_name].from_address(address).value = value or 0
        return status

    def getter(type_name: str) -> Callable[..., int]:
        def get_one(handle: int | None, name: bytes | None, index: int, place: Any) -> int:
            held = properties(handle, name, f"propGet{type_name.title()}")
            if held is None:
                return ERR_BAD_HANDLE
            return give(held, _text(name), type_name, index, ctypes.addressof(place.contents))
        return get_one

    def getter_n(type_name: str) -> Callable[..., int]:
        size = ctypes.sizeof(_NATIVE[type_name])

        def get_many(handle: int | None, name: bytes | None, count: int, places: Any) -> int:
            held = properties(handle, name, f"propGet{type_name.title()}N")
            if held is None:
                return ERR_BAD_HANDLE
            start = ctypes.addressof(places.contents)
            status = OK
            for index in range(count):
                status = status or give(held, _text(name), type_name, index, start + index * size)
            return status
        return get_many

    def reset(handle: int | None, name: bytes | None) -> int:
        held = properties(handle, name, "propReset")
        if held is None:
            return ERR_BAD_HANDLE
        key = _text(name)
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
        key = _text(name)
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


# --- image effect suite ---------------------------------------------------------------------------------------
def _effect(host: Host) -> Functions:
    def get_property_set(handle: int | None, place: Any) -> int:
        effect = host.find(handle, Effect, "getPropertySet")
        return _put(place, host.handle_of(effect.properties)) if effect else ERR_BAD_HANDLE

    def get_param_set(handle: int | None, place: Any) -> int:
        effect = host.find(handle, Effect, "getParamSet")
        if effect is None:
            return ERR_BAD_HANDLE
        if effect.parameter_set is None:
            effect.parameter_set = ParameterSet(effect)
        return _put(place, host.handle_of(effect.parameter_set))

    def clip_define(handle: int | None, name: bytes | None, place: Any) -> int:
        effect = host.find(handle, Effect, "clipDefine")
        if effect is None:
            return ERR_BAD_HANDLE
        if effect.instance or host.journal.action != standard.DESCRIBE_IN_CONTEXT:
            host.journal.add("error", "clipDefine was called outside the describe in context action")
            return FAILED
        key = _text(name)
        if key in effect.clips:
            host.journal.add("error", f"clip {key!r} was defined twice")
            return ERR_EXISTS
        values: dict[str, Any] = {
            "OfxPropType": "OfxTypeClip", "OfxPropName": key, "OfxPropLabel": key,
            "OfxImageEffectPropSupportsTiles": 1, "OfxImageClipPropFieldExtraction": "OfxFieldDoubled"}
        clip = Clip(key, PropertySet(f"clip {key}", standard.CLIP_DESCRIPTOR, values, host.journal))
        effect.clips[key] = clip
        return _put(place, host.handle_of(clip.properties))

    def clip_get_handle(handle: int | None, name: bytes | None, place: Any, properties: Any) -> int:
        effect = host.find(handle, Effect, "clipGetHandle")
        if effect is None:
            return ERR_BAD_HANDLE
        if not effect.instance:
            host.journal.add("error", "clipGetHandle was called on a descriptor")
            return ERR_BAD_HANDLE
        clip = effect.clips.get(_text(name))
        if clip is None:
            host.journal.add("note", f"clipGetHandle asked for clip {_text(name)!r}, which was not defined here")
            return ERR_UNKNOWN
        if properties:
            properties[0] = host.handle_of(clip.properties)
        return _put(place, host.handle_of(clip))

    def clip_get_property_set(handle: int | None, place: Any) -> int:
        clip = host.find(handle, Clip, "clipGetPropertySet")
        return _put(place, host.handle_of(clip.properties)) if clip else ERR_BAD_HANDLE

    def clip_get_image(handle: int | None, time: float, region: Any, place: Any) -> int:
        clip = host.find(handle, Clip, "clipGetImage")
        if clip is None:
            return ERR_BAD_HANDLE
        if host.conditions.fail_images is not None:
            return host.conditions.fail_images
        if host.journal.action not in (standard.RENDER, standard.CHANGED):
            host.journal.add("warning", "clipGetImage was called outside the render action")
        wanted = (region[0].x1, region[0].y1, region[0].x2, region[0].y2) if region else None
        picture = clip.source(time, wanted) if clip.source else FAILED
        if isinstance(picture, int):
            return picture
        return _put(place, host.give_image(picture, f"an image of clip {clip.name}", host.render_scale))

    def clip_release_image(handle: int | None) -> int:
        image = host.find(handle, Image, "clipReleaseImage")
        if image is None:
            return ERR_BAD_HANDLE
        host.release(handle or 0)
        return OK

    def clip_region(handle: int | None, _time: float, place: Any) -> int:
        clip = host.find(handle, Clip, "clipGetRegionOfDefinition")
        if clip is None:
            return ERR_BAD_HANDLE
        place[0] = abi.RectD(*clip.region)
        return OK

    def abort(handle: int | None) -> int:
        host.find(handle, Effect, "abort")
        host.counts.aborts += 1
        after = host.conditions.abort_after
        return int(after is not None and host.counts.aborts > after)

    def image_memory_alloc(handle: int | None, size: int, place: Any) -> int:
        if handle and host.find(handle, Effect, "imageMemoryAlloc") is None:
            _put(place, 0)
            return ERR_BAD_HANDLE
        memory = host.allocate(size, image=True)
        if isinstance(memory, int):
            _put(place, 0)
            return memory
        return _put(place, host.register(memory))

    def image_memory_free(handle: int | None) -> int:
        memory = host.find(handle, Memory, "imageMemoryFree")
        if memory is None:
            return ERR_BAD_HANDLE
        host.release(handle or 0)
        return OK

    def image_memory_lock(handle: int | None, place: Any) -> int:
        memory = host.find(handle, Memory, "imageMemoryLock")
        if memory is None:
            _put(place, 0)
            return ERR_BAD_HANDLE
        memory.locks += 1
        return _put(place, memory.address)

    def image_memory_unlock(handle: int | None) -> int:
        memory = host.find(handle, Memory, "imageMemoryUnlock")
        if memory is None:
            return ERR_BAD_HANDLE
        memory.locks = max(0, memory.locks - 1)
        return OK

    return {"getPropertySet": get_property_set, "getParamSet": get_param_set, "clipDefine": clip_define,
            "clipGetHandle": clip_get_handle, "clipGetPropertySet": clip_get_property_set,
            "clipGetImage": clip_get_image, "clipReleaseImage": clip_release_image,
            "clipGetRegionOfDefinition": clip_region, "abort": abort, "imageMemoryAlloc": image_memory_alloc,
            "imageMemoryFree": image_memory_free, "imageMemoryLock": image_memory_lock,
            "imageMemoryUnlock": image_memory_unlock}


def _put(place: Any, value: int) -> int:
    if place:
        place[0] = value
    return OK


# --- parameter suite ------------------------------------------------------------------------------------------
_TEMPORAL = (standard.RENDER, standard.IDENTITY, standard.ROD, standard.ROI)


def _parameter(host: Host) -> Functions:
    def define(handle: int | None, type_name: bytes | None, name: bytes | None, place: Any) -> int:
        wanted, key = _text(type_name), _text(name)
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
        if wanted in ("OfxParamTypeStrChoice", "OfxParamTypeBytes"):
            return ERR_UNSUPPORTED
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
            values["OfxParamPropDefault"] = [{"int": 0, "double": 0.0}.get(held[0], "")] * held[1]
        if wanted in standard.RANGED and held is not None:
            low, high = (-2**31, 2**31 - 1) if held[0] == "int" else (-1.7976931348623157e308, 1.7976931348623157e308)
            for side, bound in (("Min", low), ("Max", high), ("DisplayMin", low), ("DisplayMax", high)):
                values[f"OfxParamProp{side}"] = [bound] * held[1]
        properties = PropertySet(f"parameter {key}", standard.parameter_properties(wanted), values, host.journal)
        effect.parameters[key] = Parameter(key, wanted, properties)
        return _put(place, host.handle_of(properties))

    def get_handle(handle: int | None, name: bytes | None, place: Any, properties: Any) -> int:
        parameters = host.find(handle, ParameterSet, "paramGetHandle")
        if parameters is None:
            return ERR_BAD_HANDLE
        if not parameters.effect.instance:
            host.journal.add("error", "paramGetHandle was called on a descriptor")
            return ERR_BAD_HANDLE
        parameter = parameters.effect.parameters.get(_text(name))
        if parameter is None:
            host.journal.add("note", f"paramGetHandle asked for {_text(name)!r}, which was not defined")
            return ERR_UNKNOWN
        if properties:
            properties[0] = host.handle_of(parameter.properties)
        return _put(place, host.handle_of(parameter))

    def set_properties(handle: int | None, place: Any) -> int:
        parameters = host.find(handle, ParameterSet, "paramSetGetPropertySet")
        return _put(place, host.handle_of(parameters.effect.properties)) if parameters else ERR_BAD_HANDLE

    def properties_of(handle: int | None, place: Any) -> int:
        parameter = host.find(handle, Parameter, "paramGetPropertySet")
        return _put(place, host.handle_of(parameter.properties)) if parameter else ERR_BAD_HANDLE

    def valued(handle: int | None, what: str) -> Parameter | None:
        parameter = host.find(handle, Parameter, what)
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
            if kind == "string":
                value = parameter.address_of(value)
            _NATIVE[kind].from_address(address).value = value
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
        step = 1e-3
        slope = tuple((b - a) / (2 * step) for a, b in zip(parameter.at(time - step), parameter.at(time + step),
                                                           strict=True))
        return give(parameter, slope, places)

    def get_integral(handle: int | None, start: float, end: float, *places: int | None) -> int:
        parameter = valued(handle, "paramGetIntegral")
        if parameter is None:
            return ERR_BAD_HANDLE
        edges = sorted({start, end, *(t for t in parameter.keys if min(start, end) < t < max(start, end))})
        sums = [0.0] * len(parameter.values)
        for a, b in zip(edges, edges[1:], strict=False):  # straight between keys: the trapezium rule is exact
            for i, (u, v) in enumerate(zip(parameter.at(a), parameter.at(b), strict=True)):
                sums[i] += (u + v) / 2 * (b - a)
        return give(parameter, tuple(math.copysign(1, end - start) * s for s in sums), places)

    def accept(parameter: Parameter, integers: tuple[int, ...], doubles: tuple[float, ...]) -> tuple[Any, ...]:
        assert parameter.held is not None
        kind, count = parameter.held
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


# --- memory, threads, messages, time line ---------------------------------------------------------------------
def _memory(host: Host) -> Functions:
    def allocate(handle: int | None, size: int, place: Any) -> int:
        if handle and host.find(handle, Effect, "memoryAlloc") is None:
            return ERR_BAD_HANDLE
        memory = host.allocate(size, image=False)
        if isinstance(memory, int):
            _put(place, 0)
            return ERR_MEMORY
        host.register(memory)
        host.allocations[memory.address] = memory
        return _put(place, memory.address)

    def free(address: int | None) -> int:
        memory = host.allocations.pop(address or 0, None)
        if memory is None:
            host.journal.add("error", "memoryFree was given an address that memoryAlloc did not return, or twice")
            return ERR_BAD_HANDLE
        host.release(host.handle_of(memory))
        return OK

    return {"memoryAlloc": allocate, "memoryFree": free}


def _threads(host: Host) -> Functions:
    from huewright.ofx.host import Mutex

    def multi_thread(function: Any, count: int, argument: int | None) -> int:
        return host.spawn(function, count, argument)

    def cpus(place: Any) -> int:
        place[0] = host.conditions.cpus
        return OK

    def index(place: Any) -> int:
        place[0] = host.thread_index or 0
        return OK

    def spawned() -> int:
        return int(host.thread_index is not None)

    def create(place: Any, count: int) -> int:
        return _put(place, host.register(Mutex(count)))

    def destroy(handle: int | None) -> int:
        if host.find(handle, Mutex, "mutexDestroy") is None:
            return ERR_BAD_HANDLE
        host.release(handle or 0)
        return OK

    def lock(handle: int | None) -> int:
        mutex = host.find(handle, Mutex, "mutexLock")
        if mutex is None:
            return ERR_BAD_HANDLE
        mutex.lock.acquire()
        return OK

    def unlock(handle: int | None) -> int:
        mutex = host.find(handle, Mutex, "mutexUnLock")
        if mutex is None:
            return ERR_BAD_HANDLE
        try:
            mutex.lock.release()
        except RuntimeError:
            host.journal.add("error", "mutexUnLock was called on a mutex that this thread had not locked")
            return FAILED
        return OK

    def try_lock(handle: int | None) -> int:
        mutex = host.find(handle, Mutex, "mutexTryLock")
        if mutex is None:
            return ERR_BAD_HANDLE
        return OK if mutex.lock.acquire(blocking=False) else FAILED

    return {"multiThread": multi_thread, "multiThreadNumCPUs": cpus, "multiThreadIndex": index,
            "multiThreadIsSpawnedThread": spawned, "mutexCreate": create, "mutexDestroy": destroy, "mutexLock": lock,
            "mutexUnLock": unlock, "mutexTryLock": try_lock}


_CONVERSION = re.compile(rb"%[-+ #0]*(?:\*|\d+)?(?:\.(?:\*|\d+))?(?:hh|h|ll|l|z|j|t|L)?([diouxXeEfFgGaAcspn%])")


def formatted(template: bytes, integers: list[int | None], doubles: list[float]) -> str:
    """What printf would make of ``template`` with these arguments; strings and numbers, no ``*`` widths."""
    whole, real = iter(integers), iter(doubles)

    def one(match: re.Match[bytes]) -> bytes:
        kind, spec = match.group(1), match.group(0)
        if kind == b"%":
            return b"%"
        plain = re.sub(rb"(hh|h|ll|l|z|j|t|L)(?=.$)", b"", spec)
        if kind in b"eEfFgG":
            return plain % next(real, 0.0)
        value = next(whole, 0) or 0
        if kind == b"s":
            return plain % (ctypes.string_at(value) if value else b"(null)")
        if kind == b"p":
            return b"%#x" % value
        if kind in b"di" and b"l" not in spec:
            value = ctypes.c_int(value & 0xFFFFFFFF).value
        return plain % value

    return _CONVERSION.sub(one, template).decode(errors="replace")


def _message(host: Host) -> Functions:
    def post(what: str) -> Callable[..., int]:
        def take(handle: int | None, kind: bytes | None, _id: bytes | None, template: bytes | None,
                 *arguments: Any) -> int:
            if handle or what == "setPersistentMessage":
                if host.find(handle, Effect, what) is None:
                    return ERR_BAD_HANDLE
            integers = [*arguments[:2], *arguments[10:]]
            text = formatted(template or b"", integers, list(arguments[2:10]))
            host.journal.messages.append((_text(kind), text))
            return standard.REPLY_NO if kind == b"OfxMessageQuestion" else OK
        return take

    def clear(handle: int | None) -> int:
        return OK if host.find(handle, Effect, "clearPersistentMessage") else ERR_BAD_HANDLE

    return {"message": post("message"), "setPersistentMessage": post("setPersistentMessage"),
            "clearPersistentMessage": clear}


def _time_line(host: Host) -> Functions:
    def get_time(_handle: int | None, place: Any) -> int:
        place[0] = host.time
        return OK

    def go_to(_handle: int | None, time: float) -> int:
        host.time = time
        return OK

    def bounds(_handle: int | None, first: Any, last: Any) -> int:
        first[0], last[0] = host.frame_range
        return OK

    return {"getTime": get_time, "gotoTime": go_to, "getTimeBounds": bounds}
