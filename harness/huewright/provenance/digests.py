"""Hashes of records, cards and chains: by these a file says what it was made from."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from huewright.files import json_text
from huewright.models.card import Card
from huewright.models.record import to_record

if TYPE_CHECKING:
    from huewright_kernels.ops import Operation


def digest(record: Any) -> str:
    """SHA-256 of the record's JSON text as huewright writes it."""
    return hashlib.sha256(json_text(record).encode()).hexdigest()


def card_sha256(card: Card) -> str:
    """Hash of all that is in ``card``, whichever file it came from."""
    return digest(to_record(card))


def card_layout_sha256(card: Card) -> str:
    """Hash of what a survey takes from a card: its corners' frame, and each patch's name, role and place."""
    return digest([list(map(list, card.corners)),
                   [[patch.name, patch.role, list(map(list, patch.polygon))] for patch in card.patches]])


def operations_digest(operations: Sequence[Operation]) -> str:
    """A short hash of a chain, as rendered EXR files carry it."""
    return digest([operation.to_dict() for operation in operations])[:16]
