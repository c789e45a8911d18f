"""Which version this is, which the package's own metadata is made from, and those of the libraries beside it."""

from __future__ import annotations

__version__ = "0.1.0"


def versions_of(*libraries: str) -> dict[str, str]:
    """Of huewright and of ``libraries``, by the names that they are installed under."""
    from importlib import metadata  # 20 ms, which nothing else needs when a process starts

    return {"huewright": __version__, **{name: metadata.version(name) for name in libraries}}
