"""Every function of every suite by itself: what it does, and what it answers to a handle that is none.

Source: the OpenFX reference 1.5.1, "Suites": what each function does and the statuses that it may return (ofxParam.h,
ofxImageEffect.h, ofxParametricParam.h, ofxInteract.h, ofxProgress.h, ofxDialog.h, ofxTimeLine.h).
"""

from __future__ import annotations

import ctypes
from typing import Any

import pytest
from huewright.host import property_sets, standard
from huewright.host.host import Host
from huewright.host.objects import Clip, Effect, Interact, Parameter, PropertySet
from huewright.host.standard import ERR_BAD_HANDLE, ERR_BAD_INDEX, ERR_EXISTS, ERR_MEMORY, ERR_UNKNOWN, FAILED, OK
from huewright.host.suites import tables

STALE = 123
NO_HANDLE = {"multiThread", "multiThreadNumCPUs", "multiThreadIndex", "multiThreadIsSpawnedThread", "mutexCreate",
             "memoryAlloc", "getTime", "gotoTime", "getTimeBounds", "RequestDialog", "NotifyRedrawPending", "abort",
             "message"}
"""Whose first argument is none, or may be left out."""


class Suites:
    """All functions of a host by their names, as a plug-in finds them."""

    def __init__(self, host: Host) -> None:
        self.of: dict[str, Any] = {}
        for name, version, structure, _ in tables(host):
            address = host.structure.fetchSuite(host.structure.host, name.encode(), version)
            assert address, name
            made = structure.from_address(address)
            self.of |= {field: getattr(made, field) for field, *_ in structure._fields_}

    def __getattr__(self, name: str) -> Any:
        return self.of[name]


@pytest.fixture
def host() -> Host:
    return Host()


@pytest.fixture
def suites(host: Host) -> Suites:
    return Suites(host)


def errors(host: Host) -> list[str]:
    return [finding.message for finding in host.journal.findings if finding.level == "error"]


def effect_of(host: Host, instance: bool = True) -> Effect:
    table = property_sets.EFFECT_INSTANCE if instance else property_sets.EFFECT_DESCRIPTOR
    return Effect(PropertySet("an effect", table, {}, host.journal), instance)


def parameter_of(host: Host, kind: str = "OfxParamTypeDouble", name: str = "gain", **held: Any) -> Parameter:
    values = {f"OfxParamProp{key}": value for key, value in held.items()}
    return Parameter(name, kind, PropertySet(f"parameter {name}", property_sets.parameter_properties(kind), values,
                                             host.journal), (0.0,))


def pointer(made: Any) -> int:
    return ctypes.addressof(made)


def test_a_handle_that_is_none_is_answered_so_by_every_function(host: Host, suites: Suites) -> None:
    tried = 0
    for name, function in suites.of.items():
        if name in NO_HANDLE:
            continue
        kinds = list(type(function)._argtypes_)
        before = len(host.journal.findings)
        status = function(STALE, *(kind() for kind in kinds[1:]))
        assert status == (FAILED if name in standard_draws() else ERR_BAD_HANDLE), name
        (said,) = host.journal.findings[before:]
        assert said.level == "error" and f", {name}" in said.section, name
        tried += 1
    assert tried > 60 and suites.memoryAlloc(STALE, 8, ctypes.c_void_p()) == ERR_BAD_HANDLE
    assert suites.abort(STALE) == 0 and "abort: the handle" in errors(host)[-1]


def standard_draws() -> set[str]:
    """Of the draw suite, whose functions fail (kOfxStatFailed) outside a draw action."""
    return {"getColour", "setColour", "setLineWidth", "setLineStipple", "draw", "drawText"}


