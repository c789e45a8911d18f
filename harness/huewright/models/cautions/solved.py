"""Cautions of the solve: what it was given, did and left."""

from __future__ import annotations

import msgspec

from huewright.models.cautions.base import Caution, Limits, Miss
from huewright.models.reasons import AnyPatchReason
from huewright.models.record import Count, Frame, Name, Number, Positive, Share


class VeilTakenOff(Caution, frozen=True):
    """Mirror light or flare over the card of ``veil`` (share of white; ``veil_error`` its standard error) was taken off
    before anything was solved, so bars on their levels say nothing of it."""

    veil: Share
    veil_error: Positive


class FramesByHand(Caution, frozen=True):
    """Frames that a person ``taken_in`` (of which ``refused`` had reasons against them), ``left_out``, or in which the
    person ``placed`` the card."""

    taken_in: tuple[Frame, ...] = ()
    refused: tuple[Frame, ...] = ()
    left_out: tuple[Frame, ...] = ()
    placed: tuple[Frame, ...] = ()


class DoneInPart(Caution, frozen=True):
    """Less than full strength was asked for, 0 to 1 of ``levels`` and ``hues``: patches are held against where that
    leaves them, short of their own targets by up to ``hue_deg``, ``radius`` (share of the target's) and
    ``level_ire``."""

    levels: Share
    hues: Share
    hue_deg: Positive
    radius: Positive
    level_ire: Positive


class Asked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A target that the person set, and what it would be otherwise."""

    patch: Name
    asked: Number
    otherwise: Number


class CardUnmeasured(Caution, frozen=True):
    """None of the bars and chips that drove the solve has a reference colour: whether they were made for the levels
    and hues that were asked of them is not known."""


class TargetsAsked(Caution, frozen=True):
    """Levels of bars, in IRE, and chips' fractions of their 75 % bars that are not the card's and the usual ones;
    ``nudges`` are turns of chips' targets in degrees, counter-clockwise on the vectorscope."""

    levels: tuple[Asked, ...] = ()
    fractions: tuple[Asked, ...] = ()
    nudges: tuple[Asked, ...] = ()


class OffTarget(Caution, frozen=True):
    misses: tuple[Miss, ...]
    limits: Limits


class Uncertain(Caution, frozen=True):
    """Half of the 95 % interval by which noise, and what is known of the light, may carry each of these beyond the
    limits; ``grain`` and ``rounded``, the shares of the readings' variances that single pixels' noise and a coder's
    rounding have, tell which of them it is."""

    misses: tuple[Miss, ...]
    limits: Limits
    grain: Share = 1.0
    rounded: Share = 0.0


class ChipsGuessed(Caution, frozen=True):
    """Chips without a reference value, whose targets on a wide or HDR ``display`` depend on their level."""

    chips: tuple[Name, ...]
    display: str


class ChipUnused(Caution, frozen=True):
    """Hues between ``from_deg`` and ``to_deg`` follow the chips at either end; None without another chip."""

    chip: Name
    reasons: tuple[AnyPatchReason, ...]
    from_deg: Number | None = None
    to_deg: Number | None = None


class BarUnused(Caution, frozen=True):
    bar: Name
    reasons: tuple[AnyPatchReason, ...]
    near_ire: Number


class CheckUnread(Caution, frozen=True):
    patch: Name
    reasons: tuple[AnyPatchReason, ...]


class HeldAtBound(Caution, frozen=True):
    parameters: tuple[str, ...]


class ColoursFolded(Caution, frozen=True):
    """``share`` of a LUT's cells that are turned inside out."""

    share: Share


class NoiseLifted(Caution, frozen=True):
    """As the solve predicts it: all of Y', Cb, Cr, and of colour alone."""

    all_db: Number
    chroma_db: Number


class SmallDifferencesStretched(Caution, frozen=True):
    times: Positive


class ChipFarFromOthers(Caution, frozen=True):
    """Where the others alone drove the hues, this chip would miss by ``hue_deg``."""

    chip: Name
    hue_deg: Positive


class ChecksWorse(Caution, frozen=True):
    """Mean CIEDE2000 of the check patches, and with exposure and balance alone. ``own_targets``: of a solve for the
    card's own targets, where others were asked for, which move colours by intent."""

    delta_e: Positive
    balance_delta_e: Positive
    own_targets: bool = False


class CheckWorse(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    patch: Name
    delta_e: Positive
    balance_delta_e: Positive


class SomeChecksWorse(Caution, frozen=True):
    """The same of single ``patches``."""

    patches: tuple[CheckWorse, ...]
    own_targets: bool = False


class MatrixOfFewChips(Caution, frozen=True):
    chips: Count


class PolynomialTable(Caution, frozen=True):
    """The root polynomial is rendered from a table of ``size`` points a side: errors of the signal over the display's
    cube; light above ``top`` times white is clamped."""

    size: Count
    worst: Positive
    mean: Positive
    top: Positive


class PolynomialOfFewPatches(Caution, frozen=True):
    terms: Count
    patches: Count


class TableTooFarOff(Caution, frozen=True):
    """A method that is compared, but not rendered."""

    error: Positive
