"""A take surveyed: what each frame is worth, which were chosen and why the rest were passed over."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from huewright.errors import InputError
from huewright.files import json_text, write_text
from huewright.models.cautions import AnyCaution
from huewright.models.clip import Clip
from huewright.models.footage import Footage, Standing
from huewright.models.reading import Reading
from huewright.models.reasons import Advice, AnyFrameReason
from huewright.models.record import Count, Frame, Name, Point, Positive, Share, from_record, load_record, to_record

FORMAT = "huewright-survey-1"
# Nothing is read to a standard error below this (code values): the least that observing takes for a pixel's noise, in
# a patch of a million pixels, is a thousand times as much.
LEAST_ERROR = 1e-12
Verdict = Literal["chosen", "usable", "refused", "no card"]


@dataclass(frozen=True)
class FrameGrade:
    """One frame's verdict and the figures behind it.

    verdict        "chosen", "usable" (good, but not among the best) or "refused"; "no card" if none was found
    reasons        why, or what is to be known of it
    glare          worst reflection score over the patches, 0..1
    clipped        worst clipped fraction over patches and channels, 0..1
    edge_width_px  blur: width of the card's edges, in pixels (10 % to 90 %)
    motion_px      movement of the card's corners since the frame before, in pixels
    patch_px       side of the smallest patch, in pixels
    tilt_deg       angle between the card and the image plane, in degrees
    light_stops    uneven light over the card, in stops
    noise          typical noise over the patches, as a fraction of full scale
    veil           light added all over the card (mirroring, flare) and taken off, as a share of a perfect white's;
                   ``veil_error`` its standard error, None where no bars of known reflectance tell it
    """

    frame: Frame
    verdict: Verdict
    reasons: tuple[AnyFrameReason, ...] = ()
    glare: Share = 0.0
    clipped: Share = 0.0
    edge_width_px: Positive = 0.0
    motion_px: Positive = 0.0
    patch_px: Positive = 0.0
    tilt_deg: Positive = 0.0
    light_stops: Positive = 0.0
    noise: Positive = 0.0
    corners: tuple[Point, ...] = ()
    excluded_patches: tuple[Name, ...] = ()
    veil: Positive = 0.0
    veil_error: Positive | None = None


@dataclass(frozen=True)
class LightKnown:
    """How well the light behind one patch's code values is known, channel by channel.

    percent        half of the 95 % interval, in % of the channel's own light; None where that is none
    within_one     whether the light is known to within 1 % of itself, by an interval of 99 %
    """

    name: Name
    percent: tuple[Positive | None, Positive | None, Positive | None]
    within_one: tuple[bool, bool, bool]

    @property
    def worst(self) -> float:
        """Of :attr:`percent`; infinite where a channel has no light."""
        return max(float("inf") if value is None else value for value in self.percent)


@dataclass(frozen=True)
class Survey:
    """``reading`` is the merge of the chosen frames; None when none could be used.

    advice              whether the take is usable, and what would help if not
    cautions            what must be known all the same
    card_layout_sha256  hash of the names, roles and places of the card's patches; ``files_kind`` says what files the
                        take has ("10-bit DPX"). Both empty where a survey was not made from files.
    declaration         what the bars say of the declared encoding and range: "fits", "in doubt", "contradicted" or
                        "not checked"; ``usable`` is of the card in the pictures alone
    clip                what a movie's stream says of itself, None where the take is none
    light_known         of the patches that ``reading`` has; empty where there is none
    """

    take: str
    card: str
    card_sha256: str
    footage: Footage
    width: Count
    height: Count
    grades: tuple[FrameGrade, ...]
    reading: Reading | None
    usable: bool
    advice: Advice
    merge_gain: Positive = 1.0
    version: str = ""
    card_layout_sha256: str = ""
    files_kind: str = ""
    cautions: tuple[AnyCaution, ...] = ()
    declaration: Standing = "not checked"
    clip: Clip | None = None
    light_known: tuple[LightKnown, ...] = ()

    def __post_init__(self) -> None:
        if self.usable != (self.reading is not None):
            raise ValueError("usable is true where there is a reading, and false where there is none")

    @property
    def chosen(self) -> tuple[int, ...]:
        return tuple(grade.frame for grade in self.grades if grade.verdict == "chosen")


def survey_to_dict(survey: Survey) -> dict[str, Any]:
    return {"format": FORMAT, **to_record(survey)}


def save_survey(survey: Survey, path: Path | str, *, overwrite: bool = False) -> None:
    write_text(path, survey_text(survey), overwrite=overwrite)


def survey_text(survey: Survey) -> str:
    """Of the file."""
    return json_text(survey_to_dict(survey))


def load_survey(path: Path | str) -> Survey:
    """Raises :class:`InputError`, naming the file and the key, if ``path`` is no survey file or a damaged one."""
    remedy = "make it again with `huewright survey`"
    record = load_record(path, "survey file", FORMAT, remedy)
    del record["format"]
    try:
        survey = from_record(record, Survey)
        for patch in () if survey.reading is None else survey.reading.patches:
            if not patch.excluded and min(patch.standard_error) < LEAST_ERROR:
                raise ValueError(f"reading.patches ({patch.name}): standard_error is {LEAST_ERROR:g} or more of what "
                                 "was measured")
        return survey
    except ValueError as error:
        raise InputError(f"{path}: damaged survey file ({error}); {remedy}") from None
