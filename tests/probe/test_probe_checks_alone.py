"""Checks of the probe by themselves, in this process, on a plug-in that is written here and misbehaves in one way.

What the C plug-ins of ``broken/`` try through a real binary and real forks, this tries for the many sentences that a
check may say; each takes milliseconds.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from huewright.host import abi, standard
from huewright.host.host import Host
from huewright.host.objects import Image
from huewright.host.session import Plugin
from huewright.host.standard import ERR_MISSING_HOST_FEATURE, FAILED, OK, REPLY_DEFAULT
from huewright.host.suites import tables
from huewright.probe.bench import Bench, SkipCheck
from huewright.probe.checks import CHECKS

FILTER, TRANSITION = standard.FILTER, "OfxImageEffectContextTransition"


class Acted:
    """A plug-in that halves its source; ``ways`` are what it does otherwise:

    a standard action's name   a function of this, the effect's, the in and the out arguments' handles, which is called
                               first and whose status (None: go on as usual) is the answer
    anything else              a value of its description
    """

    def __init__(self, host: Host, **ways: Any) -> None:
        self.ways, self.host, self.renders = ways, host, 0
        self.call: dict[str, Any] = {}
        self.structure = abi.OfxPlugin(
            self.way("api", b"OfxImageEffectPluginAPI"), 1, self.way("identifier", b"org.x.Acted"), 1, 0,
            abi.SetHost(lambda structure: None), abi.MainEntry(self.entry))

    def way(self, name: str, usual: Any) -> Any:
        return self.ways.get(name, usual)

    def fetch(self) -> None:
        for name, version, structure, _ in tables(self.host):
            address = self.host.structure.fetchSuite(self.host.structure.host, name.encode(), version)
            if address:
                made = structure.from_address(address)
                self.call |= {field: getattr(made, field) for field, *_ in structure._fields_}

    def put(self, handle: Any, name: str, *values: Any) -> None:
        for index, value in enumerate(values):
            kind = "String" if isinstance(value, bytes) else "Double" if isinstance(value, float) else "Int"
            self.call[f"propSet{kind}"](handle, name.encode(), index, value)

    def entry(self, action: bytes, effect: int | None, given: int | None, wanted: int | None) -> int:
        name = action.decode()
        if name in self.ways and (status := self.ways[name](self, effect, given, wanted)) is not None:
            return int(status)
        if name == standard.LOAD:
            self.fetch()
            return OK
        properties = ctypes.c_void_p()
        if name == standard.DESCRIBE:
            self.call["getPropertySet"](effect, properties)
            self.put(properties, "OfxImageEffectPropSupportedContexts", *self.way("contexts", [FILTER.encode()]))
            self.put(properties, "OfxImageEffectPropSupportedPixelDepths", *self.way("depths", [b"OfxBitDepthFloat"]))
            for key, value in self.way("says", {}).items():
                self.put(properties, key, value)
            return OK
        if name == standard.DESCRIBE_IN_CONTEXT:
            for clip in self.way("clips", (b"Source", b"Output")):
                self.call["clipDefine"](effect, clip, properties)
                self.put(properties, "OfxImageEffectPropSupportedComponents", *self.way(
                    "components", [b"OfxImageComponentRGBA"]))
            parameters = ctypes.c_void_p()
            self.call["getParamSet"](effect, parameters)
            for (kind, parameter), values in self.way("parameters", {}).items():
                self.call["paramDefine"](parameters, kind, parameter, properties)
                for key, value in values.items():
                    self.put(properties, key, *value)
            self.call["getPropertySet"](effect, properties)
            self.put(properties, "OfxPluginPropParamPageOrder", *self.way("pages", []))
            return OK
        if name == standard.RENDER:
            return self.render(effect, given)
        return REPLY_DEFAULT

    def picture(self, effect: int | None, name: bytes) -> tuple[Any, Any]:
        clip, image = ctypes.c_void_p(), ctypes.c_void_p()
        self.call["clipGetHandle"](effect, name, clip, None)
        if self.call["clipGetImage"](clip, 0.0, None, image) != OK:
            return None, None
        return image, self.host.find(image.value, Image, "test").picture

    def render(self, effect: int | None, given: int | None) -> int:
        self.renders += 1
        window = (ctypes.c_int * 4)()
        self.call["propGetIntN"](given, b"OfxImageEffectPropRenderWindow", 4, window)
        (source, seen), (output, made) = self.picture(effect, b"Source"), self.picture(effect, b"Output")
        if self.way("asks", True):
            self.call["abort"](effect)
        if made is not None:
            if "paint" in self.ways:
                self.ways["paint"](self, seen, made, tuple(window))
            elif seen is not None:
                within(made, tuple(window))[:] = within(seen, tuple(window)) * np.float32(0.5)
        for image in (source, output):
            if image is not None:
                self.call["clipReleaseImage"](image)
        return int(self.way("status", OK if seen is not None and made is not None else FAILED))


def within(picture: Any, window: tuple[int, ...]) -> Any:
    x, y = picture.bounds[:2]
    return picture.pixels[window[1] - y:window[3] - y, window[0] - x:window[2] - x]


def probed(monkeypatch: pytest.MonkeyPatch, check: str, context: str = FILTER, **ways: Any) -> list[str]:
    """What the check finds, of whatever level; "skipped: ..." where it does not apply."""
    acted: list[Acted] = []

    class Loaded:
        def __init__(self, path: str, host: Host) -> None:
            self.path, self.host = Path(path), host
            acted.append(Acted(host, **ways))
            self.plugins = [Plugin(acted[-1].structure, self)]      # type: ignore[arg-type]

        def plugin(self, identifier: str) -> Plugin:
            return self.plugins[0]

    monkeypatch.setattr("huewright.probe.bench.Binary", Loaded)
    bench = Bench("acted.ofx", "org.x.Acted", context)
    skipped = []
    try:
        CHECKS[check](bench)
    except SkipCheck as reason:
        skipped = [f"skipped: {reason}"]
    return skipped + [f"{finding.level}: {finding.message}" for finding in bench.host.journal.findings]


def status(value: int) -> Callable[..., int]:
    return lambda *_: value


def out(**values: Any) -> Callable[..., int]:
    """Answers an action with these out arguments."""
    def answer(acted: Acted, effect: Any, given: Any, wanted: Any) -> int:
        for name, value in values.items():
            acted.put(wanted, name, *value)
        return OK
    return answer


def missing(acted: Acted, *_: Any) -> int:
    acted.fetch()
    acted.host.structure.fetchSuite(acted.host.structure.host, b"OfxMoodSuite", 1)
    return ERR_MISSING_HOST_FEATURE


def edit_without_end(acted: Acted, effect: Any, *_: Any) -> None:
    parameters = ctypes.c_void_p()
    acted.call["getParamSet"](effect, parameters)
    acted.call["paramEditBegin"](parameters, b"a step")


def clips_alone(acted: Acted, effect: Any, *_: Any) -> int:
    for name in (b"Source", b"Output"):
        acted.call["clipDefine"](effect, name, None)
    return OK


def first_only(acted: Acted, seen: Any, made: Any, window: tuple[int, ...]) -> None:
    within(made, window)[:] = within(seen, window) / acted.renders


def all_of_it(acted: Acted, seen: Any, made: Any, window: tuple[int, ...]) -> None:
    made.pixels[:] = seen.pixels


def rows_alike(acted: Acted, seen: Any, made: Any, window: tuple[int, ...]) -> None:
    within(made, window)[:] = abs(seen.row_bytes) + (2 if made.row_bytes < 0 else 0)


def nothing_where_none_is_given(acted: Acted, seen: Any, made: Any, window: tuple[int, ...]) -> None:
    within(made, window)[:] = 0 if seen is None else within(seen, window)


def once_aborted(acted: Acted, seen: Any, made: Any, window: tuple[int, ...]) -> None:
    """Remembers that it was told to stop."""
    acted.stopped = getattr(acted, "stopped", 0) + acted.host.counts.aborts * (    # type: ignore[attr-defined]
        acted.host.conditions.abort_after is not None)
    within(made, window)[:] = acted.stopped if acted.renders % 2 else 0     # type: ignore[attr-defined]


def needs_memory(acted: Acted, effect: Any, given: Any, wanted: Any) -> int | None:
    place = ctypes.c_void_p()
    got = acted.call["memoryAlloc"](None, 4000, place) == OK
    acted.ways["paint"] = lambda acted, seen, made, window: within(made, window).__setitem__(..., float(got))
    if got:
        acted.call["memoryFree"](place)
    return None


GAIN = (b"OfxParamTypeDouble", b"gain")
FOUND: list[tuple[str, dict[str, Any], str]] = [
    ("description", {"api": b"OfxMoodAPI"}, "error: its API is 'OfxMoodAPI' version 1, not 'OfxImageEffectPluginAPI'"),
    ("description", {"identifier": b"org.x.a b"}, "error: the identifier 'org.x.a b' has characters other than"),
    ("description", {standard.LOAD: status(FAILED)}, "error: it does not load and describe itself with every suite"),
    ("description", {standard.LOAD: missing}, "it misses something of this host, which does not give it OfxMood"),
    ("description", {"contexts": []}, "error: the describe action set no supported context"),
    ("description", {"depths": []}, "error: the describe action set no supported pixel depth"),
    ("description", {standard.DESCRIBE_IN_CONTEXT: status(FAILED)}, "but does not describe itself in it"),
    ("description", {"contexts": [TRANSITION.encode()]}, "the double parameter 'Transition' is mandated in"),
    ("description", {"clips": [b"Output"]}, "clip 'Source' is mandated in"),
    ("description", {"components": []}, "error: clip 'Source' supports no components in"),
    ("description", {"parameters": {GAIN: {"OfxParamPropParent": [b"top"]}}}, "has the parent 'top', which is no"),
    ("description", {"parameters": {GAIN: {"OfxParamPropMin": [0.0], "OfxParamPropMax": [2.0], "OfxParamPropDefault": [
        3.0]}}}, "error: parameter 'gain' defaults to 3, outside its range 0 to 2"),
    ("description", {"parameters": {(b"OfxParamTypeChoice", b"kind"): {"OfxParamPropChoiceOption": [b"a"],
                                                                       "OfxParamPropDefault": [1]}}},
     "error: parameter 'kind' is a choice of 1 and defaults to number 1"),
    ("description", {"parameters": {(b"OfxParamTypePage", b"main"): {"OfxParamPropPageChild": [
        b"OfxParamPageSkipRow", b"loss"]}}}, "error: page 'main' lists 'loss', which is no parameter"),
    ("description", {"pages": [b"other"]}, "error: the page order lists 'other', which is no page"),
    ("questions", {standard.CLIP_PREFERENCES: out(OfxImageClipPropComponents_Output=[b"OfxImageComponentAlpha"])},
     "error: clip preferences change the output's components to OfxImageComponentAlpha in the filter context"),
    ("questions", {standard.ROD: out(OfxImageEffectPropRegionOfDefinition=[9.0, 0.0, 1.0, 5.0])},
     "error: the region of definition (9.0, 0.0, 1.0, 5.0) is no rectangle"),
    ("questions", {standard.ROI: out(OfxImageClipPropRoI_Source=[0.0, 9.0, 1.0, 5.0])},
     "error: the region of interest of Source, (0.0, 9.0, 1.0, 5.0), is no rectangle"),
    ("questions", {standard.IDENTITY: out(OfxPropName=[b"Matte"])},
     "error: is identity names the clip 'Matte', which it has not"),
    ("life", {standard.BEGIN_EDIT: edit_without_end}, "error: paramEditBegin was called without paramEditEnd"),
    ("render", {standard.LOAD: status(FAILED)}, "skipped: the load action returned kOfxStatFailed"),
    ("render", {standard.DESCRIBE: status(FAILED)}, "skipped: the describe action returned kOfxStatFailed"),
    ("render", {standard.DESCRIBE_IN_CONTEXT: status(FAILED)}, "skipped: the describe in context action returned"),
    ("render", {"clips": [b"Output"]}, "skipped: not reached: Source of the clips mandated in"),
    ("render", {"depths": [b"OfxBitDepthNone"]}, "skipped: no bit depth and components that this host has"),
    ("render", {standard.CREATE: status(FAILED)}, "skipped: the create instance action returned kOfxStatFailed"),
    ("render", {"says": {"OfxImageEffectPropCPURenderSupported": b"false"}}, "skipped: needs a GPU: the plug-in"),
    ("render", {"status": FAILED}, "error: rendering returned kOfxStatFailed"),
    ("render", {standard.IDENTITY: out(OfxPropName=[b"Source"])}, "note: passes its source through: the host copies"),
    ("tiles", {"paint": first_only}, "error: tiles of 16 x 16 give other bytes than the whole"),
    ("tiles", {"paint": first_only}, "error: the same frame rendered again gives other bytes"),
    ("tiles", {"paint": rows_alike}, "error: other row bytes ({'negative': True}) give other pixels"),
    ("row-bytes", {"paint": rows_alike}, "error: unlike rows give other pixels (OfxBitDepthFloat"),
    ("origin", {"says": {"OfxImageEffectPropSupportsMultiResolution": 0}}, "skipped: the plug-in declares that it"),
    ("origin", {standard.ROD: out(OfxImageEffectPropRegionOfDefinition=[-1e4, -1e4, 1e4, 1e4]), "status": FAILED,
                "paint": lambda *_: None}, "error: rendering beyond the source's bounds returned kOfxStatFailed"),
    ("thread-safety", {"says": {"OfxImageEffectPluginRenderThreadSafety": b"OfxImageEffectRenderUnsafe"}},
     "skipped: the plug-in declares that only one render may run at a time"),
    ("thread-safety", {standard.IDENTITY: out(OfxPropName=[b"Source"])}, "skipped: the plug-in passes its source"),
    ("one-instance-at-once", {
        "says": {"OfxImageEffectPluginRenderThreadSafety": b"OfxImageEffectRenderFullySafe"},
        standard.IDENTITY: out(OfxPropName=[b"Source"])}, "skipped: the plug-in passes its source"),
    ("abort", {"asks": False}, "note: never asks whether to abort"),
    ("abort", {"paint": once_aborted}, "error: after an aborted render the instance gives other bytes than a new one"),
    ("memory", {"paint": nothing_where_none_is_given, "status": OK},
     "error: no image could be fetched for want of memory, and the render says OK"),
    ("memory", {standard.RENDER: needs_memory}, "error: memory was refused, the render says OK, and its pixels are"),
    ("without-PropertySuite", {standard.DESCRIBE: status(OK), standard.DESCRIBE_IN_CONTEXT: clips_alone},
     "error: OfxPropertySuite is missing, and the plug-in loads and describes itself as if it were there"),
    ("without-MessageSuite", {standard.LOAD: status(FAILED)}, "note: refuses to work without OfxMessageSuite"),
]


@pytest.mark.parametrize(("check", "ways", "said"), FOUND, ids=[f"{k}-{row[0]}" for k, row in enumerate(FOUND)])
def test_each_way_is_said(monkeypatch: pytest.MonkeyPatch, check: str, ways: dict[str, Any], said: str) -> None:
    context = TRANSITION if ways.get("contexts") == [TRANSITION.encode()] else FILTER
    found = probed(monkeypatch, check, context, **ways)
    assert any(said in line for line in found), found


def test_a_dialog_that_was_asked_for_is_passed_when_its_action_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """OfxDialogSuite: the host calls kOfxActionDialog, with the data that was given, from the thread of its own user
    interface, not within RequestDialog."""
    order: list[tuple[str, Any]] = []

    def create(acted: Acted, *_: Any) -> None:
        acted.call["RequestDialog"](77)
        order.append(("created", None))

    assert probed(monkeypatch, "life", **{
        standard.CREATE: create, standard.DIALOG: lambda acted, data, *_: order.append(("dialog", data))}) == []
    assert order[:4] == [("created", None), ("dialog", 77)] * 2


@pytest.mark.parametrize("check", sorted({row[0] for row in FOUND} - {"without-PropertySuite"}))
def test_nothing_is_said_of_what_behaves(monkeypatch: pytest.MonkeyPatch, check: str) -> None:
    assert [line for line in probed(monkeypatch, check) if not line.startswith("skipped: ")] == []
