"""Which of some named clips a media file is: by its path, else by its file's and folder's names, else by the clip's,
else by reel and time code.

An edit was often made on another machine, so neither side need exist here, and the folders above may differ. Reel and
time code are asked of the named clips' own files, so those are looked for here; a time code alone is a sign only where
media and file begin at the same and are as long, for the time of day is the same on every reel.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from huewright.errors import InputError
from huewright.frames.opening import open_take
from huewright.frames.timecode import count_of
from huewright.models.handed import How

SAME_RATE = 1e-3     # 24 stands for 24000/1001 in many an edit


@dataclass(frozen=True)
class Played:
    """What an edit says of a clip's media beside its name: the names that may be a ``reel``'s, the frames ``first`` to
    ``last`` that it plays, counted in time code at ``rate`` a second, and the ``whole`` (first, last) of them."""

    reels: tuple[str, ...] = ()
    first: int = 0
    last: int = -1
    rate: float = 0.0
    whole: tuple[int, int] | None = None


@dataclass(frozen=True)
class Match:
    """The one clip of those ``named`` that it is, and by what ("others": it is none of them, and there is one for
    those); None where none is, or where ``several`` are."""

    named: str | None
    how: How | None = None
    several: tuple[str, ...] = ()


def match(media: Path | None, name: str, named: Sequence[str], played: Played | None = None) -> Match:
    """``media`` is the file that a clip called ``name`` plays (of frames any one of them). ``named`` are clips as
    people type them: ``a.####.exr``, ``a.%04d.exr``, a movie, a folder of frames, with a range or without. ``played``
    tells where names don't: none is called so, or several are."""
    ways: tuple[tuple[How, list[str]], ...] = (
        ("path", [] if media is None else [one for one in named if _same_path(media, one)]),
        ("file", [] if media is None else [one for one in named if _same_file(media, one)]),
        ("name", [one for one in named if name and clip_name(one) == clip_name(name)]))
    for how, found in ways:
        if len(found) == 1:
            return Match(found[0], how)
        if found:
            told = Match(None) if played is None else _by_code(played, found)
            return told if told.named is not None else Match(None, None, tuple(found))
    return Match(None) if played is None else _by_code(played, named)


def _by_code(played: Played, named: Sequence[str]) -> Match:
    reels = {reel.strip().casefold() for reel in played.reels if reel.strip()}
    by_reel, by_code = [], []
    for one in named:
        try:
            take = open_take(one)
        except InputError:     # it lies elsewhere
            continue
        reel = take.who.get("reelName", "").casefold()
        first, rate = take.timecode(take.numbers[0]), take.rate
        begin = None if first is None or rate is None else count_of(first, rate)
        if begin is None or rate is None or abs(float(rate) - played.rate) > SAME_RATE * played.rate:
            continue
        end = begin + take.numbers[-1] - take.numbers[0]
        if reel and reel in reels:
            if begin <= played.first <= played.last <= end:
                by_reel.append(one)
        elif not (reel and reels) and begin > 0 and played.whole == (begin, end):
            by_code.append(one)
    for how, found in (("reel", by_reel), ("time code", by_code)):
        if len(found) == 1:
            return Match(found[0], how)     # type: ignore[arg-type]
        if found:
            return Match(None, None, tuple(found))
    return Match(None)


def clip_name(named: str | Path) -> str:
    """What a clip is called: its file's name without suffix and number, or its folder's.

    ``scene/a.####.exr`` is "a", ``clip.mov:100-240`` is "clip", ``scene/a`` and ``scene/####.exr`` (nothing but a
    number) are "a" and "scene".
    """
    text = _bare(str(named))
    last = _last(text)
    stem = re.sub(r"\.[A-Za-z0-9]{2,4}$", "", last)
    plain = re.sub(r"[._ -]*(#+|%0?\d*d)$", "", stem)
    if not plain:
        return PurePosixPath(text.replace("\\", "/")).parent.name or "clip"
    return plain


def _bare(named: str) -> str:
    """Without a range or tags behind the suffix."""
    return re.sub(r"(\.[A-Za-z0-9]{2,4}):[^/\\]*$", r"\1", named).rstrip("/\\")


def _last(text: str) -> str:
    return text.replace("\\", "/").rpartition("/")[2]


def _same_path(media: Path, named: str) -> bool:
    text = _bare(named)
    whole = Path(text).absolute()
    if _pattern(str(whole)).fullmatch(str(media)):
        return True
    return not re.search(r"\.[A-Za-z0-9]{2,4}$", text) and media.parent == whole


def _same_file(media: Path, named: str) -> bool:
    """The same file name and, where ``named`` has a folder, the same folder name: b.0001.png lies in many folders."""
    folder, _, last = _bare(named).replace("\\", "/").rpartition("/")
    return bool(_pattern(last).fullmatch(media.name)) and _last(folder) in ("", ".", media.parent.name)


def _pattern(text: str) -> re.Pattern[str]:
    """That matches what ``text`` names, numbers in the place of ``####`` or ``%04d``."""
    parts = re.split(r"(#+|%0?\d*d)", text)
    return re.compile("".join(r"\d+" if at % 2 else re.escape(part) for at, part in enumerate(parts)))
