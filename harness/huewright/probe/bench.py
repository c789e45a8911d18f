"""One plug-in on the bench: opened in the standard's order, with pictures of any shape to render from and into."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from huewright.host import standard
from huewright.host.handles import Conditions
from huewright.host.host import Host
from huewright.host.objects import Parameter
from huewright.host.pictures import GuardedMemory, Picture, allocate, raw_bytes, sample_picture
from huewright.host.session import Binary, Instance, Plugin, Window
from huewright.host.standard import OK, REPLY_DEFAULT

if TYPE_CHECKING:  # imports what only a machine with a GPU needs
    from huewright.host.card import Card

WIDTH, HEIGHT = 52, 36
"""Of the generated picture: small, and no multiple of any vector's length."""


class SkipCheck(Exception):  # noqa: N818  (nothing went wrong)
    """This check does not apply to the plug-in; the text says why."""


@dataclass
class Bench:
    """What a check works with. ``pictures`` are frames given by the person, or empty for the generated one."""

    path: str
    identifier: str = ""
    context: str = ""
    settings: dict[str, Any] = field(default_factory=dict)
    pictures: list[np.ndarray] = field(default_factory=list)
    progress: Callable[[str], None] = lambda action: None
    heard: Callable[[str], None] = lambda call: None
    copied: Callable[[], None] = lambda: None
    section: str = ""
    folder: str = ""
    host: Host = field(init=False)

    def __post_init__(self) -> None:
        self.under(Conditions())

    # --- opening ---------------------------------------------------------------------------------------------
    def under(self, conditions: Conditions) -> Host:
        """Replaces the host by one in this weather. Only before :meth:`open`."""
        self.host = Host(conditions)
        self.host.journal.heard, self.host.copied, self.host.journal.section = self.heard, self.copied, self.section
        self.host.folder = self.folder
        return self.host

    def binary(self) -> Binary:
        self.progress("loading the binary")
        binary = Binary(self.path, self.host)
        for plugin in binary.plugins:
            plugin.progress = self.progress
        return binary

    def open(self) -> Plugin:
        """Loaded, described, and described in this bench's context. :class:`SkipCheck` if it will not load."""
        plugin = self.binary().plugin(self.identifier)
        plugin.set_host()
        if (status := plugin.load()) not in (OK, REPLY_DEFAULT):
            raise SkipCheck(self.lacking(f"the load action returned {standard.status_name(status)}"))
        if (status := plugin.describe()) != OK:
            raise SkipCheck(self.lacking(f"the describe action returned {standard.status_name(status)}"))
        context = self.context or next((c for c in standard.CONTEXTS_TRIED
                                        if c in self.supported(plugin, "OfxImageEffectPropSupportedContexts")), "")
        if not context:
            raise SkipCheck("the plug-in works in no context that this host offers")
        if (status := plugin.describe_in_context(context)) != OK:
            raise SkipCheck(self.lacking(f"the describe in context action returned {standard.status_name(status)}"))
        missing = [name for name in standard.MANDATED_CLIPS.get(context, ())
                   if name not in plugin.contexts[context].clips]
        if missing:
            raise SkipCheck(f"not reached: {', '.join(missing)} of the clips mandated in {context} not defined")
        self.context = context
        return plugin

    def lacking(self, said: str) -> str:
        """``said``, or what the plug-in asked for and this host has not."""
        suites = [name for name, there in self.host.counts.suites.items() if not there]
        if suites and standard.status_name(standard.ERR_MISSING_HOST_FEATURE) in said:
            return f"{said}: it misses something of this host, which does not give it {', '.join(suites)}"
        return said

    def on_card(self, *, streams: bool = True) -> tuple[Plugin, Card]:
        """As :meth:`open`, the host offering an NVIDIA GPU; :class:`SkipCheck` where the plug-in does not render there
        or this machine has none."""
        plugin = self.open()
        offers = plugin.renders_on_cards
        plugin.unload()
        if not offers:
            raise SkipCheck("the plug-in does not render on NVIDIA's GPUs")
        from huewright.host.card import card_or_reason

        self.progress("opening the GPU")
        card = card_or_reason(streams=streams)
        if isinstance(card, str):
            raise SkipCheck(f"unprobed here: {card}")
        self.under(Conditions(card=card))
        return self.open(), card

    def supported(self, plugin: Plugin, name: str) -> tuple[str, ...]:
        assert plugin.descriptor is not None
        return plugin.descriptor.properties.all(name)

    def depths(self, plugin: Plugin) -> list[str]:
        return [d for d in standard.DEPTHS if d in self.supported(plugin, "OfxImageEffectPropSupportedPixelDepths")]

    def components(self, plugin: Plugin) -> list[str]:
        output = plugin.contexts[self.context].clips.get("Output")
        source = plugin.contexts[self.context].clips.get("Source", output)
        if output is None or source is None:
            raise SkipCheck("the mandated clips are not defined")
        both = [set(clip.properties.all("OfxImageEffectPropSupportedComponents")) for clip in (output, source)]
        return [c for c in standard.COMPONENTS if c in both[0] & both[1]]

    def formats(self, plugin: Plugin) -> list[tuple[str, str]]:
        found = [(depth, components) for depth in self.depths(plugin) for components in self.components(plugin)]
        if not found:
            raise SkipCheck("no bit depth and components that this host has pictures of")
        return found

    def best(self, plugin: Plugin) -> tuple[str, str]:
        """The format for checks that need only one: float RGBA if the plug-in takes it."""
        return max(self.formats(plugin), key=lambda f: (f[0] == standard.FLOAT, standard.COMPONENTS[f[1]]))

    # --- instances -------------------------------------------------------------------------------------------
    def instance(self, plugin: Plugin, depth: str, components: str, *, settings: dict[str, Any] | None = None,
                 premultiplication: str = standard.UNPREMULTIPLIED, size: tuple[float, float] = (WIDTH, HEIGHT),
                 prepare: bool = True) -> Instance:
        """Created, asked for its clip preferences, with the person's settings over moved parameters."""
        assert plugin.descriptor is not None
        cpu = plugin.descriptor.properties.get("OfxImageEffectPropCPURenderSupported", 0, "true") != "false"
        if not cpu and self.host.conditions.card is None:
            raise SkipCheck("needs a GPU: the plug-in declares that it does not render on the CPU")
        if settings is None:
            settings = moved(list(plugin.contexts[self.context].parameters.values()), 0.25) | self.settings
        made = plugin.create(self.context, size, depth=depth, components=components, settings=settings,
                             premultiplication=premultiplication, frames=(0.0, 9.0))
        if made.created not in (OK, REPLY_DEFAULT):
            raise SkipCheck(f"the create instance action returned {standard.status_name(made.created)}")
        if prepare:
            made.preferences()
        return made

    # --- pictures --------------------------------------------------------------------------------------------
    def pixels(self, depth: str, components: str, seed: int = 0) -> np.ndarray:
        """Source pixels, bottom row first."""
        channels = standard.COMPONENTS[components]
        if self.pictures and seed < len(self.pictures):
            given = _with_channels(self.pictures[seed], channels)[::-1]
            return _as_depth(given, depth)
        return sample_picture(HEIGHT, WIDTH, channels, depth, seed=seed)

    def source(self, depth: str, components: str, *, seed: int = 0, origin: tuple[int, int] = (0, 0),
               poison: int = 0x5A, premultiplication: str = standard.UNPREMULTIPLIED, **layout: Any) -> Picture:
        pixels = self.pixels(depth, components, seed)
        x, y = origin
        picture = allocate((x, y, x + pixels.shape[1], y + pixels.shape[0]), depth, components, fill=poison,
                           premultiplication=premultiplication, **layout)
        picture.pixels[:] = pixels
        return picture

    def rendered(self, instance: Instance, source: Picture, *, windows: list[Window] | None = None, fill: int = 0x5A,
                 time: float = 0.0, expect: bool = True, **layout: Any) -> Picture:
        """A new output picture after a render of ``windows``; a failed status is an error if ``expect``."""
        output = self.output(instance, source.bounds, fill=fill, premultiplication=source.premultiplication, **layout)
        status = instance.frame(source, output, windows, time)
        if expect:
            self.expect(status, "rendering")
        return output

    def output(self, instance: Instance, bounds: Window, **layout: Any) -> Picture:
        """Memory for the instance's output, in the depth and components that it settled on."""
        depth, components = instance.output_format
        return allocate(bounds, depth, components, **layout)

    def expect(self, status: int, what: str) -> None:
        """A failed ``status`` of ``what`` is an error."""
        if status != OK:
            self.host.journal.add("error", f"{what} returned {standard.status_name(status)}{self.said()}")

    def said(self) -> str:
        messages = [text for kind, text in self.host.journal.messages if kind != "OfxMessageLog"]
        return f" and said {messages[-1]!r}" if messages else ""

    def error(self, text: str) -> None:
        self.host.journal.add("error", text)

    def close(self, plugin: Plugin, *instances: Instance) -> None:
        for instance in instances:
            instance.destroy()
        plugin.unload()
        if self.host.counts.passed_through and not self.host.counts.renders:
            self.host.journal.add("note", "passes its source through: the host copies it and never calls render")
        for memory in self.host.open_memory():
            what = "imageMemoryFree" if memory.image else "memoryFree"
            self.error(f"{memory.size} bytes allocated in {memory.action} were never freed ({what})")
        for _ in self.host.open_mutexes():
            self.error("a mutex was created and never destroyed (mutexDestroy)")


