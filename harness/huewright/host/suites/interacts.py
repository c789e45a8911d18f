"""The interact and draw suites: what an overlay asks for and draws is kept, and shown to nobody."""

from __future__ import annotations

from typing import Any

from huewright.host.handles import Handles
from huewright.host.objects import DrawContext, Interact
from huewright.host.standard import ERR_BAD_HANDLE, ERR_VALUE, FAILED, OK
from huewright.host.suites.common import Functions, put, text_of

COLOURS, STIPPLES, PRIMITIVES = 7, 5, 6
"""How many standard colours, stipple patterns and primitives the draw suite lists."""
# Fewest points of lines, line strip, line loop, rectangle, polygon, ellipse.
FEWEST = (2, 2, 2, 2, 3, 2)


def interact_suite(host: Handles) -> Functions:
    def swap(handle: int | None) -> int:
        interact = host.find(handle, Interact, "interactSwapBuffers")
        if interact is None:
            return ERR_BAD_HANDLE
        interact.swaps += 1
        return OK

    def redraw(handle: int | None) -> int:
        interact = host.find(handle, Interact, "interactRedraw")
        if interact is None:
            return ERR_BAD_HANDLE
        interact.redraws += 1
        return OK

    def properties_of(handle: int | None, place: Any) -> int:
        interact = host.find(handle, Interact, "interactGetPropertySet")
        return put(place, host.handle_of(interact.properties)) if interact else ERR_BAD_HANDLE

    return {"interactSwapBuffers": swap, "interactRedraw": redraw, "interactGetPropertySet": properties_of}


def draw_suite(host: Handles) -> Functions:
    def context(handle: int | None, what: str) -> DrawContext | None:
        found: DrawContext | None = host.find(handle, DrawContext, what)
        return found

    def kept(handle: int | None, what: str, valid: bool, *values: Any) -> int:
        drawn = context(handle, what)
        if drawn is None:
            return FAILED
        if not valid:
            host.journal.add("error", f"{what} was given {values}, which the standard's list does not have")
            return ERR_VALUE
        drawn.calls.append((what, *values))
        return OK

    def get_colour(handle: int | None, which: int, place: Any) -> int:
        status = kept(handle, "getColour", 0 <= which < COLOURS, which)
        if status == OK:
            for channel in range(4):
                place[channel] = 1.0
        return status

    def set_colour(handle: int | None, colour: Any) -> int:
        return kept(handle, "setColour", bool(colour), *(colour[channel] for channel in range(4) if colour))

    def width(handle: int | None, value: float) -> int:
        return kept(handle, "setLineWidth", value >= 0, value)

    def stipple(handle: int | None, pattern: int) -> int:
        return kept(handle, "setLineStipple", 0 <= pattern < STIPPLES, pattern)

    def draw(handle: int | None, primitive: int, points: Any, count: int) -> int:
        valid = 0 <= primitive < PRIMITIVES and bool(points) and count >= FEWEST[primitive]
        return kept(handle, "draw", valid, primitive, count,
                    *(points[k] for k in range(2 * count if valid else 0)))

    def text(handle: int | None, words: bytes | None, position: Any, alignment: int) -> int:
        return kept(handle, "drawText", words is not None and bool(position), text_of(words), alignment)

    return {"getColour": get_colour, "setColour": set_colour, "setLineWidth": width, "setLineStipple": stipple,
            "draw": draw, "drawText": text}
