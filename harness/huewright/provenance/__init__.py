"""What was made from what: hashes, what a correction records, and whether inputs belong together.

Imports frames, models and files.
"""
