"""What came of the demo: each camera's job against the solve's targets and against the generator's truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import write_json
from huewright.models.card import Role
from huewright.models.cautions import AnyCaution
from huewright.models.correction import Parameter
from huewright.models.proof import FramePassedOver, Verdict
from huewright.models.record import Count, Frame, Name, Number, Positive, from_record, load_record, to_record

FORMAT = "huewright-demo-summary-1"


@dataclass(frozen=True)
class AgainstTargets:
    """A patch as the proof measured it, before and after, against what the solve aimed at; None where not asked."""

    hue_error_deg_before: Number | None
    hue_error_deg_after: Number | None
    radius_ratio_before: Positive | None
    radius_ratio_after: Positive | None
    level_ire_before: Number | None
    level_ire_after: Number | None
    delta_e_before: Positive | None
    delta_e_after: Positive | None
    level_target_ire: Number | None


@dataclass(frozen=True)
class AgainstTruth:
    """A patch measured at the generator's own corners, against its known colour; ``chroma_ire`` is the distance in
    (Cb, Cr). None where the colour has no hue to speak of."""

    hue_error_deg_before: Number | None
    hue_error_deg_after: Number | None
    radius_ratio_before: Positive | None
    radius_ratio_after: Positive | None
    level_ire_before: Number
    level_ire_after: Number
    level_error_ire_before: Number
    level_error_ire_after: Number
    chroma_ire_before: Positive
    chroma_ire_after: Positive
    delta_e_before: Positive
    delta_e_after: Positive
    level_true_ire: Number


@dataclass(frozen=True)
class PatchCompared:
    name: Name
    role: Role
    against_targets: AgainstTargets
    against_truth: AgainstTruth


@dataclass(frozen=True)
class Worst:
    """Of chips, bars and check patches (CIEDE2000; None where there are none); the radius' error is a share."""

    worst_chip_hue_error_deg: Positive
    worst_chip_radius_error: Positive
    worst_bar_error_ire: Positive
    mean_check_delta_e: Positive | None
    worst_check_delta_e: Positive | None


@dataclass(frozen=True)
class BeforeAfter:
    """``check_delta_e_factor``: how many times smaller the check patches' mean error became."""

    before: Worst
    after: Worst
    check_delta_e_factor: Positive | None


@dataclass(frozen=True)
class LutError:
    """Of signal, over the frame's pixels; ``worst_within_code_range`` where the file's codes are within 0..1."""

    mean: Positive
    worst: Positive
    worst_within_code_range: Positive


@dataclass(frozen=True)
class LutErrors:
    """The exported LUTs, applied by OpenColorIO, against the render of ``frame``."""

    frame: Frame
    cube: LutError
    clf: LutError


@dataclass(frozen=True)
class FramesCompared:
    """The survey's choice beside what the generator put into each frame."""

    chosen: tuple[Frame, ...]
    refused: tuple[FramePassedOver, ...]
    chosen_with_reflections: tuple[Frame, ...]
    usable_with_reflections: tuple[Frame, ...]
    found_where_none_is: tuple[Frame, ...]
    worst_corner_error_px: Positive | None


@dataclass(frozen=True)
class CameraSummary:
    """One camera's job: frames, patches before and after, LUTs, the proof's verdict; ``seconds`` of each step."""

    frames: FramesCompared
    patches: tuple[PatchCompared, ...]
    against_targets: BeforeAfter
    against_truth: BeforeAfter
    luts: LutErrors
    verdict: Verdict
    passed: bool
    cautions: tuple[AnyCaution, ...]
    parameters: dict[Name, Parameter]
    seconds: dict[Name, Positive]


@dataclass(frozen=True)
class DemoSummary:
    """``frames`` of the card take, ``size`` (width, height) in pixels; ``seconds`` of generating and in all."""

    note: str
    seed: Count
    frames: Count
    size: tuple[Count, Count]
    cameras: dict[Name, CameraSummary]
    seconds: dict[Name, Positive]


@dataclass(frozen=True)
class MovieRecorded:
    """A movie of the card: its kind in words, the bit rate that its camera was given, and the one that came out."""

    kind: Name
    asked_mbit_s: Positive
    came_mbit_s: Positive


@dataclass(frozen=True)
class ChecksApart:
    """CIEDE2000 of the card's check patches, mean and worst, before any correction and after."""

    mean_before: Positive
    worst_before: Positive
    mean_after: Positive
    worst_after: Positive


@dataclass(frozen=True)
class MoviesSummary:
    """Two cameras' movies brought together by one scene file.

    between        the cameras against each other, as the scene's readings say, each patch left out in turn of the fit
                   by which one follows the other
    between_known  the same as rendered, measured at the generator's own corners in the chosen frames
    truth          each camera against the generator's known colours, measured likewise
    """

    note: str
    seed: Count
    frames: Count
    size: tuple[Count, Count]
    movies: dict[Name, MovieRecorded]
    between: ChecksApart
    between_known: ChecksApart
    truth: dict[Name, ChecksApart]
    seconds: dict[Name, Positive]


def summary_to_dict(summary: DemoSummary) -> dict[str, Any]:
    return {"format": FORMAT, **to_record(summary)}


def save_summary(summary: DemoSummary, path: Path | str, *, overwrite: bool = False) -> None:
    write_json(path, summary_to_dict(summary), overwrite=overwrite)


def load_summary(path: Path | str) -> DemoSummary:
    """Raises :class:`InputError`, naming the file and the key, if ``path`` is no demo summary or a damaged one."""
    remedy = "make it again with `huewright demo`"
    record = load_record(path, "demo summary", FORMAT, remedy)
    del record["format"]
    try:
        return from_record(record, DemoSummary)
    except ValueError as error:
        raise InputError(f"{path}: damaged demo summary ({error}); {remedy}") from None
