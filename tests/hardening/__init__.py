"""Faults, load and determinism: each is really made to happen to the command line, in processes of their own."""
