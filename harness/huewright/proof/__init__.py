"""What a proof measures and says: frames before and after, patches, range, flashing, the verdict; it writes nothing.

Imports solver, finding, colorimetry, provenance, reference, frames and models.
"""
