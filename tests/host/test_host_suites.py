"""The headless host by itself: properties, parameters over time, messages, guard pages, canaries."""

from __future__ import annotations

import ctypes
import faulthandler
import os
import signal

import numpy as np
import pytest
from huewright.errors import InputError
from huewright.host import abi, property_sets, standard
from huewright.host.given import parameter_value
from huewright.host.host import Conditions, Host
from huewright.host.objects import Effect, Journal, Parameter, ParameterSet, PropertySet
from huewright.host.pictures import GuardedMemory, allocate, sample_picture, wrap
from huewright.host.suites import formatted
from huewright.probe.bench import moved, outside_changed


def suite(host: Host, name: str, version: int = 1):
    address = host.structure.fetchSuite(host.structure.host, name.encode(), version)
    structure = {standard.SUITE_PROPERTY: abi.PropertySuite, standard.SUITE_THREAD: abi.MultiThreadSuite,
                 standard.SUITE_MEMORY: abi.MemorySuite, standard.SUITE_MESSAGE: abi.MessageSuite,
                 standard.SUITE_PARAMETER: abi.ParameterSuite}[name]
    return structure.from_address(address) if address else None


def errors(host: Host) -> list[str]:
    return [finding.message for finding in host.journal.findings if finding.level == "error"]


def test_structures_have_the_standards_layout() -> None:
    """OpenFX reference, "Core API": a host is two pointers, a plug-in seven members; suites are functions only."""
    pointer = ctypes.sizeof(ctypes.c_void_p)
    assert ctypes.sizeof(abi.OfxHost) == 2 * pointer
    assert [getattr(abi.OfxPlugin, name).offset for name, _ in abi.OfxPlugin._fields_] == [
        0, pointer, 2 * pointer, 3 * pointer, 3 * pointer + 4, 4 * pointer, 5 * pointer]
    counts = {abi.PropertySuite: 18, abi.ImageEffectSuite: 13, abi.ParameterSuite: 18, abi.MemorySuite: 2,
              abi.MultiThreadSuite: 9, abi.MessageSuite: 3, abi.TimeLineSuite: 3}
    for structure, count in counts.items():
        assert ctypes.sizeof(structure) == count * pointer


def test_the_c_header_and_the_ctypes_mirror_agree() -> None:
    """Both were typed in from the reference: the same functions in the same order."""
    import re

    from huewright.plugin.build import SOURCES

    header = (SOURCES / "ofx_abi.h").read_text()
    for name in ("PropertySuite", "ImageEffectSuite", "ParameterSuite", "MemorySuite", "MultiThreadSuite",
                 "MessageSuite"):
        end = re.search(rf"}} Ofx{name};", header)
        assert end
        body = header[header.rindex("typedef struct {", 0, end.start()):end.start()]
        assert re.findall(r"\(\*(\w+)\)", body) == [field for field, _ in getattr(abi, name)._fields_]
    statuses = dict(re.findall(r"OFX_(\w+) = (\d+)", header))
    assert int(statuses["ERR_MISSING_HOST_FEATURE"]) == standard.ERR_MISSING_HOST_FEATURE
    assert int(statuses["REPLY_DEFAULT"]) == standard.REPLY_DEFAULT
    assert int(statuses["ERR_MEMORY"]) == standard.ERR_MEMORY


def test_properties_are_held_to_their_type_count_and_access() -> None:
    host = Host()
    properties = suite(host, standard.SUITE_PROPERTY)
    table = property_sets.EFFECT_DESCRIPTOR
    held = PropertySet("a descriptor", table, {"OfxPropType": "OfxTypeImageEffect"}, host.journal)
    handle = host.register(held)
    assert properties.propSetInt(handle, b"OfxImageEffectPropSupportsTiles", 0, 1) == standard.OK
    value = ctypes.c_int(-1)
    assert properties.propGetInt(handle, b"OfxImageEffectPropSupportsTiles", 0, ctypes.byref(value)) == standard.OK
    assert value.value == 1 and not errors(host)
    assert properties.propSetDouble(handle, b"OfxImageEffectPropSupportsTiles", 0, 1.0) == standard.ERR_VALUE
    assert properties.propSetInt(handle, b"OfxImageEffectPropSupportsTiles", 1, 1) == standard.ERR_BAD_INDEX
    assert properties.propSetString(handle, b"OfxPropType", 0, b"mine") == standard.ERR_VALUE
    assert properties.propSetInt(handle, b"OfxImagePropRowBytes", 0, 1) == standard.ERR_UNKNOWN
    contexts = b"OfxImageEffectPropSupportedContexts"
    assert properties.propSetString(handle, contexts, 0, b"Nonsense") == standard.ERR_VALUE
    assert properties.propSetInt(123, b"OfxImageEffectPropSupportsTiles", 0, 1) == standard.ERR_BAD_HANDLE
    for words in ("as double: it is int", "index 1 of", "may only read it", "the standard has it elsewhere",
                  "no such value", "none that this host gave out"):
        assert any(words in message for message in errors(host)), words
    before = len(errors(host))
    assert properties.propSetString(handle, b"com.example.extension", 0, b"x") == standard.ERR_UNKNOWN
    assert len(errors(host)) == before  # a host's extensions may be asked for, and are answered by the status


