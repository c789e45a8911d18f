"""What a correction and a proof record of how they were made: what it takes to do them again."""

from __future__ import annotations

from typing import Literal

import msgspec

from huewright.models.card import Card
from huewright.models.coded import Coded
from huewright.models.reading import Reading
from huewright.models.record import Frame, Name, Number, Sha256, Share
from huewright.models.settings import SolveSettings


class Inputs(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The inputs of a solve in full."""

    reading: Reading
    card: Card


class Origin(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Of what and with what a correction was solved; None, and not in the file, for what nobody recorded.

    versions     by package
    settings     of the solve
    take         the card take, as it was named; ``files_kind`` what files it has ("10-bit DPX"); ``frames`` the chosen
    card_file    the card file that was solved with, and its hash; ``surveyed_card_file`` where that is another one
    card_sha256, reading_sha256   of the card and the reading themselves, not of a file
    """

    versions: dict[Name, str] = {}
    settings: SolveSettings | None = None
    take: str | None = None
    files_kind: str | None = None
    frames: tuple[Frame, ...] = ()
    card_file: str | None = None
    card_file_sha256: Sha256 | None = None
    surveyed_card_file: str | None = None
    surveyed_card_file_sha256: Sha256 | None = None
    card_sha256: Sha256 | None = None
    reading_sha256: Sha256 | None = None


class EndOf(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One of the two takes that a correction lies between: its name, its ``share`` in it, the hash of its reading and
    of its operations."""

    take: Name
    share: Share
    reading_sha256: Sha256 | None = None
    operations_sha256: str = ""


class LedBy(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The take of another camera towards whose corrected picture a correction was solved: its name, hashes of its
    reading and of its operations, and ``colours``, the display signals R'G'B' of its patches as it shows them, done
    whole."""

    take: Name
    reading_sha256: Sha256 | None = None
    operations_sha256: str = ""
    colours: dict[Name, tuple[Number, Number, Number]] = {}


class Provenance(Origin, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A correction's: with the ``inputs`` (and what it was ``led_by``, if anything), its file alone is enough to solve
    again. One ``between`` two takes has none of its own, and names both."""

    inputs: Inputs | None = None
    led_by: LedBy | None = None
    between: tuple[EndOf, EndOf] | None = None


class FrameHashes(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """SHA-256 of a measured frame's files."""

    frame: Frame
    before: Sha256
    after: Sha256


class ProofProvenance(Origin, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A proof's: its correction's without the inputs, and the takes ``before`` and ``after`` that were measured."""

    before: str = ""
    after: str = ""
    frames_sha256: tuple[FrameHashes, ...] = ()


# ---------------------------------------------------------------- what is no longer as it was recorded

class Change(Coded, frozen=True):
    """Something of what a correction records is otherwise now."""


class InputChanged(Change, frozen=True):
    """The card or the reading inside the file doesn't match its recorded hash: the file was touched."""

    what: Literal["card", "reading"]


class CardFileChanged(Change, frozen=True):
    path: str


class VersionChanged(Change, frozen=True):
    """``now`` is None where the package isn't there."""

    package: Name
    then: str
    now: str | None
