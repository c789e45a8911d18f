"""What counts as on target, what is off it, and the class of all cautions."""

from __future__ import annotations

from typing import Literal

import msgspec

from huewright.models.coded import Coded
from huewright.models.record import Name, Positive


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What counts as on target: ``radius`` is a share of the target's."""

    hue_deg: Positive
    radius: Positive
    level_ire: Positive


Quantity = Literal["hue_deg", "radius", "level_ire"]


class Miss(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """``by`` degrees of hue, share of the radius, or IRE of level."""

    patch: Name
    quantity: Quantity
    by: Positive


class Caution(Coded, frozen=True):
    """What the person must know."""