def test_property_arrays_and_dimensions() -> None:
    host = Host()
    properties = suite(host, standard.SUITE_PROPERTY)
    handle = host.register(PropertySet("a descriptor", property_sets.EFFECT_DESCRIPTOR, {}, host.journal))
    name = b"OfxPropVersion"
    assert properties.propSetIntN(handle, name, 3, (ctypes.c_int * 3)(1, 2, 3)) == standard.OK
    count, values = ctypes.c_int(), (ctypes.c_int * 3)()
    properties.propGetDimension(handle, name, ctypes.byref(count))
    assert count.value == 3
    assert properties.propGetIntN(handle, name, 3, values) == standard.OK and list(values) == [1, 2, 3]
    text = ctypes.c_void_p()
    properties.propSetString(handle, b"OfxPropLabel", 0, "Gr\u00fcn".encode())
    assert properties.propGetString(handle, b"OfxPropLabel", 0, ctypes.byref(text)) == standard.OK
    assert ctypes.string_at(text.value).decode() == "Gr\u00fcn"
    assert properties.propReset(handle, b"OfxPropLabel") == standard.OK


def test_memory_runs_out_and_is_accounted_for() -> None:
    host = Host(Conditions(memory_left=1000))
    memory = suite(host, standard.SUITE_MEMORY)
    first, second = ctypes.c_void_p(), ctypes.c_void_p()
    assert memory.memoryAlloc(None, 800, ctypes.byref(first)) == standard.OK
    ctypes.memset(first.value, 1, 800)
    assert memory.memoryAlloc(None, 800, ctypes.byref(second)) == standard.ERR_MEMORY and not second.value
    assert [m.size for m in host.open_memory()] == [800]
    assert memory.memoryFree(first) == standard.OK and not host.open_memory()
    assert memory.memoryFree(first) == standard.ERR_BAD_HANDLE and errors(host)


def test_threads_and_mutexes() -> None:
    host = Host(Conditions(cpus=3))
    threads = suite(host, standard.SUITE_THREAD)
    seen, nested = [], []

    def work(index: int, count: int, _argument: int | None) -> None:
        seen.append((index, count))
        nested.append(threads.multiThread(callback, 2, None) if threads.multiThreadIsSpawnedThread() else None)

    callback = abi.ThreadFunction(work)
    assert threads.multiThread(callback, 8, None) == standard.OK
    assert sorted(seen) == [(0, 3), (1, 3), (2, 3)] and nested == [standard.ERR_EXISTS] * 3
    mutex = ctypes.c_void_p()
    assert threads.mutexCreate(ctypes.byref(mutex), 0) == standard.OK
    assert threads.mutexLock(mutex) == standard.OK and threads.mutexUnLock(mutex) == standard.OK
    assert threads.mutexUnLock(mutex) == standard.FAILED
    assert len(host.open_mutexes()) == 1
    assert threads.mutexDestroy(mutex) == standard.OK and threads.mutexDestroy(mutex) == standard.ERR_BAD_HANDLE


@pytest.mark.parametrize(("template", "integers", "doubles", "text"), [
    (b"plain 100%%", [], [], "plain 100%"), (b"%s: %d of %u", [0, -1 & 0xFFFFFFFF, 7], [], "(null): -1 of 7"),
    (b"%-5.2f|%8.3e|%g", [], [1.5, 1234.5, 0.25], "1.50 |1.234e+03|0.25"),
    (b"%#x %lu %c", [255, 10, 65], [], "0xff 10 A")])
def test_messages_are_formatted_as_printf_does(template, integers, doubles, text) -> None:
    assert formatted(template, integers, doubles) == text


