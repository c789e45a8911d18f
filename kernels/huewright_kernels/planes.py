"""The scratch memory of one block: planes of :data:`BLOCK` float32 that stay in the nearest cache.

Planes 0 to 3 are R, G, B and alpha; the rest is scratch that an operation may use as it likes (float32 or
int32). An operation's block form is ``block_form(planes, q, size, n)``: the planes, the operation's packed
parameters ``q`` (float32, 64-byte aligned), a size (of a table), and the number of pixels, a multiple of
:data:`QUANTUM`. Pixels beyond the picture's edge are computed too (from whatever the planes hold) and dropped.
"""

from __future__ import annotations

BLOCK = 256
QUANTUM = 16
RED, GREEN, BLUE, ALPHA, SPARE = 0, BLOCK, 2 * BLOCK, 3 * BLOCK, 4 * BLOCK
"""Where each plane starts, in floats; SPARE is the first scratch plane."""
SPARES = 20
SCRATCH_FLOATS = SPARE + SPARES * BLOCK
HEADER = 16
"""Floats before an operation's table in ``q``."""
