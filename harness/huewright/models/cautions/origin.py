"""Cautions of where a correction comes from: its file, card, camera, take and light."""

from __future__ import annotations

from huewright.models.cautions.base import Caution
from huewright.models.record import Count, Name, Number, Positive, Share
from huewright.models.shots import AnySign


class Edited(Caution, frozen=True):
    """The correction file was edited by hand since it was solved."""


class OtherCardFile(Caution, frozen=True):
    """Solved with another card file than the take was surveyed with."""

    card_file: str
    surveyed_card_file: str


class Interpolated(Caution, frozen=True):
    """Lies between two takes of the card, ``share`` of the way from ``first`` to ``second``, which were ``apart_s``
    seconds apart; ``drift`` is the mean CIEDE2000 between their corrections on the card's patches, None where no
    reading is recorded to tell."""

    first: Name
    second: Name
    share: Share
    apart_s: Positive
    drift: Positive | None = None


class FollowsCamera(Caution, frozen=True):
    """Solved towards what the correction of ``take``, of another camera, makes of the card: by ``patches`` chips and
    check patches; how far it lies from that in CIEDE2000, done whole, and with each of them left out in turn."""

    take: Name
    patches: Count
    mean: Positive
    worst: Positive
    left_out_mean: Positive
    left_out_worst: Positive


class OfAnotherCamera(Caution, frozen=True):
    """The files of ``shot`` contradict that they are of the camera and settings of ``take``, whose correction it
    gets."""

    shot: Name
    take: Name
    signs: tuple[AnySign, ...]


class LightMayDiffer(Caution, frozen=True):
    """By its pictures alone, the light of ``shot`` looks other than that of ``take``, whose correction it gets: by so
    many stops of red or blue against green, or of level; None what is within the limits."""

    shot: Name
    take: Name
    red_stops: Number | None = None
    blue_stops: Number | None = None
    level_stops: Number | None = None


class TakeAfterShot(Caution, frozen=True):
    """``shot`` gets the correction of ``take``, which was made ``seconds`` after it, for no take came before."""

    shot: Name
    take: Name
    seconds: Positive
