"""Drives a plug-in through the actions of the standard, in the standard's order, and checks every answer."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from huewright.errors import InputError, library_words
from huewright.host import abi, property_sets, standard
from huewright.host.bundle import why_not
from huewright.host.given import as_components, colour_of, components_of, parameter_value
from huewright.host.host import Host
from huewright.host.objects import Clip, Effect, Parameter, PropertySet
from huewright.host.overlay import Overlay
from huewright.host.pictures import Picture
from huewright.host.standard import FAILED, OK, REPLY_DEFAULT

Window = tuple[int, int, int, int]


MOST_PLUGINS = 10_000


class Binary:
    """A loaded ``.ofx``: its plug-ins' structures. The library stays loaded as long as the process."""

    def __init__(self, path: Path | str, host: Host) -> None:
        self.path, self.host = Path(path), host
        try:
            if strange := why_not(path):
                raise OSError(strange)
            self.library = ctypes.CDLL(os.fspath(Path(path).resolve()), mode=os.RTLD_NOW | os.RTLD_LOCAL)
            count, get = self.library.OfxGetNumberOfPlugins, self.library.OfxGetPlugin
        except (OSError, AttributeError) as error:
            raise InputError(f"{path}: cannot be loaded as an OpenFX binary ({library_words(error)}); give another, or "
                             "one for this machine") from None
        set_host = getattr(self.library, "OfxSetHost", None)
        if set_host is not None:
            set_host.restype, set_host.argtypes = ctypes.c_int, [ctypes.POINTER(abi.OfxHost)]
            set_host(ctypes.byref(host.structure))
        count.restype, count.argtypes = ctypes.c_int, []
        get.restype, get.argtypes = ctypes.POINTER(abi.OfxPlugin), [ctypes.c_int]
        number = count()
        if number < 0:
            host.journal.add("error", f"OfxGetNumberOfPlugins says {number}")
        if number > MOST_PLUGINS:
            raise InputError(f"{path}: cannot be loaded as an OpenFX binary (it says that it holds {number} plug-ins); "
                             "give another")
        pointers = [get(index) for index in range(max(0, number))]
        self.plugins = [Plugin(pointer.contents, self) for pointer in pointers if pointer]
        if len(self.plugins) != max(0, number):
            host.journal.add("error", f"OfxGetPlugin gave {len(self.plugins)} of {number} plug-ins")

    def plugin(self, identifier: str) -> Plugin:
        for plugin in self.plugins:
            if plugin.identifier == identifier:
                return plugin
        known = ", ".join(plugin.identifier for plugin in self.plugins) or "none"
        raise InputError(f"{self.path}: no effect {identifier!r} in it; it has {known}")


