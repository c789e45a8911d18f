"""The checks of the conformance table. Each runs in a process of its own, on a :class:`Bench`, and leaves findings.

A check that finds nothing has passed. The first line of its docstring is its row in the table.
"""

from __future__ import annotations

import ctypes
import itertools
import math
import sys
import threading
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from huewright.ofx import standard
from huewright.ofx.bench import Bench, SkipCheck, moved, outside_changed, same_bytes
from huewright.ofx.host import Conditions
from huewright.ofx.pictures import Picture, allocate
from huewright.ofx.session import Instance, Plugin, Window
from huewright.ofx.standard import ERR_MEMORY, FAILED, OK, REPLY_DEFAULT

FILLS = (0x5A, 0xC3)
ROUNDS = 8
DAWDLE_S = 2e-4
CHECKS: dict[str, Callable[[Bench], None]] = {}


def check(function: Callable[[Bench], None]) -> Callable[[Bench], None]:
    CHECKS[function.__name__.replace("_", "-")] = function
    return function


def _windows(bounds: Window) -> Iterator[Window]:
    """A corner, the middle, one pixel, one row, one column."""
    x1, y1, x2, y2 = bounds
    w, h = x2 - x1, y2 - y1
    yield x1 + w // 4, y1 + h // 4, x1 + w - w // 3, y1 + h - h // 3
    yield x1 + w // 2, y1 + h // 2, x2, y2
    yield x1 + 3, y1 + 5, x1 + 4, y1 + 6
    yield x1, y1 + h // 2, x2, y1 + h // 2 + 1
    yield x1 + 1, y1, x1 + 2, y2


def _tiles(bounds: Window, width: int, height: int) -> list[Window]:
    x1, y1, x2, y2 = bounds
    return [(x, y, min(x + width, x2), min(y + height, y2))
            for y in range(y1, y2, height) for x in range(x1, x2, width)]


def _tileable(bench: Bench, plugin: Plugin) -> None:
    descriptor = plugin.contexts[bench.context]
    if not descriptor.properties.get("OfxImageEffectPropSupportsTiles", 0, 1):
        raise SkipCheck("the plug-in declares that it does not support tiles")


# --- what it says of itself -----------------------------------------------------------------------------------
@check
def description(bench: Bench) -> None:
    """Describes itself: identifier, contexts, depths, thread safety, mandated clips, parameters"""
    binary = bench.binary()
    plugin = binary.plugin(bench.identifier)
    if plugin.api != standard.API or plugin.structure.apiVersion != 1:
        bench.error(f"its API is {plugin.api!r} version {plugin.structure.apiVersion}, not {standard.API!r} version 1")
    if not plugin.identifier.isascii() or any(c.isspace() or not c.isprintable() for c in plugin.identifier):
        bench.error(f"the identifier {plugin.identifier!r} has characters other than printable ASCII")
    plugin.set_host()
    if plugin.load() not in (OK, REPLY_DEFAULT) or plugin.describe() != OK:
        bench.error("it does not load and describe itself with every suite of this host there")
        return
    assert plugin.descriptor is not None
    contexts = bench.supported(plugin, "OfxImageEffectPropSupportedContexts")
    if not contexts:
        bench.error("the describe action set no supported context")
    if not bench.supported(plugin, "OfxImageEffectPropSupportedPixelDepths"):
        bench.error("the describe action set no supported pixel depth")
    if plugin.descriptor.clips:
        bench.error("the describe action defined clips; they belong into describe in context")
    for context in contexts:
        if plugin.describe_in_context(context) != OK:
            bench.error(f"it supports {context} but does not describe itself in it")
            continue
        _described(bench, plugin, context)
    plugin.unload()


