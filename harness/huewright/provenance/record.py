"""What a correction records of how it was made: enough to solve it again from its file alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from huewright.files import sha256
from huewright.models.card import Card
from huewright.models.reading import Reading
from huewright.models.record import from_record, to_record
from huewright.models.survey import Survey
from huewright.provenance.digests import digest
from huewright.version import versions_of


def provenance_of(survey: Survey, reading: Reading, card: Card, settings: dict[str, Any],
                  card_path: Path | str | None = None) -> dict[str, Any]:
    """What it takes to solve again: ``settings`` (as a file holds them), versions, hashes, and the inputs in full."""
    # Read back once, so that a whole number in a figure's place is written as the file will be read.
    card_record, reading_record = (to_record(from_record(to_record(model), type(model))) for model in (card, reading))
    files = {"card_file": survey.card, "card_file_sha256": survey.card_sha256}
    if card_path is not None and survey.card_sha256 not in (given := sha256(card_path), digest(card_record)):
        files = {"card_file": str(card_path), "card_file_sha256": given,
                 "surveyed_card_file": survey.card, "surveyed_card_file_sha256": survey.card_sha256}
    return {"versions": versions(), "settings": settings, "take": survey.take,
            "files_kind": survey.files_kind, "frames": list(survey.chosen), **files,
            "card_sha256": digest(card_record), "reading_sha256": digest(reading_record),
            "inputs": {"reading": reading_record, "card": card_record}}


def versions() -> dict[str, str]:
    """Of huewright and of what the numbers come from."""
    return versions_of("numpy", "scipy", "colour-science")


def changed_outside(recorded: dict[str, Any]) -> list[str]:
    """What around the file is no longer as recorded: it need not change the answer, but explains it if it does."""
    changed = []
    card_file = Path(str(recorded.get("card_file", "")))
    if card_file.is_file() and sha256(card_file) != recorded.get("card_file_sha256"):
        changed.append(f"the card file {card_file} has changed since")
    now = versions()
    for name, then in recorded.get("versions", {}).items():
        if now.get(name) != then:
            changed.append(f"{name} was {then}, is {now.get(name)}")
    return changed
