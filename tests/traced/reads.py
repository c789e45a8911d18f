"""Finding and reading the card on every frame of traced takes, with the truth beside each reading."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from huewright.finding.find import Found, find_card
from huewright.finding.light import LinearLight
from huewright.finding.read import RawReading, read_patches

from traced.scene import FRAMES
from traced.take import Take, Truth


@dataclass(frozen=True)
class Read:
    """One frame. ``found`` and ``raw`` are None where no card was found."""

    number: int
    truth: Truth
    found: Found | None
    raw: RawReading | None


def read_take(number: int, frames: Sequence[int] = range(FRAMES)) -> list[Read]:
    take = Take(number)
    light = LinearLight(take.footage)
    linear_files = take.footage.encoding != "display"
    low, high = (-1e9, 1e9) if linear_files else (0.0, 1.0)
    rows, before = [], None
    for frame, (codes, truth) in zip(frames, take.frames(frames), strict=True):
        found = find_card(codes, take.card, hint=before)
        raw = None if found is None else read_patches(codes, take.card, found, light, clip_low=low, clip_high=high)
        rows.append(Read(frame, truth, found, raw))
        before = found
    return rows
