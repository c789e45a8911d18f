"""What a person can ask of the solve."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from huewright.errors import InputError
from huewright.models.record import Name, Number, Positive, Share

METHODS = ("sectors", "matrix-sectors", "spectral-sectors", "balance", "matrix", "polynomial-2", "polynomial-3")
if TYPE_CHECKING:      # plain text to those who ask; the choices are for what is read
    Method = str
else:
    Method = Literal[METHODS]


@dataclass(frozen=True)
class Strength:
    """How much of what was solved is done, 0 to 1: straight lines from no change to the answer in the solve's own
    unknowns (stops, places of tone anchors, degrees, logarithms of gains, entries of a matrix).

    levels    exposure, balance and tone
    hues      the turn and scale of every hue, and a matrix where the method has one
    """

    levels: Share = 1.0
    hues: Share = 1.0

    def __post_init__(self) -> None:
        for name, value in (("levels", self.levels), ("hues", self.hues)):
            if not 0 <= value <= 1:
                raise InputError(f"the strength of {name} lies between 0 and 1, not {value:g}"
                                 + (f"; {value:g} % is {value / 100:g}" if 1 < value <= 100 else ""))

    @property
    def full(self) -> bool:
        return self.levels == self.hues == 1.0


@dataclass(frozen=True)
class SolveSettings:
    """Targets, method, and how firmly the answer is held.

    mode, fraction, display, adaptation   see :func:`huewright.colorimetry.targets.targets_for`
    levels_ire           bars' levels that the person asks for instead of the card's, by the bar's name
    fractions            chips' fractions instead of ``fraction``, by the chip's name or its hue's
    nudges_deg           turns of chips' targets on the vectorscope, counter-clockwise, by the chip's name or its hue's
    strength             how much of the answer is done
    method               one of :data:`METHODS`
    floor                least standard deviation that a measured Y', Cb or Cr is credited with: print tolerance
                         and uneven texture never average out
    robust_scale         residuals beyond this many standard deviations pull less (soft L1)
    exposure_prior_stops, tone_prior, rotation_prior_deg, log_gain_prior
                         standard deviations of the mild pull towards "no change": exposure and balance in stops,
                         tone anchors in signal, rotations in degrees, gains as natural logarithms
    least_slope          least slope of the hue map between control hues
    clip_limit           a patch with more than this fraction of pixels clipped in a channel is not read, if that
                         moves its mean (see :func:`huewright.models.reading.clipping_tells`)
    trust_encoding       goes on where the bars contradict the declared encoding or range
    hue_limit_deg, radius_limit, level_limit_ire
                         what counts as on target; beyond it, or where its interval may carry a patch beyond it,
                         the solve warns
    """

    mode: Name = "vectorscope"
    fraction: Positive = 0.5
    display: Name = "bt709"
    adaptation: Name = "CAT16"
    method: Method = "sectors"
    floor: Positive = 1e-4
    robust_scale: Positive = 3.0
    exposure_prior_stops: Positive = 4.0
    tone_prior: Positive = 0.25
    rotation_prior_deg: Positive = 30.0
    log_gain_prior: Positive = 0.7
    least_slope: Positive = 0.2
    clip_limit: Share = 0.02
    hue_limit_deg: Positive = 0.5
    radius_limit: Positive = 0.01
    level_limit_ire: Positive = 0.5
    trust_encoding: bool = False
    levels_ire: dict[Name, Number] = field(default_factory=dict)
    fractions: dict[Name, Positive] = field(default_factory=dict)
    nudges_deg: dict[Name, Number] = field(default_factory=dict)
    strength: Strength = Strength()

    def __post_init__(self) -> None:
        if self.method not in METHODS:
            raise InputError(f"unknown method {self.method!r}; known: {', '.join(METHODS)}")
        if self.method.startswith("polynomial") and not self.strength.full:
            raise InputError(f"method {self.method} is a table that is done whole or not at all; leave --strength out, "
                             "or choose sectors, matrix-sectors, spectral-sectors, matrix or balance")
