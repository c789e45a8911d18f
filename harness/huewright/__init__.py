"""The harness: measures a colour reference card, solves, proves and renders the correction."""

__version__ = "0.1.0"
