"""A scene: several cameras, the takes of the card that each of them made, and their shots, as one TOML file.

The file holds paths and what was declared, no pictures; paths are relative to the file's own folder.
"""

from __future__ import annotations

import datetime
import difflib
import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import msgspec

from huewright.errors import InputError
from huewright.files import read_text, write_text
from huewright.models.record import (
    Name,
    Number,
    Positive,
    Share,
    check_plain,
    from_record,
    place_words,
    shown,
    to_record,
)
from huewright.models.settings import SolveSettings, Strength

FORMAT = "huewright-scene-1"
NOT_GIVEN = "?"        # an encoding that a person has to fill in
FORMATS = ("exr", "dpx", "tif", "png", "mov", "mp4", "mkv", "mxf")
MOST_HOURS = 47        # past 24 for what was shot after midnight of the same day's work
if TYPE_CHECKING:      # plain text to those who make them; the choices are for what is read, and in the schemas
    Range = str
    Mode = str
    LookInput = str
    Make = str
    Format = str
else:
    Range = Literal["full", "legal"]
    Mode = Literal["vectorscope", "colorimetric"]
    LookInput = Literal["log", "linear"]
    Make = Literal["render", "export"]
    Format = Literal[FORMATS]
Bits = Annotated[int, msgspec.Meta(ge=8, le=32)]
Corner = tuple[Number, Number]


@dataclass(frozen=True)
class SceneSettings:
    """What all cameras are brought to; the keys are the command line's options.

    targets         "vectorscope" (chips towards the 75 % bar of their name) or "colorimetric" (the card's references)
    fraction        how far towards its 75 % bar a chip shall land
    levels          bars' levels in IRE instead of the card's, by the bar's name
    chip_fractions  ``fraction`` for single chips, by the chip's name or its hue's
    strength        how much of the correction is done: a number, or one for hues and one for levels
    """

    targets: Mode = "vectorscope"
    fraction: Positive = 0.5
    display: Name = "bt709"
    method: Name = "sectors"
    trust_encoding: bool = False
    levels: dict[Name, Number] = field(default_factory=dict)
    chip_fractions: dict[Name, Positive] = field(default_factory=dict)
    strength: Share | Strength = 1.0

    def solve_settings(self) -> SolveSettings:
        """Raises :class:`InputError` as :class:`SolveSettings`."""
        strength = self.strength if isinstance(self.strength, Strength) else Strength(self.strength, self.strength)
        return SolveSettings(mode=self.targets, fraction=self.fraction, display=self.display, method=self.method,
                             trust_encoding=self.trust_encoding, levels_ire=self.levels,
                             fractions=self.chip_fractions, strength=strength)


@dataclass(frozen=True)
class SceneCamera:
    """A camera and what its files hold: see :class:`huewright.models.footage.Footage`. A range and bits that are None
    are those of a movie's tags, and full and 10 for pictures. ``look`` and ``ocio_config`` are files.

    follows  the camera to whose corrected picture of the card this one is brought, by all patches that both read; None:
             to the card's targets
    """

    name: Name
    encoding: Name
    range: Range | None = None
    bits: Bits | None = None
    primaries: Name | None = None
    look: Name | None = None
    look_input: LookInput = "log"
    ocio_config: Name | None = None
    follows: Name | None = None


@dataclass(frozen=True)
class SceneTake:
    """A take of the card.

    path     frames as the command line names them ("takes/a.####.exr", a folder, a file, "clip.mov:100-240")
    name     what shots call it; of a file without one, what its files are called
    moment   when it began, where the files' own time code doesn't tell: a time code ("10:04:00:12") or a time of day
             ("10:04", "10:04:30"); past 24 after midnight
    corners  the card's corners by hand, px, clockwise from its own top left; then nothing is searched for
    follows  the take of the camera that its own camera follows; "": the only one, or the nearest in time
    """

    camera: Name
    path: Name
    name: str = ""
    moment: str = ""
    corners: tuple[Corner, Corner, Corner, Corner] | None = None
    follows: str = ""


