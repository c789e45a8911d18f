"""A scene: several cameras, the takes of the card that each of them made, and their shots; and what can't be in one.

Paths and what was declared, no pictures. Its file is :mod:`huewright.models.scene_file`'s.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import msgspec

from huewright.models.record import Name, Number, Positive, Share, shown
from huewright.models.settings import SolveSettings, Strength

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
