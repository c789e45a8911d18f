"""Which take of the card serves which shot: as the person says, else the last take before it by the camera's time code.

Where the time codes of a camera's clips overlap, they don't tell which was made first (each clip begins at the same
number, say), and the person has to say. Nothing is ever extrapolated beyond two takes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from huewright.errors import InputError
from huewright.frames.take import Take
from huewright.frames.timecode import count_of, drops, nominal
from huewright.models.scene import SceneShot, SceneTake
from huewright.models.scene_file import SceneFile
from huewright.models.scene_made import Served


@dataclass(frozen=True)
class Span:
    """When frames were made: seconds from midnight, the text that says when they begin, and whether a person wrote it
    (to the minute, perhaps) or the files hold it."""

    begin_s: float
    end_s: float
    said: str
    by_hand: bool = False

    @property
    def middle_s(self) -> float:
        return (self.begin_s + self.end_s) / 2

    def overlaps(self, other: Span) -> bool:
        return self.begin_s < other.end_s and other.begin_s < self.end_s


@dataclass(frozen=True)
class Clip:
    """A take or a shot of the scene with its frames. ``when`` is None where nothing says it."""

    row: SceneTake | SceneShot
    frames: Take
    when: Span | None

    @property
    def name(self) -> str:
        return self.row.name

    @property
    def corners(self) -> tuple[tuple[float, float], ...] | None:
        """Of the card, by hand; None where it is looked for."""
        return self.row.corners if isinstance(self.row, SceneTake) else None

    @property
    def exported_only(self) -> bool:
        return isinstance(self.row, SceneShot) and self.row.make == "export"

    @property
    def file(self) -> Path:
        return self.frames.file(self.frames.numbers[0]).resolve()


def clip_of(row: SceneTake | SceneShot, frames: Take) -> Clip:
    """Raises :class:`InputError` for a time code that counts more frames a second than the clip has."""
    return Clip(row, frames, span_of(frames, row.moment))


def span_of(frames: Take, moment: str = "") -> Span | None:
    """From the person's ``moment``, else from the frames' own time code; None where there is neither. A moment is when
    the first frame was made; without a rate nothing says how long the frames lasted, and they end as they begin."""
    rate = frames.rate
    said = moment or frames.timecode(frames.numbers[0]) or ""
    if not said:
        return None
    begin = _seconds(said, rate)
    if begin is None:
        raise InputError(f"{said} is no time code at {float(rate or 0):.6g} frames a second; write a time of day, such "
                         "as 10:04:30")
    lasts = 0.0 if rate is None else (frames.numbers[-1] - frames.numbers[0] + 1) / float(rate)
    return Span(begin, begin + lasts, said, bool(moment))


def _seconds(text: str, rate: Fraction | None) -> float | None:
    """Of the day. A time code without dropped numbers counts seconds of its own, which are taken for the clock's."""
    match = re.fullmatch(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?", text)
    if match is not None:
        return int(match[1]) * 3600 + int(match[2]) * 60 + float(match[3] or 0)
    if rate is None:      # the frames of a second, which nothing says the length of, are left out
        hours, minutes, seconds = (int(part) for part in re.split("[:;.]", text)[:3])
        return float(hours * 3600 + minutes * 60 + seconds)
    count = count_of(text, rate)
    return None if count is None else float(count / (rate if drops(text) else nominal(rate)))


def served(scene: SceneFile, index: int, takes: Sequence[Clip], shots: Sequence[Clip]) -> Served:
    """Which of ``takes`` serves shot ``index`` of ``shots``; both are all of the scene's. :class:`InputError` where the
    person has to say."""
    shot = shots[index]
    row = scene.scene.shots[index]
    by_name = {take.name: take for take in takes}
    own = [take for take in takes if take.row.camera == row.camera]
    if len(row.named_takes) == 2:
        first, second = (by_name[name] for name in row.named_takes)
        return _between(scene.at("shot", index), shot, first, second)
    if row.named_takes:
        take = by_name[row.named_takes[0]]
        return Served((take.name,), "named", _after(shot, take))
    if len(own) == 1:
        return Served((own[0].name,), "only take", _after(shot, own[0]))
    within = next((take for take in own if take.file == shot.file and _numbers_meet(take, shot)), None)
    if within is not None:      # the card is shown in the shot's own frames
        return Served((within.name,), "time code" if shot.when else "only take", 0.0)
    return _nearest(scene.at("shot", index), shot, own,
                    [*own, *(other for other in shots if other.row.camera == row.camera)])


def _numbers_meet(one: Clip, other: Clip) -> bool:
    return bool(set(one.frames.numbers) & set(other.frames.numbers))


def _nearest(at: str, shot: Clip, takes: Sequence[Clip], clips: Sequence[Clip]) -> Served:
    camera = shot.row.camera
    unknown = next((clip for clip in (shot, *takes) if clip.when is None), None)
    if unknown is not None:
        raise InputError(f"{at}: camera {camera!r} has {len(takes)} takes, and nothing says when {unknown.name!r} was "
                         "made; name the take, as served_by = \"...\", or give it a moment, as moment = \"10:04\"")
    pair = _overlapping(clips)
    if pair is not None:
        one, other = pair
        assert one.when is not None and other.when is not None
        raise InputError(f"{at}: the time codes of camera {camera!r} don't tell what was made when, for "
                         f"{one.name!r} (from {one.when.said}) and {other.name!r} (from {other.when.said}) overlap; "
                         "name the take of each shot, as served_by = \"...\"")
    assert shot.when is not None
    before = [take for take in takes if take.when is not None and take.when.begin_s <= shot.when.begin_s]
    take = (max(before, key=lambda each: each.when.begin_s if each.when else 0.0) if before
            else min(takes, key=lambda each: each.when.begin_s if each.when else 0.0))
    return Served((take.name,), "time code", _after(shot, take))


def leading(file: SceneFile, index: int, takes: Sequence[Clip]) -> str | None:
    """The take that take ``index`` follows: named, the only one of the camera that its own follows, or the nearest in
    time; None where its camera follows none. Raises :class:`InputError` where nothing says which."""
    take = takes[index]
    leader = file.scene.camera(take.row.camera).follows
    if leader is None:
        return None
    if isinstance(take.row, SceneTake) and take.row.follows:
        return take.row.follows
    those = [each for each in takes if each.row.camera == leader]
    if len(those) == 1:
        return those[0].name
    unknown = next((each for each in (take, *those) if each.when is None), None)
    if unknown is not None:
        raise InputError(f"{file.at('take', index)}: nothing says when {unknown.name!r} was made, so which take of "
                         f"camera {leader!r} it follows can't be told; name it, as follows = \"{those[0].name}\"")
    assert take.when is not None
    at = take.when.begin_s
    return min(those, key=lambda each: abs(each.when.begin_s - at) if each.when else 0.0).name


def _overlapping(clips: Sequence[Clip]) -> tuple[Clip, Clip] | None:
    """Two clips of one camera, from different files, that can't have been made at once by what the files say. What a
    person wrote may be as rough as a minute, and counts between takes only."""
    ordered = sorted(((clip.when, clip) for clip in clips if clip.when is not None), key=lambda row: row[0].begin_s)
    still: list[tuple[Span, Clip]] = []
    for when, clip in ordered:
        still = [(span, other) for span, other in still if span.end_s > when.begin_s or span.begin_s == when.begin_s]
        for span, other in still:
            rough = (span.by_hand or when.by_hand) and not (isinstance(clip.row, SceneTake)
                                                            and isinstance(other.row, SceneTake))
            if other.file != clip.file and not rough:
                return other, clip
        still.append((when, clip))
    return None


def _after(shot: Clip, take: Clip) -> float | None:
    if shot.when is None or take.when is None:
        return None
    if shot.when.overlaps(take.when):
        return 0.0
    after = shot.when.begin_s - take.when.end_s
    return max(after, 0.0) if shot.when.begin_s >= take.when.begin_s else shot.when.end_s - take.when.begin_s


def _between(at: str, shot: Clip, first: Clip, second: Clip) -> Served:
    unknown = next((clip for clip in (shot, first, second) if clip.when is None), None)
    if unknown is not None:
        raise InputError(f"{at}: nothing says when {unknown.name!r} was made, so there is no way between two takes; "
                         "give it a moment, as moment = \"10:04\", or name one take")
    when, both = shot.when, sorted([(clip.when, clip.name) for clip in (first, second) if clip.when is not None],
                                   key=lambda row: row[0].begin_s)
    (begin, earlier), (end, later) = both
    assert when is not None
    if begin.overlaps(end) or begin.begin_s == end.begin_s:
        raise InputError(f"{at}: takes {earlier!r} and {later!r} were made at once by their time codes ({begin.said} "
                         f"and {end.said}), so nothing lies between them; name one take, or give each a moment")
    apart = end.middle_s - begin.middle_s
    share = (when.middle_s - begin.middle_s) / apart
    if not (begin.begin_s <= when.begin_s and when.end_s <= end.end_s and 0 <= share <= 1):
        raise InputError(f"{at}: the shot (from {when.said}) does not lie between takes {earlier!r} ({begin.said}) and "
                         f"{later!r} ({end.said}), and nothing is extrapolated; name the nearer take alone")
    return Served((earlier, later), "named", _after(shot, first if first.name == earlier else second),
                  round(share, 6), apart)


__all__ = ["Clip", "Span", "clip_of", "leading", "served", "span_of"]
