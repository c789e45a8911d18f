"""The binary interface of the OpenFX Image Effect standard as ctypes: the structures that a host and a plug-in share.

Source: the OpenFX programming reference, "Core API" and the suites' chapters (1.5.1). Handles are opaque to a plug-in
and are passed as integers. The variadic functions (parameter values, messages) are declared with more arguments than
any caller passes: in the System V x86-64 and AArch64 calling conventions variadic integers and doubles travel in the
same registers as named ones, so that each arrives in its place and the surplus is ignored.
"""

from __future__ import annotations

from ctypes import (
    CFUNCTYPE,
    POINTER,
    Structure,
    c_bool,
    c_char_p,
    c_double,
    c_float,
    c_int,
    c_long,
    c_size_t,
    c_uint,
    c_void_p,
)
from typing import Any

Handle = c_void_p
Status = c_int


class RectD(Structure):
    _fields_ = [("x1", c_double), ("y1", c_double), ("x2", c_double), ("y2", c_double)]


class Bytes(Structure):
    """OfxBytes: the value of a parameter of type bytes."""

    _fields_ = [("data", c_void_p), ("length", c_size_t)]


class OfxHost(Structure):
    """``host`` is the host's property set; ``fetchSuite(host, name, version)`` gives a suite or NULL."""


FetchSuite = CFUNCTYPE(c_void_p, Handle, c_char_p, c_int)
OfxHost._fields_ = [("host", Handle), ("fetchSuite", FetchSuite)]

MainEntry = CFUNCTYPE(Status, c_char_p, Handle, Handle, Handle)
SetHost = CFUNCTYPE(None, POINTER(OfxHost))


class OfxPlugin(Structure):
    _fields_ = [("pluginApi", c_char_p), ("apiVersion", c_int), ("pluginIdentifier", c_char_p),
                ("pluginVersionMajor", c_uint), ("pluginVersionMinor", c_uint),
                ("setHost", SetHost), ("mainEntry", MainEntry)]


ThreadFunction = CFUNCTYPE(None, c_uint, c_uint, c_void_p)
_Prop = (Handle, c_char_p)
_Out = POINTER(c_void_p)
# Values that follow the named arguments of a variadic call: integers and pointers, then doubles.
_DOUBLES = (c_double,) * 8


def _suite(name: str, **functions: tuple[Any, ...]) -> type[Structure]:
    """A structure of function pointers, each (result type, argument types...), in the standard's order."""
    fields = [(key, CFUNCTYPE(*signature)) for key, signature in functions.items()]
    return type(name, (Structure,), {"_fields_": fields})


PropertySuite = _suite(
    "PropertySuite",
    propSetPointer=(Status, *_Prop, c_int, c_void_p), propSetString=(Status, *_Prop, c_int, c_char_p),
    propSetDouble=(Status, *_Prop, c_int, c_double), propSetInt=(Status, *_Prop, c_int, c_int),
    propSetPointerN=(Status, *_Prop, c_int, POINTER(c_void_p)),
    propSetStringN=(Status, *_Prop, c_int, POINTER(c_char_p)),
    propSetDoubleN=(Status, *_Prop, c_int, POINTER(c_double)), propSetIntN=(Status, *_Prop, c_int, POINTER(c_int)),
    propGetPointer=(Status, *_Prop, c_int, POINTER(c_void_p)), propGetString=(Status, *_Prop, c_int, POINTER(c_void_p)),
    propGetDouble=(Status, *_Prop, c_int, POINTER(c_double)), propGetInt=(Status, *_Prop, c_int, POINTER(c_int)),
    propGetPointerN=(Status, *_Prop, c_int, POINTER(c_void_p)),
    propGetStringN=(Status, *_Prop, c_int, POINTER(c_void_p)),
    propGetDoubleN=(Status, *_Prop, c_int, POINTER(c_double)), propGetIntN=(Status, *_Prop, c_int, POINTER(c_int)),
    propReset=(Status, *_Prop), propGetDimension=(Status, *_Prop, POINTER(c_int)))

ImageEffectSuite = _suite(
    "ImageEffectSuite",
    getPropertySet=(Status, Handle, _Out), getParamSet=(Status, Handle, _Out),
    clipDefine=(Status, Handle, c_char_p, _Out), clipGetHandle=(Status, Handle, c_char_p, _Out, _Out),
    clipGetPropertySet=(Status, Handle, _Out),
    clipGetImage=(Status, Handle, c_double, POINTER(RectD), _Out), clipReleaseImage=(Status, Handle),
    clipGetRegionOfDefinition=(Status, Handle, c_double, POINTER(RectD)), abort=(c_int, Handle),
    imageMemoryAlloc=(Status, Handle, c_size_t, _Out), imageMemoryFree=(Status, Handle),
    imageMemoryLock=(Status, Handle, _Out), imageMemoryUnlock=(Status, Handle))

