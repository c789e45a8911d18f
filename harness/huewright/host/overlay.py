"""Overlays (interacts of version 2): driven through the interact actions without a screen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from huewright.host import abi, property_sets, standard
from huewright.host.handles import Handles
from huewright.host.objects import DrawContext, Effect, Interact, PropertySet


class Overlay:
    """An overlay in nobody's view: described, created, drawn and poked, with what it draws kept."""

    def __init__(self, host: Handles, effect: Effect, address: int, progress: Callable[[str], None]) -> None:
        self.host, self.progress, self.entry = host, progress, abi.MainEntry(address)
        self.drawn = DrawContext()
        held = {"OfxInteractPropHasAlpha": 1, "OfxInteractPropBitDepth": 8}
        descriptor = Interact(effect, PropertySet("the overlay's descriptor",
                                                           property_sets.INTERACT_DESCRIPTOR, held, self.host.journal))
        self.statuses = [self._call(standard.DESCRIBE, descriptor)]
        self.effect_handle = self.host.handle_of(effect)
        values = held | {"OfxPropEffectInstance": self.effect_handle, "OfxPropInstanceData": 0,
                         "OfxInteractPropPixelScale": (1.0, 1.0), "OfxInteractPropBackgroundColour": (0.0, 0.0, 0.0),
                         "OfxInteractPropSuggestedColour": (1.0, 1.0, 1.0)}
        self.interact = Interact(effect, PropertySet("the overlay", property_sets.INTERACT_INSTANCE, values,
                                                              self.host.journal))
        self.statuses.append(self._call(standard.CREATE, self.interact))

    def _call(self, action: str, interact: Interact, values: dict[str, Any] | None = None) -> int:
        arguments = None if values is None else PropertySet(
            f"the in arguments of {action}", property_sets.IN_ARGUMENTS[action], values, self.host.journal)
        handle = None if arguments is None else self.host.register(arguments)
        self.progress(f"{action} of the overlay")
        with self.host.journal.during(action):
            status: int = self.entry(action.encode(), self.host.handle_of(interact), handle, None)
            if status not in standard.ALLOWED[action]:
                self.host.journal.add("error", f"returned {standard.status_name(status)}, which this action may not")
        if handle is not None:
            self.host.release(handle)
        return status

    def poke(self, action: str, position: tuple[float, float] = (8.0, 8.0)) -> int:
        """One of the pen, key, focus or draw actions. What a draw action draws is in ``drawn``."""
        values: dict[str, Any] = {"OfxPropEffectInstance": self.effect_handle, "OfxPropTime": self.host.time,
                                  "OfxImageEffectPropRenderScale": self.host.render_scale,
                                  "OfxInteractPropPixelScale": (1.0, 1.0),
                                  "OfxInteractPropBackgroundColour": (0.0, 0.0, 0.0)}
        self.drawn = DrawContext()
        if action == standard.DRAW:
            values["OfxInteractPropDrawContext"] = self.host.register(self.drawn)
        elif action in (standard.PEN_MOTION, standard.PEN_DOWN, standard.PEN_UP):
            values |= {"OfxInteractPropPenPosition": position, "OfxInteractPropPenPressure": 1.0,
                       "OfxInteractPropPenViewportPosition": tuple(map(int, position))}
        elif action in (standard.KEY_DOWN, standard.KEY_UP, standard.KEY_REPEAT):
            values |= {"kOfxPropKeySym": 0x61, "kOfxPropKeyString": "a"}
        status = self._call(action, self.interact, values)
        if action == standard.DRAW:
            self.host.release(values["OfxInteractPropDrawContext"])
        return status

    def destroy(self) -> int:
        status = self._call(standard.DESTROY, self.interact)
        for thing in (self.interact, self.interact.properties):
            self.host.release(self.host.handle_of(thing))
        return status
