"""A scene with its card read and its frames opened, so that what is wrong is said before anything is done."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from huewright.colorimetry.display import display_named
from huewright.errors import InputError
from huewright.frames.opening import open_take
from huewright.handover.edit import edit_clips
from huewright.models.card import Card, load_card
from huewright.models.footage import Footage
from huewright.models.scene import Scene, SceneCamera, edit_name
from huewright.models.scene_file import SceneFile, load_scene
from huewright.models.scene_made import Served
from huewright.models.settings import SolveSettings
from huewright.progress import Progress
from huewright.steps.inputs import footage_from
from huewright.steps.scene.serving import Clip, clip_of, leading, served


@dataclass(frozen=True)
class EditIn:
    """An edit of the scene's shots, by its file's name."""

    name: str
    path: Path


@dataclass(frozen=True)
class Opened:
    """``footage`` by take, ``served`` by shot, ``leads`` by take that follows one of another camera, all by name."""

    file: SceneFile
    card: Card
    card_path: Path
    settings: SolveSettings
    takes: tuple[Clip, ...]
    shots: tuple[Clip, ...]
    footage: dict[str, Footage]
    served: dict[str, Served]
    leads: dict[str, str] = field(default_factory=dict)
    edits: tuple[EditIn, ...] = ()

    @property
    def between(self) -> tuple[Clip, ...]:
        """The shots that get a correction of their own, between those of two takes."""
        return tuple(shot for shot in self.shots if len(self.served[shot.name].takes) > 1)

    @property
    def in_order(self) -> tuple[Clip, ...]:
        """The takes, those that others follow first."""
        return tuple(sorted(self.takes, key=lambda take: take.name in self.leads))

    @property
    def scene(self) -> Scene:
        return self.file.scene

    @property
    def out(self) -> Path:
        return Path(self.file.resolved(self.scene.out.folder))

    def take(self, name: str) -> Clip:
        return next(take for take in self.takes if take.name == name)

    def shot(self, name: str) -> Clip:
        return next(shot for shot in self.shots if shot.name == name)


def opened(path: Path | str, progress: Progress) -> Opened:
    """The scene in the file at ``path``. :class:`InputError` for what a person can mend: what stands in the file, files
    that are missing or can't be opened, shots of which nothing says which take serves them."""
    file = load_scene(path)
    scene = file.scene
    card_path = Path(file.resolved(scene.card))
    try:
        card, settings = load_card(card_path), scene.settings.solve_settings()
        display_named(settings.display)
    except InputError as error:
        raise InputError(f"{file.path}: {error}") from None
    total = len(scene.takes) + len(scene.shots)
    takes = tuple(_clip(file, "take", index, index, total, progress) for index in range(len(scene.takes)))
    shots = tuple(_clip(file, "shot", index, len(takes) + index, total, progress) for index in range(len(scene.shots)))
    footage = {clip.name: _footage(file, scene.camera(clip.row.camera), "take", index, clip)
               for index, clip in enumerate(takes)}
    found = {}
    for index, shot in enumerate(shots):
        found[shot.name] = served(file, index, takes, shots)
        _same_range(file, index, shot, [footage[name] for name in found[shot.name].takes])
    leads = {take.name: lead for index, take in enumerate(takes) if (lead := leading(file, index, takes)) is not None}
    scene_opened = Opened(file, card, card_path, settings, takes, shots, footage, found, leads, _edits(file))
    if scene.out.config is not None:
        _can_be_named(scene_opened)
    return scene_opened


def _edits(file: SceneFile) -> tuple[EditIn, ...]:
    """Raises :class:`InputError` for an edit that is none, and for one that would be written over itself."""
    found = []
    for text in file.scene.out.edits:
        path, name = Path(file.resolved(text)), edit_name(text)
        try:
            edit_clips(path)
        except InputError as error:
            raise InputError(f"{file.path}, out: {error}") from None
        if path.resolve() == Path(file.resolved(file.scene.out.folder), f"{name}.otio").resolve():
            raise InputError(f"{file.path}, out: edit {text} lies where it would be written with its notes; keep it "
                             "elsewhere, or give the scene's folder another name")
        found.append(EditIn(name, path))
    return tuple(found)


def _can_be_named(scene: Opened) -> None:
    """Raises :class:`InputError` where not all corrections can have their names in one configuration."""
    from huewright.handover.config import name_fault

    cameras = {take.name: take.row.camera for take in scene.takes}
    fault = next((f"two corrections in this configuration would be called {shot.name!r}" for shot in scene.between
                  if shot.name in cameras), None) or name_fault(
        {**cameras, **{shot.name: shot.row.camera for shot in scene.between}}, [scene.settings.display])
    if fault is not None:
        raise InputError(f"{scene.file.path}, out: config: {fault}; give that take, shot or camera another name, as "
                         "name = \"...\"")


def _clip(file: SceneFile, kind: str, index: int, done: int, total: int, progress: Progress) -> Clip:
    row = (file.scene.takes if kind == "take" else file.scene.shots)[index]
    progress(done, total, "opening the clips")
    try:
        frames = open_take(file.resolved(row.path))
        if kind == "shot":
            frames.require_complete()
        return clip_of(row, frames)
    except InputError as error:
        raise InputError(f"{file.at(kind, index)}: {error}") from None


def _footage(file: SceneFile, camera: SceneCamera, kind: str, index: int, clip: Clip) -> Footage:
    look, config = (None if text is None else file.resolved(text) for text in (camera.look, camera.ocio_config))
    try:
        return footage_from(clip.frames, encoding=camera.encoding, code_range=camera.range, bits=camera.bits,
                            primaries=camera.primaries, look=look, look_input=camera.look_input, ocio_config=config)
    except InputError as error:
        number = [each.name for each in file.scene.cameras].index(camera.name)
        raise InputError(f"{file.at('camera', number)}: {error}") from None


def _same_range(file: SceneFile, index: int, shot: Clip, footage: list[Footage]) -> None:
    """A correction is for the code values of its take: of movies that nobody declared, both have to be tagged alike."""
    camera = file.scene.camera(shot.row.camera)
    for each in footage if camera.range is None else ():
        if shot.frames.code_range != each.range:
            raise InputError(f"{file.at('shot', index)}: its tags say {shot.frames.code_range} range, those of its "
                             f"take {each.range}; declare what camera {camera.name!r} recorded, as range = \"...\"")


__all__ = ["EditIn", "Opened", "opened"]