def _described(bench: Bench, plugin: Plugin, context: str) -> None:
    effect = plugin.contexts[context]
    for name in standard.MANDATED_CLIPS.get(context, ()):
        if name not in effect.clips:
            bench.error(f"clip {name!r} is mandated in {context} and not defined")
    for name, clip in effect.clips.items():
        if not clip.properties.all("OfxImageEffectPropSupportedComponents"):
            bench.error(f"clip {name!r} supports no components in {context}")
    for parameter in effect.parameters.values():
        what = f"parameter {parameter.name!r}"
        parent = parameter.properties.get("OfxParamPropParent", 0, "")
        if parent and getattr(effect.parameters.get(parent), "type", "") != "OfxParamTypeGroup":
            bench.error(f"{what} has the parent {parent!r}, which is no group")
        if parameter.type in standard.RANGED:
            lows, highs = parameter.properties.all("OfxParamPropMin"), parameter.properties.all("OfxParamPropMax")
            for value, low, high in zip(parameter.default(), lows, highs, strict=False):
                if not low <= value <= high:
                    bench.error(f"{what} defaults to {value:g}, outside its range {low:g} to {high:g}")
        if parameter.type == "OfxParamTypeChoice":
            options = parameter.properties.all("OfxParamPropChoiceOption")
            if not options or not 0 <= parameter.default()[0] < len(options):
                bench.error(f"{what} is a choice of {len(options)} and defaults to number {parameter.default()[0]}")
    pages = effect.properties.all("OfxPluginPropParamPageOrder")
    for page in (p for p in effect.parameters.values() if p.type == "OfxParamTypePage"):
        for child in page.properties.all("OfxParamPropPageChild"):
            if child not in effect.parameters and not child.startswith("OfxParamPageSkip"):
                bench.error(f"page {page.name!r} lists {child!r}, which is no parameter")
    for page_name in pages:
        if page_name not in effect.parameters:
            bench.error(f"the page order lists {page_name!r}, which is no page")


@check
def life(bench: Bench) -> None:
    """Instances come and go: create, edit, synchronise, purge, destroy, two at a time, and again"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    for _ in range(2):
        pair = [bench.instance(plugin, depth, components) for _ in range(2)]
        for instance in pair:
            for action in (standard.BEGIN_EDIT, standard.SYNC, standard.PURGE, standard.END_EDIT):
                plugin.call(action, instance.effect)
        for instance in pair:
            instance.destroy()
    bench.close(plugin)


@check
def questions(bench: Bench) -> None:
    """Answers clip preferences, regions of definition and interest, frames needed, identity"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    choices: tuple[dict[str, Any] | None, ...] = ({}, None)
    for settings in choices:
        instance = bench.instance(plugin, depth, components, settings=settings, prepare=False)
        source = bench.source(depth, components)
        instance.connect("Output", None)
        if "Source" in instance.effect.clips:
            instance.connect("Source", source)
        status, out = instance.preferences()
        if status == OK and bench.context == standard.FILTER:
            given = out.get("OfxImageClipPropComponents_Output")
            if given != components:
                bench.error(f"clip preferences change the output's components to {given} in the filter context")
        status, region = instance.region_of_definition()
        if status == OK and (len(region) != 4 or region[0] > region[2] or region[1] > region[3]
                             or any(math.isnan(v) for v in region)):
            bench.error(f"the region of definition {region} is no rectangle")
        status, regions = instance.regions_of_interest((4.0, 4.0, 12.0, 9.0))
        for name, region in regions.items():
            if status == OK and (region[0] > region[2] or region[1] > region[3]):
                bench.error(f"the region of interest of {name}, {region}, is no rectangle")
        instance.frames_needed()
        status, clip = instance.identity(source.bounds)
        if status == OK and clip not in instance.effect.clips:
            bench.error(f"is identity names the clip {clip!r}, which it has not")
        instance.destroy()
    bench.close(plugin)


