"""What a person can ask of the solve."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any

from huewright.errors import InputError

METHODS = ("sectors", "matrix-sectors", "balance", "matrix", "polynomial-2", "polynomial-3")


@dataclass(frozen=True)
class SolveSettings:
    """Targets, method, and how firmly the answer is held.

    mode, fraction, display, adaptation   see :func:`huewright.colorimetry.targets.targets_for`
    method               one of :data:`METHODS`
    floor                least standard deviation that a measured Y', Cb or Cr is credited with: print tolerance
                         and uneven texture never average out
    robust_scale         residuals beyond this many standard deviations pull less (soft L1)
    exposure_prior_stops, tone_prior, rotation_prior_deg, log_gain_prior
                         standard deviations of the mild pull towards "no change": exposure and balance in stops,
                         tone anchors in signal, rotations in degrees, gains as natural logarithms
    least_slope          least slope of the hue map between control hues
    clip_limit           a patch with more than this fraction of pixels clipped in a channel is not read, if that
                         moves its mean (see :func:`huewright.models.reading.clipping_tells`)
    hue_limit_deg, radius_limit, level_limit_ire
                         what counts as on target; beyond it, or where noise alone may carry a patch beyond it,
                         the solve warns
    """

    mode: str = "vectorscope"
    fraction: float = 0.5
    display: str = "bt709"
    adaptation: str = "CAT16"
    method: str = "sectors"
    floor: float = 1e-4
    robust_scale: float = 3.0
    exposure_prior_stops: float = 4.0
    tone_prior: float = 0.25
    rotation_prior_deg: float = 30.0
    log_gain_prior: float = 0.7
    least_slope: float = 0.2
    clip_limit: float = 0.02
    hue_limit_deg: float = 0.5
    radius_limit: float = 0.01
    level_limit_ire: float = 0.5

    def __post_init__(self) -> None:
        if self.method not in METHODS:
            raise InputError(f"unknown method {self.method!r}; known: {', '.join(METHODS)}")

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def settings_from_dict(record: dict[str, Any]) -> SolveSettings:
    """The inverse of :meth:`SolveSettings.to_dict`; :class:`InputError` for a setting that is not known."""
    unknown = sorted(set(record) - {field.name for field in fields(SolveSettings)})
    if unknown:
        raise InputError(f"unknown solve setting {unknown[0]!r}")
    return SolveSettings(**record)
