"""Card files: our own card, checking, drawing, and cards made of measured colours.

Imports colorimetry, reference, models and files.
"""
