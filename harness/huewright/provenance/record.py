"""What a correction records of how it was made: enough to solve it again from its file alone."""

from __future__ import annotations

from pathlib import Path

from huewright.files import sha256
from huewright.models.card import Card
from huewright.models.provenance import CardFileChanged, Change, Inputs, Provenance, VersionChanged
from huewright.models.reading import Reading
from huewright.models.record import from_record, to_record
from huewright.models.settings import SolveSettings
from huewright.models.survey import Survey
from huewright.provenance.digests import digest
from huewright.version import versions_of


def provenance_of(survey: Survey, reading: Reading, card: Card, settings: SolveSettings,
                  card_path: Path | str | None = None) -> Provenance:
    """What it takes to solve again: ``settings``, versions, hashes, and the inputs in full."""
    # Read back once, so that a whole number in a figure's place is written as the file will be read.
    inputs = from_record(to_record(Inputs(reading, card)), Inputs)
    card_hash, reading_hash = digest(to_record(inputs.card)), digest(to_record(inputs.reading))
    card_file, given, surveyed, surveyed_hash = survey.card or None, survey.card_sha256 or None, None, None
    if card_path is not None and survey.card_sha256 not in (now := sha256(card_path), card_hash):
        card_file, given, surveyed, surveyed_hash = str(card_path), now, card_file, given
    return Provenance(
        versions=versions(), settings=settings, take=survey.take, files_kind=survey.files_kind, frames=survey.chosen,
        card_file=card_file, card_file_sha256=given, surveyed_card_file=surveyed,
        surveyed_card_file_sha256=surveyed_hash, card_sha256=card_hash, reading_sha256=reading_hash, inputs=inputs)


def versions() -> dict[str, str]:
    """Of huewright and of what the numbers come from."""
    return versions_of("numpy", "scipy", "colour-science")


def changed_outside(recorded: Provenance) -> list[Change]:
    """What around the file is no longer as recorded: it need not change the answer, but explains it if it does."""
    changed: list[Change] = []
    card_file = Path(recorded.card_file or "")
    if card_file.is_file() and sha256(card_file) != recorded.card_file_sha256:
        changed.append(CardFileChanged(str(card_file)))
    now = versions()
    changed += [VersionChanged(name, then, now.get(name)) for name, then in recorded.versions.items()
                if now.get(name) != then]
    return changed
