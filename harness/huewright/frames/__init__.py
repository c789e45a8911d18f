"""Picture files and sequences of them: what is on disk, and how it comes into memory and goes back whole.

Imports files, and of the kernels the pixel formats alone.
"""

from __future__ import annotations

from huewright.frames.picture import Frame, Header, Metadata, read_frame, read_header, write_frame
from huewright.frames.sequence import FrameSequence, output_paths, parse_sequence

__all__ = ["Frame", "FrameSequence", "Header", "Metadata", "output_paths", "parse_sequence", "read_frame",
           "read_header", "write_frame"]
