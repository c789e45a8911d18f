"""What files say of their own colours: primaries and transfer, from attributes of pictures or the tags of movies.

Source: ITU-T H.273, table 2 (chromaticities of ColourPrimaries' code points); OpenEXR's standard attribute
``chromaticities``; ISO 15076-1 (ICC profiles of matrix and tone curves: colorants relative to D50), read by LittleCMS.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np

from huewright.frames.tags import PRIMARIES_NAMES, TRANSFER_NAMES, Tags

_D65, _DCI = (0.3127, 0.3290), (0.314, 0.351)
_XY = {"bt709": (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, *_D65), "bt601-625": (0.64, 0.33, 0.29, 0.60, 0.15, 0.06, *_D65),
       "bt601-525": (0.630, 0.340, 0.310, 0.595, 0.155, 0.070, *_D65),
       "bt2020": (0.708, 0.292, 0.170, 0.797, 0.131, 0.046, *_D65),
       "p3-dci": (0.680, 0.320, 0.265, 0.690, 0.150, 0.060, *_DCI),
       "p3-d65": (0.680, 0.320, 0.265, 0.690, 0.150, 0.060, *_D65)}
_D50 = (0.3457, 0.3585)


@dataclass(frozen=True)
class Said:
    """``by`` which part of the files: "profile", "chromaticities", "code points" or "tags"; ``primaries`` x and y of
    red, green, blue and white, or empty; ``transfer`` of :data:`~huewright.frames.tags.TRANSFER_NAMES`, or ""."""

    by: str
    primaries: tuple[float, ...] = ()
    transfer: str = ""


def said_in_tags(tags: Tags) -> Said | None:
    """Of a movie; None where its tags name neither primaries nor transfer."""
    if not (tags.primaries or tags.transfer):
        return None
    return Said("tags", _XY.get(tags.primaries, ()), tags.transfer)


def said_in_attributes(attributes: Mapping[str, Any]) -> Said | None:
    """Of a picture file; code points before a profile, as PNG has it, and both before plain chromaticities."""
    points = attributes.get("CICP")
    if points is not None and len(points) >= 2 and (points[0] in PRIMARIES_NAMES or points[1] in TRANSFER_NAMES):
        named = PRIMARIES_NAMES.get(int(points[0]), "")
        return Said("code points", _XY.get(named, ()), TRANSFER_NAMES.get(int(points[1]), ""))
    profile = attributes.get("ICCProfile")
    if profile is not None:
        primaries = _of_profile(np.asarray(profile, dtype=np.uint8).tobytes())
        if primaries:
            return Said("profile", primaries)
    chromaticities = attributes.get("chromaticities")
    if chromaticities is not None and len(chromaticities) == 8:
        return Said("chromaticities", tuple(float(value) for value in chromaticities))
    return None


def _of_profile(profile: bytes) -> tuple[float, ...]:
    """Chromaticities as they lie in the profile, white D50; none of a profile of tables, of other channels, or
    damaged."""
    from PIL import ImageCms

    try:
        read = ImageCms.ImageCmsProfile(BytesIO(profile)).profile
        colorants = [colorant for colorant in (read.red_colorant, read.green_colorant, read.blue_colorant) if colorant]
        if read.xcolor_space.strip() != "RGB" or len(colorants) < 3:
            return ()
        return (*(float(value) for colorant in colorants for value in colorant[1][:2]), *_D50)
    except (OSError, ValueError, TypeError):      # it is carried as it lies, and says nothing to us
        return ()


__all__ = ["Said", "said_in_attributes", "said_in_tags"]
