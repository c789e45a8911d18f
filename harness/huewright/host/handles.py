"""What the suites are written against: the handles given out, the weather, and what is noticed and counted.

Each handle is a number never used twice, so that a stale or invented one is recognised. Callbacks may come from
any thread; the interpreter's lock makes each of them atomic, which is as fine-grained as the standard asks.
"""

from __future__ import annotations

import itertools
import os
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from huewright.host import property_sets, standard
from huewright.host.objects import Clip, Effect, Image, Journal, Memory, Mutex, Parameter, ParameterSet, PropertySet
from huewright.host.pictures import GuardedMemory, Picture
from huewright.host.standard import ERR_MEMORY, OK

if TYPE_CHECKING:
    from huewright.host.card import Card

MOST_THREADS = 256
"""Of all renders that run at once: each call must get all its threads, which may wait for each other."""


@dataclass
class Conditions:
    """The weather a plug-in is tried in.

    cpus            what the multi-thread suite offers
    missing         names of suites that are not there
    memory_left     bytes that the memory suites still give, None for all the machine's
    fail_images     status that every clipGetImage returns instead of a picture
    abort_after     abort() answers 1 from this call on; None for never
    dawdle_s        every call into the host takes up to so long, at random: threads then meet in every order
    card            an NVIDIA GPU that it may render on
    """

    cpus: int = 1
    missing: tuple[str, ...] = ()
    memory_left: int | None = None
    fail_images: int | None = None
    abort_after: int | None = None
    dawdle_s: float = 0.0
    card: Card | None = None


@dataclass
class Counts:
    """How often the plug-in called; what a check asks afterwards."""

    aborts: int = 0
    images: int = 0
    threads: int = 0
    current_value_reads: list[str] = field(default_factory=list)
    refused_memory: int = 0
    refused_images: int = 0
    renders: int = 0
    passed_through: int = 0
    suites: dict[str, bool] = field(default_factory=dict)
    dialogs: list[int] = field(default_factory=list)


class Handles:
    """The objects behind the handles. ``journal`` has what was noticed, ``counts`` what was called."""

    def __init__(self, conditions: Conditions | None = None) -> None:
        self.conditions = conditions or Conditions()
        self.journal = Journal()
        self.counts = Counts()
        self._numbers = itertools.count(0x5000_0000_0000, 16)
        self._objects: dict[int, Any] = {}
        self._handles: dict[int, int] = {}
        self.allocations: dict[int, Memory] = {}  # of the memory suite, by address
        self._thread = threading.local()
        self.process = os.getpid()
        self.copied: Callable[[], None] = lambda: None
        self._pool: ThreadPoolExecutor | None = None
        self.time = 0.0
        self.frame_range = (0.0, 0.0)
        self.render_scale = (1.0, 1.0)
        self.on_card = False
        """Pictures are handed out on the GPU."""

    def register(self, thing: Any) -> int:
        handle = next(self._numbers)
        self._objects[handle] = thing
        self._handles[id(thing)] = handle
        return handle

    def release(self, handle: int) -> None:
        thing = self._objects.pop(handle, None)
        self._handles.pop(id(thing), None)

    def find(self, handle: int | None, kind: type | tuple[type, ...], what: str) -> Any:
        thing = self._objects.get(handle or 0)
        if not isinstance(thing, kind):
            self.journal.add("error", f"{what}: the handle passed is none that this host gave out for that")
            return None
        return thing

    def find_parameter(self, handle: int | None, what: str) -> Parameter | None:
        """A parameter by its instance's handle, or by its descriptor's properties: curves get defaults there."""
        thing = self._objects.get(handle or 0)
        if isinstance(thing, PropertySet) and thing.owner is not None:
            return thing.owner
        found: Parameter | None = self.find(handle, Parameter, what)
        return found

    def handle_of(self, thing: Any) -> int:
        """The handle under which ``thing`` is known, a new one if it has none yet."""
        return self._handles.get(id(thing)) or self.register(thing)

    def _all(self, kind: type) -> list[Any]:
        # Listed first, in one step: other threads may come and go with handles meanwhile.
        return [thing for thing in list(self._objects.values()) if isinstance(thing, kind)]

    def open_images(self) -> list[Image]:
        return self._all(Image)

    def open_memory(self) -> list[Memory]:
        return self._all(Memory)

    def open_mutexes(self) -> list[Any]:
        return self._all(Mutex)

    def forget(self, effect: Effect) -> None:
        """The instance is gone: none of its handles may be used from now on."""
        dead = {id(effect), id(effect.properties)}
        for clip in effect.clips.values():
            dead |= {id(clip), id(clip.properties)}
        for parameter in effect.parameters.values():
            dead |= {id(parameter), id(parameter.properties)}
        for handle, thing in list(self._objects.items()):  # listed first: see above
            if id(thing) in dead or isinstance(thing, ParameterSet) and thing.effect is effect:
                self.release(handle)

    # --- what the suites share -------------------------------------------------------------------------------
    def give_image(self, picture: Picture, clip: Clip, render_scale: tuple[float, float]) -> int:
        region = picture.region
        address = self.conditions.card.address_of(picture) if self.on_card and self.conditions.card else picture.address
        values = {"OfxPropType": "OfxTypeImage", "OfxImageEffectPropPixelDepth": picture.depth,
                  "OfxImageEffectPropComponents": picture.components,
                  "OfxImageEffectPropPreMultiplication": picture.premultiplication,
                  "OfxImageEffectPropRenderScale": render_scale, "OfxImagePropPixelAspectRatio": 1.0,
                  "OfxImagePropData": address, "OfxImagePropBounds": picture.bounds,
                  "OfxImagePropRegionOfDefinition": region, "OfxImagePropRowBytes": picture.row_bytes,
                  "OfxImagePropField": standard.FIELD_NONE,
                  "OfxImagePropUniqueIdentifier": f"picture-{id(picture):x}"}
        properties = PropertySet(f"an image of clip {clip.name}", property_sets.IMAGE, values, self.journal)
        self.counts.images += 1
        return self.register(Image(picture, properties, self.journal.action, clip))

    def allocate(self, size: int, *, image: bool) -> Memory | int:
        left = self.conditions.memory_left
        if left is not None:
            if size > left:
                self.counts.refused_memory += 1
                return ERR_MEMORY
            self.conditions.memory_left = left - size
        try:
            storage = GuardedMemory(size + 16 - size % 16)
        except MemoryError:
            return ERR_MEMORY
        return Memory(storage, storage.address, size, image, action=self.journal.action)

    @property
    def thread_index(self) -> int | None:
        return getattr(self._thread, "index", None)

    def spawn(self, function: Any, count: int, argument: int | None) -> int:
        """The multi-thread suite's workhorse: ``count`` calls at once, as many threads as there are CPUs."""
        if self.thread_index is not None:
            self.journal.add("error", "multiThread was called from a thread that multiThread started")
            return standard.ERR_EXISTS
        count = max(1, min(count, self.conditions.cpus))
        self.counts.threads = max(self.counts.threads, count)

        def work(index: int) -> None:
            self._thread.index = index
            try:
                function(index, count, argument)
            finally:
                self._thread.index = None

        if self._pool is None and count > 1:  # threads stay for the next call; starting one costs as much as a tile
            self._pool = ThreadPoolExecutor(MOST_THREADS, "multiThread")
        others = [self._pool.submit(work, index) for index in range(1, count)] if self._pool else []
        work(0)
        for other in others:
            other.result()
        return OK
