"""What the verbs do, in order, and nothing else: each step calls the packages that do the work.

Imports every package but the command line.
"""