def test_variadic_messages_arrive_from_c() -> None:
    """printf's arguments, integers and doubles mixed and more of them than registers, through the real call."""
    host = Host()
    messages = suite(host, standard.SUITE_MESSAGE, 2)
    function = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, *[ctypes.c_char_p] * 3)(
        ctypes.cast(messages.message, ctypes.c_void_p).value)
    function.argtypes = None
    function(None, b"OfxMessageError", b"id", b"%d %s %g %d %d %g", ctypes.c_int(-3), b"word", ctypes.c_double(2.5),
             ctypes.c_int(4), ctypes.c_int(5), ctypes.c_double(0.125))
    assert host.journal.messages == [("OfxMessageError", "-3 word 2.5 4 5 0.125")]


def parameter(kind: str = "OfxParamTypeDouble", **values) -> Parameter:
    journal = Journal()
    held = {f"OfxParamProp{name}": value for name, value in values.items()}
    return Parameter("p", kind, PropertySet("parameter p", property_sets.parameter_properties(kind), held, journal))


def test_parameters_over_time() -> None:
    moving = parameter()
    moving.keys = {0.0: (1.0,), 10.0: (3.0,), 20.0: (3.0,)}
    assert [moving.at(t)[0] for t in (-5.0, 0.0, 5.0, 10.0, 15.0, 99.0)] == [1.0, 1.0, 2.0, 3.0, 3.0, 3.0]
    held = parameter("OfxParamTypeChoice")
    held.keys = {0.0: (0,), 10.0: (2,)}
    assert [held.at(t)[0] for t in (0.0, 9.9, 10.0)] == [0, 0, 2]


def test_bytes_are_copied_in_and_out() -> None:
    """Parameters, kOfxParamTypeBytes and OfxBytes (ofxParam.h, 1.5): zeros in it are no end, NULL is nothing."""
    host = Host()
    effect = Effect(PropertySet("an effect", property_sets.EFFECT_DESCRIPTOR, {}, host.journal), False)
    effects = host.register(ParameterSet(effect))
    parameters, properties = suite(host, standard.SUITE_PARAMETER), suite(host, standard.SUITE_PROPERTY)
    described, own = ctypes.c_void_p(), bytearray(b"a\0b\0")
    given = abi.Bytes(ctypes.addressof((ctypes.c_char * 4).from_buffer(own)), 4)
    assert parameters.paramDefine(effects, b"OfxParamTypeBytes", b"data", described) == standard.OK
    assert effect.parameters["data"].default() == (b"",)
    assert properties.propSetPointer(described, b"OfxParamPropDefault", 0, ctypes.addressof(given)) == standard.OK
    own[0] = 0                                         # the host has its own copy from then on
    assert effect.parameters["data"].default() == (b"a\0b\0",)

    handle, got = host.register(effect.parameters["data"]), abi.Bytes()
    effect.parameters["data"].values = effect.parameters["data"].default()
    assert parameters.paramGetValueAtTime(handle, 0.0, ctypes.addressof(got), 0, 0, 0) == standard.OK
    assert ctypes.string_at(got.data, got.length) == b"a\0b\0"
    assert parameters.paramSetValue(handle, ctypes.addressof(given), *(0,) * 3, *(0.0,) * 8) == standard.OK
    assert effect.parameters["data"].values == (b"\0\0b\0",) and errors(host) == []
    assert parameters.paramSetValue(handle, *(0,) * 4, *(0.0,) * 8) == standard.OK
    assert errors(host) == ["bytes parameter 'data' was set without an OfxBytes (NULL)"]
    assert host.journal.findings[-1].section == "Suites, ParameterSuite version 1, paramSetValue"
    slope = ctypes.c_double()
    assert parameters.paramGetDerivative(handle, 0.0, ctypes.addressof(slope), 0, 0, 0) == standard.ERR_UNSUPPORTED
    with pytest.raises(InputError, match="holds bytes of the plug-in's own"):
        parameter_value(effect.parameters["data"], "12")