_VALUES = (c_void_p,) * 4
_SET_VALUES = (c_long,) * 4
ParameterSuite = _suite(
    "ParameterSuite",
    paramDefine=(Status, Handle, c_char_p, c_char_p, _Out), paramGetHandle=(Status, Handle, c_char_p, _Out, _Out),
    paramSetGetPropertySet=(Status, Handle, _Out), paramGetPropertySet=(Status, Handle, _Out),
    paramGetValue=(Status, Handle, *_VALUES), paramGetValueAtTime=(Status, Handle, c_double, *_VALUES),
    paramGetDerivative=(Status, Handle, c_double, *_VALUES),
    paramGetIntegral=(Status, Handle, c_double, c_double, *_VALUES),
    paramSetValue=(Status, Handle, *_SET_VALUES, *_DOUBLES),
    paramSetValueAtTime=(Status, Handle, c_double, *_SET_VALUES, *_DOUBLES[1:]),
    paramGetNumKeys=(Status, Handle, POINTER(c_uint)), paramGetKeyTime=(Status, Handle, c_uint, POINTER(c_double)),
    paramGetKeyIndex=(Status, Handle, c_double, c_int, POINTER(c_int)), paramDeleteKey=(Status, Handle, c_double),
    paramDeleteAllKeys=(Status, Handle), paramCopy=(Status, Handle, Handle, c_double, c_void_p),
    paramEditBegin=(Status, Handle, c_char_p), paramEditEnd=(Status, Handle))

MemorySuite = _suite("MemorySuite", memoryAlloc=(Status, Handle, c_size_t, _Out), memoryFree=(Status, c_void_p))

MultiThreadSuite = _suite(
    "MultiThreadSuite",
    multiThread=(Status, ThreadFunction, c_uint, c_void_p), multiThreadNumCPUs=(Status, POINTER(c_uint)),
    multiThreadIndex=(Status, POINTER(c_uint)), multiThreadIsSpawnedThread=(c_int,),
    mutexCreate=(Status, _Out, c_int), mutexDestroy=(Status, Handle), mutexLock=(Status, Handle),
    mutexUnLock=(Status, Handle), mutexTryLock=(Status, Handle))

# printf arguments: two more integer registers, the double registers, then what lies on the stack.
_FORMAT = (Handle, c_char_p, c_char_p, c_char_p, c_void_p, c_void_p, *_DOUBLES, *(c_void_p,) * 8)
MessageSuite = _suite(
    "MessageSuite",
    message=(Status, *_FORMAT), setPersistentMessage=(Status, *_FORMAT), clearPersistentMessage=(Status, Handle))

TimeLineSuite = _suite(
    "TimeLineSuite",
    getTime=(Status, Handle, POINTER(c_double)), gotoTime=(Status, Handle, c_double),
    getTimeBounds=(Status, Handle, POINTER(c_double), POINTER(c_double)))

ProgressSuite1 = _suite(
    "ProgressSuite1",
    progressStart=(Status, Handle, c_char_p), progressUpdate=(Status, Handle, c_double), progressEnd=(Status, Handle))
ProgressSuite2 = _suite(
    "ProgressSuite2",
    progressStart=(Status, Handle, c_char_p, c_char_p), progressUpdate=(Status, Handle, c_double),
    progressEnd=(Status, Handle))

DialogSuite = _suite("DialogSuite", RequestDialog=(Status, c_void_p), NotifyRedrawPending=(Status,))

_Curve = (Handle, c_int)
ParametricSuite = _suite(
    "ParametricSuite",
    parametricParamGetValue=(Status, *_Curve, c_double, c_double, POINTER(c_double)),
    parametricParamGetNControlPoints=(Status, *_Curve, c_double, POINTER(c_int)),
    parametricParamGetNthControlPoint=(Status, *_Curve, c_double, c_int, POINTER(c_double), POINTER(c_double)),
    parametricParamSetNthControlPoint=(Status, *_Curve, c_double, c_int, c_double, c_double, c_bool),
    parametricParamAddControlPoint=(Status, *_Curve, c_double, c_double, c_double, c_bool),
    parametricParamDeleteControlPoint=(Status, *_Curve, c_int),
    parametricParamDeleteAllControlPoints=(Status, *_Curve))

InteractSuite = _suite(
    "InteractSuite",
    interactSwapBuffers=(Status, Handle), interactRedraw=(Status, Handle),
    interactGetPropertySet=(Status, Handle, _Out))

DrawSuite = _suite(
    "DrawSuite",
    getColour=(Status, Handle, c_int, POINTER(c_float)), setColour=(Status, Handle, POINTER(c_float)),
    setLineWidth=(Status, Handle, c_float), setLineStipple=(Status, Handle, c_int),
    draw=(Status, Handle, c_int, POINTER(c_double), c_int),
    drawText=(Status, Handle, c_char_p, POINTER(c_double), c_int))
