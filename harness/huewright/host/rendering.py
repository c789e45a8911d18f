"""Frames through a plug-in: the same host, driven as a render farm would, without the checks' pictures."""

from __future__ import annotations

import copy
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from huewright.errors import InputError
from huewright.host import standard
from huewright.host.child import Tell, serve
from huewright.host.handles import Conditions
from huewright.host.host import Host
from huewright.host.pictures import wrap
from huewright.host.session import Binary
from huewright.host.standard import OK, REPLY_DEFAULT

if TYPE_CHECKING:
    from huewright.host.card import Card


class Renderer:
    """One effect of a binary, opened for pictures of one size and number format.

    ``threads`` is what the multi-thread suite offers the plug-in; relative paths in ``settings`` begin in ``folder``;
    ``card`` is the GPU that it renders on, instead of the processor.
    Raises :class:`InputError` if the effect is not
    there, has no such parameter, or refuses.
    """

    def __init__(self, path: Path | str, identifier: str, settings: dict[str, Any], size: tuple[int, int],
                 dtype: np.dtype, *, alpha: bool = True, premultiplied: bool = False,
                 frames: tuple[float, float] = (0.0, 0.0), threads: int | None = None, folder: str = "",
                 card: Card | None = None, progress: Callable[[str], None] = lambda action: None) -> None:
        threads = threads or len(os.sched_getaffinity(0))
        self.host = Host(Conditions(cpus=threads, card=card))
        self.host.folder = folder
        # Frames come back in the kind in which they went in.
        self.host.properties.put("OfxImageEffectPropMultipleClipDepths", 0)
        self.frames = frames
        self.plugin = Binary(path, self.host).plugin(identifier)
        self.plugin.progress = progress
        self.plugin.set_host()
        self._require(self.plugin.load(), "load")
        self._require(self.plugin.describe(), "describe")
        assert self.plugin.descriptor is not None
        if card is not None and not self.plugin.renders_on_cards:
            raise InputError(f"effect {identifier} does not render on NVIDIA's GPUs, as it says of itself; leave "
                             "--device out")
        offered = self.plugin.descriptor.properties.all("OfxImageEffectPropSupportedContexts")
        self.context = next((c for c in (standard.FILTER, standard.GENERAL) if c in offered), "")
        if not self.context:
            raise InputError(f"effect {identifier} works neither as a filter nor in the general context; "
                             "choose another effect")
        self._require(self.plugin.describe_in_context(self.context), "describe in context")
        depths = self.plugin.descriptor.properties.all("OfxImageEffectPropSupportedPixelDepths")
        own = next(name for name, kind in standard.DTYPES.items() if np.dtype(kind) == dtype)
        self.depth = own if own in depths else standard.FLOAT
        if self.depth not in depths:
            raise InputError(f"effect {identifier} takes neither {dtype} nor float pictures; choose another effect")
        supported = [set(clip.properties.all("OfxImageEffectPropSupportedComponents"))
                     for name, clip in self.plugin.contexts[self.context].clips.items() if name in ("Source", "Output")]
        wanted = (standard.RGBA, standard.RGB) if alpha else (standard.RGB, standard.RGBA)
        self.components = next((c for c in wanted if all(c in some for some in supported)), "")
        if not self.components:
            raise InputError(f"effect {identifier} takes neither RGB nor RGBA pictures; choose another effect")
        self.premultiplication = standard.OPAQUE if not alpha else \
            standard.PREMULTIPLIED if premultiplied else standard.UNPREMULTIPLIED
        self.size = float(size[0]), float(size[1])
        self.first = True
        self._create(settings)

    def beside(self, settings: dict[str, Any]) -> Renderer:
        """A further instance of the effect in the same host, for pictures of the same kind."""
        other = copy.copy(self)
        other.first = False
        other._create(settings)
        return other

    def _create(self, settings: dict[str, Any]) -> None:
        self.instance = self.plugin.create(self.context, self.size, depth=self.depth, components=self.components,
                                           premultiplication=self.premultiplication, frames=self.frames,
                                           settings=settings)
        self._require(self.instance.created, "create instance")
        self.instance.preferences()
        self.instance.begin(*self.frames)

    def _require(self, status: int, what: str) -> None:
        if status not in (OK, REPLY_DEFAULT):
            raise InputError(f"effect {self.plugin.identifier}: the {what} action returned "
                             f"{standard.status_name(status)}{self.said()}; `huewright ofx probe` tells more")

    def said(self) -> str:
        messages = self.host.journal.messages
        return f", saying {messages[-1][1]!r}" if messages else ""

    def render(self, pixels: np.ndarray, time: float = 0.0) -> np.ndarray:
        """``pixels`` (h, w, c >= 3), top row first, through the effect; a new array of the same type and shape.

        Channels that the effect does not take are carried over.
        """
        channels = standard.COMPONENTS[self.components]
        dtype = np.dtype(standard.DTYPES[self.depth])
        source = pixels[..., :channels]
        if source.shape[2] < channels:
            opaque = np.iinfo(pixels.dtype).max if pixels.dtype.kind == "u" else 1
            source = np.concatenate([source, np.full((*source.shape[:2], 1), opaque, pixels.dtype)], -1)
        scale = np.iinfo(pixels.dtype).max if pixels.dtype.kind == "u" and dtype.kind == "f" else 1
        source = np.ascontiguousarray(source if scale == 1 else source / np.float32(scale), dtype)
        result = self._rendered(source, time)
        if result.dtype != pixels.dtype:
            if pixels.dtype.kind == "u":
                result = np.rint(np.nan_to_num(result).clip(0, 1) * scale)
            result = result.astype(pixels.dtype)
        kept = min(channels, pixels.shape[2])
        if kept == pixels.shape[2] == result.shape[2]:
            return result
        whole = pixels.copy()
        whole[..., :kept] = result[..., :kept]
        return whole

    def _rendered(self, source: np.ndarray, time: float) -> np.ndarray:
        result = np.empty_like(source)
        return result if self.render_into(source, result, time) else source.copy()

    def render_into(self, source: np.ndarray, result: np.ndarray, time: float = 0.0) -> bool:
        """``source``, whose numbers and channels are those that the effect takes, into ``result``; False, and nothing
        done, where the effect says that it changes nothing."""
        picture = wrap(source, self.components, premultiplication=self.premultiplication)
        self.instance.connect("Source", picture)
        window = picture.bounds
        self.instance.region_of_definition(time)
        self.instance.regions_of_interest(tuple(float(v) for v in window), time)
        status, clip = self.instance.identity(window, time)
        if status == OK and clip == "Source":
            return False
        self.instance.connect("Output", wrap(result, self.components, premultiplication=self.premultiplication))
        status = self.instance.render(window, time)
        self.instance.note_open_images()
        self._require(status, "render")
        return True

    def close(self) -> None:
        """Ends the instance; the first one's end unloads the plug-in, so it comes last."""
        self.instance.end(*self.frames)
        self.instance.destroy()
        if self.first:
            self.plugin.unload()


