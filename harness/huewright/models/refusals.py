"""Why a reading supports no answer: codes and figures, kept in a comparison of methods and in refusals of a solve."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Union

import msgspec

from huewright.models.coded import Coded
from huewright.models.reasons import AnyPatchReason
from huewright.models.record import Count, Name, Positive, Share


class Refusal(Coded, frozen=True):
    """What :class:`huewright.errors.NoAnswerError` is raised with where a method can't answer."""


class Unused(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    patch: Name
    reasons: tuple[AnyPatchReason, ...]


class BarClipped(Refusal, frozen=True):
    """``share`` of the bar's pixels are clipped in ``channel``, so its level is not known."""

    bar: Name
    channel: Literal["red", "green", "blue"]
    share: Share


class TooFewBars(Refusal, frozen=True):
    """Exposure and tone need two grey bars or more at different levels; ``unused``: patches that could not be used."""

    unused: tuple[Unused, ...] = ()


class NoChips(Refusal, frozen=True):
    """No chip could be read."""


class ChipsColourless(Refusal, frozen=True):
    """The chips show almost no colour after balancing."""


class ChipsOnLine(Refusal, frozen=True):
    """The chips' colours fall onto one line after balancing: the light lacks too much of the spectrum."""


class LightOfOneColour(Refusal, frozen=True):
    """The grey bars need ``balance_stops`` of balance between the channels."""

    balance_stops: Positive


class BeyondEncoding(Refusal, frozen=True):
    """What was read of this ``patch``, or the noise around it, is no light that can be, decoded as declared."""

    patch: Name


class NoSpectra(Refusal, frozen=True):
    """The card gives no reflectance of these ``patches``, which a method that reasons with spectra needs."""

    patches: tuple[Name, ...]


class TargetsNotColours(Refusal, frozen=True):
    """Bars and chips are asked to land ``delta_e`` from the card's own colours on average, more than ``limit``: then
    nothing tells what other things are meant to look like."""

    delta_e: Positive
    limit: Positive


class TooFewInCommon(Refusal, frozen=True):
    """Only ``count`` chips and check patches were read both by this take and by ``take`` of the camera that it follows;
    ``least`` are needed."""

    take: Name
    count: Count
    least: Count


class TableUnfaithful(Refusal, frozen=True):
    """A ``size``-cubed table of the polynomial is off by up to ``error`` of the signal, more than ``limit``."""

    method: Name
    size: Count
    error: Positive
    limit: Positive


if TYPE_CHECKING:
    AnyRefusal = Refusal
else:
    AnyRefusal = Union[tuple(Refusal.__subclasses__())]  # noqa: UP007
