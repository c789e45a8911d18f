"""Rows of the bench: the work timed, the peers beside it, the clock, and the bars that show them.

Imports the kernels, frames and the report's style.
"""
