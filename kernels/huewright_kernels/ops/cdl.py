"""ASC CDL: slope, offset and power of each channel, then saturation about luma.

Source: ASC Color Decision List 1.2, in the four styles of the CLF ASC_CDL node (SMPTE ST 2136-1):

    Fwd          x -> clamp(slope x + offset)^power, then y -> clamp(luma + saturation (y - luma))
    FwdNoClamp   the same without clamping to [0, 1]; a power leaves negatives as they are
    Rev          clamped, saturation undone, clamped, power undone, then (x - offset) / slope, clamped
    RevNoClamp   the inverse of FwdNoClamp

with luma = 0.2126 R + 0.7152 G + 0.0722 B whatever the picture's primaries are, as the CDL has it. The power comes
before the saturation, and what a style clamps it clamps where the node's definition says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

from huewright_kernels.elementary import INFINITY, ONE, ZERO, limit, power
from huewright_kernels.forms import Form
from huewright_kernels.lanes import f32, formula, pointer_f32, pointer_f64, pointer_i64
from huewright_kernels.ops.base import DECODING, Example, Operation, complete
from huewright_kernels.ops.fields import number, places, row, word
from huewright_kernels.planes import HEADER

STYLES = ("Fwd", "FwdNoClamp", "Rev", "RevNoClamp")
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class AscCdl(Operation):
    """Red, green, blue; ``style`` is one of :data:`STYLES`."""

    name: ClassVar[str] = "asc-cdl"
    slope: Triple = row((1.0, 1.0, 1.0), "factor", low=0.0)
    offset: Triple = row((0.0, 0.0, 0.0), "added after the slope", unit="signal")
    power: Triple = row((1.0, 1.0, 1.0), "exponent after slope and offset", low=0.0)
    saturation: float = number(1.0, "factor on the distance from luma", low=0.0)
    style: str = word("Fwd", "direction, and whether values are clamped to 0 and 1", STYLES)

    def inverse(self) -> AscCdl | None:
        """None for what clamps, and where a slope or the saturation is 0."""
        if not self.style.endswith("NoClamp") or 0 in (*self.slope, self.saturation):
            return None
        return replace(self, style="RevNoClamp" if self.style == "FwdNoClamp" else "FwdNoClamp")

    def separable(self) -> bool:
        return self.saturation == 1

    def clf(self) -> tuple[str, dict[str, Any]]:
        return "ASC_CDL", {field.name: getattr(self, field.name) for field in self.FIELDS}


SLOPE, OFFSET, POWER, SATURATION, STYLE = places(AscCdl)
SENTENCES = ("a CDL's powers must not be 0", "a CDL that is undone must not have a slope or saturation of 0")


def _check(p, counts):
    for channel in range(3):
        if p[POWER + channel] == 0.0:
            return 1
        if p[STYLE] >= 2.0 and p[SLOPE + channel] == 0.0:
            return 2
    return 2 if p[STYLE] >= 2.0 and p[SATURATION] == 0.0 else 0


def pack_asc_cdl(p_at, counts_at, table_at, q_at, out_at):
    """Three factors, three offsets, three exponents, saturation; of the reverse styles those that undo them."""
    p, q, out = pointer_f64(p_at), pointer_f32(q_at), pointer_i64(out_at)
    style = int(p[STYLE])
    for k in range(3):
        if style < 2:
            q[k], q[3 + k], q[6 + k] = p[SLOPE + k], p[OFFSET + k], p[POWER + k]
        else:
            q[k], q[3 + k], q[6 + k] = 1.0 / p[SLOPE + k], -p[OFFSET + k] / p[SLOPE + k], 1.0 / p[POWER + k]
    q[9] = p[SATURATION] if style < 2 else 1.0 / p[SATURATION]
    out[0], out[1], out[2] = style, 0, HEADER


@formula
def raised(x, exponent):
    """x^exponent for x > 0; 0, negatives, NaN and infinity stay, and so does everything where the exponent is 1."""
    curved = power(x, exponent)
    curved = curved if x < INFINITY else x
    curved = curved if x > ZERO else x
    return x if exponent == ONE else curved


@formula
def unit(x):
    """Limited to [0, 1]; NaN stays."""
    return limit(x, ZERO, ONE)


_RED, _GREEN, _BLUE = f32(0.2126), f32(0.7152), f32(0.0722)


@formula
def saturated(r, g, b, saturation):
    """luma + saturation (x - luma); to the bit the same, and channels apart, where saturation is 1."""
    luma = (r * _RED + g * _GREEN) + b * _BLUE
    still = saturation == ONE
    return (r if still else luma + saturation * (r - luma), g if still else luma + saturation * (g - luma),
            b if still else luma + saturation * (b - luma))


@formula
def forward_clamped(r, g, b, q, size):
    r, g, b = saturated(raised(unit(r * q[0] + q[3]), q[6]), raised(unit(g * q[1] + q[4]), q[7]),
                        raised(unit(b * q[2] + q[5]), q[8]), q[9])
    return unit(r), unit(g), unit(b)


@formula
def forward(r, g, b, q, size):
    return saturated(raised(r * q[0] + q[3], q[6]), raised(g * q[1] + q[4], q[7]), raised(b * q[2] + q[5], q[8]), q[9])


@formula
def reverse_clamped(r, g, b, q, size):
    r, g, b = saturated(unit(r), unit(g), unit(b), q[9])
    return (unit(raised(unit(r), q[6]) * q[0] + q[3]), unit(raised(unit(g), q[7]) * q[1] + q[4]),
            unit(raised(unit(b), q[8]) * q[2] + q[5]))


@formula
def reverse(r, g, b, q, size):
    r, g, b = saturated(r, g, b, q[9])
    return raised(r, q[6]) * q[0] + q[3], raised(g, q[7]) * q[1] + q[4], raised(b, q[8]) * q[2] + q[5]


def _examples() -> tuple[Example, ...]:
    warm: dict[str, Any] = {"slope": (1.2, 0.95, 1.07), "offset": (0.01, -0.02, 0.005), "power": (0.9, 1.0, 1.15)}
    return (Example("clamped", AscCdl(**warm, saturation=0.8), timed="ASC CDL"),
            Example("not clamped", AscCdl(**warm, saturation=1.3, style="FwdNoClamp")),
            Example("channels apart", AscCdl(**warm, style="FwdNoClamp"), golden=False),
            Example("undone, clamped", AscCdl(**warm, saturation=0.8, style="Rev")),
            Example("undone, not clamped", AscCdl(**warm, saturation=1.3, style="RevNoClamp")),
            Example("strong", AscCdl((2.0, 0.5, 1.0), (-0.2, 0.3, 0.0), (2.2, 0.45, 1.0), 0.0), golden=False))


complete(AscCdl, pack=pack_asc_cdl, room=lambda counts: HEADER, check=_check, sentences=SENTENCES,
         forms=(Form("cdl_forward_clamped", pixel=forward_clamped), Form("cdl_forward", pixel=forward),
                Form("cdl_reverse_clamped", pixel=reverse_clamped), Form("cdl_reverse", pixel=reverse)),
         bound=DECODING, examples=_examples, source="ASC CDL 1.2; SMPTE ST 2136-1, ASC_CDL node", reference="cdl",
         peer="clf")
