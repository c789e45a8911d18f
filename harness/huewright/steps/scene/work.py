"""What each step of a scene is made from, where it writes, and how it is done."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from huewright.errors import NoAnswerError
from huewright.frames.conversion import is_float
from huewright.frames.opening import open_take
from huewright.frames.renumbered import numbered_as
from huewright.frames.sequence import MOVIE_SUFFIXES, output_paths
from huewright.models.cautions import (
    AtEndStops,
    Caution,
    CdlLeavesOut,
    FramesKept,
    OfAnotherCamera,
    RenderBeyond,
    RenderLimited,
    SignalBeyond,
    TakeAfterShot,
)
from huewright.models.correction import Correction, correction_to_dict, load_correction, save_correction
from huewright.models.footage import Footage
from huewright.models.provenance import LedBy
from huewright.models.scene_made import ExportError, Input, Made
from huewright.models.shots import ShotProof
from huewright.models.survey import Survey, load_survey, save_survey
from huewright.progress import Progress
from huewright.proof.light import Neutral, estimate, light_cautions, light_of, neutral_of
from huewright.proof.likeness import Traits, contradicting, traits_of
from huewright.proof.shots import screened, shot_cautions
from huewright.steps.scene.opened import Opened
from huewright.steps.scene.records import Asked, Records
from huewright.steps.scene.serving import Clip
from huewright.version import __version__

if TYPE_CHECKING:
    from huewright.steps.render import RenderSummary

THUMB_WIDTH = 320      # px of a shot's pictures on the page


@dataclass
class Work:
    """The steps of an opened scene. Corrections and what was estimated of takes are kept while it runs."""

    opened: Opened
    records: Records
    device: str = "cpu"
    on: str | None = None
    _corrections: dict[str, Correction] = field(default_factory=dict)
    _neutral: dict[str, Neutral | None] = field(default_factory=dict)
    _traits: dict[str, Traits] = field(default_factory=dict)

    @property
    def out(self) -> Path:
        return self.opened.out

    # ------------------------------------------------------------------ takes

    def survey_asked(self, take: Clip) -> Asked:
        return Asked("survey", take.name, {
            "version": __version__, "card": self.opened.card, "footage": self.opened.footage[take.name],
            "corners": None if take.corners is None else list(map(list, take.corners))},
            (self._of_take(take, "survey.json"), self._of_take(take, "frames.png")), take.frames)

    def survey(self, take: Clip, begun: Made, asked: Asked, progress: Progress) -> None:
        from huewright.report.contact import contact_sheet
        from huewright.steps.survey import survey_take

        card = self.opened.card
        survey = survey_take(take.frames, card, self.opened.card_path, self.opened.footage[take.name],
                             corners=take.corners, progress=progress)
        save_survey(survey, self.out / asked.places[0], overwrite=True)
        contact_sheet(survey, take.frames, card, self.out / asked.places[1], overwrite=True)
        self.records.finish(asked, begun, cautions=survey.cautions, frames=len(survey.grades))

    def surveyed(self, take: Clip) -> Survey:
        return load_survey(self.out / self._of_take(take, "survey.json"))

    def solve_asked(self, take: Clip) -> Asked:
        """Raises :class:`NoAnswerError` where the take was surveyed and can't carry a correction."""
        survey = self.surveyed(take)
        if survey.reading is None or not survey.usable:
            raise NoAnswerError(f"take {take.name} can't support a correction (the reasons, frame by frame, are in "
                                f"{self.out / self._of_take(take, 'frames.png')})", survey.advice)
        return Asked("solve", take.name, {
            "version": __version__, "card": self.opened.card, "footage": survey.footage,
            "settings": self.opened.settings, "reading": survey.reading, **self._leading(take)},
            (self._of_take(take, "correction.json"), *self.card_pictures(take)))

    def solve(self, take: Clip, begun: Made, asked: Asked, progress: Progress) -> None:
        from huewright.proof.cameras import card_pictures
        from huewright.report.photo import save_photo
        from huewright.steps.solve import solve_survey

        progress(0, 1, "solving")
        survey = self.surveyed(take)
        correction = solve_survey(survey, self.opened.card, self.opened.settings,
                                  lead=self._leading(take).get("leading"))
        save_correction(correction, self.out / asked.places[0], overwrite=True)
        self._corrections.pop(take.name, None)
        pictures = card_pictures(take.frames, survey, self.opened.card, correction)
        for picture, place in zip(pictures, asked.places[1:], strict=True):
            save_photo(picture, self.out / place, display=correction.display, overwrite=True)
        self.records.finish(asked, begun, cautions=correction.cautions)

    def _leading(self, take: Clip) -> dict[Input, LedBy]:
        """The picture of another camera that the take is brought to, where it follows one."""
        from huewright.steps.solve import led_by

        lead = self.opened.leads.get(take.name)
        return {} if lead is None else {"leading": led_by(self.correction_of_take(lead), lead)}

    def _of_take(self, take: Clip, name: str) -> str:
        return f"takes/{take.name}/{name}"

    def card_pictures(self, take: Clip) -> tuple[str, str]:
        return self._of_take(take, "card-before.jpg"), self._of_take(take, "card-after.jpg")

    # ------------------------------------------------------------------ shots

    def correction_of_take(self, name: str) -> Correction:
        if name not in self._corrections:
            self._corrections[name] = load_correction(self.out / f"takes/{name}/correction.json")
        return self._corrections[name]

    def correction(self, shot: Clip) -> Correction:
        """What the shot gets. Raises :class:`InputError` where it lies between takes that can't be interpolated."""
        from huewright.steps.solve import between_takes

        served = self.opened.served[shot.name]
        ends = [self.correction_of_take(name) for name in served.takes]
        if len(ends) == 1:
            return ends[0]
        assert served.share is not None and served.apart_s is not None
        return between_takes(ends[0], ends[1], served.share, served.apart_s, (served.takes[0], served.takes[1]))

    def correction_file(self, shot: Clip) -> str:
        """Where the shot's correction lies in the scene's folder."""
        takes = self.opened.served[shot.name].takes
        return f"takes/{takes[0]}/correction.json" if len(takes) == 1 else f"corrections/{shot.name}.json"

    def export_asked(self, shot: Clip) -> Asked:
        interpolated = len(self.opened.served[shot.name].takes) > 1
        places = [f"luts/{shot.name}.cube", f"luts/{shot.name}.cdl", *self.pictures(shot)]
        return Asked("export", shot.name, {
            "version": __version__, "correction": self._digest(shot), "points": self.opened.scene.out.lut_points},
            (*places, *([self.correction_file(shot)] if interpolated else [])), shot.frames)

    def export(self, shot: Clip, begun: Made, asked: Asked, progress: Progress) -> None:
        from huewright.steps.export import export_all

        correction, served = self.correction(shot), self.opened.served[shot.name]
        progress(0, 1, "making LUT files")
        made = export_all(correction, [self.out / place for place in asked.places[:2]],
                          size=self.opened.scene.out.lut_points, overwrite=True)
        said: list[Caution] = [one for each in made for one in each.cautions if not isinstance(one, CdlLeavesOut)]
        if len(served.takes) > 1:
            save_correction(correction, self.out / asked.places[4], overwrite=True)
            said += correction.cautions[:1]
        if served.choice == "time code" and served.after_s is not None and served.after_s < 0:
            said.append(TakeAfterShot(shot.name, served.takes[0], -served.after_s))
        progress(0, 1, "looking at the light")
        self._save_pictures(shot, correction, asked.places[2:4])
        found = estimate(self._neutral_of(served.takes[0], correction), self._estimated(shot, correction))
        if len(served.takes) == 1:
            said += light_cautions(found, shot.name, served.takes[0])
        said += self._another_camera(shot, served.takes[0])
        self.records.finish(asked, begun, cautions=tuple(dict.fromkeys(said)), light=found, exports=tuple(
            ExportError(each.kind, each.mean_error, each.worst_error, each.left_out) for each in made))

    def _another_camera(self, shot: Clip, name: str) -> list[OfAnotherCamera]:
        footage = self.opened.footage[name]
        if name not in self._traits:
            self._traits[name] = traits_of(self.opened.take(name).frames, footage)
        signs = contradicting(self._traits[name], traits_of(shot.frames, footage))
        return [OfAnotherCamera(shot.name, name, signs)] if signs else []

    def _neutral_of(self, name: str, correction: Correction) -> Neutral | None:
        if name not in self._neutral:
            take = self.opened.take(name)
            chosen = [number for number in self.surveyed(take).chosen if number in take.frames.numbers]
            to_light = light_of(correction)
            self._neutral[name] = (None if to_light is None or not chosen
                                   else neutral_of(take.frames.only(chosen), to_light))
        return self._neutral[name]

    def _estimated(self, shot: Clip, correction: Correction) -> Neutral | None:
        to_light = light_of(correction)
        return None if to_light is None else neutral_of(shot.frames, to_light)

    def _save_pictures(self, shot: Clip, correction: Correction, places: tuple[str, ...]) -> None:
        import cv2
        import numpy as np
        from huewright_kernels.executor import compile_chain, run

        from huewright.report.photo import save_photo

        middle = shot.frames.numbers[len(shot.frames) // 2]
        codes: np.ndarray = np.ascontiguousarray(shot.frames.frame(middle).rgb_float())
        height = max(1, round(codes.shape[0] * THUMB_WIDTH / codes.shape[1]))
        for place, chain in zip(places, (correction.neutral_operations, correction.operations), strict=True):
            picture: np.ndarray = np.asarray(run(compile_chain(chain), codes), np.float32)
            if codes.shape[1] > THUMB_WIDTH:
                picture = cv2.resize(picture, (THUMB_WIDTH, height), interpolation=cv2.INTER_AREA)
            save_photo(picture, self.out / place, display=correction.display, overwrite=True)

    def pictures(self, shot: Clip) -> tuple[str, str]:
        return f"pictures/{shot.name}-before.jpg", f"pictures/{shot.name}-after.jpg"

    def render_asked(self, shot: Clip) -> Asked:
        form, place = self.opened.scene.out, self.render_place(shot)
        places = (place,) if self.movies else tuple(
            path.relative_to(self.out).as_posix() for path in output_paths(self.out / place, shot.frames).values())
        return Asked("render", shot.name, {
            "version": __version__, "correction": self._digest(shot),
            "form": [form.format, form.bits, form.range, form.codec, form.rate]}, places, shot.frames)

    @property
    def movies(self) -> bool:
        """Whether shots become movies."""
        return f".{self.opened.scene.out.format}" in MOVIE_SUFFIXES

    def render_place(self, shot: Clip) -> str:
        """A movie, or the pattern of files under the shot's own names."""
        form = self.opened.scene.out.format
        if self.movies:
            return f"shots/{shot.name}/{shot.name}.{form}"
        pattern = shot.frames.file_pattern
        named = pattern if form is None else f"{pattern.rpartition('.')[0]}.{form}"
        return f"shots/{shot.name}/{named}"

    def render(self, shot: Clip, begun: Made, asked: Asked, progress: Progress) -> None:
        from huewright.steps.render import of_shot, render_take

        form = self.opened.scene.out
        made = render_take(self.correction(shot), shot.frames, self.out / self.render_place(shot), range_=form.range,
                           bits=form.bits, codec=form.codec, rate=form.rate, overwrite=True, alone=not self.movies,
                           device=self.device, on=self.on, progress=progress)
        said = [of_shot(one, shot.name) for one in made.cautions if not isinstance(one, FramesKept)]
        found = self._screened(shot, made, progress)
        ranged = any(isinstance(one, RenderLimited | RenderBeyond) for one in said)     # counted before any limiting
        said += [one for one in shot_cautions(found) if not (ranged and isinstance(one, SignalBeyond | AtEndStops))]
        self.records.finish(asked, begun, cautions=tuple(said), frames=len(made.frames), screened=found)

    def _screened(self, shot: Clip, made: RenderSummary, progress: Progress) -> ShotProof:
        """The files as they were written, looked through as a proof does."""
        written = numbered_as(open_take(self.out / self.render_place(shot)), shot.frames)
        if self.movies:
            footage = Footage(range=written.code_range, bits=written.code_bits)
        else:
            form = f".{self.render_place(shot).rpartition('.')[2].lower()}"
            footage = Footage(range=made.range, bits=10 if is_float(form, made.bits) else made.bits)
        return screened(self.correction(shot).display, written, footage, shot.name, rate=shot.frames.rate,
                        shown=written.numbers[len(written.numbers) // 2], progress=progress)

    def _digest(self, shot: Clip) -> str:
        return str(correction_to_dict(self.correction(shot))["digest"])


__all__ = ["Work"]
