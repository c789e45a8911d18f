"""An edit in OpenTimelineIO's own form (.otio): which clips it uses, and the same edit with corrections noted in it.

OpenTimelineIO reads the edit, upgrades what is old in it and finds its clips; what is noted is put into the file's own
JSON, so that nothing else in it changes, not even what this version of OpenTimelineIO doesn't know.

A clip's metadata gets ``cdl`` with ``asc_sop`` (slope, offset, power) and ``asc_sat``, as OpenTimelineIO's CMX 3600
adapter reads and writes the trade's ASC_SOP and ASC_SAT notes, and ``huewright`` with the files' names, the CDL's style
and how far either file is from the render.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlparse
from urllib.request import url2pathname

from huewright.colorimetry.luts import read_lut_file
from huewright.errors import InputError, library_words
from huewright.files import read_text
from huewright.handover.clips import Match, Played, match
from huewright.models.handed import How

CDL, OURS = "cdl", "huewright"
STYLE = "Fwd"
_DEEPEST, _MOST_DIGITS = 256, 20
"""ASC CDL 1.2 limits to 0..1 after slope and offset and at the end: "Fwd" in the words of the CLF's ASC_CDL node."""


@dataclass(frozen=True)
class Stated:
    """How far a file is from the render, of full scale: in the mean, and at worst over the cube of code values."""

    mean: float
    worst: float


@dataclass(frozen=True)
class Handed:
    """What a clip is given: a ``correction`` by its file's name, its CDL file, its LUT file or None."""

    correction: str
    cdl_file: Path
    lut_file: Path | None = None
    cdl_off: Stated | None = None
    lut_off: Stated | None = None
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class EditClip:
    """A clip that an edit uses: ``media`` is its file (of frames the first that it plays), None where none is named;
    ``first`` and ``last`` are the media's own frame numbers or counts that it plays, at ``rate`` a second, and
    ``whole`` those of all that there is; ``reels`` are the names that may be its reel's; ``beside``: its media is named
    by where the edit lies."""

    name: str
    track: str
    media: Path | None
    first: int
    last: int
    rate: float
    graded: bool
    reels: tuple[str, ...] = ()
    whole: tuple[int, int] | None = None
    beside: bool = False

    @property
    def played(self) -> Played:
        return Played(self.reels, self.first, self.last, self.rate, self.whole)


@dataclass(frozen=True)
class Noted:
    """A clip, and which of the corrections it has (its key, "" for the others', None: none), found by what;
    ``several``: what it could be by its name, where that is not enough to tell."""

    clip: EditClip
    named: str | None
    how: How | None = None
    several: tuple[str, ...] = ()


def edit_clips(edit: Path | str) -> tuple[EditClip, ...]:
    """The clips on the video tracks of ``edit``, in its order; :class:`InputError` if it is no such file."""
    return tuple(clip for clip, _ in _read(Path(edit))[1])


def clips_found(edit: Path | str, named: Sequence[str], *, others: bool = False,
                replace: bool = False) -> tuple[Noted, ...]:
    """Which of the clips ``named`` each clip of ``edit`` is; with ``others`` those with media that are none of them are
    "" by "others". Raises as :func:`note_corrections`."""
    return _noted(Path(edit), [clip for clip, _ in _read(Path(edit))[1]], named, others, replace)


def note_corrections(edit: Path | str, handed: Mapping[str, Handed], others: Handed | None = None, *,
                     beside: Path | str | None = None, replace: bool = False) -> tuple[str, tuple[Noted, ...]]:
    """The text of ``edit`` with each clip's correction noted, and what was noted where.

    handed   clip (as a person names it: a movie, ``a.####.exr``, a folder) -> what it is given
    others   what clips with media are given that are none of those; None: nothing
    beside   the folder that the new file will lie in, to which files are named relative where they lie in or under it
    replace  whether a clip's own CDL may be replaced; :class:`InputError` names the clips where it would be otherwise

    Nothing is written. Raises :class:`InputError` also for a file that is no edit, and for a CDL file that is none.
    """
    record, clips = _read(Path(edit))
    noted = _noted(Path(edit), [clip for clip, _ in clips], list(handed), others is not None, replace)
    folder = None if beside is None else Path(beside).absolute()
    notes = {name: _note(one, folder) for name, one in handed.items()}
    if others is not None:
        notes[""] = _note(others, folder)
    for one, (_, place) in zip(noted, clips, strict=True):
        if one.named is not None:
            _put(place, notes[one.named])
    return json.dumps(record, indent=4, ensure_ascii=False) + "\n", noted