def render_frames(request: dict[str, Any], tell: Tell) -> None:
    """In the child process: reads, renders and writes each frame of the request, telling each as it is done."""
    from huewright.frames.opening import open_take
    from huewright.frames.picture import write_frame

    renderer: Renderer | None = None
    shape: tuple[int, ...] = ()
    try:
        take = open_take(request["take"])
        card = None
        if request.get("device", "cpu") != "cpu":
            from huewright.host.card import Card

            card = Card(request["device"])
        for number, target in request["frames"]:
            frame = take.frame(number)
            if renderer is None:
                shape = frame.pixels.shape
                renderer = Renderer(request["path"], request["effect"], request["settings"],
                                    (frame.width, frame.height), frame.pixels.dtype, alpha=frame.has_alpha,
                                    premultiplied=frame.premultiplied,
                                    frames=(request["frames"][0][0], request["frames"][-1][0]),
                                    threads=request["threads"], folder=request["folder"], card=card)
            elif frame.pixels.shape != shape:
                raise InputError(f"{take.called(number)} has another size or other channels than the first frame; "
                                 "render takes of one size, or a range")
            pixels = renderer.render(frame.pixels, float(number))
            write_frame(target, replace(frame, pixels=pixels), overwrite=request["overwrite"])
            tell({"frame": number})
        if renderer is not None:
            renderer.close()
            tell({"findings": [vars(finding) for finding in renderer.host.journal.findings],
                  "messages": renderer.host.journal.messages})
    except InputError as error:
        tell({"error": str(error)})


if __name__ == "__main__":
    serve(render_frames)
