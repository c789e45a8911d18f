"""Whether card, survey and correction belong together."""

from __future__ import annotations

from pathlib import Path

from huewright.errors import InputError
from huewright.files import sha256
from huewright.models.card import Card
from huewright.models.cautions import Caution, OtherCardFile
from huewright.models.correction import Correction
from huewright.models.provenance import Provenance
from huewright.models.reading import Reading
from huewright.models.record import to_record
from huewright.models.survey import Survey
from huewright.provenance.digests import card_layout_sha256, digest


def check_surveyed_card(survey: Survey, card: Card, card_path: Path | str) -> None:
    """Raises :class:`InputError` where the card in ``card_path`` isn't laid out as the one ``survey`` was made with."""
    if sha256(card_path) == survey.card_sha256:
        return
    if card_layout_sha256(card) != survey.card_layout_sha256:
        raise InputError(f"{card_path}: its patches have other names, roles or places than those of {survey.card}, "
                         f"with which {survey.take} was surveyed; give that card, or survey the take with this one")


def card_cautions(provenance: Provenance) -> tuple[Caution, ...]:
    """What must be said where a correction was solved with another card file than its survey was made with."""
    if provenance.surveyed_card_file is None:
        return ()
    return (OtherCardFile(provenance.card_file or "", provenance.surveyed_card_file),)


def check_proof_inputs(correction: Correction, survey: Survey, card: Card) -> None:
    """Raises :class:`InputError` where ``survey`` or ``card`` is not what ``correction`` was solved from.

    A correction without a record of its inputs can't be checked.
    """
    origin = correction.provenance
    inputs = origin.inputs
    if _differs(origin.reading_sha256, None if inputs is None else inputs.reading, survey.reading):
        raise InputError(f"the survey of {survey.take} is not the one this correction was solved from "
                         f"({origin.take or 'another take'}); give that take's survey and frames")
    if _differs(origin.card_sha256, None if inputs is None else inputs.card, card):
        raise InputError(f"the card {card.name!r} is not as it was when this correction was solved "
                         f"({origin.card_file or 'another card'}); give that card, or solve again")


def _differs(recorded_hash: str | None, recorded: Card | Reading | None, given: Card | Reading | None) -> bool:
    if recorded_hash is None:
        return False
    if given is None:
        return True
    now = digest(to_record(given))
    if now == recorded_hash:
        return False
    # Recorded by a version that wrote the same content in another way.
    return recorded is None or digest(to_record(recorded)) != now
