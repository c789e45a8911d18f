"""A take surveyed: what each frame is worth, which were chosen and why the rest were passed over."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import read_json, write_json
from huewright.models.footage import Footage, footage_from_dict
from huewright.models.reading import Reading, reading_from_dict, reading_to_dict

FORMAT = "huewright-survey-1"


@dataclass(frozen=True)
class FrameGrade:
    """One frame's verdict and the figures behind it.

    verdict        "chosen", "usable" (good, but not among the best) or "refused"; "no card" if none was found
    reasons        in words
    glare          worst reflection score over the patches, 0..1
    clipped        worst clipped fraction over patches and channels, 0..1
    edge_width_px  blur: width of the card's edges, in pixels (10 % to 90 %)
    motion_px      movement of the card's corners since the frame before, in pixels
    patch_px       side of the smallest patch, in pixels
    tilt_deg       angle between the card and the image plane, in degrees
    light_stops    uneven light over the card, in stops
    noise          typical noise over the patches, as a fraction of full scale
    """

    frame: int
    verdict: str
    reasons: tuple[str, ...] = ()
    glare: float = 0.0
    clipped: float = 0.0
    edge_width_px: float = 0.0
    motion_px: float = 0.0
    patch_px: float = 0.0
    tilt_deg: float = 0.0
    light_stops: float = 0.0
    noise: float = 0.0
    corners: tuple[tuple[float, float], ...] = ()
    excluded_patches: tuple[str, ...] = ()


@dataclass(frozen=True)
class Survey:
    """``reading`` is the merge of the chosen frames; None when none could be used.

    card_layout_sha256  hash of the names, roles and places of the card's patches; ``files_kind`` says what files the
                        take has ("10-bit DPX"). Both empty in surveys of before they were recorded.
    """

    take: str
    card: str
    card_sha256: str
    footage: Footage
    width: int
    height: int
    grades: tuple[FrameGrade, ...]
    reading: Reading | None
    usable: bool
    advice: str
    merge_gain: float = 1.0
    version: str = ""
    card_layout_sha256: str = ""
    files_kind: str = ""

    @property
    def chosen(self) -> tuple[int, ...]:
        return tuple(grade.frame for grade in self.grades if grade.verdict == "chosen")


def survey_to_dict(survey: Survey) -> dict[str, Any]:
    return {"format": FORMAT, "version": survey.version, "take": survey.take, "card": survey.card,
            "card_sha256": survey.card_sha256, "card_layout_sha256": survey.card_layout_sha256,
            "files_kind": survey.files_kind, "footage": survey.footage.to_dict(),
            "width": survey.width, "height": survey.height, "usable": survey.usable, "advice": survey.advice,
            "merge_gain": survey.merge_gain,
            "reading": None if survey.reading is None else reading_to_dict(survey.reading),
            "grades": [asdict(grade) for grade in survey.grades]}


def save_survey(survey: Survey, path: Path | str, *, overwrite: bool = False) -> None:
    write_json(path, survey_to_dict(survey), overwrite=overwrite)


def load_survey(path: Path | str) -> Survey:
    record = read_json(path, "survey file")
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        raise InputError(f"{path}: not a survey file; make one with `huewright survey`")
    try:
        grades = tuple(_grade(row) for row in record["grades"])
        reading = record["reading"]
        return Survey(record["take"], record["card"], record["card_sha256"], footage_from_dict(record["footage"]),
                      record["width"], record["height"], grades,
                      None if reading is None else reading_from_dict(reading), record["usable"], record["advice"],
                      record["merge_gain"], record["version"], record.get("card_layout_sha256", ""),
                      record.get("files_kind", ""))
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path}: damaged survey file ({error}); make it again with `huewright survey`") from None


def _grade(row: dict[str, Any]) -> FrameGrade:
    given: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in row.items()}
    given["corners"] = tuple(tuple(point) for point in row["corners"])
    return FrameGrade(**given)
