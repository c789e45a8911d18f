"""Takes (files by number, movies) and picture files: what is on disk, how it comes into memory and goes back whole.

Imports files, and of the kernels the pixel formats alone.
"""

from __future__ import annotations

from huewright.frames.frame import Frame, Metadata
from huewright.frames.opening import open_take
from huewright.frames.picture import Header, read_frame, read_header, write_frame
from huewright.frames.sequence import FrameSequence, output_paths, parse_sequence
from huewright.frames.take import Take

__all__ = ["Frame", "FrameSequence", "Header", "Metadata", "Take", "open_take", "output_paths", "parse_sequence",
           "read_frame", "read_header", "write_frame"]
