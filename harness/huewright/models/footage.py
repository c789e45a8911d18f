"""How the code values of a take are to be understood: declared by the person, never guessed silently."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

import msgspec
from huewright_kernels.ops import Matrix, Operation

from huewright.models.record import Positive

RANGES = ("full", "legal")
THROUGH_LOOK = "through-look"      # the encoding of footage of which only its look LUT is known
if TYPE_CHECKING:      # plain text to those who declare them; the choices are for what is read, and in the schemas
    Range = str
    LookInput = str
    Standing = str
    SaidBy = str
else:
    Range = Literal["full", "legal"]
    LookInput = Literal["log", "linear"]
    # What the bars say of the declared encoding and range.
    Standing = Literal["fits", "in doubt", "contradicted", "not checked"]
    SaidBy = Literal["profile", "chromaticities", "code points", "tags"]
# ITU-R BT.709-6 / BT.2100: black at 16 and nominal peak at 235 of 8 bits, scaled by 2^(n-8).
LEGAL_BLACK, LEGAL_WHITE = 16.0, 235.0


def legal_levels(bits: int) -> tuple[float, float]:
    """Legal black and white as fractions of the full scale 2^bits - 1 of an integer file."""
    scale = float(2 ** (bits - 8)) / float(2**bits - 1)
    return LEGAL_BLACK * scale, LEGAL_WHITE * scale


@dataclass(frozen=True)
class ColoursSaid:
    """What files say of their own colours, ``by`` an ICC profile, attributes, or code points of ITU-T H.273.

    primaries  x and y of red, green, blue and white; empty where they aren't said
    transfer   in the words of :data:`huewright.frames.tags.TRANSFER_NAMES`, or ""
    """

    by: SaidBy
    primaries: tuple[float, ...] = ()
    transfer: str = ""


@dataclass(frozen=True)
class Footage:
    """What the files of one camera hold.

    range          "full" or "legal" code values (legal is expanded so that 16..235 of 8 bit becomes 0..1)
    bits           depth that legal range refers to (8, 10, 12, 16)
    encoding       what the person typed: a curve's name, "display" (already a display picture) or "linear"
    decode         operations from expanded code values to linear light (a LogDecode, or a Lut1D where the
                   named curve is of another family; empty for "linear" and "display")
    primaries      RGB colour space name of the linear values as colour-science knows it ("ITU-R BT.709")
    primaries_implied  colour spaces that go with the encoding by its name, where the person named none and
                   ``primaries`` was taken instead
    look_baked     of a look that had to be sampled, how far that is from its file; 0: it is computed step by step
    look_ways_apart  of a look whose lattice names no interpolation, how far the two ways of reading it are apart
    said           what the files say of their own colours, None where they say nothing
    look           an operation applied instead of the display transfer, or None; it expects log when
                   ``look_input`` is "log", else linear
    """

    range: Range = "full"
    bits: Annotated[int, msgspec.Meta(ge=8, le=32)] = 10
    encoding: str = "display"
    decode: tuple[Operation, ...] = ()
    primaries: str = "ITU-R BT.709"
    look: tuple[Operation, ...] = ()
    look_input: LookInput = "log"
    curve_error: Positive = 0.0
    primaries_implied: tuple[str, ...] = ()
    look_baked: Positive = 0.0
    look_ways_apart: Positive = 0.0
    said: ColoursSaid | None = None

    def to_code_float(self) -> tuple[Operation, ...]:
        """Operations from file code values (integer files scaled to 0..1) to expanded code values."""
        if self.range == "full":
            return ()
        black, white = legal_levels(self.bits)
        scale = 1.0 / (white - black)
        return (Matrix(((scale, 0, 0), (0, scale, 0), (0, 0, scale)), (-black * scale,) * 3),)

    def to_linear(self) -> tuple[Operation, ...]:
        """Operations from file code values to linear light (or to the display picture, for "display")."""
        return self.to_code_float() + self.decode


__all__ = ["RANGES", "THROUGH_LOOK", "ColoursSaid", "Footage", "LookInput", "Range", "SaidBy", "Standing",
           "legal_levels"]
