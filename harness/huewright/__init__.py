"""The harness: measures a colour reference card, solves, proves and renders the correction."""

from __future__ import annotations

from huewright.version import __version__

__all__ = ["__version__"]
