"""The whole job on one camera: survey, solve, render, export, prove; everything into one folder."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from huewright.claims import claimed_whole
from huewright.errors import NoAnswerError
from huewright.files import refuse_existing, remove_abandoned
from huewright.models.by_hand import ByHand
from huewright.models.card import load_card
from huewright.models.cautions import Caution, FramesKept, LeftoversRemoved
from huewright.models.correction import Correction, save_correction
from huewright.models.footage import Footage
from huewright.models.job import Job
from huewright.models.proof import Proof
from huewright.models.survey import Survey, load_survey, save_survey
from huewright.progress import Progress, silent

if TYPE_CHECKING:
    from huewright.frames.take import Take
    from huewright.solver.answer import SolveSettings

Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class JobResult:
    """What the job made. ``exports`` are export summaries; ``seconds`` is the time of each step; ``cautions`` are of
    the run itself, not of what it made."""

    survey: Survey
    correction: Correction
    proof: Proof
    renders: tuple[Any, ...]
    exports: tuple[Any, ...]
    seconds: dict[str, float] = field(default_factory=dict)
    cautions: tuple[Caution, ...] = ()


def run_job(
    take: Take,
    card_path: Path,
    footage: Footage,
    out_dir: Path,
    *,
    shots: tuple[Take, ...] = (),
    settings: SolveSettings | None = None,
    corners: Corners | None = None,
    by_hand: ByHand | None = None,
    title: str = "",
    device: str = "cpu",
    on: str | None = None,
    overwrite: bool = False,
    resume: bool = False,
    remember: bool = False,
    progress: Progress = silent,
) -> JobResult:
    """Everything from frames to proof.

    The card take is rendered at the frames that the survey chose (the proof measures those, re-read from
    disk); each of ``shots`` is rendered whole, into ``shots`` and a folder that is named after it, or the whole take if
    there are none. ``title`` heads the proof's
    page; without it the take's name does. ``resume`` goes on with what a stopped run of the same inputs and settings
    has left in ``out_dir``: its survey and correction are taken, its frames as :func:`render_take` resumes (and, with
    ``remember``, notes them).
    ``device`` is what renders (:func:`huewright.device.choosing.computing_on`), ``on`` a scheduler over whose workers
    frames are spread, as :func:`render_take` does it. Raises
    :class:`NoAnswerError` where the take can't support a correction (the survey is written all the same,
    so that its reasons can be read), :class:`InputError` for what the person can mend.
    """
    from huewright.device.choosing import require_device
    from huewright.report.contact import contact_sheet
    from huewright.solver.answer import SolveSettings
    from huewright.steps.export import export_correction
    from huewright.steps.job import asked_of, begin, finish, require_unchanged
    from huewright.steps.prove import prove
    from huewright.steps.render import of_shot, render_take, require_on
    from huewright.steps.shots import shot_folders
    from huewright.steps.solve import solve_survey
    from huewright.steps.survey import survey_take

    require_device(device)
    require_on(on, device)
    out = Path(out_dir)
    files = {name: out / name for name in
             ("survey.json", "frames.png", "correction.json", "correction.cube", "correction.clf")}
    for path in () if resume else files.values():
        refuse_existing(path, overwrite=overwrite)
    for shot in shots or (take,):     # a survey needs no continuity, but these are rendered whole
        shot.require_complete()
    card, settings = load_card(card_path), settings or SolveSettings()
    named = dict(zip(shot_folders(shots), shots, strict=True))
    asked = asked_of(take, card, footage, settings, corners, named, by_hand)
    with claimed_whole(out, folder=True):
        # First what a killed run left unnamed: killed as it began, it left nothing else to go on from.
        left = [str(path) for folder in (out, out / "proof") for path in remove_abandoned(folder)]
        begin(out, asked, overwrite=overwrite, resume=resume)
        overwrite = overwrite or resume     # what is there is this job's own
        clock = _Clock()

        if resume and files["survey.json"].exists():
            survey = load_survey(files["survey.json"])
        else:
            survey = survey_take(take, card, card_path, footage, corners=corners, by_hand=by_hand, progress=progress)
            save_survey(survey, files["survey.json"], overwrite=overwrite)
        if not (resume and files["frames.png"].exists()):
            contact_sheet(survey, take, card, files["frames.png"], overwrite=overwrite)
        clock.lap("survey")
        if not survey.usable:
            raise NoAnswerError(f"{take.text} can't support a correction (the reasons, frame by frame, are in "
                                f"{files['survey.json']})", survey.advice)

        # Solved again where it is there: the answer is the same, and a file that was edited since is not.
        correction = solve_survey(survey, card, settings)
        save_correction(correction, files["correction.json"], overwrite=overwrite)
        clock.lap("solve")

        whole_take = not shots
        card_frames = take if whole_take else take.only(survey.chosen)
        rendered = f"{out}/take/{_pattern(take)}"
        renders = [render_take(correction, card_frames, rendered, alone=True, overwrite=overwrite and not resume,
                               resume=resume, remember=remember, device=device, on=on, progress=progress)]
        places = [f"{out}/shots/{name}/{_pattern(shot)}" for name, shot in named.items()]
        for place, shot in zip(places, shots, strict=True):
            renders.append(render_take(correction, shot, place, alone=True, overwrite=overwrite and not resume,
                                       resume=resume, remember=remember, device=device, on=on,
                                       progress=progress))
        clock.lap("render")

        exports = tuple(export_correction(correction, files[name], overwrite=overwrite)
                        for name in ("correction.cube", "correction.clf"))
        clock.lap("export")

        from huewright.frames.opening import open_take

        require_unchanged(asked, take, named)
        names = [""] if whole_take else [take.name, *(shot.name for shot in shots)]
        found = [*(of_shot(one, name) for made, name in zip(renders, names, strict=True) for one in made.cautions),
                 *(one for made in exports for one in made.cautions)]
        more = [caution for caution in found if not isinstance(caution, FramesKept | LeftoversRemoved)]
        pairs = [(shot, open_take(place)) for place, shot in zip(places, shots, strict=True)]
        proof = prove(correction, survey, card, before=take, after=open_take(rendered), shots=pairs,
                      out_dir=out / "proof", title=title, more=more, overwrite=overwrite, progress=progress)
        clock.lap("prove")
        left += [file for one in found if isinstance(one, LeftoversRemoved) for file in one.files]
        of_the_run = (LeftoversRemoved(tuple(left)),) if left else ()
        result = JobResult(survey, correction, proof, tuple(renders), exports, clock.laps, of_the_run)
        require_unchanged(asked, take, named)
        finish(out, Job(proof.verdict, proof.passed, survey.chosen, (), clock.laps, asked))
        return result


def _pattern(sequence: Take) -> str:
    """The sequence's own file naming, for rendered frames of the same numbers."""
    return sequence.file_pattern


class _Clock:
    def __init__(self) -> None:
        self.laps: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = round(now - self._last, 3)
        self._last = now