def test_keys_of_a_parameter(host: Host, suites: Suites) -> None:
    made = parameter_of(host, Animates=1)
    handle, number, time = host.register(made), ctypes.c_uint(), ctypes.c_double()
    values = (0,) * 4
    for when, value in ((10.0, 3.0), (0.0, 1.0), (20.0, -5.0)):
        assert suites.paramSetValueAtTime(handle, when, *values, value, *(0.0,) * 6) == OK
    assert made.keys == {0.0: (1.0,), 10.0: (3.0,), 20.0: (-5.0,)}
    assert suites.paramGetNumKeys(handle, number) == OK and number.value == 3
    assert [(suites.paramGetKeyTime(handle, k, time), time.value) for k in range(3)] == [(OK, 0.0), (OK, 10.0),
                                                                                         (OK, 20.0)]
    assert suites.paramGetKeyTime(handle, 3, time) == ERR_BAD_INDEX
    at = ctypes.c_int()
    # Towards later times, earlier ones, or at that one (ofxParam.h: direction).
    assert [(suites.paramGetKeyIndex(handle, when, way, at), at.value) for when, way in (
        (10.0, 0), (10.0, 1), (10.0, -1), (15.0, 0), (99.0, 1), (99.0, -1), (-1.0, 1))] == [
        (OK, 1), (OK, 2), (OK, 0), (FAILED, -1), (FAILED, -1), (OK, 2), (OK, 0)]
    got = ctypes.c_double()
    rest = (None,) * 3
    assert suites.paramGetDerivative(handle, 5.0, pointer(got), *rest) == OK and got.value == pytest.approx(0.2)
    assert suites.paramGetDerivative(handle, 12.0, pointer(got), *rest) == OK and got.value == pytest.approx(-0.8)
    # Trapezia: (1 + 3) / 2 * 10 = 20; and from 10 to 15 (3 - 1) / 2 * 5 = 5.
    for start, end, area in ((0.0, 10.0, 20.0), (0.0, 15.0, 25.0), (15.0, 0.0, -25.0), (4.0, 4.0, 0.0)):
        assert suites.paramGetIntegral(handle, start, end, pointer(got), *rest) == OK
        assert got.value == pytest.approx(area)
    assert suites.paramDeleteKey(handle, 10.0) == OK and suites.paramDeleteKey(handle, 10.0) == ERR_BAD_INDEX
    assert suites.paramDeleteAllKeys(handle) == OK and made.keys == {}
    assert errors(host) == []


def test_a_parameter_is_copied_whole_or_in_part_and_moved(host: Host, suites: Suites) -> None:
    origin, to = parameter_of(host), parameter_of(host, name="other")
    origin.values, origin.keys = (7.0,), {1.0: (1.0,), 5.0: (2.0,), 9.0: (3.0,)}
    handles = host.register(to), host.register(origin)
    assert suites.paramCopy(*handles, 100.0, None) == OK
    assert to.values == (7.0,) and to.keys == {101.0: (1.0,), 105.0: (2.0,), 109.0: (3.0,)}
    assert suites.paramCopy(*handles, 0.0, pointer((ctypes.c_double * 2)(2.0, 9.0))) == OK
    assert to.keys == {5.0: (2.0,), 9.0: (3.0,)} and len(origin.keys) == 3


def test_values_of_each_kind_go_in_and_come_out(host: Host, suites: Suites) -> None:
    whole, text = parameter_of(host, "OfxParamTypeInteger2D", "whole"), parameter_of(host, "OfxParamTypeString", "text")
    kept = ctypes.create_string_buffer(b"hello")
    numbers, letters = host.register(whole), host.register(text)
    assert suites.paramSetValue(numbers, -3 & 0xFFFFFFFF, 4, 0, 0, *(0.0,) * 8) == OK and whole.values == (-3, 4)
    assert suites.paramSetValue(letters, pointer(kept), 0, 0, 0, *(0.0,) * 8) == OK and text.values == (b"hello",)
    a, b, place = ctypes.c_int(), ctypes.c_int(), ctypes.c_void_p()
    assert suites.paramGetValue(numbers, pointer(a), pointer(b), None, None) == OK and (a.value, b.value) == (-3, 4)
    assert suites.paramGetValue(letters, pointer(place), None, None, None) == OK
    assert ctypes.string_at(place.value) == b"hello"
    assert suites.paramSetValue(letters, 0, 0, 0, 0, *(0.0,) * 8) == OK and text.values == (b"",)
    assert errors(host) == []
    assert suites.paramGetValue(numbers, pointer(a), None, None, None) == FAILED
    assert "the value of 'whole' was asked for with a null pointer" in errors(host)[0]
    # Slopes and areas there are of numbers alone.
    for function, times in ((suites.paramGetDerivative, (0.0,)), (suites.paramGetIntegral, (0.0, 1.0))):
        assert function(letters, *times, pointer(place), None, None, None) == standard.ERR_UNSUPPORTED
    group = host.register(parameter_of(host, "OfxParamTypeGroup", "group"))
    assert suites.paramGetValue(group, pointer(a), None, None, None) == ERR_BAD_HANDLE
    assert "paramGetValue: parameter 'group' holds no value" in errors(host)
    with host.journal.during(standard.RENDER):
        suites.paramSetValue(numbers, 1, 1, 0, 0, *(0.0,) * 8)
        moving = parameter_of(host, Animates=1)
        moving.values = (0.5,)
        got = ctypes.c_double()
        assert suites.paramGetValue(host.register(moving), pointer(got), None, None, None) == OK and got.value == 0.5
    assert "parameter 'whole' was set during rendering" in errors(host) and host.counts.current_value_reads == ["gain"]


