"""Hue sectors: rotation and gain of chroma as smooth periodic functions of hue.

In Y'CbCr of the declared luma coefficients (ITU-R BT.709-6 item 3 or BT.2020-2 table 4), with
Cb = (B' - Y') / (2 (1 - Kb)), Cr = (R' - Y') / (2 (1 - Kr)), hue = atan2(Cr, Cb), chroma = |(Cb, Cr)|:

    hue map     theta -> theta + delta(theta): periodic monotone cubic (Fritsch and Butland 1984 slopes,
                periodic) through (hues_deg[k], hues_deg[k] + rotations_deg[k])
    gain        exp of the periodic monotone cubic through (hues_deg[k], log gains[k])

(Cb, Cr) is turned by delta and scaled by the gain. Y' is kept; neutrals are fixed points; the map is
homogeneous of degree one in chroma.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from huewright_kernels.ops.base import Operation


@dataclass(frozen=True)
class HueSectors(Operation):
    """Control hues in degrees, strictly increasing within [0, 360), 3 to 24 of them.

    ``rotations_deg`` must keep the order of hues (no fold); ``gains`` must be positive.
    ``kr`` and ``kb`` are the luma coefficients of R' and B'.
    """

    name: ClassVar[str] = "hue-sectors"
    hues_deg: tuple[float, ...] = (0.0, 60.0, 120.0, 180.0, 240.0, 300.0)
    rotations_deg: tuple[float, ...] = (0.0,) * 6
    gains: tuple[float, ...] = (1.0,) * 6
    kr: float = 0.2126
    kb: float = 0.0722

    def __post_init__(self) -> None:
        n = len(self.hues_deg)
        if not 3 <= n <= 24 or len(self.rotations_deg) != n or len(self.gains) != n:
            raise ValueError("hue sectors take 3 to 24 control hues with a rotation and a gain each")
        if any(b <= a for a, b in zip(self.hues_deg, self.hues_deg[1:], strict=False)):
            raise ValueError("control hues must increase strictly")
        if self.hues_deg[0] < 0 or self.hues_deg[-1] >= 360:
            raise ValueError("control hues lie in [0, 360) degrees")
        if any(g <= 0 for g in self.gains):
            raise ValueError("hue gains must be positive")
        turned = [h + d for h, d in zip(self.hues_deg, self.rotations_deg, strict=True)]
        turned.append(turned[0] + 360.0)
        if any(b <= a for a, b in zip(turned, turned[1:], strict=False)):
            raise ValueError("these rotations would fold the order of hues")
