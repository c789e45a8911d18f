"""What one frame (or a merge of frames) says about each patch of the card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

# More than this share of a patch's pixels on a clip level, or a mean moved by more than this in code values: the patch
# is not read. Fewer pixels, which noise carries over, leave the mean where it is. Choices of ours, no source.
MOST_CLIPPED = 0.25
CLIP_SHIFT = 0.001

Triple = tuple[float, float, float]
Matrix3 = tuple[Triple, Triple, Triple]


@dataclass(frozen=True)
class PatchReading:
    """One patch, in file code values as floats (integer files scaled to 0..1, range not yet expanded).

    mean          robust location of R, G, B over the patch
    covariance    3x3 covariance of single pixels (noise), code values squared
    standard_error  standard error of ``mean`` per channel, correlation between pixels allowed for
    count         effective number of pixels (sum of coverage)
    clipped       fraction of pixels at or beyond the code range, per channel, 0..1
    glare         reflection score, 0 none .. 1 certainly; ``excluded`` if the patch must not be used
    reasons       in words, why it is excluded or suspect
    """

    name: str
    mean: Triple
    covariance: Matrix3
    standard_error: Triple
    count: float
    clipped: Triple = (0.0, 0.0, 0.0)
    glare: float = 0.0
    excluded: bool = False
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Reading:
    """All patches of one frame. ``corners`` are the card's corners in pixels (x right, y down, pixel centres
    at +0.5), clockwise from the card's own top left; ``frame`` is the frame number, or None for a merge.

    light         fitted uneven light over the card removed from the means: peak-to-peak, in stops
    """

    patches: tuple[PatchReading, ...]
    corners: tuple[tuple[float, float], ...] = ()
    frame: int | None = None
    light_stops: float = 0.0

    def patch(self, name: str) -> PatchReading:
        for patch in self.patches:
            if patch.name == name:
                return patch
        raise KeyError(name)


def clip_shift(share: np.ndarray, deviation: np.ndarray) -> np.ndarray:
    """How far clipping ``share`` (0..1) of a normal spread of ``deviation`` moves its mean, both of any one shape:
    deviation (pdf(z) - z share), where P(x > z) = share."""
    kept = np.clip(share, 1e-9, 0.5)
    z = -ndtri(kept)
    return np.where(np.asarray(share) > 0, deviation * (np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) - z * kept), 0.0)


def clipping_tells(share: np.ndarray, shift: np.ndarray, least: float) -> np.ndarray:
    """Whether a clipped ``share`` above ``least`` that moves the mean by ``shift`` makes a patch's level unknown: the
    one rule that both the survey and the solve go by."""
    return (share > least) & ((share > MOST_CLIPPED) | (shift > CLIP_SHIFT))


def reading_to_dict(reading: Reading) -> dict[str, Any]:
    return {"frame": reading.frame, "corners": [list(point) for point in reading.corners],
            "light_stops": reading.light_stops,
            "patches": [{"name": p.name, "mean": list(p.mean), "covariance": [list(row) for row in p.covariance],
                         "standard_error": list(p.standard_error), "count": p.count, "clipped": list(p.clipped),
                         "glare": p.glare, "excluded": p.excluded, "reasons": list(p.reasons)}
                        for p in reading.patches]}


def reading_from_dict(record: dict[str, Any]) -> Reading:
    patches = tuple(PatchReading(**{key: _tuple(value) for key, value in row.items()}) for row in record["patches"])
    return Reading(patches, _tuple(record.get("corners", [])), record.get("frame"),
                   float(record.get("light_stops", 0.0)))


def _tuple(value: Any) -> Any:
    return tuple(_tuple(item) for item in value) if isinstance(value, list) else value


__all__ = ["PatchReading", "Reading", "reading_from_dict", "reading_to_dict"]
