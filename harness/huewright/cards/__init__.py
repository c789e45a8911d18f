"""Card files: our own card, checking, drawing, and cards made of measured colours.

Imports colorimetry, models and files.
"""
