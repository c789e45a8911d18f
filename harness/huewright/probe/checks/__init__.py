"""The checks of the conformance table, by name, in the order in which they run."""

from huewright.probe.checks import asking, pictures, weather  # noqa: F401  (each puts its checks into the registry)
from huewright.probe.checks.registry import CHECKS, SECTIONS

__all__ = ["CHECKS", "SECTIONS"]
