"""The headless OpenFX host: the standard as data, suites, sessions and renders in a process of their own; imports
nothing of the harness but ``errors`` and ``frames``."""