@check
def changes(bench: Bench) -> None:
    """Told of changed parameters and clips, for each reason"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    instance = bench.instance(plugin, depth, components)
    names = [n for n, p in instance.effect.parameters.items() if p.type not in ("OfxParamTypeGroup",
                                                                               "OfxParamTypePage")]
    for reason in (standard.USER_EDITED, standard.PLUGIN_EDITED, standard.TIME_CHANGED):
        instance.changed(names + list(instance.effect.clips), reason)
        instance.note_open_images()
    bench.close(plugin, instance)


# --- rendering ------------------------------------------------------------------------------------------------
@check
def render(bench: Bench) -> None:
    """Renders every pixel of the window, in each depth and components it declares"""
    plugin = bench.open()
    for depth, components in bench.formats(plugin):
        for premultiplication in (standard.UNPREMULTIPLIED, standard.PREMULTIPLIED, standard.OPAQUE):
            instance = bench.instance(plugin, depth, components, premultiplication=premultiplication)
            source = bench.source(depth, components, premultiplication=premultiplication)
            first, second = (bench.rendered(instance, source, fill=fill) for fill in FILLS)
            if not same_bytes(first, second):
                bench.error(f"pixels of the window were left unwritten, or depend on what the output held before "
                            f"({depth}, {components})")
            instance.destroy()
    bench.close(plugin)


@check
def window(bench: Bench) -> None:
    """Writes nothing outside the render window (canaries around it and between the rows)"""
    plugin = bench.open()
    _tileable(bench, plugin)
    for (depth, components), negative in itertools.product(bench.formats(plugin), (False, True)):
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components)
        for window in _windows(source.bounds):
            output = bench.rendered(instance, source, windows=[window], fill=FILLS[0], padding=64, negative=negative)
            if count := outside_changed(output, window, FILLS[0]):
                bench.error(f"{count} bytes outside the render window {window} were written ({depth}, {components})")
        instance.destroy()
    bench.close(plugin)


@check
def output_guard(bench: Bench) -> None:
    """Writes nothing before or behind the output's memory (guard pages)"""
    plugin = bench.open()
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components)
        for guard, negative in itertools.product(("end", "start"), (False, True)):
            bench.rendered(instance, source, guard=guard, negative=negative)
        instance.destroy()
    bench.close(plugin)


@check
def source_guard(bench: Bench) -> None:
    """Reads nothing outside the source's bounds (guard pages, and poison between the rows)"""
    plugin = bench.open()
    _tileable(bench, plugin)
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        bounds = bench.source(depth, components).bounds
        results: list[Picture] = []
        for poison in FILLS:
            source = bench.source(depth, components, padding=64, poison=poison)
            results.append(bench.rendered(instance, source))
        if not same_bytes(*results):
            bench.error(f"the result depends on bytes between the source's rows ({depth}, {components})")
        for guard, negative in itertools.product(("end", "start"), (False, True)):
            source = bench.source(depth, components, guard=guard, negative=negative)
            source.storage.protect(writable=False)
            for window in (bounds, *_windows(bounds)):
                bench.rendered(instance, source, windows=[window])
            source.storage.protect(writable=True)
        instance.destroy()
    bench.close(plugin)


@check
def source_kept(bench: Bench) -> None:
    """Leaves the source's pixels as they were"""
    plugin = bench.open()
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components)
        before = source.pixels.tobytes()
        bench.rendered(instance, source)
        if source.pixels.tobytes() != before:
            bench.error(f"the source was written to ({depth}, {components})")
        instance.destroy()
    bench.close(plugin)


@check
def tiles(bench: Bench) -> None:
    """Gives the same bytes for any tiling, any row bytes, and each time again"""
    plugin = bench.open()
    _tileable(bench, plugin)
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components)
        whole = bench.rendered(instance, source)
        for width, height in ((16, 16), (7, 5), (1, 100), (100, 1), (33, 11)):
            tiled = bench.rendered(instance, source, windows=_tiles(source.bounds, width, height))
            if not same_bytes(whole, tiled):
                bench.error(f"tiles of {width} x {height} give other bytes than the whole ({depth}, {components})")
        for layout in ({"negative": True}, {"padding": 48}, {"padding": 16, "negative": True}):
            other = bench.rendered(instance, bench.source(depth, components, **layout), **layout)
            if not same_bytes(whole, other):
                bench.error(f"other row bytes ({layout}) give other pixels ({depth}, {components})")
        if not same_bytes(whole, bench.rendered(instance, source)):
            bench.error(f"the same frame rendered again gives other bytes ({depth}, {components})")
        instance.destroy()
    bench.close(plugin)


@check
def origin(bench: Bench) -> None:
    """Renders pictures whose bounds do not begin at 0, 0, and smaller ones than its source"""
    plugin = bench.open()
    descriptor = plugin.contexts[bench.context]
    if not descriptor.properties.get("OfxImageEffectPropSupportsMultiResolution", 0, 1):
        raise SkipCheck("the plug-in declares that it does not support pictures of several resolutions")
    depth, components = bench.best(plugin)
    instance = bench.instance(plugin, depth, components)
    for corner in ((-17, 9), (1000, -2000)):
        source = bench.source(depth, components, origin=corner, guard="end")
        bench.rendered(instance, source, guard="start")
        x1, y1, x2, y2 = source.bounds
        inner = (x1 + 5, y1 + 3, x2 - 7, y2 - 2)
        output = allocate(inner, depth, components, guard="end", fill=FILLS[0])
        if (status := instance.frame(source, output)) != OK:
            bench.error(f"rendering into bounds {inner} returned {standard.status_name(status)}{bench.said()}")
    # Wider than the source: what lies outside it counts as black and transparent, and must not be read.
    source = bench.source(depth, components, guard="end")
    x1, y1, x2, y2 = source.bounds
    for side in ("end", "start"):
        source = bench.source(depth, components, guard=side)
        output = allocate((x1 - 4, y1 - 3, x2 + 6, y2 + 5), depth, components, guard=side, fill=FILLS[0])
        if (status := instance.frame(source, output)) != OK:
            bench.error(f"rendering beyond the source's bounds returned {standard.status_name(status)}{bench.said()}")
    bench.close(plugin, instance)