def test_parameters_are_defined_once_and_by_a_descriptor(host: Host, suites: Suites) -> None:
    described, place, more = effect_of(host, False), ctypes.c_void_p(), ctypes.c_void_p()
    with host.journal.during(standard.DESCRIBE_IN_CONTEXT):
        assert suites.getParamSet(host.handle_of(described), place) == OK
        parameters = place.value
        assert suites.getParamSet(host.handle_of(described), place) == OK and place.value == parameters
        assert suites.paramDefine(parameters, b"OfxParamTypeDouble", b"gain", place) == OK
        assert suites.paramDefine(parameters, b"OfxParamTypeDouble", b"gain", place) == ERR_EXISTS
        assert suites.paramDefine(parameters, b"OfxParamTypeMood", b"mood", place) == ERR_UNKNOWN
        assert suites.paramGetHandle(parameters, b"gain", place, None) == ERR_BAD_HANDLE
    assert suites.paramSetGetPropertySet(parameters, place) == OK
    assert host.find(place.value, PropertySet, "now") is described.properties
    effect = effect_of(host)
    effect.parameters = described.parameters
    assert suites.getParamSet(host.handle_of(effect), place) == OK
    assert suites.paramDefine(place, b"OfxParamTypeDouble", b"late", more) == FAILED
    handle = ctypes.c_void_p()
    assert suites.paramGetHandle(place, b"gain", handle, more) == OK
    gain = described.parameters["gain"]
    assert host.find(handle.value, Parameter, "now") is gain
    assert host.find(more.value, PropertySet, "now") is gain.properties
    assert suites.paramGetPropertySet(handle, more) == OK
    assert host.find(more.value, PropertySet, "now") is gain.properties
    before = errors(host)
    assert suites.paramGetHandle(place, b"loss", handle, None) == ERR_UNKNOWN and errors(host) == before
    assert [words in message for words, message in zip(
        ("'gain' was defined twice", "'OfxParamTypeMood', which the standard does not have", "called on a descriptor",
         "'late' was defined outside the describe actions"), before, strict=True)] == [True] * 4
    assert suites.paramEditBegin(place, b"one step") == OK and effect.open_edits == 1
    assert suites.paramEditEnd(place) == OK and suites.paramEditEnd(place) == OK and effect.open_edits == 0
    assert errors(host)[-1] == "paramEditEnd was called without paramEditBegin"


@pytest.mark.parametrize(("kind", "animates", "default", "low", "high"), [
    # kOfxParamPropAnimates, Default, Min and Max as ofxParam.h has them (the largest numbers of C's types).
    ("Double", 1, (0.0,), -1.7976931348623157e308, 1.7976931348623157e308),
    ("Integer2D", 1, (0, 0), -2147483648, 2147483647), ("Boolean", 0, (0,), None, None),
    ("String", 0, ("",), None, None), ("Group", None, (), None, None)])
