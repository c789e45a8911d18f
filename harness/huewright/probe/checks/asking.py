"""Checks of what a plug-in says of itself, and of how its instances live."""

from __future__ import annotations

import math
from typing import Any

from huewright.host import standard
from huewright.host.session import Plugin
from huewright.host.standard import OK, REPLY_DEFAULT
from huewright.probe.bench import Bench, SkipCheck
from huewright.probe.checks.registry import check


@check("Image effect API, describe actions; Image effect contexts")
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
        said = bench.lacking(standard.status_name(standard.ERR_MISSING_HOST_FEATURE))
        if "misses" in said:
            raise SkipCheck(said)
        bench.error("it does not load and describe itself with every suite of this host there")
        return
    assert plugin.descriptor is not None
    contexts = bench.supported(plugin, "OfxImageEffectPropSupportedContexts")
    if not contexts:
        bench.error("the describe action set no supported context")
    if not bench.supported(plugin, "OfxImageEffectPropSupportedPixelDepths"):
        bench.error("the describe action set no supported pixel depth")
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
    name = standard.MANDATED_PARAMETERS.get(context, "")
    if name and getattr(effect.parameters.get(name), "type", "") != "OfxParamTypeDouble":
        bench.error(f"the double parameter {name!r} is mandated in {context} and not defined")
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


@check("Actions passed to an image effect, create and destroy instance")
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


@check("Actions passed to an image effect; Image effect clip preferences")
def questions(bench: Bench) -> None:
    """Answers clip preferences, regions of definition and interest, frames needed, identity"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    choices: tuple[dict[str, Any] | None, ...] = ({}, None)
    for settings in choices:
        instance = bench.instance(plugin, depth, components, settings=settings, prepare=False)
        source = bench.source(depth, components)
        instance.connect("Output", None)
        instance.feed(source)
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


@check("Interacts")
def overlay(bench: Bench) -> None:
    """Its overlay lives, draws in its draw action only, and answers pen, keys and focus"""
    plugin = bench.open()
    depth, components = bench.best(plugin)
    instance = bench.instance(plugin, depth, components)
    shown = instance.overlay()
    if shown is None:
        instance.destroy()
        raise SkipCheck("the plug-in has no overlay that draws with the draw suite")
    if any(status not in (OK, REPLY_DEFAULT) for status in shown.statuses):
        bench.error(f"its overlay's describe or create action returned "
                    f"{', '.join(map(standard.status_name, shown.statuses))}")
    for action in (standard.GAIN_FOCUS, standard.DRAW, standard.PEN_MOTION, standard.PEN_DOWN, standard.PEN_UP,
                   standard.KEY_DOWN, standard.KEY_REPEAT, standard.KEY_UP, standard.DRAW, standard.LOSE_FOCUS):
        shown.poke(action)
    shown.destroy()
    bench.close(plugin, instance)


@check("Actions passed to an image effect, instance changed")
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
