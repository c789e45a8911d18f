"""A take rendered: outputs, the job, one frame, many at a time, and going on where a render stopped.

Imports the kernels, colorimetry, provenance, frames and models.
"""
