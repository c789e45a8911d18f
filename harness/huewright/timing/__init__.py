"""Rows of the bench: the work timed, the peers beside it, the clock, and the bars that show them.

Imports the kernels, models, frames, the CLF forms of operations and the report's style.
"""
