"""What one frame (or a merge of frames) says about each patch of the card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import msgspec
import numpy as np
from scipy.special import ndtri

from huewright.models.reasons import AnyPatchReason
from huewright.models.record import MOST_CODE, Code, Frame, Name, Point, Positive, Share

# More than this share of a patch's pixels on a clip level, or a mean moved by more than this in code values: the patch
# is not read. Fewer pixels, which noise carries over, leave the mean where it is. Choices of ours, no source.
MOST_CLIPPED = 0.25
CLIP_SHIFT = 0.001
# What rounding may leave of a covariance's least eigenvalue and symmetry, relative to its trace.
ROUNDING = 1e-6

Triple = tuple[float, float, float]
Matrix3 = tuple[Triple, Triple, Triple]
Correlation = Annotated[float, msgspec.Meta(ge=-1.0, le=1.0)]
Square = Annotated[float, msgspec.Meta(ge=-MOST_CODE**2, le=MOST_CODE**2)]


@dataclass(frozen=True)
class PatchReading:
    """One patch, in file code values as floats (integer files scaled to 0..1, range not yet expanded).

    mean          robust location of R, G, B over the patch
    covariance    3x3 covariance of single pixels (noise), code values squared: symmetric, no negative variance in any
                  direction (``ValueError``)
    standard_error  standard error of ``mean`` per channel, correlation between pixels allowed for
    correlation   of the errors of ``mean`` between red and green, red and blue, green and blue, -1..1, such as three
                  numbers can have (``ValueError``): light and veil that are misjudged are so in all channels. None: as
                  that of single pixels
    count         effective number of pixels (sum of coverage)
    clipped       fraction of pixels at or beyond the code range, per channel, 0..1
    glare         reflection score, 0 none .. 1 certainly; ``excluded`` if the patch must not be used
    reasons       why it is excluded or suspect
    rounded       share of the square of ``standard_error`` that a coder's rounding has, in the mean of the channels
    """

    name: Name
    mean: tuple[Code, Code, Code]
    covariance: tuple[tuple[Square, Square, Square], tuple[Square, Square, Square], tuple[Square, Square, Square]]
    standard_error: tuple[Positive, Positive, Positive]
    count: Positive
    clipped: tuple[Share, Share, Share] = (0.0, 0.0, 0.0)
    glare: Share = 0.0
    excluded: bool = False
    reasons: tuple[AnyPatchReason, ...] = ()
    correlation: tuple[Correlation, Correlation, Correlation] | None = None
    rounded: Share = 0.0

    def __post_init__(self) -> None:
        covariance = np.array(self.covariance, dtype=np.float64)
        if not np.isfinite(covariance).all():
            return
        slack = ROUNDING * max(float(np.trace(covariance)), 0.0) + 1e-15
        if np.abs(covariance - covariance.T).max() > slack:
            raise ValueError("covariance is not symmetric")
        if np.linalg.eigvalsh(covariance)[0] < -slack:
            raise ValueError("covariance has a negative variance (it is not positive semi-definite)")
        if self.correlation is not None and np.linalg.eigvalsh(correlation_matrix(self.correlation))[0] < -ROUNDING:
            raise ValueError("correlation is of no three channels (it is not positive semi-definite)")


@dataclass(frozen=True)
class Reading:
    """All patches of one frame. ``corners`` are the card's corners in pixels (x right, y down, pixel centres
    at +0.5), clockwise from the card's own top left; ``frame`` is the frame number, or None for a merge.

    light         fitted uneven light over the card removed from the means: peak-to-peak, in stops
    """

    patches: tuple[PatchReading, ...]
    corners: tuple[Point, ...] = ()
    frame: Frame | None = None
    light_stops: Positive = 0.0

    def __post_init__(self) -> None:
        names = [patch.name for patch in self.patches]
        if len(set(names)) != len(names):
            raise ValueError(f"two patches are named {next(name for name in names if names.count(name) > 1)!r}")

    def patch(self, name: str) -> PatchReading:
        for patch in self.patches:
            if patch.name == name:
                return patch
        raise KeyError(name)


def correlation_matrix(correlation: Triple) -> np.ndarray:
    """(3, 3) of the correlations between red and green, red and blue, green and blue."""
    red_green, red_blue, green_blue = correlation
    return np.array([[1.0, red_green, red_blue], [red_green, 1.0, green_blue], [red_blue, green_blue, 1.0]])


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


__all__ = ["PatchReading", "Reading", "clip_shift", "clipping_tells", "correlation_matrix"]