@check
def scale(bench: Bench) -> None:
    """Renders at a render scale of one half"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    bench.host.render_scale = (0.5, 0.5)
    source = bench.source(depth, components)
    x1, y1, x2, y2 = source.bounds
    instance = bench.instance(plugin, depth, components, size=(2.0 * (x2 - x1), 2.0 * (y2 - y1)))
    instance.region_of_definition()
    bench.rendered(instance, source)
    bench.close(plugin, instance)


@check
def parameters(bench: Bench) -> None:
    """Renders with every parameter at its default, its lowest and its highest, without a crash"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    described = plugin.contexts[bench.context].parameters.values()
    source = bench.source(depth, components)
    cases: list[dict[str, Any]] = [{}]
    cases += [{p.name: p.properties.all(f"OfxParamProp{side}")} for p in described if p.type in standard.RANGED
              for side in ("Min", "Max", "DisplayMin", "DisplayMax")]
    cases += [{p.name: option} for p in described if p.type == "OfxParamTypeChoice"
              for option in range(len(p.properties.all("OfxParamPropChoiceOption")))]
    cases += [{p.name: value} for p in described if p.type == "OfxParamTypeBoolean" for value in (0, 1)]
    cases += [{p.name: text} for p in described if p.type == "OfxParamTypeString"
              for text in ("", "/nowhere/at all", "é" * 400, "%s%n%d")]
    for case in cases:
        instance = bench.instance(plugin, depth, components, settings=bench.settings | case)
        for name in case:
            instance.changed([name])
        bench.progress(f"{standard.RENDER} with {case}")
        output = bench.rendered(instance, source, expect=not case)
        del output
        instance.destroy()
    bench.close(plugin)


