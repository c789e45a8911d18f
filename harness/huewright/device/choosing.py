"""Who computes a chain: this machine's processor, or the GPUs that were named. The bits are the same."""

from __future__ import annotations

from collections.abc import Callable

from huewright.device.compute import PROCESSOR, Compute, Processor


def require_device(device: str) -> None:
    """:class:`InputError` where there is no such device as ``device`` names, before any work is begun."""
    if device != PROCESSOR:
        from huewright.device.driver import named

        named(device)


def computing_on(device: str, *, threads: int | None = None, lanes: int = 2,
                 notify: Callable[[str], None] = lambda line: None) -> Compute:
    """What ``device`` names: "cpu", "cuda" (every GPU there is) or "cuda:N" (that one, counted from 0).

    ``threads`` is the processor's a picture, ``lanes`` how many pictures each GPU has under way. ``notify`` is called
    with a line before what takes long. :class:`InputError` where there is no such device; nothing else is taken
    instead.
    """
    if device == PROCESSOR:
        return Processor(threads)
    from huewright.device.cards import Cards
    from huewright.device.driver import named

    return Cards(named(device), lanes, notify)
