"""Curves, displays, targets, tables and their files: colour as numbers, without a picture or a card's place in it.

Imports the kernels' operations, reference, models and files.
"""
