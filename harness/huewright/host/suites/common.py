"""What the suites' functions have in common."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any

from huewright.host.standard import OK

Functions = dict[str, Callable[..., int]]
NATIVE: dict[str, Any] = {"int": ctypes.c_int, "double": ctypes.c_double, "pointer": ctypes.c_void_p,
                           "string": ctypes.c_void_p}
"""The C type of each type of property and parameter value."""


def text_of(value: bytes | None) -> str:
    return (value or b"").decode(errors="replace")


def put(place: Any, value: float) -> int:
    """Stores ``value`` where the plug-in wants it, if it does."""
    if place:
        place[0] = value
    return OK
