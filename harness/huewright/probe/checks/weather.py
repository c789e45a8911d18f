"""Checks under threads, and in bad weather: aborted, out of memory, without suites, for long."""

from __future__ import annotations

import ctypes
import gc
import sys
import threading
from collections.abc import Callable, Sequence

import numpy as np

from huewright.host import standard
from huewright.host.handles import Conditions
from huewright.host.pictures import Picture
from huewright.host.session import Instance, Window
from huewright.host.standard import ERR_MEMORY, FAILED, OK
from huewright.probe.bench import Bench, SkipCheck, moved, outside_changed, same_bytes
from huewright.probe.checks.registry import CHECKS, FILLS, SECTIONS, check, tiles_of, windows_of

ROUNDS = 8
DAWDLE_S = 2e-4
TIMES = (0.0, 2.0, 5.0, 9.0)


@check("Suites, MultiThreadSuite version 1, multiThread")
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


@check("Thread management, kOfxImageEffectPluginRenderThreadSafety")
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
    if all(instance.identity(bounds)[0] == OK for instance in instances):
        raise SkipCheck("the plug-in passes its source through, so that no host renders it")
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)  # callbacks from the threads then alternate as often as they can
    bench.host.conditions.dawdle_s = DAWDLE_S
    try:
        for _ in range(ROUNDS):
            outputs = [bench.output(instance, bounds, fill=FILLS[0]) for instance in instances]
            jobs = []
            for instance, source, output in zip(instances, sources, outputs, strict=True):
                instance.feed(source)
                instance.connect("Output", output)
                jobs += [(instance, bounds)]
            if not _together(bench, jobs) or any(not same_bytes(a, b) for a, b in zip(alone, outputs, strict=True)):
                bench.error(f"declares {declared}, but instances rendered at once give other bytes")
                break
    finally:
        bench.host.conditions.dawdle_s = 0.0
        sys.setswitchinterval(before)
    bench.close(plugin, *instances)


@check("Thread management, kOfxImageEffectRenderFullySafe: any number of renders at once on one instance")
def one_instance_at_once(bench: Bench) -> None:
    """Gives tiles and frames of one instance rendered at once the same bytes, where it declares that to be safe"""
    plugin = bench.open()
    assert plugin.descriptor is not None
    declared = plugin.descriptor.properties.get("OfxImageEffectPluginRenderThreadSafety")
    if declared != standard.FULLY_SAFE:
        raise SkipCheck("the plug-in declares that an instance renders one frame at a time")
    depth, components = bench.best(plugin)
    described = list(plugin.contexts[bench.context].parameters.values())
    first, last = (moved(described, share) for share in (0.05, 0.3))
    animates = {p.name for p in described if p.properties.get("OfxParamPropAnimates")}
    keyed = {name: {TIMES[0]: value, TIMES[-1]: last[name]} if name in animates else value
             for name, value in first.items()}
    instance = bench.instance(plugin, depth, components, settings=keyed | bench.settings)
    sources = {time: bench.source(depth, components, seed=k) for k, time in enumerate(TIMES)}
    bounds = sources[TIMES[0]].bounds
    if all(instance.identity(bounds, time)[0] == OK for time in TIMES):
        raise SkipCheck("the plug-in passes its source through, so that no host renders it")

    def outputs() -> dict[float, Picture]:
        made = {time: bench.output(instance, bounds, fill=FILLS[0]) for time in TIMES}
        instance.feed_frames(sources)
        instance.connect("Output", lambda time, _region: made.get(time, FAILED))
        return made

    alone = outputs()
    for time in TIMES:
        _together(bench, [(instance, bounds, time)])
    tiles = [(instance, tile, TIMES[1]) for tile in tiles_of(bounds, 26, 18)]
    frames = [(instance, bounds, time) for time in TIMES]
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    bench.host.conditions.dawdle_s = DAWDLE_S
    try:
        for what, jobs in (("tiles", tiles), ("frames", frames)) * ROUNDS:
            made = outputs()
            done = _together(bench, jobs)
            if not done or any(not same_bytes(alone[time], made[time]) for _, _, time in jobs):
                bench.error(f"declares {declared}, but {what} of one instance rendered at once give other bytes")
                break
    finally:
        bench.host.conditions.dawdle_s = 0.0
        sys.setswitchinterval(before)
    bench.close(plugin, instance)


