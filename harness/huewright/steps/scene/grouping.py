"""Which clips are of one camera: by what their files say, else by where they lie and how they are called.

Metadata that names one camera (a serial number, a label) settles it. Reels count by the letters they begin with, and
folders and first letters of names where each part then has a take of the card; that is common practice, no source. The
kind of the files always parts them: a correction is for code values.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import PurePath

from huewright.frames.take import Take
from huewright.models.drafted import Told
from huewright.models.scene import called


@dataclass(frozen=True)
class Found:
    """A clip of the folder. ``text`` opens it from where the scene file lies, ``place`` is where it lies in the folder;
    ``seen`` says of the frames looked at whether the card is in them."""

    text: str
    place: PurePath
    take: Take
    seen: dict[int, bool]

    @property
    def card(self) -> bool:
        return any(self.seen.values())

    @property
    def name(self) -> str:
        return called(self.text)

    @property
    def kind(self) -> str:
        header = self.take.header(self.take.numbers[0])
        return f"{self.take.kind}, {header.width} x {header.height}"


@dataclass(frozen=True)
class Group:
    """Clips of one camera, ``told`` by what; ``called`` is what told it apart from others of its kind, or "";
    ``apart`` are parts that were not taken for cameras."""

    clips: tuple[Found, ...]
    told: tuple[tuple[Told, str], ...]
    called: str = ""
    apart: tuple[str, ...] = ()

    @property
    def named(self) -> bool:
        """Whether the files themselves say which camera it is."""
        return any(kind in ("serial number", "label", "reel") for kind, _ in self.told)


def grouped(clips: Iterable[Found]) -> tuple[Group, ...]:
    """In the order in which their first clips come."""
    kinds: dict[tuple[str, ...], list[Found]] = {}
    for clip in clips:
        who = clip.take.who
        named = tuple(who.get(key, "") for key in ("Make", "Model", "cameraSerialNumber", "cameraLabel"))
        kinds.setdefault((*named, clip.take.kind if any(named) else clip.kind), []).append(clip)
    found: list[Group] = []
    for (make, model, serial, label, kind), members in kinds.items():
        told: list[tuple[Told, str]] = []
        if make or model:
            told.append(("make and model", " ".join(part for part in (make, model) if part)))
        if serial:
            told.append(("serial number", serial))
        if label:
            told.append(("label", label))
        group = Group(tuple(members), (*told, ("kind", kind)), label)
        found += [group] if serial or label else _by_place(group)
    return tuple(found)


def _by_place(group: Group) -> list[Group]:
    """Parted by reels where all have one; then by folders from the outermost, and by names."""
    parts = [group]
    if all(clip.take.who.get("reelName") for clip in group.clips):
        parts = _parts(group, "reel", lambda clip: _letters(clip.take.who["reelName"]), always=True)
    deepest = max(len(clip.place.parts) for clip in group.clips) - 1
    for depth in range(deepest):
        parts = [part for one in parts for part in _parts(one, "folder", lambda clip, depth=depth: (  # type: ignore[misc]
            clip.place.parts[depth] if len(clip.place.parts) > depth + 1 else ""))]
    return [part for one in parts for part in _parts(one, "name", lambda clip: _letters(clip.name))]


def _parts(group: Group, kind: Told, key: Callable[[Found], str], *, always: bool = False) -> list[Group]:
    found: dict[str, list[Found]] = {}
    for clip in group.clips:
        found.setdefault(key(clip).casefold(), []).append(clip)
    if len(found) == 1 and not always:
        return [group]
    if not always and not all(name and any(clip.card for clip in clips) for name, clips in found.items()):
        names = tuple(key(clips[0]) for name, clips in found.items() if name)
        return [replace(group, apart=(*group.apart, *names))]
    return [replace(group, clips=tuple(clips), told=((kind, key(clips[0])), *group.told), called=key(clips[0]))
            for clips in found.values()]


def _letters(text: str) -> str:
    """What a name or a reel begins with: its letters before the first figure or mark."""
    match = re.match(r"[^\W\d_]+", text)
    return match[0] if match else ""


def camera_names(groups: Iterable[Group]) -> tuple[str, ...]:
    """One each, fit for a scene file: what told it apart, else letters in order."""
    names: list[str] = []
    letters = iter("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    for group in groups:
        wanted = re.sub(r'[/\\:*?"<>|\s]+', " ", group.called)[:40].strip(". ")
        taken = {name.casefold() for name in names}
        while not wanted:
            letter = next(letters, f"camera {len(names) + 1}")
            wanted = "" if letter.casefold() in taken else letter
        name, count = wanted, 1
        while name.casefold() in taken:
            count += 1
            name = f"{wanted} {count}"
        names.append(name)
    return tuple(names)


__all__ = ["Found", "Group", "camera_names", "grouped"]