@dataclass(frozen=True)
class SceneShot:
    """A shot. ``path``, ``name`` and ``moment`` as of a take; what is made of it is called by its name.

    served_by  the take whose correction it gets; two takes: the correction for its moment between them; none: the last
               take before it
    make       "render" (frames, and LUT files) or "export" (LUT files only)
    """

    camera: Name
    path: Name
    name: str = ""
    moment: str = ""
    served_by: Name | tuple[Name, ...] = ()
    make: Make = "render"

    @property
    def named_takes(self) -> tuple[str, ...]:
        return (self.served_by,) if isinstance(self.served_by, str) else self.served_by


@dataclass(frozen=True)
class SceneOut:
    """Where everything goes, the form of rendered shots, and what is handed over to other programs.

    folder       everything is written into it
    format       the files' kind, or a movie's; None: the shot's own, and EXR of a movie
    bits, range, codec, rate   as the options of `huewright render`
    lut_points   along each axis of LUT files
    config       the folder in it into which an OpenColorIO configuration goes, with each camera's colour space and each
                 take's correction; None: there is none
    edit         edits (.otio) of the shots: each is written into the folder with the CDL and LUT of its clips noted
    replace_cdl  whether CDLs that clips of the edits have are replaced
    """

    folder: Name = "out"
    format: Format | None = None
    bits: Bits | None = None
    range: Range | None = None
    codec: Name | None = None
    rate: Name | None = None
    lut_points: Annotated[int, msgspec.Meta(ge=2, le=129)] = 65
    config: Name | None = None
    edit: Name | tuple[Name, ...] = ()
    replace_cdl: bool = False

    @property
    def edits(self) -> tuple[str, ...]:
        return (self.edit,) if isinstance(self.edit, str) else self.edit


@dataclass(frozen=True)
class Scene:
    """Takes and shots always have a name here, also where the file gives them none. ``card`` is a file."""

    card: Name
    cameras: tuple[SceneCamera, ...]
    takes: tuple[SceneTake, ...]
    shots: tuple[SceneShot, ...] = ()
    title: str = ""
    settings: SceneSettings = field(default_factory=SceneSettings)
    out: SceneOut = field(default_factory=SceneOut)

    def camera(self, name: str) -> SceneCamera:
        return next(each for each in self.cameras if each.name == name)

    def takes_of(self, camera: str) -> tuple[SceneTake, ...]:
        return tuple(each for each in self.takes if each.camera == camera)


@dataclass(frozen=True)
class SceneFile:
    """A scene as it was read from ``path``; ``lines`` are the numbers of the lines on which its tables begin."""

    path: Path
    scene: Scene
    lines: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def resolved(self, text: str) -> str:
        """A path of the file as one that can be opened; what follows a movie's name is kept."""
        return text if Path(text).is_absolute() else str(self.path.parent / text)

    def at(self, kind: str, index: int) -> str:
        """Where table ``index`` (from 0) of ``kind`` stands, for a sentence: "scene.toml, line 12, shot 'b'"."""
        rows: Sequence[Any] = getattr(self.scene, _FIELDS[kind])
        return _at(self.path, self.lines, kind, index, rows[index].name)


# ---------------------------------------------------------------- from and to files

_FIELDS = {"camera": "cameras", "take": "takes", "shot": "shots"}
_HEADER = re.compile(r"\s*\[\[\s*(\w+)\s*\]\]\s*(?:#.*)?$")


def load_scene(path: Path | str) -> SceneFile:
    """The scene in the TOML file at ``path``; :class:`InputError` says in one sentence what is wrong and where."""
    path = Path(path)
    text = read_text(path, "scene file")
    try:
        record = _plain(tomllib.loads(text))
        check_plain(record)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: not a scene file ({error}); see `huewright help scene-file`") from None
    except ValueError as error:
        why = "a whole number of thousands of digits" if "digits" in str(error) else str(error)
        raise InputError(f"{path}: {why}; mend that line") from None
    lines = _lines(text, record)
    scene = _from_dict(record, path, lines)
    try:
        scene.settings.solve_settings()
    except InputError as error:
        raise InputError(f"{path}, settings: {error}") from None
    scene = replace(scene, takes=tuple(replace(each, name=each.name or called(each.path)) for each in scene.takes),
                    shots=tuple(replace(each, name=each.name or called(each.path)) for each in scene.shots))
    fault = fault_of(scene)
    if fault is not None:
        kind, index, why = fault
        where = str(path) if index is None else SceneFile(path, scene, lines).at(kind, index)
        raise InputError(f"{where}: {why}")
    return SceneFile(path, scene, lines)