def moved(parameters: list[Parameter], share: float) -> dict[str, Any]:
    """Numbers that are ``share`` of the way from the default to the shown maximum, so that an effect does something.

    Without a finite maximum, and for all that are not floating-point numbers, the default stays.
    """
    settings = {}
    for parameter in parameters:
        if parameter.held is None or parameter.held[0] != "double":
            continue
        low, high = (parameter.properties.all(f"OfxParamPropDisplay{side}") for side in ("Min", "Max"))
        values = []
        for k, default in enumerate(parameter.default()):
            top = high[min(k, len(high) - 1)] if high else default
            bottom = low[min(k, len(low) - 1)] if low else default
            aim = default + share * (top - default)
            values.append(aim if abs(top) < 1e6 and bottom <= aim <= top else default)
        settings[parameter.name] = tuple(values)
    return settings


def same_bytes(a: Picture, b: Picture) -> bool:
    return np.ascontiguousarray(a.pixels).tobytes() == np.ascontiguousarray(b.pixels).tobytes()


def outside_changed(picture: Picture, window: Window, fill: int) -> int:
    """How many bytes of the picture's memory outside ``window`` no longer hold ``fill``."""
    raw = raw_bytes(picture)
    inside = np.zeros(raw.size, bool)
    x1, y1, _, _ = picture.bounds
    pixel = picture.pixels.shape[2] * picture.pixels.itemsize
    first = picture.address - (picture.storage.address if isinstance(picture.storage, GuardedMemory)
                               else picture.storage.ctypes.data)
    for y in range(window[1], window[3]):
        start = first + (y - y1) * picture.row_bytes + (window[0] - x1) * pixel
        inside[start:start + (window[2] - window[0]) * pixel] = True
    return int(np.count_nonzero(raw[~inside] != fill))


def _with_channels(pixels: np.ndarray, channels: int) -> np.ndarray:
    if pixels.shape[2] >= channels:
        return pixels[..., -1:] if channels == 1 else pixels[..., :channels]
    white = np.iinfo(pixels.dtype).max if pixels.dtype.kind == "u" else 1
    return np.concatenate([pixels, np.full((*pixels.shape[:2], channels - pixels.shape[2]), white, pixels.dtype)], -1)


def _as_depth(pixels: np.ndarray, depth: str) -> np.ndarray:
    dtype = np.dtype(standard.DTYPES[depth])
    if pixels.dtype == dtype:
        return pixels
    scale = np.iinfo(pixels.dtype).max if pixels.dtype.kind == "u" else 1.0
    values = pixels.astype(np.float64) / scale
    if dtype.kind == "u":
        result: np.ndarray = np.rint(np.nan_to_num(values).clip(0, 1) * np.iinfo(dtype).max).astype(dtype)
        return result
    return values.astype(dtype)