class Plugin:
    """One plug-in of a binary, from setHost to unload."""

    def __init__(self, structure: abi.OfxPlugin, binary: Binary) -> None:
        self.structure, self.binary, self.host = structure, binary, binary.host
        self.identifier = (structure.pluginIdentifier or b"").decode(errors="replace")
        self.api = (structure.pluginApi or b"").decode(errors="replace")
        self.version = (structure.pluginVersionMajor, structure.pluginVersionMinor)
        self.descriptor: Effect | None = None
        self.contexts: dict[str, Effect] = {}
        self.progress: Callable[[str], None] = lambda action: None

    # --- the one way in --------------------------------------------------------------------------------------
    def call(self, action: str, effect: Effect | None = None, values: dict[str, Any] | None = None,
             out: PropertySet | None = None) -> int:
        """Passes ``action`` and checks the status against those the standard allows for it."""
        host = self.host
        arguments = None
        if values is not None:
            arguments = PropertySet(f"the in arguments of {action}", property_sets.IN_ARGUMENTS[action], values,
                                    host.journal)
        handles = [host.register(thing) if thing is not None else None for thing in (arguments, out)]
        self.progress(action)
        with host.journal.during(action):
            status: int = self.structure.mainEntry(action.encode(), host.handle_of(effect) if effect else None,
                                                   *handles)
            if status not in standard.ALLOWED[action]:
                host.journal.add("error", f"returned {standard.status_name(status)}, which this action may not")
        if os.getpid() != host.process:  # the plug-in forked, and this is the copy: it must not go on as if it were us
            host.copied()
            os._exit(0)
        while host.counts.dialogs:  # asked for in that action; passed when it is over, as from a host's own thread
            data = host.counts.dialogs.pop()
            with host.journal.during(standard.DIALOG):
                self.structure.mainEntry(standard.DIALOG.encode(), data, None, None)
        for handle in handles:
            if handle is not None:
                host.release(handle)
        return status

    def set_host(self) -> None:
        self.progress("setHost")
        self.structure.setHost(ctypes.byref(self.host.structure))

    def load(self) -> int:
        return self.call(standard.LOAD)

    def unload(self) -> int:
        status = self.call(standard.UNLOAD)
        for effect in (self.descriptor, *self.contexts.values()):
            if effect is not None:
                self.host.forget(effect)
        self.descriptor, self.contexts = None, {}
        return status

    def describe(self) -> int:
        values = {"OfxPropType": "OfxTypeImageEffect", "OfxPropLabel": self.identifier,
                  "OfxPluginPropFilePath": os.fspath(self.binary.path), "OfxImageEffectPropSupportsTiles": 1,
                  "OfxImageEffectPropSupportsMultiResolution": 1, "OfxImageEffectPluginPropHostFrameThreading": 1,
                  "OfxImageEffectPluginRenderThreadSafety": standard.INSTANCE_SAFE,
                  "OfxImageEffectPluginPropFieldRenderTwiceAlways": 1, "OfxImageEffectPropTemporalClipAccess": 0,
                  "OfxImageEffectPluginPropSingleInstance": 0, "OfxImageEffectPropMultipleClipDepths": 0,
                  "OfxImageEffectPropSupportsMultipleClipPARs": 0}
        properties = PropertySet("the effect descriptor", property_sets.EFFECT_DESCRIPTOR, values, self.host.journal)
        self.descriptor = Effect(properties, instance=False)
        return self.call(standard.DESCRIBE, self.descriptor)

    def says(self, name: str) -> bool:
        """Whether its description answers a question of support with "true" or "needed"."""
        return self.descriptor is not None and self.descriptor.properties.get(name, 0, "") in ("true", "needed")

    @property
    def renders_on_cards(self) -> bool:
        return self.says("OfxImageEffectPropCudaRenderSupported")

    def describe_in_context(self, context: str) -> int:
        assert self.descriptor is not None
        effect = Effect(self.descriptor.properties.copy("the effect descriptor"), False, context)
        effect.parameters = dict(self.descriptor.parameters)
        self.contexts[context] = effect
        return self.call(standard.DESCRIBE_IN_CONTEXT, effect, {"OfxImageEffectPropContext": context})

    def create(self, context: str, size: tuple[float, float], *, depth: str, components: str,
               premultiplication: str = standard.UNPREMULTIPLIED, frames: tuple[float, float] = (0.0, 0.0),
               settings: dict[str, Any] | None = None) -> Instance:
        """An instance with every clip connected; its ``created`` is the status of the create instance action."""
        return Instance(self, self.contexts[context], size, depth, components, premultiplication, frames,
                        settings or {})


