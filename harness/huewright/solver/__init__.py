"""From a reading and a card to a correction; it reads and writes nothing.

Imports the kernels' operations, colorimetry, reference and models.
"""
