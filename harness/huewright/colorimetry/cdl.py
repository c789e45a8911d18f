"""ASC CDL: the primaries of a correction as slope, offset and power a channel.

Source: ASC Color Decision List 1.2: out = clamp(in * slope + offset) ^ power, then saturation (left at 1 here).
The CDL acts on file code values, ahead of the same transform to display that an uncorrected picture gets; for log
footage that is where a CDL is customarily put (common practice, no source), and there a linear gain is an offset.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813  (the name its documentation uses)
from huewright_kernels.ops import HueSectors, Operation
from scipy.optimize import least_squares

from huewright.reference import apply_chain

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class Cdl:
    """Numbers of ASC CDL 1.2, red, green, blue."""

    slope: Triple
    offset: Triple
    power: Triple
    saturation: float = 1.0


def fit_cdl(operations: Sequence[Operation], neutral: Sequence[Operation]) -> Cdl:
    """The CDL that, put ahead of ``neutral``, comes nearest to ``operations`` without their hue sectors.

    Least squares of the display signal (limited to 0..1) over neutral levels and small departures from them.
    """
    rng = np.random.default_rng(3)
    codes = np.repeat(np.linspace(0.0, 1.0, 241)[:, None], 3, axis=1)
    codes = np.concatenate([codes, np.clip(codes + rng.normal(0, 0.03, codes.shape), 0, 1)])
    primaries = [item for item in operations if not isinstance(item, HueSectors)]
    wanted = np.clip(apply_chain(primaries, codes), 0, 1)

    def residual(numbers: np.ndarray) -> np.ndarray:
        slope, offset, power = numbers.reshape(3, 3)
        graded = np.clip(codes * slope + offset, 0, 1) ** power
        result: np.ndarray = (np.clip(apply_chain(neutral, graded), -0.05, 1.05) - wanted).ravel()
        return result

    start = np.array([1.0] * 3 + [0.0] * 3 + [1.0] * 3)
    low = np.array([0.1] * 3 + [-0.9] * 3 + [0.2] * 3)
    found = least_squares(residual, start, bounds=(low, np.array([10.0] * 3 + [0.9] * 3 + [5.0] * 3)), x_scale=0.1)
    slope, offset, power = (tuple(round(float(value), 6) for value in row) for row in found.x.reshape(3, 3))
    return Cdl(slope, offset, power)  # type: ignore[arg-type]


def cdl_text(cdl: Cdl, format_name: str, identity: str, descriptions: Sequence[str]) -> str:
    """The text of a .cdl, .cc or .ccc file as OpenColorIO writes it (its names for the formats)."""
    transform = ocio.CDLTransform()
    transform.setSlope(cdl.slope)
    transform.setOffset(cdl.offset)
    transform.setPower(cdl.power)
    transform.setSat(cdl.saturation)
    transform.setStyle(ocio.CDL_ASC)
    metadata = transform.getFormatMetadata()
    metadata.setID(identity)
    for text in descriptions:
        metadata.addChildElement("Description", text)
    result: str = ocio.GroupTransform([transform]).write(format_name, ocio.Config.CreateRaw())
    return result