def _noted(edit: Path, clips: Sequence[EditClip], named: Sequence[str], others: bool,
           replace: bool) -> tuple[Noted, ...]:
    noted = []
    for clip in clips:
        found = match(clip.media, clip.name, named, clip.played)
        if others and found == Match(None) and clip.media is not None:
            found = Match("", "others")
        noted.append(Noted(clip, found.named, found.how, found.several))
    noted = [_unless_elsewhere(one, noted) for one in noted]
    held = [one.clip.name or str(one.clip.media) for one in noted if one.named is not None and one.clip.graded]
    if held and not replace:
        raise InputError(f"{edit}: {', '.join(dict.fromkeys(held))} has a CDL of its own already; add --replace-cdl to "
                         "put the correction's in its place, or leave that clip out")
    return tuple(noted)


def _unless_elsewhere(one: Noted, all_: Sequence[Noted]) -> Noted:
    """``one``, or without what it was given by a name alone where that is another clip's by path, or where clips of
    several folders would be given it."""
    if one.how not in ("file", "name"):
        return one
    alike = [other for other in all_ if other.named == one.named]
    if any(other.how == "path" for other in alike) or len({_folder(other.clip) for other in alike}) > 1:
        return Noted(one.clip, None, None, (str(one.named),))
    return one


def _folder(clip: EditClip) -> Path | None:
    return None if clip.media is None else clip.media.parent


def _note(one: Handed, folder: Path | None) -> dict[str, Any]:
    operation, = read_lut_file(one.cdl_file).operations
    ours: dict[str, Any] = {"correction": one.correction, "cdl_file": _named(one.cdl_file, folder),
                            "cdl_style": STYLE, "cdl_acts_on": "code values as recorded, ahead of the transform to "
                            "display that the picture gets anyway"}
    if one.left_out:
        ours["cdl_leaves_out"] = list(one.left_out)
    if one.lut_file is not None:
        ours |= {"lut_file": _named(one.lut_file, folder), "lut_acts_on": "code values as recorded, in place of any "
                 "other transform to display"}
    for name, off in (("cdl_off_render", one.cdl_off), ("lut_off_render", one.lut_off)):
        if off is not None:
            ours[name] = {"mean": off.mean, "worst": off.worst}
    sop = {name: list(getattr(operation, name)) for name in ("slope", "offset", "power")}
    return {CDL: {"asc_sat": operation.saturation, "asc_sop": sop}, OURS: ours}  # type: ignore[attr-defined]


def _named(path: Path, folder: Path | None) -> str:
    path = path.absolute()
    return path.relative_to(folder).as_posix() if folder is not None and path.is_relative_to(folder) else str(path)


def _put(place: dict[str, Any], note: Mapping[str, Any]) -> None:
    """Into a clip of the JSON; what else its CDL and metadata hold stays."""
    metadata = place.setdefault("metadata", {})
    metadata[CDL] = {**metadata[CDL], **note[CDL]} if isinstance(metadata.get(CDL), dict) else note[CDL]
    metadata[OURS] = note[OURS]


def _read(edit: Path) -> tuple[dict[str, Any], list[tuple[EditClip, dict[str, Any]]]]:
    """The file's JSON, and each clip of its video tracks with its own place in that."""
    try:
        import opentimelineio as otio
    except ImportError:
        raise InputError("an edit is read by OpenTimelineIO; install it with pip install 'huewright[edit]'") from None
    text = read_text(edit, "edit")
    if edit.suffix.lower() != ".otio":
        raise InputError(f"{edit}: only edits in OpenTimelineIO's own form (.otio) are read; write the edit as .otio")
    try:
        record = json.loads(text, object_pairs_hook=_once)
        _check_depth(record)        # its parser has no limit, and ends the process
        timeline = otio.adapters.read_from_string(text, "otio_json")
    except Exception as error:  # it raises what its parser, its schemas and its adapters raise
        raise InputError(f"{edit}: not an edit that OpenTimelineIO can read ({library_words(error)}); write it again"
                         ) from None
    if not hasattr(timeline, "find_clips"):
        raise InputError(f"{edit}: holds no timeline; give the edit itself")
    places = [place for place, kind in _places(record, "Video") if kind == "Video"]
    clips = [clip for clip in timeline.find_clips() if _kind(clip) == "Video"]
    if [place.get("name") or "" for place in places] != [clip.name or "" for clip in clips]:
        raise InputError(f"{edit}: OpenTimelineIO finds other clips in it than the file holds, so notes could land in "
                         "the wrong ones; write the edit again as .otio")
    try:
        return record, [(_clip(clip, edit.absolute().parent), place)
                        for clip, place in zip(clips, places, strict=True)]
    except (ValueError, OverflowError) as error:    # times that are no numbers, paths that no system has
        raise InputError(f"{edit}: a clip of this edit cannot be ({library_words(error)}); write it again") from None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    record = dict(pairs)
    if len(record) < len(pairs):
        raise ValueError("a key that stands twice")
    return record


