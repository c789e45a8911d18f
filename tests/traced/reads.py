"""What every frame of a traced take shows of the card, with the truth beside it; kept beside the light it came from."""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import huewright.finding
from huewright.finding.find import Found, find_card
from huewright.finding.grade import Judged, judge
from huewright.finding.light import LinearLight
from huewright.finding.observe import Observation, observe
from huewright.finding.read import settle
from huewright.models.survey import Survey
from huewright.steps.conclude import concluded

from traced.scene import FRAMES
from traced.take import HEIGHT, WIDTH, Shooting, Take, Truth
from traced.trace import VERSION, cache_folder

# These work on what was seen; all else of the finder decides what is seen.
AFTERWARDS = {"advice", "answers", "expect", "dimmed", "choose", "grade", "joint", "packed", "read", "veil"}


@dataclass(frozen=True)
class Seen:
    """One frame. ``found`` and ``observed`` are None where no card was found."""

    truth: Truth
    found: Found | None
    observed: Observation | None


def clip_levels(take: Shooting) -> tuple[float, float]:
    return (0.0, 1.0) if take.footage.encoding == "display" else (-1e9, 1e9)


def see_take(take: Take, frames: Sequence[int] = range(FRAMES)) -> list[Seen]:
    light = LinearLight(take.footage)
    low, high = clip_levels(take)
    rows, before = [], None
    for codes, truth in take.frames(frames):
        found = find_card(codes, take.card, hint=before)
        seen = None if found is None else observe(codes, take.card, found, light, clip_low=low, clip_high=high)
        rows.append(Seen(truth, found, seen))
        before = found
    return rows


def seen_path(number: int) -> Path:
    return cache_folder() / f"seen-{number:05d}-v{VERSION}-{_finder()}.pickle"


@cache
def _finder() -> str:
    folder = Path(huewright.finding.__file__).parent
    return hashlib.sha256(b"".join(path.read_bytes() for path in sorted(folder.glob("*.py"))
                                   if path.stem not in AFTERWARDS)).hexdigest()[:12]


def seen_take(number: int) -> list[Seen]:
    """:func:`see_take`, from the cache where the finder hasn't changed since."""
    path = seen_path(number)
    if not path.exists():
        part = path.with_suffix(f".{os.getpid()}.part")
        part.write_bytes(pickle.dumps(see_take(Take(number))))
        part.replace(path)
    rows: list[Seen] = pickle.loads(path.read_bytes())
    return rows


def survey_seen(take: Shooting, rows: list[Seen]) -> tuple[Survey, list[Judged]]:
    """The survey of what was seen, and each frame as it was judged by itself."""
    light = LinearLight(take.footage)
    judged, empty, before = [], [], None
    for number, row in enumerate(rows):
        if row.found is None or row.observed is None:
            empty.append(number)
        else:
            judged.append(judge(settle(row.observed, take.card, light), take.card, row.found, number,
                                previous=None if before is None else before.pose))
        before = row.found
    return concluded(take.card, None, take.footage, light, judged, empty, (WIDTH, HEIGHT)), judged