def test_what_a_parameter_has_before_it_is_described(host: Host, suites: Suites, kind: str, animates: int | None,
                                                     default: tuple[Any, ...], low: Any, high: Any) -> None:
    described, place = effect_of(host, False), ctypes.c_void_p()
    suites.getParamSet(host.handle_of(described), place)
    assert suites.paramDefine(place, f"OfxParamType{kind}".encode(), b"p", place) == OK
    held = described.parameters["p"].properties
    assert held.get("OfxParamPropAnimates") == animates and held.all("OfxParamPropDefault") == default
    assert (held.get("OfxParamPropMin"), held.get("OfxParamPropMax")) == (low, high)
    assert held.get("OfxPropLabel") == held.get("OfxParamPropScriptName") == "p"


def test_clips_and_their_pictures(host: Host, suites: Suites) -> None:
    described, place, more = effect_of(host, False), ctypes.c_void_p(), ctypes.c_void_p()
    assert suites.clipDefine(host.handle_of(described), b"Source", place) == FAILED
    with host.journal.during(standard.DESCRIBE_IN_CONTEXT):
        assert suites.clipDefine(host.handle_of(described), b"Source", place) == OK
        assert suites.clipDefine(host.handle_of(described), b"Source", place) == ERR_EXISTS
        assert suites.clipGetHandle(host.handle_of(described), b"Source", place, None) == ERR_BAD_HANDLE
    assert [words in message for words, message in zip(
        ("outside the describe in context action", "'Source' was defined twice", "called on a descriptor"),
        errors(host), strict=True)] == [True] * 3
    effect = effect_of(host)
    effect.clips = described.clips
    clip = effect.clips["Source"]
    clip.region = (1.0, 2.0, 3.0, 4.0)
    assert suites.clipGetHandle(host.handle_of(effect), b"Mask", place, None) == ERR_UNKNOWN
    assert suites.clipGetHandle(host.handle_of(effect), b"Source", place, more) == OK
    assert host.find(place.value, Clip, "now") is clip and host.find(more.value, PropertySet, "now") is clip.properties
    assert suites.clipGetPropertySet(place, more) == OK
    assert host.find(more.value, PropertySet, "now") is clip.properties
    assert suites.getPropertySet(host.handle_of(effect), more) == OK
    assert host.find(more.value, PropertySet, "now") is effect.properties
    region = (ctypes.c_double * 4)()
    assert suites.clipGetRegionOfDefinition(place, 0.0, ctypes.cast(region, type(suites.clipGetRegionOfDefinition)
                                                                    ._argtypes_[2])) == OK
    assert list(region) == [1.0, 2.0, 3.0, 4.0]
    assert suites.clipGetImage(place, 0.0, None, more) == FAILED      # it has no pictures
    assert host.journal.findings[-1].message == "clipGetImage was called outside the render action"
    host.conditions.fail_images = ERR_MEMORY
    assert suites.clipGetImage(place, 0.0, None, more) == ERR_MEMORY and host.counts.refused_images == 1


def test_memory_for_pictures(host: Host, suites: Suites) -> None:
    host.conditions.memory_left = 100
    effect, memory, place = host.handle_of(effect_of(host)), ctypes.c_void_p(), ctypes.c_void_p(1)
    assert suites.imageMemoryAlloc(STALE, 60, place) == ERR_BAD_HANDLE and place.value is None
    assert suites.imageMemoryAlloc(effect, 60, memory) == OK
    assert suites.imageMemoryAlloc(effect, 60, place) == ERR_MEMORY and place.value is None
    assert suites.imageMemoryLock(memory, place) == OK
    ctypes.memset(place.value, 7, 60)
    (held,) = host.open_memory()
    assert held.locks == 1 and ctypes.string_at(held.address, 60) == b"\7" * 60
    assert suites.imageMemoryUnlock(memory) == OK and suites.imageMemoryUnlock(memory) == OK and held.locks == 0
    assert suites.imageMemoryFree(memory) == OK and host.open_memory() == []
    assert suites.imageMemoryLock(memory, place) == ERR_BAD_HANDLE and place.value is None