def _together(bench: Bench, jobs: Sequence[tuple[Instance, Window] | tuple[Instance, Window, float]]) -> bool:
    """Renders all ``jobs`` at once, each an instance, a window and a time (0); whether each succeeded."""
    for instance in dict.fromkeys(job[0] for job in jobs):
        instance.begin()
    barrier = threading.Barrier(len(jobs))
    statuses: list[int] = []

    def work(instance: Instance, window: Window, time: float = 0.0) -> None:
        barrier.wait()
        statuses.append(instance.render(window, time))

    # One entry to the journal's "action" for all of them: render calls set and reset it concurrently otherwise.
    with bench.host.journal.during(standard.RENDER):
        running = [threading.Thread(target=work, args=job) for job in jobs]
        for thread in running:
            thread.start()
        for thread in running:
            thread.join()
    for instance in dict.fromkeys(job[0] for job in jobs):
        instance.note_open_images()
        instance.end()
    return all(status == OK for status in statuses)


# --- bad weather ----------------------------------------------------------------------------------------------
@check("Suites, ImageEffectSuite version 1, abort")
def abort(bench: Bench) -> None:
    """Stops when told to abort, without writing outside its window or keeping handles"""
    bench.under(Conditions(abort_after=0, cpus=2))
    plugin = bench.open()
    depth, components = bench.best(plugin)
    instance = bench.instance(plugin, depth, components)
    source = bench.source(depth, components)
    window = next(windows_of(source.bounds))
    asked = 0
    bench.host.conditions.abort_after = None
    whole = bench.rendered(instance, source, windows=[window], fill=FILLS[0], expect=False)
    always = outside_changed(whole, window, FILLS[0]) > 0  # then the check of windows has said so
    for after in (0, 1, 3):
        bench.host.conditions.abort_after = after
        bench.host.counts.aborts = 0
        output = bench.rendered(instance, source, windows=[window], fill=FILLS[0], expect=False)
        if not always and outside_changed(output, window, FILLS[0]):
            bench.error("an aborted render wrote outside its window")
        asked += bench.host.counts.aborts
    if asked == 0:
        bench.host.journal.add("note", "never asks whether to abort (the standard: it should, occasionally)")
    bench.host.conditions.abort_after = None
    fresh = bench.instance(plugin, depth, components)
    if not same_bytes(bench.rendered(instance, source), bench.rendered(fresh, source)):
        bench.error("after an aborted render the instance gives other bytes than a new one")
    bench.close(plugin, instance, fresh)


@check("Suites, MemorySuite version 1; ImageEffectSuite, clipGetImage: kOfxStatErrMemory")
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
        output = bench.output(instance, source.bounds, fill=FILLS[0])
        status = instance.frame(source, output)
        if bench.host.counts.refused_memory and status == OK:
            whole = bench.output(instance, source.bounds, fill=FILLS[0])
            bench.host.conditions.memory_left = None
            instance.frame(source, whole)
            if not same_bytes(whole, output):
                bench.error("memory was refused, the render says OK, and its pixels are wrong")
        instance.destroy()
    bench.host.conditions.memory_left = None
    bench.host.conditions.fail_images = ERR_MEMORY
    instance = bench.instance(plugin, depth, components)
    source = bench.source(depth, components)
    output = bench.output(instance, source.bounds, fill=FILLS[0])
    if instance.frame(source, output) == OK and bench.host.counts.refused_images:
        bench.error("no image could be fetched for want of memory, and the render says OK")
    instance.destroy()
    bench.host.conditions.fail_images = None
    bench.close(plugin)


@check("Suites, ImageEffectSuite version 1, clipGetImage: kOfxStatFailed")
def no_source(bench: Bench) -> None:
    """Survives a source that has no picture at that time, or is optional and not connected"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    if "Source" not in plugin.contexts[bench.context].clips:
        raise SkipCheck("the plug-in has no source clip")
    instance = bench.instance(plugin, depth, components)
    bounds = bench.source(depth, components).bounds
    # The standard: any clip that is not optional will always be connected during a render action.
    optional = plugin.contexts[bench.context].clips["Source"].properties.get("OfxImageClipPropOptional", 0, 0)
    for source in (FAILED, None) if optional else (FAILED,):
        instance.connect("Source", source)
        instance.frame(None, bench.output(instance, bounds, fill=FILLS[0]))
    bench.close(plugin, instance)


def _without(suite: str) -> Callable[[Bench], None]:
    def run(bench: Bench) -> None:
        bench.under(Conditions(missing=(suite,), cpus=2))
        try:
            plugin = bench.open()
        except SkipCheck as refused:
            if suite in (standard.SUITE_TIMELINE, standard.SUITE_MESSAGE):
                bench.host.journal.add("note", f"refuses to work without {suite}: {refused}")
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
    SECTIONS[f"without-{_suite.removeprefix('Ofx')}"] = "Core API, OfxHost::fetchSuite: NULL if the suite is unknown"


@check("Actions passed to an image effect, kOfxActionDestroyInstance")
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
    gc.collect()  # what this host itself has in circles is no growth of the plug-in's
    account = ask()
    result: int = account.uordblks + account.hblkhd
    return result
