"""Stands in for the package cuda-bindings where there is no GPU: over the driver that stands in for NVIDIA's."""