def test_values_from_text() -> None:
    assert parameter_value(parameter(), "2.5") == (2.5,)
    assert parameter_value(parameter("OfxParamTypeDouble2D"), "1, 2") == (1.0, 2.0)
    assert parameter_value(parameter("OfxParamTypeBoolean"), "yes") == (1,)
    choice = parameter("OfxParamTypeChoice", ChoiceOption=["round", "square"])
    assert parameter_value(choice, "square") == parameter_value(choice, 1) == (1,)
    assert parameter_value(choice, "1") == parameter_value(choice, "SQ") == (1,)
    with pytest.raises(InputError, match="takes one of round, square, not 'oval'"):
        parameter_value(choice, "oval")
    by_text = parameter("OfxParamTypeStrChoice", ChoiceOption=["Round (dots)", "Square"], ChoiceEnum=["r", "s"])
    assert [parameter_value(by_text, text) for text in ("r", "Square", "round")] == [(b"r",), (b"s",), (b"r",)]
    with pytest.raises(InputError, match=r"takes one of Round \(dots\), Square, not 'oval'"):
        parameter_value(by_text, "oval")
    assert parameter_value(parameter("OfxParamTypeStrChoice"), "free") == (b"free",)
    several = parameter("OfxParamTypeChoice", ChoiceOption=["No. 1 (first)", "No. 12", "No. 1", "10 bits"])
    assert [parameter_value(several, text) for text in ("no 12", "No. 1", "no1first", "1", "10 bits")] == [
        (1,), (2,), (0,), (1,), (3,)]
    for text in ("no", "()", "", "no 2"):
        with pytest.raises(InputError, match="takes one of No. 1 "):
            parameter_value(several, text)
    with pytest.raises(InputError, match="takes 2 numbers"):
        parameter_value(parameter("OfxParamTypeDouble2D"), "1")


def test_probe_settings_move_what_has_a_range() -> None:
    assert moved([parameter(Default=[1.0], DisplayMin=[0.0], DisplayMax=[3.0])], 0.25) == {"p": (1.5,)}
    assert moved([parameter(Default=[1.0], DisplayMin=[-1e308], DisplayMax=[1e308])], 0.25) == {"p": (1.0,)}
    assert moved([parameter("OfxParamTypeInteger", Default=[1])], 0.25) == {}


@pytest.mark.parametrize(("flush", "offset"), [("end", 100), ("start", -1)])
def test_guard_pages_end_the_process(flush: str, offset: int) -> None:
    pid = os.fork()
    if pid == 0:
        faulthandler.disable()
        memory = GuardedMemory(100, flush)
        memory.bytes[:] = 1  # all inside is ours
        ctypes.c_uint8.from_address(memory.address + offset).value  # noqa: B018  (reading is what ends it)
        os._exit(0)
    _, status = os.waitpid(pid, 0)
    assert os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGSEGV


@pytest.mark.parametrize("negative", [False, True])
@pytest.mark.parametrize("guard", [None, "end"])
def test_canaries_see_one_byte(negative: bool, guard: str | None) -> None:
    picture = allocate((-3, 4, 7, 9), standard.FLOAT, standard.RGBA, padding=32, negative=negative, guard=guard, fill=9)
    window = (0, 5, 4, 8)
    picture.pixels[1:4, 3:7] = 0.5
    assert outside_changed(picture, window, 9) == 0
    picture.pixels[0, 3, 0] = 0.5  # the row below the window
    assert outside_changed(picture, window, 9) == 4
    ctypes.c_uint8.from_address(picture.address + 10 * 16).value = 1  # between the first row's end and the next
    assert outside_changed(picture, window, 9) == 5


def test_wrapped_pictures_are_upside_down_without_a_copy() -> None:
    pixels = sample_picture(5, 7, 4, standard.FLOAT)
    picture = wrap(pixels, standard.RGBA)
    assert picture.row_bytes == -7 * 16 and np.shares_memory(picture.pixels, pixels)
    bottom = np.frombuffer((ctypes.c_float * 4).from_address(picture.address), np.float32)
    assert np.array_equal(bottom, pixels[-1, 0])
    with pytest.raises(ValueError, match="must be contiguous"):
        wrap(pixels[:, ::2], standard.RGBA)
    with pytest.raises(ValueError, match="no OpenFX picture"):
        wrap(pixels.astype(np.float64), standard.RGBA)


def test_every_described_action_has_statuses() -> None:
    for action in (*property_sets.IN_ARGUMENTS, *property_sets.OUT_ARGUMENTS):
        assert standard.OK in standard.ALLOWED[action]
    assert standard.REPLY_DEFAULT not in standard.ALLOWED[standard.RENDER]
    assert standard.status_name(4) == "kOfxStatErrMissingHostFeature"
    assert "does not define" in standard.status_name(77)
