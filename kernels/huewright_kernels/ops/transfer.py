"""Display transfer functions.

``encode`` goes from linear light (1.0 = reference white) to the display signal, ``decode`` back.

    bt709    encode is the OETF of ITU-R BT.709-6: 4.5 L below 0.018, else 1.099 L^0.45 - 0.099
             (the standard's constants as printed); negatives follow the linear part
    bt1886   decode is the EOTF of ITU-R BT.1886 with Lw = 1, Lb = 0, V^2.4; negatives mirrored
    srgb     IEC 61966-2-1; negatives follow the linear part
    linear   nothing
    pq       SMPTE ST 2084 / ITU-R BT.2100 PQ, 1.0 linear = 10000 cd/m2; negatives give encode(0)
    hlg      ITU-R BT.2100 HLG OETF, scene linear 0..1; negatives mirrored
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from huewright_kernels.ops.base import Operation

CURVES = ("bt709", "bt1886", "srgb", "linear", "pq", "hlg")
DIRECTIONS = ("encode", "decode")


@dataclass(frozen=True)
class Transfer(Operation):
    """One of :data:`CURVES` in one of :data:`DIRECTIONS`."""

    name: ClassVar[str] = "transfer"
    curve: str = "bt709"
    direction: str = "encode"

    def __post_init__(self) -> None:
        if self.curve not in CURVES:
            raise ValueError(f"unknown transfer function {self.curve!r}; known: {', '.join(CURVES)}")
        if self.direction not in DIRECTIONS:
            raise ValueError(f"transfer direction is 'encode' or 'decode', not {self.direction!r}")