@check
def animation(bench: Bench) -> None:
    """Reads animated parameters at the time it renders, not at the current one"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    described = list(plugin.contexts[bench.context].parameters.values())
    here, there = moved(described, 0.0) | bench.settings, moved(described, 0.25) | bench.settings
    animated = {name for name in here if here[name] != there[name] and
                plugin.contexts[bench.context].parameters[name].properties.get("OfxParamPropAnimates")}
    if not animated:
        raise SkipCheck("no floating-point parameter that animates and has a finite range")
    keyed = {name: {0: here[name], 8: there[name]} for name in animated}
    source = bench.source(depth, components)
    moving = bench.instance(plugin, depth, components, settings=here | keyed)
    for time, settings in ((0.0, here), (8.0, there)):
        still = bench.instance(plugin, depth, components, settings=settings)
        if not same_bytes(bench.rendered(moving, source, time=time), bench.rendered(still, source, time=time)):
            bench.error(f"frame {time:g} of an animated instance is not that of its values at that frame")
        still.destroy()
    if bench.host.counts.current_value_reads:
        names = ", ".join(sorted(set(bench.host.counts.current_value_reads)))
        bench.host.journal.add("warning", f"read the current value, not that at the time rendered, of {names}")
    bench.close(plugin, moving)


# --- threads --------------------------------------------------------------------------------------------------
@check
def threads(bench: Bench) -> None:
    """Gives the same bytes for any number of threads of the multi-thread suite"""
    plugin = bench.open()
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components)
        bench.host.conditions.cpus = 1
        alone = bench.rendered(instance, source)
        for cpus in (2, 3, 8):
            bench.host.conditions.cpus = cpus
            if not same_bytes(alone, bench.rendered(instance, source)):
                bench.error(f"{cpus} threads give other bytes than one ({depth}, {components})")
        instance.destroy()
    bench.host.conditions.cpus = 1
    bench.close(plugin)


@check
def thread_safety(bench: Bench) -> None:
    """Is as safe to render from several threads at once as it declares"""
    plugin = bench.open()
    assert plugin.descriptor is not None
    declared = plugin.descriptor.properties.get("OfxImageEffectPluginRenderThreadSafety")
    if declared == standard.UNSAFE:
        raise SkipCheck("the plug-in declares that only one render may run at a time")
    depth, components = bench.best(plugin)
    described = list(plugin.contexts[bench.context].parameters.values())
    instances = [bench.instance(plugin, depth, components, settings=moved(described, share) | bench.settings)
                 for share in (0.05, 0.25, 0.15)]
    sources = [bench.source(depth, components, seed=k) for k in range(3)]
    alone = [bench.rendered(instance, source) for instance, source in zip(instances, sources, strict=True)]
    bounds = sources[0].bounds
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)  # callbacks from the threads then alternate as often as they can
    bench.host.conditions.dawdle_s = DAWDLE_S
    try:
        for _ in range(ROUNDS):
            outputs = [allocate(bounds, depth, components, fill=FILLS[0]) for _ in instances]
            jobs = []
            for instance, source, output in zip(instances, sources, outputs, strict=True):
                instance.connect("Source", source)
                instance.connect("Output", output)
                jobs += [(instance, bounds)]
            if not _together(bench, jobs) or any(not same_bytes(a, b) for a, b in zip(alone, outputs, strict=True)):
                bench.error(f"declares {declared}, but instances rendered at once give other bytes")
                break
        for _ in range(ROUNDS if declared == standard.FULLY_SAFE else 0):
            output = allocate(bounds, depth, components, fill=FILLS[0])
            instances[1].connect("Source", sources[1])
            instances[1].connect("Output", output)
            jobs = [(instances[1], tile) for tile in _tiles(bounds, 26, 18)]
            if not _together(bench, jobs) or not same_bytes(alone[1], output):
                bench.error(f"declares {declared}, but tiles of one instance rendered at once give other bytes")
                break
    finally:
        bench.host.conditions.dawdle_s = 0.0
        sys.setswitchinterval(before)
    bench.close(plugin, *instances)


def _together(bench: Bench, jobs: list[tuple[Instance, Window]]) -> bool:
    """Renders all ``jobs`` at once; whether each succeeded."""
    for instance in dict.fromkeys(instance for instance, _ in jobs):
        instance.begin()
    barrier = threading.Barrier(len(jobs))
    statuses: list[int] = []

    def work(instance: Instance, window: Window) -> None:
        barrier.wait()
        statuses.append(instance.render(window))

    # One entry to the journal's "action" for all of them: render calls set and reset it concurrently otherwise.
    with bench.host.journal.during(standard.RENDER):
        running = [threading.Thread(target=work, args=job) for job in jobs]
        for thread in running:
            thread.start()
        for thread in running:
            thread.join()
    jobs[0][0].note_open_images()
    for instance in dict.fromkeys(instance for instance, _ in jobs):
        instance.end()
    return all(status == OK for status in statuses)


# --- bad weather ----------------------------------------------------------------------------------------------
@check
def abort(bench: Bench) -> None:
    """Stops when told to abort, without writing outside its window or keeping handles"""
    bench.under(Conditions(abort_after=0, cpus=2))
    plugin = bench.open()
    depth, components = bench.best(plugin)
    instance = bench.instance(plugin, depth, components)
    source = bench.source(depth, components)
    window = next(_windows(source.bounds))
    asked = 0
    for after in (0, 1, 3):
        bench.host.conditions.abort_after = after
        bench.host.counts.aborts = 0
        output = bench.rendered(instance, source, windows=[window], fill=FILLS[0], expect=False)
        if outside_changed(output, window, FILLS[0]):
            bench.error("an aborted render wrote outside its window")
        asked += bench.host.counts.aborts
    if asked == 0:
        bench.host.journal.add("note", "never asks whether to abort (the standard: it should, occasionally)")
    bench.host.conditions.abort_after = None
    fresh = bench.instance(plugin, depth, components)
    if not same_bytes(bench.rendered(instance, source), bench.rendered(fresh, source)):
        bench.error("after an aborted render the instance gives other bytes than a new one")
    bench.close(plugin, instance, fresh)


@check
def memory(bench: Bench) -> None:
    """Survives when the host has no memory to give, and says so with a status"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    for left in (0, 100, 5000):
        bench.host.conditions.memory_left = left
        bench.host.counts.refused_memory = 0
        try:
            instance = bench.instance(plugin, depth, components)
        except SkipCheck:
            continue
        source = bench.source(depth, components)
        output = allocate(source.bounds, depth, components, fill=FILLS[0])
        status = instance.frame(source, output)
        if bench.host.counts.refused_memory and status == OK:
            whole = allocate(source.bounds, depth, components, fill=FILLS[0])
            bench.host.conditions.memory_left = None
            instance.frame(source, whole)
            if not same_bytes(whole, output):
                bench.error("memory was refused, the render says OK, and its pixels are wrong")
        instance.destroy()
    bench.host.conditions.memory_left = None
    for status in (FAILED, ERR_MEMORY):
        bench.host.conditions.fail_images = status
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components)
        output = allocate(source.bounds, depth, components, fill=FILLS[0])
        if instance.frame(source, output) == OK and status == ERR_MEMORY:
            bench.error("no image could be fetched for want of memory, and the render says OK")
        instance.destroy()
    bench.host.conditions.fail_images = None
    bench.close(plugin)


