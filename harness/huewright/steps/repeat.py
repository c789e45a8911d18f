"""Solve again from what a correction file recorded, and compare byte for byte."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path

from huewright.errors import InputError
from huewright.files import json_text, read_text
from huewright.models.correction import correction_to_dict, load_correction
from huewright.provenance.digests import digest
from huewright.provenance.record import changed_outside
from huewright.steps.solve import NOT_RECORDED, recorded_inputs, solve_recorded


@dataclass(frozen=True)
class Repeat:
    """``same`` if every byte agrees. ``differences`` are lines of a unified diff (at most 40), ``changed_inputs``
    sentences about inputs or versions that are no longer what was recorded."""

    same: bool
    sentence: str
    differences: tuple[str, ...] = ()
    changed_inputs: tuple[str, ...] = ()


def repeat(correction_path: Path | str) -> Repeat:
    """Solves again from the reading, card and settings inside the correction file at ``correction_path``.

    Raises :class:`InputError` if it is no correction file or lacks what it takes to repeat it.
    """
    path = Path(correction_path)
    correction = load_correction(path)
    recorded = correction.provenance
    card, reading, settings = recorded_inputs(correction, str(path))
    inputs = recorded["inputs"]
    try:
        hashes = {"card": recorded["card_sha256"], "reading": recorded["reading_sha256"]}
    except KeyError as error:
        raise InputError(NOT_RECORDED % (path, error)) from None
    changed = [f"the {name} inside the file does not match its recorded hash"
               for name, value in hashes.items() if digest(inputs[name]) != value]
    changed += changed_outside(recorded)
    again = solve_recorded(reading, card, correction.footage, settings, recorded)
    old, new = read_text(path, "correction file"), json_text(correction_to_dict(again))
    same = old == new and not any("inside the file" in sentence for sentence in changed)
    lines = tuple(difflib.unified_diff(old.splitlines(), new.splitlines(), "recorded", "repeated", n=0, lineterm=""))
    if same:
        sentence = f"{path}: repeated byte for byte ({len(new.encode())} bytes)"
    else:
        sentence = f"{path}: NOT the same when repeated; {sum(line.startswith('+') for line in lines[2:])} lines differ"
    return Repeat(same, "; ".join([sentence, *changed]), lines[:40], tuple(changed))
