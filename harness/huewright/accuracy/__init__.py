"""Rows of the accuracy table: the kernels and the formulae against references, published values and other libraries.

Imports the kernels, reference and colorimetry.
"""