@check
def no_source(bench: Bench) -> None:
    """Survives a source that is not connected, or has no picture at that time"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    if "Source" not in plugin.contexts[bench.context].clips:
        raise SkipCheck("the plug-in has no source clip")
    instance = bench.instance(plugin, depth, components)
    bounds = bench.source(depth, components).bounds
    for source in (None, FAILED):
        instance.connect("Source", source)
        instance.frame(None, allocate(bounds, depth, components, fill=FILLS[0]))
    bench.close(plugin, instance)


def _without(suite: str) -> Callable[[Bench], None]:
    def run(bench: Bench) -> None:
        bench.under(Conditions(missing=(suite,), cpus=2))
        try:
            plugin = bench.open()
        except SkipCheck as refused:
            if suite not in standard.ESSENTIAL_SUITES and suite in (standard.SUITE_TIMELINE, standard.SUITE_MESSAGE):
                bench.host.journal.add("warning", f"refuses to work without {suite}: {refused}")
            return
        if suite in (standard.SUITE_PROPERTY, standard.SUITE_EFFECT):
            bench.error(f"{suite} is missing, and the plug-in loads and describes itself as if it were there")
            return
        depth, components = bench.best(plugin)
        instance = bench.instance(plugin, depth, components)
        bench.rendered(instance, bench.source(depth, components))
        bench.close(plugin, instance)

    run.__doc__ = f"Copes without {suite}, or refuses to load with a status"
    return run


for _suite in (standard.SUITE_MESSAGE, standard.SUITE_THREAD, standard.SUITE_MEMORY, standard.SUITE_TIMELINE,
               standard.SUITE_PARAMETER, standard.SUITE_EFFECT, standard.SUITE_PROPERTY):
    CHECKS[f"without-{_suite.removeprefix('Ofx')}"] = _without(_suite)


@check
def leaks(bench: Bench) -> None:
    """Gives back every image, allocation and mutex, and does not grow with the number of renders"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    source = bench.source(depth, components)
    settings = moved(list(plugin.contexts[bench.context].parameters.values()), 0.25) | bench.settings

    def rounds(count: int) -> int:
        for _ in range(count):
            instance = bench.instance(plugin, depth, components, settings=settings)
            bench.rendered(instance, source)
            instance.destroy()
        return _heap_in_use()

    rounds(15)
    grown = np.diff([rounds(1), rounds(20), rounds(20), rounds(20)])
    if grown.min() > 20 * 256:
        bench.error(f"memory in use grows by about {int(np.median(grown)) // 20} bytes with each instance and render")
    bench.close(plugin)


def _heap_in_use() -> int:
    """Bytes that malloc has given out, from glibc's own account (0 elsewhere: nothing is then said of growth)."""
    class Account(ctypes.Structure):
        _fields_ = [(name, ctypes.c_size_t) for name in ("arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks",
                                                         "fsmblks", "uordblks", "fordblks", "keepcost")]
    try:
        ask = ctypes.CDLL(None).mallinfo2
    except AttributeError:
        return 0
    ask.restype = Account
    account = ask()
    return account.uordblks + account.hblkhd
