"""Cautions of the proof and its shots."""

from __future__ import annotations

import msgspec

from huewright.models.cautions.base import Caution
from huewright.models.record import Count, Frame, Name, Number, Positive, Share


class PatchApart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="code", tag="patch-apart"):
    """A patch of the rendered frames is off the chain, in signal, by more than the files explain."""

    patch: Name
    off: Positive
    allowed: Positive


class PixelsApart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="code", tag="pixels-apart"):
    """A ``share`` of the pixels is off the chain by more than ``allowed``, in signal."""

    share: Share
    allowed: Positive


Apart = PatchApart | PixelsApart


class RenderedNear(Caution, frozen=True):
    """The rendered frames are near what the correction makes, but not the same."""

    apart: Apart


class NotFinite(Caution, frozen=True):
    """Pixels of ``shot`` (the card take where empty), as rendered, that hold no finite number."""

    pixels: Count
    shot: str = ""


class SignalBeyond(Caution, frozen=True):
    """Share of the pixels of ``shot`` (the card take where empty) above and below the display's range."""

    over: Share
    under: Share
    shot: str = ""


class BeyondPreferred(Caution, frozen=True):
    """Share of the pixels outside -5 to 105 % (EBU R 103)."""

    share: Share


class AtEndStops(Caution, frozen=True):
    """Share of the pixels in the rendered files (of ``shot``; the card take where empty) at an end of the codes."""

    share: Share
    shot: str = ""


class NoiseMeasured(Caution, frozen=True):
    lifted_db: Number


class LightFallsOff(Caution, frozen=True):
    stops: Positive


class Flashing(Caution, frozen=True):
    """More flashes (or, ``red``, flashes to or from saturated red) within a second than ITU-R BT.1702 allows."""

    shot: str
    flashes: Count
    red: bool
    first_frame: Frame
    last_frame: Frame
    frames_per_second: Positive
    rate_declared: bool


class SameLight(Caution, frozen=True):
    """Whether a shot shares the card's light and camera settings can't be seen from its files."""


class Screened(Caution, frozen=True):
    """The shots were screened for flashing, which is no certified test; the rest is for others to decide."""


class NotScreened(Caution, frozen=True):
    """Nothing was screened for flashing; that and the rest is for others to decide."""
