"""Where the checks are kept, and what several of them need.

Each check runs in a process of its own, on a :class:`~huewright.probe.bench.Bench`, and leaves findings; one that
finds nothing has passed. The first line of its docstring is its row in the conformance table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from huewright.host.session import Plugin, Window
from huewright.probe.bench import Bench, SkipCheck

FILLS = (0x5A, 0xC3)
"""What pictures hold before a render: two unlike bytes, so that a pixel left alone is seen."""
CHECKS: dict[str, Callable[[Bench], None]] = {}


SECTIONS: dict[str, str] = {}
"""Where the standard's reference says what a check holds a plug-in to; a finding in a suite's function cites that."""


def check(section: str) -> Callable[[Callable[[Bench], None]], Callable[[Bench], None]]:
    def register(function: Callable[[Bench], None]) -> Callable[[Bench], None]:
        name = function.__name__.replace("_", "-")
        CHECKS[name], SECTIONS[name] = function, section
        return function
    return register


def windows_of(bounds: Window) -> Iterator[Window]:
    """A corner, the middle, one pixel, one row, one column."""
    x1, y1, x2, y2 = bounds
    w, h = x2 - x1, y2 - y1
    yield x1 + w // 4, y1 + h // 4, x1 + w - w // 3, y1 + h - h // 3
    yield x1 + w // 2, y1 + h // 2, x2, y2
    yield x1 + 3, y1 + 5, x1 + 4, y1 + 6
    yield x1, y1 + h // 2, x2, y1 + h // 2 + 1
    yield x1 + 1, y1, x1 + 2, y2


def tiles_of(bounds: Window, width: int, height: int) -> list[Window]:
    x1, y1, x2, y2 = bounds
    return [(x, y, min(x + width, x2), min(y + height, y2))
            for y in range(y1, y2, height) for x in range(x1, x2, width)]


def require_tiles(bench: Bench, plugin: Plugin) -> None:
    descriptor = plugin.contexts[bench.context]
    if not descriptor.properties.get("OfxImageEffectPropSupportsTiles", 0, 1):
        raise SkipCheck("the plug-in declares that it does not support tiles")
