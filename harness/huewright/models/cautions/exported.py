"""Cautions of exports and of what is handed over."""

from __future__ import annotations

from typing import Literal

import msgspec

from huewright.models.cautions.base import Caution
from huewright.models.record import Count, Name, Number, Positive

Colours = Literal["picture-like", "random", "in-gamut", "beyond-gamut"]


class Beyond(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An error, of full scale, and its limit: in the mean over "picture-like" or "random" colours, or at worst over
    those "in-gamut" or those "beyond-gamut"."""

    colours: Colours
    error: Positive


class ExportOff(Caution, frozen=True):
    """An export is off the render; ``lattice_only`` where only a larger lattice would bring it nearer."""

    beyond: tuple[Beyond, ...]
    mean_limit: Positive
    in_gamut_limit: Positive
    beyond_gamut_limit: Positive
    lattice_only: bool


class CubeLimitsCodes(Caution, frozen=True):
    """A .cube takes code values from ``low`` to ``high`` only."""

    low: Number = 0.0
    high: Number = 1.0


class CubeHasShaper(Caution, frozen=True):
    """Not every program reads a .cube with both a table and a lattice."""


class LatticeLarge(Caution, frozen=True):
    """A lattice of ``size`` points along each axis; programs read ``usual`` as a rule."""

    size: Count
    usual: Count


class LegalCodesTaken(Caution, frozen=True):
    """The file takes the code values of a legal-range take as recorded."""


class CdlLeavesOut(Caution, frozen=True):
    """``left_out`` as it stands in the file. Errors of full scale over picture-like colours."""

    left_out: tuple[str, ...]
    mean: Positive
    worst: Positive


class HandedInPart(Caution, frozen=True):
    """A configuration holds nothing of the takes ``without``, which give no correction."""

    without: tuple[Name, ...]


class EditMediaRelative(Caution, frozen=True):
    """So many ``clips`` of an edit name their media by where the edit lies, and it is written into another folder."""

    clips: Count