def _from_dict(record: dict[str, Any], path: Path, lines: dict[str, tuple[int, ...]]) -> Scene:
    if record.get("format") != FORMAT:
        raise InputError(f"{path}: not a scene file: its first key must be format = \"{FORMAT}\"")
    for key, name in _FIELDS.items():
        if name in record:
            raise InputError(f"{path}: there is no key {name!r}; begin each table with [[{key}]]")
        rows = record.get(key, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise InputError(f"{path}: {key} must be tables, each begun with [[{key}]] in double brackets")
    fields = {"cameras": [], "takes": [], **{_FIELDS.get(key, key): value for key, value in record.items()
                                             if key != "format"}}

    def named(place: list[Any], inner: Any) -> str:
        kind = next((key for key, name in _FIELDS.items() if place[:1] == [name] and len(place) > 1), None)
        if kind is None:
            return f"{path}: " + place_words(place, None)
        row = inner[place[0]][place[1]]
        name = row.get("name", row.get("path"))
        return _at(path, lines, kind, place[1], str(name) if isinstance(name, str) else "") + ": " + place_words(
            place[2:], None)

    try:
        return from_record(fields, Scene, named=named)
    except ValueError as error:
        said = str(error)
        raise InputError(said if said.startswith(str(path)) else f"{path}: {said}") from None


def _plain(value: Any) -> Any:
    """TOML's times of day as text; a date stays what it is and is refused as no text."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, datetime.time) else value


def _lines(text: str, record: dict[str, Any]) -> dict[str, tuple[int, ...]]:
    """Where each kind's tables begin; none where that can't be told (a header inside a text of several lines)."""
    found: dict[str, list[int]] = {kind: [] for kind in _FIELDS}
    for number, line in enumerate(text.splitlines(), 1):
        match = _HEADER.match(line)
        if match is not None and match[1] in found:
            found[match[1]].append(number)
    return {kind: tuple(numbers) for kind, numbers in found.items()
            if isinstance(record.get(kind), list) and len(numbers) == len(record[kind])}


def _at(path: Path, lines: dict[str, tuple[int, ...]], kind: str, index: int, name: str) -> str:
    line = f", line {lines[kind][index]}" if kind in lines else ""
    return f"{path}{line}, {kind} {shown(name)}" if name else f"{path}{line}, {kind} {index + 1}"


def scene_text(scene: Scene) -> str:
    """The TOML text of ``scene``, one key a line so that a person can read and change it; what is as it would be
    without being said is left out."""
    record = to_record(scene)
    lines = [_key("format", FORMAT), _key("title", scene.title), _key("card", scene.card)]
    for name, kind in (("settings", SceneSettings()), ("out", SceneOut())):
        usual = to_record(kind)
        said = {key: value for key, value in record[name].items() if value != usual[key]}
        lines += ["", f"[{name}]", *(_key(key, value) for key, value in said.items())] if said else []
    for kind_name, field_name in _FIELDS.items():
        for row in record[field_name]:
            lines += ["", *_row_lines(kind_name, row)]
    return "\n".join(lines) + "\n"


def table_lines(row: SceneCamera | SceneTake | SceneShot) -> list[str]:
    """One table of a scene file as :func:`scene_text` writes it."""
    kind = "camera" if isinstance(row, SceneCamera) else "take" if isinstance(row, SceneTake) else "shot"
    return _row_lines(kind, to_record(row))


def _row_lines(kind: str, row: dict[str, Any]) -> list[str]:
    kept = {key: value for key, value in row.items() if value not in (None, "", [])}
    if kept.get("make") == "render":
        del kept["make"]
    if kept.get("look_input") == "log":
        del kept["look_input"]
    return [f"[[{kind}]]", *(_key(key, value) for key, value in kept.items())]


def _key(key: str, value: Any) -> str:
    if isinstance(value, dict):
        return f"{key} = {{ {', '.join(_key(json.dumps(name), item) for name, item in value.items())} }}"
    # A JSON string, number or list of these is also a TOML one (TOML 1.0: basic strings, arrays).
    return f"{key} = {json.dumps(value, ensure_ascii=False)}"


def save_scene(scene: Scene, path: Path | str, *, overwrite: bool = False) -> None:
    """Raises ``ValueError`` for a scene that could not be read back (:func:`fault_of`)."""
    fault = fault_of(scene)
    if fault is not None:
        raise ValueError(fault[2])
    write_text(path, scene_text(scene), overwrite=overwrite)


# ---------------------------------------------------------------- what can't be

def fault_of(scene: Scene) -> tuple[str, int | None, str] | None:
    """The first thing that can't be in ``scene``: (the kind of table, which one, why with what to do)."""
    if not scene.cameras:
        return "camera", None, "there is no camera; give each a [[camera]] table with its name and encoding"
    if not scene.takes:
        return "take", None, "there is no take of the card; give each a [[take]] table with its camera and path"
    named: tuple[tuple[str, Sequence[SceneCamera | SceneTake | SceneShot]], ...] = (
        ("camera", scene.cameras), ("take", scene.takes), ("shot", scene.shots))
    for kind, rows in named:
        seen: dict[str, int] = {}
        for index, row in enumerate(rows):
            if why := _bad_name(row.name):
                return kind, index, f"its name {why}; give it another, as name = \"...\""
            first = seen.setdefault(row.name.casefold(), index)
            if first != index:
                return kind, index, (f"{kind} {first + 1} of the file is called {rows[first].name!r} as well; give "
                                     "each a name of its own, as name = \"...\"")
    for index, camera in enumerate(scene.cameras):
        if camera.encoding == NOT_GIVEN:
            return "camera", index, (f"its encoding is still {NOT_GIVEN!r}; write what this camera recorded: the name "
                                     "of its log curve (`huewright run --encoding list` prints the names), \"display\" "
                                     "if it already looks like a picture, or \"linear\"")
    cameras = [camera.name for camera in scene.cameras]
    clips: tuple[tuple[str, Sequence[SceneTake | SceneShot]], ...] = (("take", scene.takes), ("shot", scene.shots))
    for kind, clip_rows in clips:
        for index, clip in enumerate(clip_rows):
            if clip.camera not in cameras:
                return kind, index, f"there is no camera {clip.camera!r}{_close(clip.camera, cameras)}"
            if clip.moment and not is_moment(clip.moment):
                return kind, index, (f"{shown(clip.moment)} is no moment; write a time of day as 10:04 or 10:04:30, or "
                                     f"a time code as 10:04:00:12, up to {MOST_HOURS} hours (24 and more after "
                                     "midnight)")
    takes = {take.name: take for take in scene.takes}
    if (fault := _fault_of_following(scene, takes)) is not None:
        return fault
    if why := _fault_of_out(scene.out):
        return "out", None, f"out: {why}"
    for index, shot in enumerate(scene.shots):
        for name in shot.named_takes:
            if name not in takes:
                return "shot", index, f"there is no take {name!r}{_close(name, list(takes))}"
            if takes[name].camera != shot.camera:
                return "shot", index, (f"take {name!r} is of camera {takes[name].camera!r}, the shot of "
                                       f"{shot.camera!r}; a correction holds for one camera, so name a take of that")
        if len(shot.named_takes) > 2 or len(set(shot.named_takes)) < len(shot.named_takes):
            return "shot", index, "served_by is one take, or two different ones to go between"
        if not scene.takes_of(shot.camera):
            return "shot", index, (f"camera {shot.camera!r} has no take of the card; give it a [[take]] table, or "
                                   "leave the shot out")
    return None


def _fault_of_following(scene: Scene, takes: dict[str, SceneTake]) -> tuple[str, int | None, str] | None:
    cameras = {camera.name: camera for camera in scene.cameras}
    for index, camera in enumerate(scene.cameras):
        if camera.follows is None:
            continue
        if camera.follows not in cameras:
            return "camera", index, (f"there is no camera {camera.follows!r} to follow"
                                     f"{_close(camera.follows, list(cameras))}")
        if camera.follows == camera.name:
            return "camera", index, "it follows itself; name another camera, or leave follows out"
        if cameras[camera.follows].follows is not None:
            return "camera", index, (f"camera {camera.follows!r} follows another itself; let both follow "
                                     f"{cameras[camera.follows].follows!r}")
        if scene.takes_of(camera.name) and not scene.takes_of(camera.follows):
            return "camera", index, (f"camera {camera.follows!r} has no take of the card to follow; give it a [[take]] "
                                     "table, or leave follows out")
        if scene.settings.method == "balance":
            return "camera", index, ("a camera follows another by a matrix and hues, which method balance leaves as "
                                     "they are; choose another method, or leave follows out")
    for index, take in enumerate(scene.takes):
        leader = cameras[take.camera].follows
        if take.follows and leader is None:
            return "take", index, (f"its camera {take.camera!r} follows none; write follows = \"...\" into that "
                                   "camera's table first")
        if take.follows and take.follows not in [row.name for row in scene.takes_of(leader or "")]:
            return "take", index, (f"camera {leader!r}, which its camera follows, has no take {take.follows!r}"
                                   f"{_close(take.follows, [row.name for row in scene.takes_of(leader or '')])}")
    return None


OWN_FOLDERS = ("record", "takes", "luts", "corrections", "pictures", "shots")
"""What a scene's folder has of itself."""


def _fault_of_out(out: SceneOut) -> str:
    if out.config is not None:
        if why := _bad_name(out.config):
            return f"the folder of config {why}; write a plain name, as config = \"ocio\""
        if out.config.casefold() in OWN_FOLDERS:
            return f"{out.config!r} is a folder of the scene's own; give config another, as config = \"ocio\""
    names: dict[str, str] = {}
    for text in out.edits:
        if not text.casefold().endswith(".otio"):
            return f"edit {shown(text)} is none in OpenTimelineIO's own form; write it as .otio"
        name = edit_name(text)
        if why := _bad_name(name):
            return f"edit {shown(text)}: its name {why}; call the file otherwise"
        first = names.setdefault(name.casefold(), text)
        if first is not text:
            return f"edits {shown(first)} and {shown(text)} are called alike, and would be written to one file"
    return ""


def edit_name(text: str) -> str:
    """What an edit is called: its file's name without .otio."""
    return Path(text.replace("\\", "/")).name[:-len(".otio")]


def _bad_name(name: str) -> str:
    if not name or len(name) > 100:
        return "has no letters" if not name else "is longer than 100 letters"
    if re.search(r'[/\\:*?"<>|\n\r\t]', name) or name[0] in ". " or name[-1] in ". ":
        return f"{name!r} can't be a file's"
    return ""


def _close(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, known, 1, 0.5)
    return f"; do you mean {near[0]!r}?" if near else f"; there are {', '.join(repr(each) for each in known)}"


def is_moment(text: str) -> bool:
    match = re.fullmatch(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?(?:[:;]\d{2,3})?)?", text)
    return match is not None and int(match[1]) <= MOST_HOURS and int(match[2]) < 60 and int(match[3] or 0) < 60


def called(path: str) -> str:
    """What frames are called: their files' name without numbers, suffix, range and tags, or else their folder's."""
    whole = Path(path.replace("\\", "/"))
    name = whole.name.partition(":")[0]
    stem = re.sub(r"\.[A-Za-z]\w{1,4}$", "", name)
    bare = re.sub(r"#+|%0?\d*d|@+|[*?]", "", stem).strip("._- ")
    return bare or whole.parent.name.strip(". ")


__all__ = ["FORMAT", "FORMATS", "NOT_GIVEN", "Scene", "SceneCamera", "SceneFile", "SceneOut", "SceneSettings",
           "SceneShot", "SceneTake", "called", "edit_name", "fault_of", "is_moment", "load_scene", "save_scene",
           "scene_text", "table_lines"]
