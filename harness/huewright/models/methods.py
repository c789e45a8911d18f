"""Methods compared on one reading: what each would do, and why one of them is recommended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import msgspec

from huewright.models.cautions import AnyCaution
from huewright.models.coded import Coded
from huewright.models.record import Name, Number, Positive, Share
from huewright.models.refusals import AnyRefusal

JudgedOn = Literal["check-patches", "chips-left-out"]


class TooRough(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A method that would do better on the patches, ``delta_e``, but is too rough to recommend."""

    method: Name
    delta_e: Positive
    local_gain: Positive
    noise_db: Number


class OnTargetAndNear(Coded, frozen=True):
    """Every chip lands on its target, and the patches ``judged_on`` are ``delta_e`` off on average (CIEDE2000),
    ``best`` with the best of all methods. ``local_gain`` and ``noise_db`` where they are worth a word."""

    judged_on: JudgedOn
    delta_e: Positive
    best: Positive
    local_gain: Positive | None = None
    noise_db: Number | None = None
    passed_over: TooRough | None = None


class LeastOff(Coded, frozen=True):
    """The patches ``judged_on`` are off by the least of all methods (that are not too rough, where one was
    ``passed_over``); ``sectors_delta_e`` what sectors leave, where these are another method."""

    judged_on: JudgedOn
    delta_e: Positive
    sectors_delta_e: Positive | None = None
    local_gain: Positive | None = None
    noise_db: Number | None = None
    passed_over: TooRough | None = None


class TruestBeyondCard(Coded, frozen=True):
    """From what all patches tell of this camera, other things than the card's are likely to come out nearest by it; the
    check patches are ``delta_e`` off (``best`` with the best of all). Where chips are not on their targets, ``hue_deg``
    and ``radius`` (a share) are what they are off at worst."""

    delta_e: Positive
    best: Positive
    hue_deg: Positive | None = None
    radius: Positive | None = None
    local_gain: Positive | None = None
    noise_db: Number | None = None
    passed_over: TooRough | None = None


class NothingJudged(Coded, frozen=True):
    """No method could be judged on patches that it had not seen, or each folds or stretches colours."""


Recommendation = OnTargetAndNear | LeastOff | TruestBeyondCard | NothingJudged


class Untold(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A method that the card doesn't tell apart from the recommended one: other things than the card's may be from
    ``nearer`` (mean CIEDE2000, in about 95 of 100 cases) to ``farther`` off by it than by the recommended one."""

    method: Name
    nearer: Positive
    farther: Positive


@dataclass(frozen=True)
class MethodResult:
    """One method on the reading. Figures are None where it was ``refused``, or where there is nothing to state.

    worst_hue_error_deg, worst_radius_error, worst_level_error_ire   on chips and bars
    chip_delta_e           mean CIEDE2000 between each chip and the same level at its target
    left_out_delta_e       the same for each chip fitted from the others
    check_delta_e_mean, check_delta_e_worst   against the check patches' reference; None if the card has none
    worst_local_gain       most that small differences are stretched, over the display's cube
    noise_gain_db          against the uncorrected picture
    folded_fraction        of a LUT's cells turned inside out
    recommended            why it is the one to use; None for the others
    untold                 beside the recommended one: methods that this card doesn't tell apart from it
    refused                why it can't answer
    cautions               what must be known of it
    """

    method: Name
    worst_hue_error_deg: Positive | None = None
    worst_radius_error: Positive | None = None
    worst_level_error_ire: Positive | None = None
    chip_delta_e: Positive | None = None
    left_out_delta_e: Positive | None = None
    check_delta_e_mean: Positive | None = None
    check_delta_e_worst: Positive | None = None
    worst_local_gain: Positive | None = None
    noise_gain_db: Number | None = None
    folded_fraction: Share | None = None
    recommended: Recommendation | None = None
    untold: tuple[Untold, ...] = ()
    refused: AnyRefusal | None = None
    cautions: tuple[AnyCaution, ...] = ()
