"""The steps that hand a scene over to other programs: one OpenColorIO configuration of its corrections, and its edits
with each clip's files noted. They are made of what its takes and shots have come to."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from huewright.errors import InputError
from huewright.models.cautions import HandedInPart
from huewright.models.correction import Correction, correction_to_dict
from huewright.models.handed import ClipNoted
from huewright.models.scene_made import Kind, Made
from huewright.progress import Progress
from huewright.steps.scene.opened import EditIn
from huewright.steps.scene.records import Asked
from huewright.steps.scene.serving import Clip
from huewright.steps.scene.work import Work
from huewright.version import __version__


@dataclass(frozen=True)
class ConfigOut:
    """The configuration, by its folder's name."""

    name: str


@dataclass(frozen=True)
class Handing:
    """``made`` are the run's steps as they are done or found, so it grows while these steps wait."""

    work: Work
    made: Mapping[tuple[Kind, str], Made]

    # ------------------------------------------------------------------ the configuration

    def config_asked(self, config: ConfigOut) -> Asked:
        from huewright.steps.export_config import config_places

        found, cameras = self._corrections()
        points = self.work.opened.scene.out.lut_points
        return Asked("config", config.name, {
            "version": __version__, "points": points,
            "corrections": [[name, cameras[name], correction_to_dict(one)["digest"]] for name, one in found.items()]},
            tuple(f"{config.name}/{place}" for place in config_places(found, cameras, points)))

    def config(self, config: ConfigOut, begun: Made, asked: Asked, progress: Progress) -> None:
        from huewright.steps.export_config import export_config

        found, cameras = self._corrections()
        summary = export_config(found, self.work.out / config.name, cameras=cameras,
                                size=self.work.opened.scene.out.lut_points, overwrite=True, progress=progress)
        said = [one for each in summary.exports for one in each.cautions]
        without = tuple(take.name for take in self.work.opened.takes if take.name not in found)
        if without:
            said.append(HandedInPart(without))
        self.work.records.finish(asked, begun, cautions=tuple(dict.fromkeys(said)), configured=summary.corrections)

    def _corrections(self) -> tuple[dict[str, Correction], dict[str, str]]:
        """Those of takes and of shots between two takes that there are, by name, and their cameras."""
        opened, work = self.work.opened, self.work
        found = {take.name: work.correction_of_take(take.name) for take in opened.takes
                 if ("solve", take.name) in self.made}
        cameras = {take.name: take.row.camera for take in opened.takes if take.name in found}
        for shot in opened.between:
            if ("export", shot.name) in self.made:
                found[shot.name], cameras[shot.name] = work.correction(shot), shot.row.camera
        return found, cameras

    # ------------------------------------------------------------------ edits

    def edit_asked(self, edit: EditIn) -> Asked:
        exports = [[shot.name, _named(shot), made.inputs,
                    {name: was.sha256 for name, was in made.files.items() if name.startswith("luts/")}]
                   for shot, made in self._exported()]
        return Asked("edit", edit.name, {
            "version": __version__, "edit": self.work.records.hashes.of(edit.path), "exports": exports,
            "form": [self.work.opened.scene.out.replace_cdl]}, (f"{edit.name}.otio",))

    def edit(self, edit: EditIn, begun: Made, asked: Asked, progress: Progress) -> None:
        from huewright.handover.edit import Handed, Stated, clips_found
        from huewright.steps.edit import edit_cautions, edit_with

        progress(0, 1, "noting the corrections of clips")
        out = self.work.out
        shots: dict[str, Clip] = {}
        handed: dict[str, Handed] = {}
        for shot, made in self._exported():
            named = os.path.normpath(self.work.opened.file.resolved(shot.row.path))
            if named in shots:
                raise InputError(f"shots {shots[named].name!r} and {shot.name!r} are of the same frames, so nothing "
                                 f"tells which of their corrections a clip of {edit.path} has; leave one of them out")
            stated = {each.kind: Stated(each.mean, each.worst) for each in made.exports}
            left_out = next((each.left_out for each in made.exports if each.kind == "cdl"), ())
            shots[named] = shot
            handed[named] = Handed(self.work.correction_file(shot), out / f"luts/{shot.name}.cdl",
                                   out / f"luts/{shot.name}.cube", stated.get("cdl"), stated.get("cube"), left_out)
        if not any(one.named for one in clips_found(edit.path, list(handed),
                                                    replace=self.work.opened.scene.out.replace_cdl)):
            raise InputError(f"{edit.path}: none of its clips is a shot of this scene; look at the paths of both, or "
                             "leave the edit out")
        noted = edit_with(edit.path, out / asked.places[0], handed,
                          replace_cdl=self.work.opened.scene.out.replace_cdl, overwrite=True)
        if self.work.records.hashes.of(edit.path) != asked.inputs["edit"]:
            raise InputError(f"{edit.path} changed while it was read; start again when it is whole")
        clips = tuple(ClipNoted(one.clip.name, one.clip.track, "" if one.clip.media is None else one.clip.media.name,
                                None if one.named is None else shots[one.named].name, one.how,
                                tuple(shots[each].name for each in one.several)) for one in noted)
        self.work.records.finish(asked, begun, clips=clips,
                                 cautions=edit_cautions(edit.path, out / asked.places[0], noted))

    def _exported(self) -> list[tuple[Clip, Made]]:
        return [(shot, self.made["export", shot.name]) for shot in self.work.opened.shots
                if ("export", shot.name) in self.made]


def _named(shot: Clip) -> str:
    """The shot's frames as the scene file names them, however that is spelt."""
    return Path(os.path.normpath(shot.row.path)).as_posix()


__all__ = ["ConfigOut", "Handing"]
