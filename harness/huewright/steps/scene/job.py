"""The whole scene: what is due is done, what is there stays, and one page shows all of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol, TypeVar

from huewright.claims import claimed_whole
from huewright.errors import InputError, NoAnswerError
from huewright.files import refuse_existing, remove_abandoned
from huewright.models.cautions import Caution, DeclarationDoubted, Flashing, OfAnotherCamera
from huewright.models.handed import ClipNoted, ConfigCorrection
from huewright.models.reasons import NoCardInTake, Unusable, Usable
from huewright.models.refusals import Refusal
from huewright.models.scene_file import load_scene
from huewright.models.scene_made import (
    CamerasApart,
    Failed,
    Follows,
    Kind,
    LeftBehind,
    LeftOut,
    Made,
    NeverMade,
    NoCorrection,
    Same,
    Served,
    StepDone,
)
from huewright.models.shots import ShotProof
from huewright.progress import Progress, silent
from huewright.steps.scene.handing import ConfigOut, Handing
from huewright.steps.scene.opened import opened
from huewright.steps.scene.page import PAGE, cameras_beside, write_scene_page
from huewright.steps.scene.records import FOLDER, Asked, Records, kept_words, record_name
from huewright.steps.scene.serving import Clip
from huewright.steps.scene.work import Work


class Called(Protocol):
    """What a step is of: a take, a shot, a configuration, an edit."""

    @property
    def name(self) -> str: ...


Of = TypeVar("Of", bound=Called)
Do = Callable[[Of, Made, Asked, Progress], None]


@dataclass(frozen=True)
class SceneResult:
    """What came of a scene. ``steps`` in their order; ``served`` by shot; ``cautions`` of all that is there, by step;
    its steps that failed say so in ``why``; ``screened`` is what was found in the frames of rendered shots, by shot;
    ``configured`` what stands in a configuration, by its folder, and ``noted`` the clips of each edit; ``left`` are
    files that the scene file no longer asks for."""

    out: Path
    page: Path
    steps: tuple[StepDone, ...]
    served: dict[str, Served]
    apart: tuple[CamerasApart, ...] = ()
    cautions: tuple[tuple[Kind, str, Caution], ...] = ()
    screened: dict[str, ShotProof] = field(default_factory=dict)
    configured: dict[str, tuple[ConfigCorrection, ...]] = field(default_factory=dict)
    noted: dict[str, tuple[ClipNoted, ...]] = field(default_factory=dict)
    left: tuple[LeftBehind, ...] = ()

    @property
    def failed(self) -> tuple[StepDone, ...]:
        """The steps that could not be done; what follows from them is left out, with its reason."""
        return tuple(step for step in self.steps if step.failed)

    @property
    def flashing(self) -> tuple[Flashing, ...]:
        """Of rendered shots that flash more than ITU-R BT.1702 allows, by a screen that is no certified test."""
        return tuple(one for _, _, one in self.cautions if isinstance(one, Flashing))

    @property
    def strange(self) -> tuple[OfAnotherCamera, ...]:
        """Of shots whose files contradict that they are of the camera that the scene gives them to."""
        return tuple(one for _, _, one in self.cautions if isinstance(one, OfAnotherCamera))


def run_scene(path: Path | str, *, dry_run: bool = False, only_export: bool = False, device: str = "cpu",
              on: str | None = None, overwrite: bool = False, progress: Progress = silent) -> SceneResult:
    """Brings the scene in the file at ``path`` up to date: each take surveyed and solved, each shot exported and
    rendered, the page written. A step whose inputs and files are as its record says is not done again.

    dry_run      says what would be done and why, and writes nothing
    only_export  renders nothing
    on           the address of a Dask scheduler, over whose workers shots' frames are spread
    overwrite    files that the scene didn't write, or that were changed since, are replaced

    A take that gives no correction, or a shot that can't be read, doesn't hold the others up: see
    :attr:`SceneResult.failed`. Raises :class:`InputError` for what is wrong before anything is done.
    """
    from huewright.device.choosing import require_device
    from huewright.steps.render import require_on

    require_device(device)
    require_on(on, device)
    scene = opened(path, progress)
    work = Work(scene, Records(scene.out, overwrite), device, on)
    if on is not None and work.movies:
        raise InputError(f"{path}: shots of this scene become movies, which are coded in one place, frame after frame; "
                         "give a format of files in [out], or leave out --on")
    if dry_run:
        return _brought(work, True, only_export, overwrite, progress)
    with claimed_whole(scene.out, folder=True):
        for folder in (scene.out, *(path for path in scene.out.rglob("*") if path.is_dir())):
            remove_abandoned(folder)      # what killed processes left of files that they were writing
        return _brought(work, False, only_export, overwrite, progress)


def _brought(work: Work, dry_run: bool, only_export: bool, overwrite: bool, progress: Progress) -> SceneResult:
    scene = work.opened
    if not (scene.out / FOLDER).is_dir() and not dry_run:
        refuse_existing(scene.out / PAGE, overwrite=overwrite)
    total = (2 * len(scene.takes) + (1 if only_export else 2) * len(scene.shots) + len(scene.edits)
             + (scene.scene.out.config is not None))
    run = _Run(work, dry_run, progress, total)
    solved: dict[str, StepDone] = {}
    for take in scene.in_order:
        survey = run.step("survey", take, work.survey_asked, work.survey)
        lead = solved.get(scene.leads.get(take.name, ""))
        solved[take.name] = run.step("solve", take, work.solve_asked, work.solve,
                                     after=[survey, *([] if lead is None else [lead])])
    exported = {shot.name: run.shot("export", shot, work.export_asked, work.export) for shot in scene.shots}
    _hand_over(run, solved, exported)
    for shot in scene.shots:
        if shot.exported_only:
            run.steps.append(StepDone("render", shot.name, LeftOut(), False))
        else:
            run.shot("render", shot, work.render_asked, None if only_export else work.render)
    apart: tuple[CamerasApart, ...] = ()
    left = work.records.left_behind(
        {(step.kind, step.name) for step in run.steps} - {("render", shot.name) for shot in scene.shots
                                                          if shot.exported_only})
    if not dry_run:
        apart = cameras_beside(work)
        write_scene_page(work, apart, run.made, {(step.kind, step.name): step.why for step in run.steps}, left)
    cautions = tuple((kind, name, one) for (kind, name), made in run.made.items() for one in made.cautions)
    screened = {name: made.screened for (_, name), made in run.made.items() if made.screened is not None}
    handed = {(kind, name): made for (kind, name), made in run.made.items() if kind in ("config", "edit")}
    return SceneResult(scene.out, scene.out / PAGE, tuple(run.steps), dict(scene.served), apart, cautions, screened,
                       {name: made.configured for (kind, name), made in handed.items() if kind == "config"},
                       {name: made.clips for (kind, name), made in handed.items() if kind == "edit"}, left)


def _hand_over(run: _Run, solved: dict[str, StepDone], exported: dict[str, StepDone]) -> None:
    """What other programs get of all takes and shots together."""
    scene = run.work.opened
    handing = Handing(run.work, run.made)
    if scene.scene.out.config is not None:
        run.step("config", ConfigOut(scene.scene.out.config), handing.config_asked, handing.config,
                 [*solved.values(), *(exported[shot.name] for shot in scene.between)], in_part=True)
    for edit in scene.edits:
        run.step("edit", edit, handing.edit_asked, handing.edit, list(exported.values()), in_part=True)


def _failed(error: InputError | NoAnswerError) -> Failed:
    if isinstance(error, InputError):
        return Failed(str(error))
    what = error.what if isinstance(error.what, str | Refusal) else str(error)
    reason = error.why if isinstance(error.why, Usable | NoCardInTake | Unusable | DeclarationDoubted) else None
    return Failed(what, reason, False)


def kept_in_words(path: Path | str) -> str:
    """What a stopped run of the scene in the file at ``path`` has left, and how to go on."""
    file = load_scene(path)
    return kept_words(Path(file.resolved(file.scene.out.folder)))


@dataclass
class _Run:
    work: Work
    dry: bool
    progress: Progress
    total: int
    steps: list[StepDone] = field(default_factory=list)
    made: dict[tuple[Kind, str], Made] = field(default_factory=dict)

    def step(self, kind: Kind, clip: Of, asked: Callable[[Of], Asked], do: Do[Of] | None,
             after: list[StepDone] | None = None, *, in_part: bool = False) -> StepDone:
        """One step, which is made from those in ``after``, or from those of them that could be done (``in_part``); done
        if it is due, or left out then (``do`` None)."""
        missing = [each for each in after or () if isinstance(each.why, Failed | NoCorrection)]
        if missing and (not in_part or len(missing) == len(after or ())):
            return self._add(StepDone(kind, clip.name, NoCorrection(missing[0].name), False))
        first = next((each for each in after or () if each.done), None)
        if self.dry and first is not None and do is None:
            return self._add(StepDone(kind, clip.name, LeftOut(), False))
        if self.dry and first is not None:      # what its inputs will be isn't known yet
            known = (self.work.out / record_name(kind, clip.name)).exists()
            return self._add(StepDone(kind, clip.name, Follows(first.kind, first.name) if known else NeverMade(), True))
        try:
            wanted = asked(clip)
            why = self.work.records.why(wanted)
            due = not isinstance(why, Same)
            if due and do is None:
                return self._add(StepDone(kind, clip.name, LeftOut(), False))
            if due and do is not None and not self.dry:
                do(clip, self.work.records.begin(wanted), wanted, self._telling(kind, clip.name))
            if not self.dry:
                self.made[kind, clip.name] = self.work.records.keep(wanted)
            elif not due and (found := self.work.records.found(wanted)) is not None:
                self.made[kind, clip.name] = found
        except (InputError, NoAnswerError) as error:
            return self._add(StepDone(kind, clip.name, _failed(error), False))
        return self._add(StepDone(kind, clip.name, why, due))

    def shot(self, kind: Kind, shot: Clip, asked: Callable[[Clip], Asked], do: Do[Clip] | None) -> StepDone:
        """A step of a shot, which is made from the corrections of the takes that serve it."""
        takes = self.work.opened.served[shot.name].takes
        return self.step(kind, shot, asked, do, [step for step in self.steps
                                                 if step.kind == "solve" and step.name in takes])

    def _add(self, step: StepDone) -> StepDone:
        self.steps.append(step)
        return step

    def _telling(self, kind: Kind, name: str) -> Progress:
        head = f"{len(self.steps) + 1} of {self.total}, {name}"

        def tell(done: int, total: int, what: str) -> None:
            self.progress(done, total, f"{head}: {what}")

        return tell


__all__ = ["SceneResult", "kept_in_words", "run_scene"]
