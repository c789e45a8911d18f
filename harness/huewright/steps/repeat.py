"""Solve again from what a correction file recorded, and compare byte for byte."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path

from huewright.files import json_text, read_text
from huewright.models.correction import correction_to_dict, load_correction
from huewright.models.provenance import Change, InputChanged
from huewright.models.record import to_record
from huewright.provenance.digests import digest
from huewright.provenance.record import changed_outside
from huewright.steps.solve import recorded_inputs, solve_recorded


@dataclass(frozen=True)
class Repeat:
    """``same`` if every byte agrees: of ``size`` bytes, or ``lines_differ`` of them don't. ``differences`` are lines of
    a unified diff (at most 40), ``changed`` what is no longer as it was recorded."""

    path: str
    same: bool
    size: int
    lines_differ: int = 0
    differences: tuple[str, ...] = ()
    changed: tuple[Change, ...] = ()


def repeat(correction_path: Path | str) -> Repeat:
    """Solves again from the reading, card and settings inside the correction file at ``correction_path``.

    Raises :class:`InputError` if it is no correction file or lacks what it takes to repeat it.
    """
    path = Path(correction_path)
    correction = load_correction(path)
    recorded = correction.provenance
    inputs, settings = recorded_inputs(correction, str(path))
    touched: list[Change] = []
    if digest(to_record(inputs.card)) != recorded.card_sha256:
        touched.append(InputChanged("card"))
    if digest(to_record(inputs.reading)) != recorded.reading_sha256:
        touched.append(InputChanged("reading"))
    again = solve_recorded(inputs.reading, inputs.card, correction.footage, settings, recorded)
    old, new = read_text(path, "correction file"), json_text(correction_to_dict(again))
    lines = tuple(difflib.unified_diff(old.splitlines(), new.splitlines(), "recorded", "repeated", n=0, lineterm=""))
    return Repeat(str(path), old == new and not touched, len(new.encode()),
                  sum(line.startswith("+") for line in lines[2:]), lines[:40], (*touched, *changed_outside(recorded)))
