"""What the scene's page shows: cameras beside each other, takes, shots."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

from huewright.models.scene_made import CamerasApart, Failed, Kind, LeftBehind, Made, NoCorrection, Why
from huewright.models.survey import Survey
from huewright.proof.cameras import cameras_apart
from huewright.report.scene_page import CameraCard, HandedLine, ScenePage, ShotLine, TakeLine, write_page
from huewright.steps.scene.serving import Clip
from huewright.steps.scene.work import Work

PAGE = "scene.html"
Steps = Mapping[tuple[Kind, str], Made]
Reasons = Mapping[tuple[Kind, str], Why]


def shown_takes(work: Work) -> dict[str, Clip]:
    """For each camera that has a correction the take by which it is set beside the others: of the first camera its
    first, of the others the one nearest to that in time, or their first where nothing says when they were made."""
    found: dict[str, Clip] = {}
    anchor: Clip | None = None
    for camera in work.opened.scene.cameras:
        takes = [take for take in work.opened.takes if take.row.camera == camera.name
                 and (work.out / f"takes/{take.name}/correction.json").exists()]
        if not takes:
            continue
        first = takes[0]
        if anchor is not None and anchor.when is not None and all(take.when is not None for take in takes):
            at = anchor.when.begin_s
            first = min(takes, key=lambda take: abs(take.when.begin_s - at) if take.when else 0.0)
        anchor = anchor or first
        found[camera.name] = first
    return found


def cameras_beside(work: Work) -> tuple[CamerasApart, ...]:
    """Each pair of cameras, by the takes shown."""
    takes = shown_takes(work)
    surveys: dict[str, Survey] = {name: work.surveyed(take) for name, take in takes.items()}
    found = []
    for one, other in combinations(takes, 2):
        readings = surveys[one].reading, surveys[other].reading
        if readings[0] is None or readings[1] is None:
            continue
        found.append(cameras_apart((one, other), (takes[one].name, takes[other].name), work.opened.card,
                                   (readings[0], readings[1]), (work.correction_of_take(takes[one].name),
                                                                work.correction_of_take(takes[other].name))))
    return tuple(found)


def write_scene_page(work: Work, apart: tuple[CamerasApart, ...], made: Steps, why: Reasons,
                     left: tuple[LeftBehind, ...] = ()) -> None:
    scene = work.opened.scene
    cards = []
    for camera, take in shown_takes(work).items():
        before, after = (work.out / place for place in work.card_pictures(take))
        cards.append(CameraCard(camera, take.name, scene.camera(camera).encoding, before, after))
    takes = []
    for take in work.opened.takes:
        survey = work.surveyed(take) if ("survey", take.name) in made else None
        solved = made.get(("solve", take.name))
        takes.append(TakeLine(take.name, take.row.camera, "" if take.when is None else take.when.said,
                              0 if survey is None else len(survey.grades),
                              () if survey is None else survey.chosen,
                              None if survey is None else survey.advice, _trouble(why, "survey", take.name)
                              or _trouble(why, "solve", take.name), () if solved is None else solved.cautions))
    shots = []
    for shot in work.opened.shots:
        exported, rendered = made.get(("export", shot.name)), made.get(("render", shot.name))
        pictures = None if exported is None else (work.out / work.pictures(shot)[0], work.out / work.pictures(shot)[1])
        shots.append(ShotLine(
            shot.name, shot.row.camera, work.opened.served[shot.name], "" if shot.when is None else shot.when.said,
            len(shot.frames), pictures, "" if rendered is None else work.render_place(shot),
            () if exported is None else tuple(name for name in exported.files if not name.startswith("pictures/")),
            () if exported is None else exported.exports, None if exported is None else exported.light,
            tuple(one for each in (exported, rendered) if each is not None for one in each.cautions),
            _trouble(why, "export", shot.name) or _trouble(why, "render", shot.name),
            None if rendered is None else rendered.screened))
    page = ScenePage(scene.title or work.opened.file.path.stem, work.opened.settings, work.opened.card.name,
                     tuple(cards), apart, tuple(takes), tuple(shots), _handed(work, made, why), left)
    write_page(page, work.out / PAGE)


def _handed(work: Work, made: Steps, why: Reasons) -> tuple[HandedLine, ...]:
    wanted: list[tuple[Kind, str, str]] = [("edit", edit.name, f"{edit.name}.otio") for edit in work.opened.edits]
    config = work.opened.scene.out.config
    if config is not None:
        wanted.insert(0, ("config", config, f"{config}/config.ocio"))
    lines = []
    for kind, name, file in wanted:
        done = made.get((kind, name))
        lines.append(HandedLine(kind, name, file, () if done is None else done.configured,
                                () if done is None else done.clips, () if done is None else done.cautions,
                                _trouble(why, kind, name)))
    return tuple(lines)


def _trouble(why: Reasons, kind: Kind, name: str) -> Why | None:
    found = why.get((kind, name))
    return found if isinstance(found, Failed | NoCorrection) else None


__all__ = ["PAGE", "cameras_beside", "shown_takes", "write_scene_page"]
