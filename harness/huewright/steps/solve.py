"""From a survey to a correction that records what it was made from."""

from __future__ import annotations

import hashlib
from typing import Any

from huewright.errors import NoAnswerError
from huewright.files import json_text
from huewright.models.card import Card, card_to_dict
from huewright.models.correction import Correction
from huewright.models.reading import Reading, reading_to_dict
from huewright.models.survey import Survey
from huewright.solver.compare import compare
from huewright.solver.settings import SolveSettings
from huewright.solver.solve import solve


def solve_survey(survey: Survey, card: Card, settings: SolveSettings | None = None) -> Correction:
    """The correction for a surveyed take.

    Its provenance holds the settings, the versions, hashes of the card and the reading, and both of them in full,
    so that the file alone is enough to solve again. Raises :class:`NoAnswerError` where the survey found no usable
    frame, and what :func:`huewright.solver.solve.solve` raises.
    """
    settings = settings or SolveSettings()
    reading = _reading(survey)
    return solve(reading, card, survey.footage, settings, provenance=provenance_of(survey, reading, card, settings))


def compare_survey(survey: Survey, card: Card, settings: SolveSettings | None = None) -> list[dict[str, Any]]:
    """Every method on the survey's reading: see :func:`huewright.solver.compare.compare`."""
    return compare(_reading(survey), card, survey.footage, settings or SolveSettings())


def _reading(survey: Survey) -> Reading:
    if survey.reading is None or not survey.usable:
        raise NoAnswerError(f"{survey.take}: no frame of this take can carry a correction ({survey.advice})")
    return survey.reading


def provenance_of(survey: Survey, reading: Reading, card: Card, settings: SolveSettings) -> dict[str, Any]:
    """What it takes to solve again: see :func:`solve_survey`."""
    card_record, reading_record = card_to_dict(card), reading_to_dict(reading)
    return {"versions": versions(), "settings": settings.to_dict(), "take": survey.take,
            "frames": list(survey.chosen), "card_file": survey.card, "card_file_sha256": survey.card_sha256,
            "card_sha256": digest(card_record), "reading_sha256": digest(reading_record),
            "inputs": {"reading": reading_record, "card": card_record}}


def digest(record: Any) -> str:
    """SHA-256 of the record's JSON text as huewright writes it."""
    return hashlib.sha256(json_text(record).encode()).hexdigest()


def versions() -> dict[str, str]:
    """Of huewright and of what the numbers come from."""
    from importlib.metadata import version

    return {name: version(name) for name in ("huewright", "numpy", "scipy", "colour-science")}