def _check_depth(record: Any) -> None:
    layer = [record]
    for _ in range(_DEEPEST):
        layer = [inner for value in layer if isinstance(value, dict | list)
                 for inner in (value.values() if isinstance(value, dict) else value)]
        if not layer:
            return
    raise ValueError(f"nested more than {_DEEPEST} deep")


def _places(record: Any, kind: str) -> Iterator[tuple[dict[str, Any], str]]:
    """Every clip in the JSON of an edit, in OpenTimelineIO's order, with the kind of the track that it is on."""
    if not isinstance(record, dict):
        return
    schema = str(record.get("OTIO_SCHEMA", "")).partition(".")[0]
    if schema == "Clip":
        yield record, kind
    elif schema == "Timeline":
        yield from _places(record.get("tracks"), kind)
    elif schema in ("Stack", "Track", "Sequence", "SerializableCollection"):
        inner = str(record.get("kind", kind)) if schema in ("Track", "Sequence") else kind
        for child in record.get("children") or ():
            yield from _places(child, inner)


def _kind(clip: Any) -> str:
    track = _track(clip)
    return "Video" if track is None else str(track.kind)


def _track(clip: Any) -> Any:
    """The innermost track that the clip is on, or None."""
    item = clip.parent()
    while item is not None and not hasattr(item, "kind"):
        item = item.parent()
    return item


def _clip(clip: Any, folder: Path) -> EditClip:
    span = _span(clip)
    track = _track(clip)
    first = 0 if span is None else round(span.start_time.value)
    count = 0 if span is None else round(span.duration.value)
    url = _media(clip.media_reference, first)
    media, beside = (None, False) if url is None else _path(url, folder)
    rate = 0.0 if span is None else float(span.duration.rate)
    return EditClip(clip.name or "", "" if track is None else track.name or "", media, first, first + count - 1, rate,
                    bool(clip.metadata.get(CDL)), _reels(clip), _whole(clip.media_reference, rate), beside)


def _reels(clip: Any) -> tuple[str, ...]:
    """Names that may be the reel's: as OpenTimelineIO's CMX 3600 adapter keeps it, the media's own, the clip's."""
    kept = clip.metadata.get("cmx_3600")
    reel = kept.get("reel") if hasattr(kept, "get") else None
    names = (reel, getattr(clip.media_reference, "name", None), clip.name)
    return tuple(dict.fromkeys(name for name in names if isinstance(name, str) and name))


def _whole(reference: Any, rate: float) -> tuple[int, int] | None:
    span = getattr(reference, "available_range", None)
    if span is None or not span.duration.value or float(span.duration.rate) != rate:
        return None
    first = round(span.start_time.value)
    return first, first + round(span.duration.value) - 1


def _span(clip: Any) -> Any:
    """What it plays of its media, or None where nothing says it."""
    try:
        return clip.trimmed_range()
    except Exception:  # without a source range and a media's own
        return None


def _media(reference: Any, first: int) -> str | None:
    """The URL, or path, of the media; of a sequence's frame ``first``."""
    url = getattr(reference, "target_url", None)
    if isinstance(url, str) and url:
        return url
    base = getattr(reference, "target_url_base", None)
    if base is None:
        return None
    if not 0 <= reference.frame_zero_padding <= _MOST_DIGITS:
        raise ValueError(f"frame numbers of {reference.frame_zero_padding} digits")
    number = f"{max(first, 0):0{reference.frame_zero_padding}d}"
    slash = "" if not base or base.endswith("/") else "/"
    return f"{base}{slash}{reference.name_prefix}{number}{reference.name_suffix}"


def _path(url: str, folder: Path) -> tuple[Path, bool]:
    """A file's path from a URL, or from a path that stands in its place, and whether it is relative: it is beside the
    edit then."""
    parts = urlparse(url)
    if parts.scheme == "file":
        text = url2pathname(parts.path)
    elif re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", url):
        text = unquote(parts.path)
    else:
        text = unquote(url)
    return folder / text, not Path(text).is_absolute()


__all__ = ["EditClip", "Handed", "Noted", "Stated", "clips_found", "edit_clips", "note_corrections"]