class Instance:
    """An effect instance and what can be asked of it. ``size`` is the project's, in canonical coordinates."""

    def __init__(self, plugin: Plugin, descriptor: Effect, size: tuple[float, float], depth: str, components: str,
                 premultiplication: str, frames: tuple[float, float], settings: dict[str, Any]) -> None:
        self.plugin, self.host, self.descriptor = plugin, plugin.host, descriptor
        journal = self.host.journal
        self.host.frame_range = frames
        values = {"OfxPropType": "OfxTypeImageEffectInstance", "OfxImageEffectPropContext": descriptor.context,
                  "OfxPropInstanceData": 0, "OfxImageEffectPropProjectSize": size,
                  "OfxImageEffectPropProjectOffset": (0.0, 0.0), "OfxImageEffectPropProjectExtent": size,
                  "OfxImageEffectPropPixelAspectRatio": 1.0, "OfxImageEffectPropFrameRate": 24.0,
                  "OfxImageEffectInstancePropEffectDuration": frames[1] - frames[0] + 1, "OfxPropIsInteractive": 0,
                  "OfxImageEffectInstancePropSequentialRender": 0,
                  "OfxImageEffectPropSupportsTiles": descriptor.properties.get("OfxImageEffectPropSupportsTiles", 0, 1),
                  "OfxPropLabel": descriptor.properties.get("OfxPropLabel", 0, ""),
                  "OfxImageEffectPropCPURenderSupported": "true", "OfxImageEffectPropOpenGLRenderSupported": "false",
                  "OfxImageEffectPropPluginHandle": self.host.handle_of(plugin.descriptor),
                  **colour_of(descriptor.properties)}
        self.effect = Effect(PropertySet("the effect instance", property_sets.EFFECT_INSTANCE, values, journal), True,
                             descriptor.context)
        self.premultiplication = premultiplication
        for name, clip in descriptor.clips.items():
            flags: dict[str, Any] = {key: list(values) for key, values in clip.properties.values.items()
                     if key in property_sets.CLIP_INSTANCE}
            own_components = components_of(clip, components)
            flags |= {"OfxImageEffectPropPixelDepth": depth, "OfxImageEffectPropComponents": own_components,
                      "OfxImageClipPropUnmappedPixelDepth": depth, "OfxImageClipPropUnmappedComponents": own_components,
                      "OfxImageClipPropColourspace": standard.SCENE_LINEAR,
                      "OfxImageEffectPropPreMultiplication": premultiplication, "OfxImagePropPixelAspectRatio": 1.0,
                      "OfxImageEffectPropFrameRate": 24.0, "OfxImageEffectPropFrameRange": frames,
                      "OfxImageEffectPropUnmappedFrameRange": frames, "OfxImageEffectPropUnmappedFrameRate": 24.0,
                      "OfxImageClipPropFieldOrder": standard.FIELD_NONE, "OfxImageClipPropContinuousSamples": 0,
                      # An optional input is one that nobody has connected.
                      "OfxImageClipPropConnected": int(not clip.properties.get("OfxImageClipPropOptional", 0, 0))}
            held = PropertySet(f"clip {name}", property_sets.CLIP_INSTANCE, flags, journal)
            self.effect.clips[name] = Clip(name, held, region=(0.0, 0.0, *size))
        for name, parameter in descriptor.parameters.items():
            own = Parameter(name, parameter.type, parameter.properties.copy(f"parameter {name}"))
            own.properties.put("OfxPropType", "OfxTypeParameterInstance")
            own.properties.table = own.properties.table | property_sets.INSTANCE_ONLY
            own.curves = {index: list(points) for index, points in parameter.curves.items()}
            if parameter.held is not None:
                own.properties.put("OfxParamPropIsAnimating", 0)
                own.values = parameter.default()
            self.effect.parameters[name] = own
        self.set(settings)
        self.on_card = self.host.conditions.card is not None and plugin.renders_on_cards
        self.fetches = True
        """Whether pictures come back from the GPU after each render."""
        self.created = plugin.call(standard.CREATE, self.effect)
        self.alive = True

    # --- settings --------------------------------------------------------------------------------------------
    def set(self, settings: dict[str, Any]) -> None:
        """Sets parameters from Python values; a dict of frame -> value animates. Relative paths begin at the host's
        ``folder``. Raises :class:`InputError`."""
        for name, value in settings.items():
            parameter = self.effect.parameters.get(name)
            if parameter is None or parameter.held is None:
                known = ", ".join(n for n, p in self.effect.parameters.items() if p.held)
                raise InputError(f"effect {self.plugin.identifier} has no parameter {name!r}; it has {known}")
            if parameter.properties.get("OfxParamPropStringMode", 0, "") in standard.PATH_MODES and value:
                value = os.path.join(self.host.folder, value)
            if isinstance(value, dict):
                parameter.keys = {float(frame): parameter_value(parameter, item) for frame, item in value.items()}
                parameter.properties.put("OfxParamPropIsAnimating", 1)
            else:
                parameter.values = parameter_value(parameter, value)

    def changed(self, names: list[str], reason: str = standard.USER_EDITED, time: float = 0.0) -> list[int]:
        statuses = [self.plugin.call(standard.BEGIN_CHANGED, self.effect, {"OfxPropChangeReason": reason})]
        for name in names:
            kind = "OfxTypeClip" if name in self.effect.clips else "OfxTypeParameter"
            statuses.append(self.plugin.call(standard.CHANGED, self.effect, {
                "OfxPropType": kind, "OfxPropName": name, "OfxPropChangeReason": reason, "OfxPropTime": time,
                "OfxImageEffectPropRenderScale": self.host.render_scale}))
        statuses.append(self.plugin.call(standard.END_CHANGED, self.effect, {"OfxPropChangeReason": reason}))
        return statuses

    # --- questions -------------------------------------------------------------------------------------------
    def ask(self, action: str, values: dict[str, Any] | None, defaults: dict[str, Any]) -> tuple[int, PropertySet]:
        table = property_sets.out_arguments(action, tuple(self.effect.clips))
        out = PropertySet(f"the out arguments of {action}", table, defaults, self.host.journal)
        return self.plugin.call(action, self.effect, values, out), out

    def _at(self, time: float) -> dict[str, Any]:
        return {"OfxPropTime": time, "OfxImageEffectPropRenderScale": self.host.render_scale}

    def preferences(self) -> tuple[int, PropertySet]:
        defaults: dict[str, Any] = {
            "OfxImageEffectPropFrameRate": 24.0, "OfxImageClipPropFieldOrder": standard.FIELD_NONE,
            "OfxImageEffectPropPreMultiplication": self.premultiplication, "OfxImageClipPropContinuousSamples": 0,
            "OfxImageEffectFrameVarying": 0}
        for name, clip in self.effect.clips.items():
            defaults[f"OfxImageClipPropComponents_{name}"] = clip.properties.get("OfxImageEffectPropComponents")
            defaults[f"OfxImageClipPropDepth_{name}"] = clip.properties.get("OfxImageEffectPropPixelDepth")
            defaults[f"OfxImageClipPropPAR_{name}"] = 1.0
        status, out = self.ask(standard.CLIP_PREFERENCES, None, defaults)
        if status == OK:
            self._prefer(out)
        return status, out

    def _prefer(self, out: PropertySet) -> None:
        """The output's depth as the plug-in wants it, where both sides can have clips of unlike depths; its components,
        where they need not be its source's."""
        output = self.effect.clips.get("Output")
        described = self.plugin.descriptor
        if output is None or described is None:
            return
        key = "OfxImageEffectPropMultipleClipDepths"
        depth, components = (out.get(f"OfxImageClipProp{what}_Output", 0, "") for what in ("Depth", "Components"))
        if depth in described.properties.all("OfxImageEffectPropSupportedPixelDepths") and depth in standard.DEPTHS \
                and described.properties.get(key, 0, 0) and self.host.properties.get(key, 0, 0):
            output.properties.put("OfxImageEffectPropPixelDepth", depth)
        if self.effect.context != standard.FILTER and components in standard.COMPONENTS \
                and components in output.properties.all("OfxImageEffectPropSupportedComponents"):
            output.properties.put("OfxImageEffectPropComponents", components)

    @property
    def output_format(self) -> tuple[str, str]:
        """(depth, components) of the pictures that the output clip takes."""
        held = self.effect.clips["Output"].properties
        return held.get("OfxImageEffectPropPixelDepth"), held.get("OfxImageEffectPropComponents")

    def region_of_definition(self, time: float = 0.0) -> tuple[int, tuple[float, ...]]:
        source = self.effect.clips.get("Source") or self.effect.clips["Output"]
        key = "OfxImageEffectPropRegionOfDefinition"
        status, out = self.ask(standard.ROD, self._at(time), {key: source.region})
        return status, out.all(key)

    def regions_of_interest(self, region: tuple[float, ...], time: float = 0.0
                            ) -> tuple[int, dict[str, tuple[float, ...]]]:
        inputs = [name for name in self.effect.clips if name != "Output"]
        defaults = {f"OfxImageClipPropRoI_{name}": region for name in inputs}
        status, out = self.ask(standard.ROI, self._at(time) | {"OfxImageEffectPropRegionOfInterest": region}, defaults)
        return status, {name: out.all(f"OfxImageClipPropRoI_{name}") for name in inputs}

    def frames_needed(self, time: float = 0.0) -> int:
        inputs = {f"OfxImageClipPropFrameRange_{name}": (time, time) for name in self.effect.clips if name != "Output"}
        return self.ask(standard.FRAMES_NEEDED, {"OfxPropTime": time}, inputs)[0]

    def identity(self, window: Window, time: float = 0.0) -> tuple[int, str]:
        values = self._at(time) | {"OfxImageEffectPropRenderWindow": window,
                                   "OfxImageEffectPropFieldToRender": standard.FIELD_NONE}
        status, out = self.ask(standard.IDENTITY, values, {"OfxPropName": "", "OfxPropTime": time})
        return status, out.get("OfxPropName", 0, "")

    # --- rendering -------------------------------------------------------------------------------------------
    def connect(self, clip: str, source: Picture | int | Callable[[float, Any], Picture | int] | None) -> None:
        """What the clip hands out: one picture for all times, a function of time, or a status; None disconnects."""
        target = self.effect.clips[clip]
        if callable(source) or source is None:
            target.source = source
        else:
            target.source = lambda _time, _region: source
        if isinstance(source, Picture):
            target.region = tuple(float(v) for v in source.region)  # type: ignore[assignment]
        target.properties.put("OfxImageClipPropConnected", int(source is not None))

    def feed(self, source: Picture) -> None:
        """``source`` to every input that must be connected, in the components that the input takes."""
        for name, clip in self.effect.clips.items():
            if name != "Output" and not clip.properties.get("OfxImageClipPropOptional", 0, 0):
                self.connect(name, as_components(source, clip.properties.get("OfxImageEffectPropComponents")))

    def feed_frames(self, sources: dict[float, Picture]) -> None:
        """The picture of each time to every input that must be connected; at other times there is none."""
        for name, clip in self.effect.clips.items():
            if name != "Output" and not clip.properties.get("OfxImageClipPropOptional", 0, 0):
                wanted = clip.properties.get("OfxImageEffectPropComponents")
                own = {time: as_components(source, wanted) for time, source in sources.items()}
                self.connect(name, next(iter(own.values())))      # for the region
                self.connect(name, _at_times(own))

    # --- overlays --------------------------------------------------------------------------------------------
    def overlay(self) -> Overlay | None:
        """The plug-in's overlay that draws with the draw suite, created; None if it has none."""
        address = self.plugin.descriptor and self.plugin.descriptor.properties.get(
            "OfxImageEffectPluginPropOverlayInteractV2")
        return Overlay(self.host, self.effect, int(address), self.plugin.progress) if address else None

    def _sequence(self, first: float, last: float) -> dict[str, Any]:
        return {"OfxImageEffectPropFrameRange": (first, last), "OfxImageEffectPropFrameStep": 1.0,
                "OfxPropIsInteractive": 0, **self._render_flags()}

    def _render_flags(self) -> dict[str, Any]:
        return {"OfxImageEffectPropRenderScale": self.host.render_scale,
                "OfxImageEffectPropSequentialRenderStatus": 0, "OfxImageEffectPropInteractiveRenderStatus": 0,
                "OfxImageEffectPropRenderQualityDraft": 0, "OfxImageEffectPropOpenGLEnabled": 0,
                "OfxImageEffectPropCudaEnabled": int(self.on_card), "OfxImageEffectPropMetalEnabled": 0,
                "OfxImageEffectPropOpenCLEnabled": 0, "OfxImageEffectPropThumbnailRender": "false",
                "OfxImageEffectPropNoSpatialAwareness": "false", "OfxImageEffectPropCudaStream": self._stream(),
                "OfxImageEffectPropMetalCommandQueue": 0, "OfxImageEffectPropOpenCLCommandQueue": 0}

    def _stream(self) -> int:
        """The stream to work on, where both sides know of streams."""
        card = self.host.conditions.card
        both = self.on_card and card is not None and card.streams and self.plugin.says(
            "OfxImageEffectPropCudaStreamSupported")
        return int(card.stream) if both and card is not None else 0

    def begin(self, first: float = 0.0, last: float = 0.0) -> int:
        return self.plugin.call(standard.BEGIN_RENDER, self.effect, self._sequence(first, last))

    def end(self, first: float = 0.0, last: float = 0.0) -> int:
        return self.plugin.call(standard.END_RENDER, self.effect, self._sequence(first, last))

    def render(self, window: Window, time: float = 0.0) -> int:
        self.host.time = time
        self.host.counts.renders += 1
        card = self.host.conditions.card
        if self.on_card and card is not None:
            card.enter()
            self.host.on_card = True
            try:
                return self._render(window, time)
            finally:
                self.host.on_card = False
                if self.fetches:
                    card.take_back()
        return self._render(window, time)

    def _render(self, window: Window, time: float) -> int:
        return self.plugin.call(standard.RENDER, self.effect, self._render_flags() | {
            "OfxPropTime": time, "OfxImageEffectPropRenderWindow": window,
            "OfxImageEffectPropFieldToRender": standard.FIELD_NONE})

    def frame(self, source: Picture | None, output: Picture, windows: list[Window] | None = None,
              time: float = 0.0) -> int:
        """Begin, one render a window (default: the whole output), end. The first failed status, else OK."""
        if source is not None:
            self.feed(source)
        self.connect("Output", output)
        statuses = [self.begin(time, time)]
        for window in windows or [output.bounds]:
            if source is not None and self._passed_through(source, output, window, time):
                continue
            statuses.append(self.render(window, time))
            self.note_open_images()
        statuses.append(self.end(time, time))
        return next((status for status in statuses if status not in (OK, REPLY_DEFAULT)), OK)

    def _passed_through(self, source: Picture, output: Picture, window: Window, time: float) -> bool:
        """Whether the plug-in says that an input is the result; the host then copies it and does not render."""
        self.host.time = time
        status, clip = self.identity(window, time)
        if status != OK or clip not in self.effect.clips \
                or (source.depth, source.components) != (output.depth, output.components):
            return False
        self.host.counts.passed_through += 1
        (x1, y1, x2, y2), (left, low, right, top), (x0, y0, *_) = window, source.bounds, output.bounds
        output.pixels[y1 - y0:y2 - y0, x1 - x0:x2 - x0] = 0
        x1, y1, x2, y2 = max(x1, left), max(y1, low), min(x2, right), min(y2, top)
        if x1 < x2 and y1 < y2:
            output.pixels[y1 - y0:y2 - y0, x1 - x0:x2 - x0] = source.pixels[y1 - low:y2 - low, x1 - left:x2 - left]
        return True

    def output_colourspace(self) -> tuple[int, str]:
        """The colour space that the plug-in says its output has, of those that the host would take."""
        key = "OfxImageClipPropColourspace"
        status, out = self.ask(standard.OUTPUT_COLOURSPACE,
                               {"OfxImageClipPropPreferredColourspaces": [standard.SCENE_LINEAR]},
                               {key: standard.SCENE_LINEAR})
        return status, out.get(key, 0, "")

    def note_open_images(self) -> None:
        """Images live no longer than the action that fetched them: reports and takes back what is still out of this
        instance's clips (another may be rendering just now)."""
        own = {id(clip) for clip in self.effect.clips.values()}
        for image in self.host.open_images():
            if id(image.clip) not in own:
                continue
            self.host.journal.add("error", f"kept {image.properties.what} beyond the action that fetched it: "
                                           "clipReleaseImage was not called (a leaked handle)")
            self.host.release(self.host.handle_of(image))

    def destroy(self) -> int:
        if not self.alive:
            return FAILED
        self.alive = False
        status = self.plugin.call(standard.DESTROY, self.effect)
        if self.effect.open_edits:
            self.host.journal.add("error", "paramEditBegin was called without paramEditEnd")
        self.host.forget(self.effect)
        return status


def _at_times(pictures: dict[float, Picture]) -> Callable[[float, Any], Picture | int]:
    return lambda time, _region: pictures.get(time, FAILED)
