"""Checks of rendered pictures: complete, inside their window, the same however they are asked for."""

from __future__ import annotations

import itertools
from typing import Any

from huewright.host import standard
from huewright.host.pictures import Picture
from huewright.host.standard import OK
from huewright.probe.bench import Bench, SkipCheck, moved, outside_changed, same_bytes
from huewright.probe.checks.registry import FILLS, check, require_tiles, tiles_of, windows_of


@check("Rendering, kOfxImageEffectActionRender")
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


@check("Rendering, kOfxImageEffectPropRenderWindow")
def window(bench: Bench) -> None:
    """Writes nothing outside the render window (canaries around it and between the rows)"""
    plugin = bench.open()
    require_tiles(bench, plugin)
    for (depth, components), negative in itertools.product(bench.formats(plugin), (False, True)):
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components, padding=64, negative=negative)
        for window in windows_of(source.bounds):
            output = bench.rendered(instance, source, windows=[window], fill=FILLS[0], padding=64, negative=negative)
            if count := outside_changed(output, window, FILLS[0]):
                bench.error(f"{count} bytes outside the render window {window} were written ({depth}, {components})")
        instance.destroy()
    bench.close(plugin)


@check("Image effect clips and images, OfxImagePropBounds")
def output_guard(bench: Bench) -> None:
    """Writes nothing before or behind the output's memory (guard pages)"""
    plugin = bench.open()
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        for guard, negative in itertools.product(("end", "start"), (False, True)):
            source = bench.source(depth, components, negative=negative)
            bench.rendered(instance, source, guard=guard, negative=negative)
        instance.destroy()
    bench.close(plugin)


@check("Image effect clips and images, OfxImagePropBounds")
def source_guard(bench: Bench) -> None:
    """Reads nothing outside the source's bounds (guard pages, and poison between the rows)"""
    plugin = bench.open()
    require_tiles(bench, plugin)
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        bounds = bench.source(depth, components).bounds
        results: list[Picture] = []
        for poison in FILLS:
            source = bench.source(depth, components, padding=64, poison=poison)
            results.append(bench.rendered(instance, source, padding=64))
        if not same_bytes(*results):
            bench.error(f"the result depends on bytes between the source's rows ({depth}, {components})")
        for guard, negative in itertools.product(("end", "start"), (False, True)):
            source = bench.source(depth, components, guard=guard, negative=negative)
            source.storage.protect(writable=False)
            for window in (bounds, *windows_of(bounds)):
                bench.rendered(instance, source, windows=[window], negative=negative)
            source.storage.protect(writable=True)
        instance.destroy()
    bench.close(plugin)


@check("Image effect clips and images")
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


@check("Image processing architectures, Tiled rendering (kOfxImageEffectPropSupportsTiles)")
def tiles(bench: Bench) -> None:
    """Gives the same bytes for any tiling, any row bytes, and each time again"""
    plugin = bench.open()
    require_tiles(bench, plugin)
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components)
        whole = bench.rendered(instance, source)
        for width, height in ((16, 16), (7, 5), (1, 100), (100, 1), (33, 11)):
            tiled = bench.rendered(instance, source, windows=tiles_of(source.bounds, width, height))
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


@check("Coordinate systems; Image effect clips and images, OfxImagePropBounds")
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
        output = bench.output(instance, inner, guard="end", fill=FILLS[0], padding=12 * _pixel_bytes(source))
        bench.expect(instance.frame(source, output), f"rendering into bounds {inner}")
    # Wider than the source, if it says that its own picture is. What lies outside counts as black and transparent.
    source = bench.source(depth, components, guard="end")
    x1, y1, x2, y2 = source.bounds
    for side in ("end", "start"):
        source = bench.source(depth, components, guard=side, padding=10 * _pixel_bytes(source))
        wide = (x1 - 4, y1 - 3, x2 + 6, y2 + 5)
        instance.feed(source)
        status, (left, low, right, top) = instance.region_of_definition()
        if status != OK or left > wide[0] or low > wide[1] or right < wide[2] or top < wide[3]:
            break  # its picture ends with the source's: no host asks for more
        output = bench.output(instance, wide, guard=side, fill=FILLS[0])
        bench.expect(instance.frame(source, output), "rendering beyond the source's bounds")
    bench.close(plugin, instance)


def _pixel_bytes(picture: Picture) -> int:
    """Bytes of one pixel: rows are padded by whole ones, so that only the check of row bytes has unlike rows."""
    return int(picture.pixels.shape[2]) * picture.pixels.itemsize


@check("Image effect clips and images, kOfxImagePropRowBytes: rows may be padded, and run down")
def row_bytes(bench: Bench) -> None:
    """Renders where the rows of source and output are padded unlike, or run in opposite ways"""
    plugin = bench.open()
    for depth, components in bench.formats(plugin):
        instance = bench.instance(plugin, depth, components)
        plain = bench.rendered(instance, bench.source(depth, components), expect=False)
        for one, other in (({"padding": 48}, {}), ({}, {"padding": 48}), ({"negative": True}, {}),
                           ({"padding": 16}, {"padding": 64, "negative": True})):
            source = bench.source(depth, components, **one)
            output = bench.output(instance, source.bounds, fill=FILLS[0], **other)
            status = instance.frame(source, output)
            where = f"({depth}, {components}, rows of {source.row_bytes} bytes in, {output.row_bytes} out)"
            if status != OK:
                bench.expect(status, f"rendering where rows are unlike {where}")
            elif not same_bytes(plain, output):
                bench.error(f"unlike rows give other pixels {where}")
        instance.destroy()
    bench.close(plugin)


@check("Coordinate systems, render scale")
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


@check("Parameters, OfxParamPropMin and OfxParamPropMax")
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


@check("Parameters, paramGetValueAtTime")
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
