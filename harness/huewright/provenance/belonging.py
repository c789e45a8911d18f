"""Whether card, survey and correction belong together."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.files import sha256
from huewright.models.card import Card
from huewright.models.cautions import Caution, OtherCardFile
from huewright.models.correction import Correction
from huewright.models.reading import Reading
from huewright.models.record import from_record, to_record
from huewright.models.survey import Survey
from huewright.provenance.digests import card_layout_sha256, digest


def check_surveyed_card(survey: Survey, card: Card, card_path: Path | str) -> None:
    """Raises :class:`InputError` where the card in ``card_path`` isn't laid out as the one ``survey`` was made with."""
    if sha256(card_path) == survey.card_sha256:
        return
    if card_layout_sha256(card) != survey.card_layout_sha256:
        raise InputError(f"{card_path}: its patches have other names, roles or places than those of {survey.card}, "
                         f"with which {survey.take} was surveyed; give that card, or survey the take with this one")


def card_cautions(provenance: dict[str, Any]) -> tuple[Caution, ...]:
    """What must be said where a correction was solved with another card file than its survey was made with."""
    if "surveyed_card_file" not in provenance:
        return ()
    return (OtherCardFile(provenance["card_file"], provenance["surveyed_card_file"]),)


def check_proof_inputs(correction: Correction, survey: Survey, card: Card) -> None:
    """Raises :class:`InputError` where ``survey`` or ``card`` is not what ``correction`` was solved from.

    A correction without a record of its inputs can't be checked.
    """
    provenance = correction.provenance
    reading = None if survey.reading is None else to_record(survey.reading)
    if _differs(provenance, "reading", reading, Reading):
        raise InputError(f"the survey of {survey.take} is not the one this correction was solved from "
                         f"({provenance.get('take', 'another take')}); give that take's survey and frames")
    if _differs(provenance, "card", to_record(card), Card):
        raise InputError(f"the card {card.name!r} is not as it was when this correction was solved "
                         f"({provenance.get('card_file', 'another card')}); give that card, or solve again")


def _differs(provenance: dict[str, Any], name: str, given: Any, kind: type[Any]) -> bool:
    recorded = provenance.get(f"{name}_sha256")
    if recorded is None or given is not None and digest(given) == recorded:
        return False
    try:     # recorded by a version that wrote the same content in another way
        return digest(to_record(from_record(provenance["inputs"][name], kind))) != digest(given)
    except (KeyError, TypeError, ValueError):
        return True
