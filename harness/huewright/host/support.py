"""Where plug-ins can be run: what holds them in check is Linux's."""

from __future__ import annotations

import platform

from huewright.errors import InputError

SYSTEM = "Linux"


def require_support() -> None:
    """Raises :class:`InputError` on other systems. To be called before the rest of the host is imported, which takes
    modules that are not there."""
    if platform.system() != SYSTEM:
        raise InputError(f"plug-ins are run (`ofx probe`, `ofx render`) on {SYSTEM} only, not on {platform.system()}: "
                         "the limits that hold them are that system's; try the bundle out there")
