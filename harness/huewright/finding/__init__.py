"""The card in a picture: found, read, graded, and the best frames chosen; it reads no files.

Imports the kernels, colorimetry, reference and models.
"""