def test_points_of_curves(host: Host, suites: Suites) -> None:
    made = parameter_of(host, "OfxParamTypeParametric", "curve", ParametricDimension=1)
    handle, plain = host.register(made), host.register(parameter_of(host))
    key, value = ctypes.c_double(), ctypes.c_double()
    assert suites.parametricParamSetNthControlPoint(handle, 0, 0.0, 0, 0.4, 0.9, False) == OK
    assert suites.parametricParamSetNthControlPoint(handle, 0, 0.0, 2, 0.4, 0.9, False) == ERR_BAD_INDEX
    assert suites.parametricParamGetNthControlPoint(handle, 0, 0.0, 0, key, value) == OK
    assert (key.value, value.value) == (0.4, 0.9)
    assert suites.parametricParamGetNthControlPoint(handle, 0, 0.0, -1, key, value) == ERR_BAD_INDEX
    seen = []
    for where in (0.0, 0.4, 0.7, 1.0, 2.0):
        assert suites.parametricParamGetValue(handle, 0, 0.0, where, value) == OK
        seen.append(value.value)
    assert seen == pytest.approx([0.9, 0.9, 0.95, 1.0, 1.0])      # level outside its points
    suites.parametricParamAddControlPoint(handle, 0, 0.0, 0.7, 0.0, False)
    suites.parametricParamGetValue(handle, 0, 0.0, 0.85, value)
    assert value.value == pytest.approx(0.5)                      # the second stretch
    assert suites.parametricParamDeleteControlPoint(handle, 0, 0) == OK and made.curves[0] == [(0.7, 0.0), (1.0, 1.0)]
    assert suites.parametricParamDeleteAllControlPoints(handle, 0) == OK
    assert suites.parametricParamGetValue(handle, 0, 0.0, 0.3, value) == OK and value.value == 0.3
    assert errors(host) == []
    assert suites.parametricParamGetValue(plain, 0, 0.0, 0.3, value) == ERR_BAD_HANDLE
    assert errors(host) == ["parametricParamGetValue: parameter 'gain' is not parametric"]
    described = host.register(made.properties)      # its descriptor's properties will do: defaults are set there
    made.properties.owner = made
    assert suites.parametricParamAddControlPoint(described, 0, 0.0, 0.5, 0.2, False) == OK
    assert made.curves[0] == [(0.5, 0.2)]


def test_overlays_progress_time_and_messages(host: Host, suites: Suites) -> None:
    effect = effect_of(host)
    interact = Interact(effect, PropertySet("an overlay", property_sets.INTERACT_INSTANCE, {}, host.journal))
    handle, place = host.register(interact), ctypes.c_void_p()
    assert suites.interactSwapBuffers(handle) == suites.interactRedraw(handle) == OK
    assert (interact.swaps, interact.redraws) == (1, 1)
    assert suites.interactGetPropertySet(handle, place) == OK
    assert host.find(place.value, PropertySet, "now") is interact.properties
    mine = host.handle_of(effect)
    assert suites.progressStart(mine, b"working", b"id") == OK and suites.progressStart(mine, b"", b"") == FAILED
    assert suites.progressUpdate(mine, 1.5) == OK and suites.progressEnd(mine) == OK
    assert suites.progressEnd(mine) == FAILED
    assert [words in message for words, message in zip(
        ("progressStart was called again", "was told 1.5: progress lies between 0 and 1", "without progressStart"),
        errors(host), strict=True)] == [True] * 3
    host.frame_range, first, last = (3.0, 9.0), ctypes.c_double(), ctypes.c_double()
    assert suites.gotoTime(mine, 5.0) == OK and suites.getTime(mine, first) == OK and first.value == 5.0
    assert suites.getTimeBounds(mine, first, last) == OK and (first.value, last.value) == (3.0, 9.0)
    assert suites.clearPersistentMessage(mine) == OK and host.journal.messages == []
    assert suites.NotifyRedrawPending() == standard.REPLY_DEFAULT
    data = ctypes.c_int(7)
    assert suites.RequestDialog(pointer(data)) == OK and host.counts.dialogs == [pointer(data)]
    assert [suites.abort(mine) for _ in range(3)] == [0, 0, 0]
    host.conditions.abort_after = 4
    assert [suites.abort(mine) for _ in range(3)] == [0, 1, 1]
