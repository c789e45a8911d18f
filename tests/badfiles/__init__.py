"""Damaged, hostile and senseless files of every format that is read, and what reading each comes to.

``python -m badfiles.run --count 20000 --seed 1``, run in ``tests/``, tries many and prints a table.
"""
