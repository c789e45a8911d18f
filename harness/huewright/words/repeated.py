"""Whether a correction could be repeated, and what is no longer as it was recorded, in words."""

from __future__ import annotations

from collections.abc import Iterable

from huewright.models import provenance
from huewright.words.sentence import sentence


def repeat_words(path: str, same: bool, size: int, lines_differ: int, changed: Iterable[provenance.Change]) -> str:
    said = (f"{path}: repeated byte for byte ({size} bytes)" if same else
            f"{path}: NOT the same when repeated; {lines_differ} lines differ")
    return "; ".join([said, *map(sentence, changed)])


@sentence.register
def _(item: provenance.InputChanged) -> str:
    return f"the {item.what} inside the file does not match its recorded hash"


@sentence.register
def _(item: provenance.CardFileChanged) -> str:
    return f"the card file {item.path} has changed since"


@sentence.register
def _(item: provenance.VersionChanged) -> str:
    return f"{item.package} was {item.then}, is {item.now}"
