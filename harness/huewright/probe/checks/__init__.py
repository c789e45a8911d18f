"""The checks of the conformance table, by name, in the order in which they run."""

from huewright.probe.checks import asking, cards, pictures, weather  # noqa: F401  (each puts its own into the registry)
from huewright.probe.checks.registry import CHECKS, SECTIONS

ON_CARDS = frozenset(name for name in CHECKS if name.startswith("cuda-"))
"""Those that need an NVIDIA GPU."""

__all__ = ["CHECKS", "ON_CARDS", "SECTIONS"]
