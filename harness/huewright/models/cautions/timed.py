"""Cautions of the bench."""

from __future__ import annotations

from huewright.models.cautions.base import Caution
from huewright.models.record import Count, Positive, Share


class MachineBusy(Caution, frozen=True):
    """The machine's ``load`` before the bench began, on so many ``processors``."""

    load: Positive
    processors: Count


class RowsUnreliable(Caution, frozen=True):
    """So many ``rows`` spread by more than ``spread`` of their median."""

    rows: Count
    spread: Share
