"""Checks of rendering on an NVIDIA GPU, for plug-ins that offer it; "unprobed here" where there is none.

Pictures lie on the card with canaries beside them, and come back whole (:mod:`huewright.host.card`).
"""

from __future__ import annotations

import itertools

import numpy as np

from huewright.host import standard
from huewright.host.card import Card
from huewright.host.pictures import Picture
from huewright.host.session import Instance
from huewright.host.standard import OK
from huewright.probe.bench import Bench, SkipCheck, outside_changed, same_bytes
from huewright.probe.checks.registry import FILLS, check, require_tiles, windows_of

NEAR = {standard.BYTE: 1.0, standard.SHORT: 16.0, standard.HALF: 2.0**-9, standard.FLOAT: 1e-4}
"""How far a GPU's value may lie from the processor's (common practice, no source): codes of integers; of floats, a
share of the value, or of 1 where it is smaller."""
ROUNDS, EACH = 3, 8


def far(a: Picture, b: Picture) -> int:
    """How many values lie farther apart than :data:`NEAR`."""
    one, two = a.pixels.astype(np.float64), b.pixels.astype(np.float64)
    room = np.full(one.shape, NEAR[a.depth])
    if a.pixels.dtype.kind == "f":
        room = room * np.maximum(1.0, np.abs(np.nan_to_num(one)))
    with np.errstate(invalid="ignore"):
        near = (np.abs(one - two) <= room) | (one == two) | (np.isnan(one) & np.isnan(two))
    return int(np.count_nonzero(~near))


def same_values(a: Picture, b: Picture) -> bool:
    """Whether the bits are the same, whatever a value that is no number carries."""
    one, two = np.ascontiguousarray(a.pixels), np.ascontiguousarray(b.pixels)
    bits = f"u{one.itemsize}"
    same = one.view(bits) == two.view(bits)
    return bool(np.all(same | (np.isnan(one) & np.isnan(two)) if one.dtype.kind == "f" else same))


@check("CUDA Rendering, kOfxImageEffectPropCudaEnabled")
def cuda_render(bench: Bench) -> None:
    """Renders on an NVIDIA GPU what it renders on the processor"""
    plugin, _ = bench.on_card()
    alike = True
    assert plugin.descriptor is not None
    cpu = plugin.descriptor.properties.get("OfxImageEffectPropCPURenderSupported", 0, "true") != "false"
    for depth, components in bench.formats(plugin):
        for premultiplication in (standard.UNPREMULTIPLIED, standard.PREMULTIPLIED):
            instance = bench.instance(plugin, depth, components, premultiplication=premultiplication)
            source = bench.source(depth, components, premultiplication=premultiplication)
            before = source.pixels.tobytes()
            first, second = (bench.rendered(instance, source, fill=fill) for fill in FILLS)
            if not same_bytes(first, second):
                bench.error(f"on the GPU, pixels of the window were left unwritten, or depend on what the output held "
                            f"before ({depth}, {components})")
            elif cpu:
                instance.on_card = False
                there = bench.rendered(instance, source)
                if count := far(first, there):
                    bench.error(f"{count} values from the GPU are not those from the processor ({depth}, {components})")
                alike &= same_values(first, there)
            if source.pixels.tobytes() != before:
                bench.error(f"the source was written to on the GPU ({depth}, {components})")
            instance.destroy()
    if not alike:
        bench.host.journal.add("note", "the GPU's values are near the processor's, not the same")
    bench.close(plugin)


@check("CUDA Rendering, Rendering, kOfxImageEffectPropRenderWindow")
def cuda_window(bench: Bench) -> None:
    """Writes nothing outside the render window on an NVIDIA GPU"""
    plugin, card = bench.on_card()
    require_tiles(bench, plugin)
    for (depth, components), negative in itertools.product(bench.formats(plugin), (False, True)):
        instance = bench.instance(plugin, depth, components)
        source = bench.source(depth, components, padding=64, negative=negative)
        for window in windows_of(source.bounds):
            output = bench.rendered(instance, source, windows=[window], fill=FILLS[0], padding=64, negative=negative)
            if count := outside_changed(output, window, FILLS[0]) + card.trespassed:
                bench.error(f"{count} bytes of the GPU's memory outside the render window {window} were written "
                            f"({depth}, {components})")
            card.trespassed = 0
        instance.destroy()
    bench.close(plugin)


@check("CUDA Rendering, kOfxImageEffectPropCudaStream")
def cuda_stream(bench: Bench) -> None:
    """Puts its work on the host's CUDA stream and does not wait for it"""
    plugin, card = bench.on_card()
    if not plugin.says("OfxImageEffectPropCudaStreamSupported"):
        raise SkipCheck("the plug-in declares that it does not support CUDA streams")
    depth, components = bench.best(plugin)
    instance = bench.instance(plugin, depth, components)
    source = bench.source(depth, components)
    wanted = bench.rendered(instance, source)      # what is made ready once is made ready now
    instance.fetches = False
    output = bench.output(instance, source.bounds, fill=FILLS[0])
    _held(bench, card, instance, source, output)
    card.take_back()
    if not same_bytes(output, wanted):
        bench.error("work behind other work on the host's stream gives other bytes")
    bench.close(plugin, instance)


def _held(bench: Bench, card: Card, instance: Instance, source: Picture, output: Picture) -> None:
    """Renders while the stream is held up: nothing may be there before it goes on."""
    before, hold = output.pixels.tobytes(), card.hold()
    bench.progress(f"{standard.RENDER} on a stream that is held up (a plug-in that waits for it hangs)")
    status = instance.frame(source, output)
    early = status == OK and card.snapshot(output) not in (before, None)
    hold.release()
    card.finish()
    hold.close()
    bench.expect(status, "rendering on a stream that is held up")
    if early:
        bench.error("wrote to the output before the host's stream came to it: its work is on another stream")


@check("CUDA Rendering, kOfxImageEffectPropCudaStream")
def cuda_without_streams(bench: Bench) -> None:
    """Is done when it returns, where the host has no CUDA streams"""
    plugin, _ = bench.on_card()
    depth, components = bench.best(plugin)
    source = bench.source(depth, components)
    instance = bench.instance(plugin, depth, components)
    wanted = bench.rendered(instance, source)
    bench.close(plugin, instance)
    plugin, _ = bench.on_card(streams=False)
    instance = bench.instance(plugin, depth, components)
    if not same_bytes(bench.rendered(instance, source), wanted):
        bench.error("the picture is not what it is on a stream: it was not complete when the render action returned")
    bench.close(plugin, instance)


@check("CUDA Rendering")
def cuda_memory(bench: Bench) -> None:
    """Gives the memory that it takes on an NVIDIA GPU back with its instances"""
    plugin, card = bench.on_card()
    depth, components = bench.best(plugin)
    source = bench.source(depth, components)
    left = []
    for _ in range(ROUNDS + 1):
        for _ in range(EACH):
            instance = bench.instance(plugin, depth, components)
            bench.rendered(instance, source)
            instance.destroy()
        left.append(card.free_bytes())
    lost = [before - after for before, after in itertools.pairwise(left)]
    if min(lost) > 0:
        bench.error(f"{sum(lost)} bytes of the GPU's memory were not given back by {ROUNDS * EACH} instances")
    bench.close(plugin)
