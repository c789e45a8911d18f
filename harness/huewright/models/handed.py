"""What was handed over to other programs: corrections in an OpenColorIO configuration, and clips of an edit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

How = Literal["path", "file", "name", "reel", "time code", "others"]
"""By what a clip of an edit was known: see :mod:`huewright.handover.clips`."""


@dataclass(frozen=True)
class ConfigOff:
    """How far a way through the configuration is from what it stands for, with the words of
    :class:`huewright.steps.export.ExportSummary`; ``stepwise_worst`` is the worst of sampled colours inside the
    display's gamut where a program does every step by itself and nothing cancels."""

    mean: float
    worst: float
    worst_code: tuple[float, float, float]
    in_gamut_worst: float
    stepwise_worst: float
    frames_mean: float | None = None
    frames_worst: float | None = None


@dataclass(frozen=True)
class ConfigCorrection:
    """A correction in a configuration.

    name, camera, display   what it, its camera's colour space and its display are called there
    view, uncorrected       the views with and without it
    look                    the look that does the same ahead of the display's uncorrected view; None where the camera's
                            code values can't be had from light, so that its view is right for its own pictures only
    shown, looked           how far the view and the look are from the render
    before                  how far the uncorrected view is from the picture with nothing corrected
    """

    name: str
    camera: str
    display: str
    view: str
    uncorrected: str
    look: str | None
    shown: ConfigOff
    looked: ConfigOff | None
    before: ConfigOff


@dataclass(frozen=True)
class ClipNoted:
    """A clip of an edit: its track, its media as the edit names it ("" none), the ``shot`` whose files were noted at it
    (None: none) and by what it was known; ``several`` are shots that it could be, where that is not enough to tell."""

    name: str
    track: str
    media: str
    shot: str | None
    how: How | None = None
    several: tuple[str, ...] = ()


__all__ = ["ClipNoted", "ConfigCorrection", "ConfigOff", "How"]
