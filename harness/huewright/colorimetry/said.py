"""Whether what files say of their own colours is what was declared of them.

Both are brought to D50 by Bradford's matrix (as ICC profiles have them: ISO 15076-1, annex E) and their primaries
compared there, so that a profile, an attribute and a name can be held against each other; whites are not compared.
"""

from __future__ import annotations

import numpy as np

from huewright.colorimetry.declare import TRANSFERS
from huewright.colorimetry.display import Display
from huewright.models.cautions import ColoursSaidOtherwise
from huewright.models.footage import THROUGH_LOOK, Footage

APART = 0.02
"""In x or y. Common practice, no source: the systems of standard-definition television stay within it of BT.709."""
_D50 = (0.3457, 0.3585)
# Names of open standards, by which colour-science knows them.
_KNOWN = ("ITU-R BT.709", "ITU-R BT.2020", "P3-D65", "DCI-P3", "ACES2065-1", "ACEScg")
_HDR = ("pq", "hlg")


def said_otherwise(footage: Footage, display: Display | None = None) -> ColoursSaidOtherwise | None:
    """What to say of ``footage`` whose files say other colours than were declared; None where nothing contradicts.

    display  what the correction aims at, whose colours a picture declared as "display" is taken to have; without it
             nothing is said of such a picture

    Movies' tags have no words for camera logs and are seldom right beside one, so they are held against displays'
    pictures alone; a look, or a colour space of a configuration, is given the camera's own light whatever it is.
    """
    said = footage.said
    if said is None or footage.look or footage.encoding == THROUGH_LOOK:
        return None
    shown = footage.encoding == "display"
    if (shown and display is None) or (said.by != "chromaticities" and not shown and footage.encoding not in TRANSFERS):
        return None
    declared, encoding = footage.primaries, footage.encoding
    if shown and display is not None:
        declared, encoding = display.primaries, display.name
    primaries = said.primaries if said.primaries and _apart(said.primaries, _named(declared)) > APART else ()
    # Of other curves for displays' pictures movies say the one for the other, and mean the same.
    transfer = said.transfer if said.transfer != encoding and {said.transfer, encoding} & set(_HDR) else ""
    if (transfer, encoding) == ("bt2020", "hlg"):      # so that older receivers show it: ETSI TS 101 154, from memory
        transfer = ""
    if not primaries and not transfer:
        return None
    name = next((known for known in _KNOWN if primaries and _apart(primaries, _named(known)) < APART / 4), "")
    return ColoursSaidOtherwise(said.by, name, primaries, transfer, declared, encoding, shown)


def _named(name: str) -> tuple[float, ...]:
    from colour import RGB_COLOURSPACES

    space = RGB_COLOURSPACES[name]
    return (*(float(value) for row in space.primaries for value in row), *(float(value) for value in space.whitepoint))


def _apart(first: tuple[float, ...], second: tuple[float, ...]) -> float:
    return float(np.max(np.abs(_at_d50(first) - _at_d50(second))))


def _at_d50(primaries: tuple[float, ...]) -> np.ndarray:
    """(3, 2) chromaticities; those that no light has, as damaged files may say, as they are."""
    from colour import xy_to_XYZ
    from colour.adaptation import matrix_chromatic_adaptation_VonKries

    xy = np.asarray(primaries, dtype=np.float64).reshape(4, 2)
    if not (np.isfinite(xy).all() and (np.abs(xy) < 2).all() and xy[3, 1] > 0.01):
        return xy[:3]
    seen = matrix_chromatic_adaptation_VonKries(xy_to_XYZ(xy[3]), xy_to_XYZ(_D50), transform="Bradford")
    # In proportion only, so that y of 0 (as ACES' blue nearly has it) needs no case of its own.
    light = np.column_stack([xy[:3], 1 - xy[:3].sum(axis=1)]) @ seen.T
    with np.errstate(divide="ignore", invalid="ignore"):
        result: np.ndarray = light[:, :2] / light.sum(axis=1, keepdims=True)
    return np.where(np.isfinite(result), result, xy[:3])


__all__ = ["APART", "said_otherwise"]
