"""The public functions: what the command line's verbs do, for scripts and notebooks.

They take paths or what other calls gave back, and raise the command line's sentences as exceptions:
:class:`~huewright.errors.InputError` for what can be mended, :class:`~huewright.errors.NoAnswerError` where the card
can't support an answer. ``progress(done, total, what)`` is called now and then from the caller's own thread.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from huewright.errors import NoAnswerError
from huewright.frames.take import Take
from huewright.models.by_hand import ByHand
from huewright.models.card import Card
from huewright.models.correction import Correction
from huewright.models.proof import Proof
from huewright.models.settings import Strength
from huewright.models.survey import Survey
from huewright.progress import Progress, silent
from huewright.steps.inputs import (
    card_from,
    correction_from,
    footage_from,
    settings_from,
    strength_from,
    survey_from,
    take_from,
)
from huewright.steps.outputs import save
from huewright.words import no_answer_words

if TYPE_CHECKING:
    from huewright_kernels.ops import Operation

    from huewright.steps.export import ExportSummary, Over
    from huewright.steps.export_config import ConfigSummary
    from huewright.steps.render import RenderSummary
    from huewright.steps.scene.job import SceneResult
    from huewright.steps.scopes import ScopesSummary

Corners = Sequence[tuple[float, float]]


def survey(take: Take | Path | str | Sequence[np.ndarray], card: Card | Path | str, *, encoding: str,
           code_range: str | None = None, bits: int | None = None, primaries: str | None = None,
           look: str | None = None, look_input: str = "log", ocio_config: str | None = None,
           corners: Corners | None = None, by_hand: ByHand | None = None, progress: Progress = silent) -> Survey:
    """Finds the card in every frame of ``take``, grades each and merges the best: what `huewright survey` does.

    take        frames as the command line names them ("take/a.####.exr", a folder, a file, "clip.mov:100-240"), or a
                sequence of arrays (h, w, 3 or more) of code values, numbered from 0, integers of their full scale
    card        a card file, or the card
    encoding    name of the log curve, "display" or "linear"; ``code_range``, ``bits``, ``primaries``, ``look``,
                ``look_input`` and ``ocio_config`` as the command line's options of these names; a range and bits that
                are None are a movie's own, and full of 10 bits for pictures
    corners     (4, 2) px by hand, clockwise from the card's own top left; then nothing is searched for
    by_hand     frames of files that are taken in, left out, or have corners of their own

    A take that can't be used is no error: ``usable`` is false then, and ``advice`` says what to do.

    >>> import huewright as hw
    >>> survey = hw.survey("take/a.####.png", "card.toml", encoding="display")
    >>> survey.usable, survey.chosen
    (True, (1, 2, 3))
    """
    from huewright.steps.survey import survey_pictures, survey_take

    named = take_from(take) if isinstance(take, str | Path | Take) else None
    footage = footage_from(named, encoding=encoding, code_range=code_range, bits=bits, primaries=primaries, look=look,
                           look_input=look_input, ocio_config=ocio_config)
    model, path = card_from(card), None if isinstance(card, Card) else card
    if isinstance(take, str | Path | Take):
        assert named is not None
        return survey_take(named, model, path, footage, corners=corners, by_hand=by_hand, progress=progress)
    return survey_pictures(take, model, path, footage, corners=corners, progress=progress)


def solve(survey: Survey | Path | str, card: Card | Path | str | None = None, *, targets: str = "vectorscope",
          fraction: float = 0.5, display: str = "bt709", method: str = "sectors", trust_encoding: bool = False,
          levels_ire: Mapping[str, float] | None = None, fractions: Mapping[str, float] | None = None,
          nudges_deg: Mapping[str, float] | None = None,
          strength: Strength | float | None = None) -> Correction:
    """One correction from a survey (or a survey file): what `huewright solve` does. It reads and writes nothing where
    survey and card are given as such.

    ``card`` None is the card file that the survey was made with. The options are the command line's: ``levels_ire`` is
    ``--level`` by bar, ``fractions`` is ``--chip-fraction`` and ``nudges_deg`` is ``--nudge`` by chip.

    >>> import huewright as hw
    >>> survey = hw.survey("take/a.####.png", "card.toml", encoding="display")
    >>> correction = hw.solve(survey, display="bt709")
    >>> correction.method
    'sectors'
    >>> hw.save(correction, "correction.json")
    """
    from huewright.steps.solve import solve_survey

    surveyed = survey_from(survey)
    named = surveyed.card if card is None else card
    settings = settings_from(targets=targets, fraction=fraction, display=display, method=method,
                             trust_encoding=trust_encoding, levels_ire=levels_ire, fractions=fractions,
                             nudges_deg=nudges_deg, strength=strength)
    path = None if isinstance(named, Card) else named
    try:
        return solve_survey(surveyed, card_from(named), settings, card_path=path)
    except NoAnswerError as error:
        error.args = (no_answer_words(error.what, error.why),)     # a code until here
        raise


def at_strength(correction: Correction | Path | str, strength: Strength | float) -> Correction:
    """``correction`` done in part, whatever strength it has: its operations, where they leave each patch, and what is
    to be known of them. A number is of hues and levels alike. Where the operations alone are wanted, say for a slider,
    :func:`operations_at` makes them without solving anything.

    Raises :class:`InputError` for a correction that was edited by hand or doesn't record what it was solved from.

    >>> import huewright as hw
    >>> correction = hw.solve(hw.survey("take/a.####.png", "card.toml", encoding="display"))
    >>> hw.at_strength(correction, hw.Strength(hues=0.8)).strength
    Strength(levels=1.0, hues=0.8)
    """
    from huewright.steps.solve import solve_at

    return solve_at(correction_from(correction), strength_from(strength))


def operations_at(correction: Correction, strength: Strength | float) -> tuple[Operation, ...]:
    """The chain of ``correction`` at ``strength``, for the kernels: a function of these two alone, which solves, reads
    and writes nothing. Raises as :func:`at_strength`.

    >>> import huewright as hw
    >>> correction = hw.solve(hw.survey("take/a.####.png", "card.toml", encoding="display"))
    >>> hw.operations_at(correction, 1.0) == correction.operations
    True
    """
    from huewright.steps.solve import operations_at as chain_at

    return chain_at(correction, strength_from(strength))


def between(first: Correction | Path | str, second: Correction | Path | str, share: float, *,
            apart_s: float) -> Correction:
    """The correction for a moment between two takes of the card, ``share`` (0 to 1) of the way from the first to the
    second, which were ``apart_s`` seconds apart: for light that changed steadily in between. It renders and exports
    like any other; that no card was read then stands in its cautions.

    Raises :class:`InputError` where the two are not of the same footage, display, method and settings, or were edited.

    >>> import huewright as hw
    >>> morning = hw.solve(hw.survey("take/a.####.png", "card.toml", encoding="display"))
    >>> noon = hw.solve(hw.survey("take/a.####.png", "card.toml", encoding="display"))
    >>> hw.between(morning, noon, 0.25, apart_s=7200).cautions[0].share
    0.25
    """
    from huewright.steps.solve import between_takes

    return between_takes(correction_from(first), correction_from(second), share, apart_s)


def render(correction: Correction | Path | str, shot: Take | Path | str, out: Path | str, *,
           strength: Strength | float | None = None, out_range: str | None = None, out_bits: int | None = None,
           dither: bool = True, overwrite: bool = False, resume: bool = False, threads: int | None = None,
           codec: str | None = None, rate: str | None = None, device: str = "cpu", on: str | None = None,
           progress: Progress = silent) -> RenderSummary:
    """``shot`` rendered to ``out``, a pattern, a folder or a movie: what `huewright render` does. ``strength`` None is
    the correction's own; ``out_range`` None is full in files and legal in movies; ``codec`` and ``rate`` are a movie's;
    ``on`` is the address of a Dask scheduler whose workers render.

    Pictures in memory go through :meth:`Correction.apply`.

    >>> import huewright as hw
    >>> correction = hw.solve(hw.survey("take/a.####.png", "card.toml", encoding="display"))
    >>> summary = hw.render(correction, "take/a.####.png", "out/a.####.png")
    >>> summary.frames
    (1, 2, 3)

    >>> import numpy as np
    >>> picture = np.zeros((270, 480, 3), np.uint16)
    >>> correction.apply(picture).shape
    (270, 480, 3)
    """
    from huewright.steps.render import render_take

    model = correction_from(correction)
    if strength is not None:
        model = at_strength(model, strength)
    return render_take(model, take_from(shot), out, range_=out_range, bits=out_bits,
                       dither=dither, overwrite=overwrite, resume=resume, threads=threads, codec=codec, rate=rate,
                       device=device, on=on, progress=progress)


def prove(correction: Correction | Path | str, survey: Survey | Path | str, card: Card | Path | str | None = None, *,
          before: Take | Path | str, after: Take | Path | str, out: Path | str,
          shots: Sequence[tuple[Take | Path | str, Take | Path | str]] = (),
          after_range: str | None = None, after_bits: int | None = None, title: str = "", overwrite: bool = False,
          progress: Progress = silent) -> Proof:
    """What the correction did, measured on the frames, with page and pictures in the folder ``out``: what `huewright
    prove` does. A proof that says no is no error: ``passed`` is false then.

    ``card`` None is the card file that the survey was made with; ``shots`` are pairs of a shot and its render.

    >>> import huewright as hw
    >>> survey = hw.survey("take/a.####.png", "card.toml", encoding="display")
    >>> correction = hw.solve(survey)
    >>> hw.render(correction, "take/a.####.png", "proved/a.####.png").kept
    ()
    >>> proof = hw.prove(correction, survey, before="take/a.####.png", after="proved/a.####.png", out="proof")
    >>> proof.passed
    True
    """
    from huewright.steps.prove import prove as prove_step

    surveyed = survey_from(survey)
    return prove_step(correction_from(correction), surveyed, card_from(surveyed.card if card is None else card),
                      before=take_from(before), after=take_from(after),
                      shots=[(take_from(shot), take_from(made)) for shot, made in shots], out_dir=out,
                      after_range=after_range, after_bits=after_bits, title=title, overwrite=overwrite,
                      progress=progress)


def export(correction: Correction | Path | str, *out: Path | str, size: int = 65, error: float | None = None,
           over: Over = "cube", frames: Take | Path | str | None = None, overwrite: bool = False,
           progress: Progress = silent) -> list[ExportSummary]:
    """``correction`` as .cube, .clf, .cdl, .cc or .ccc files, all or none, each measured against the render: what
    `huewright export` does. With ``error`` the lattice's size is chosen so that no file is further off ``over`` the
    "cube" of code values, the display's "gamut" or the ``frames``.

    >>> import huewright as hw
    >>> correction = hw.solve(hw.survey("take/a.####.png", "card.toml", encoding="display"))
    >>> summary, = hw.export(correction, "look.cube", size=33)
    >>> summary.kind, summary.mean_error < 0.01
    ('cube', True)
    """
    from huewright.steps.export import export_all

    return export_all(correction_from(correction), out, size=size, error=error, over=over,
                      frames=None if frames is None else take_from(frames), overwrite=overwrite, progress=progress)


def export_config(corrections: Mapping[str, Correction | Path | str], folder: Path | str, *,
                  cameras: Mapping[str, str] | None = None, size: int = 65, error: float | None = None,
                  over: Over = "cube", overwrite: bool = False, progress: Progress = silent) -> ConfigSummary:
    """``corrections``, by the names that they are chosen by, as one OpenColorIO configuration in ``folder``: what
    `huewright export --config` does. ``cameras`` names the colour spaces of those that are not to be called as their
    corrections; several corrections of one camera name the same.

    >>> import huewright as hw
    >>> correction = hw.solve(hw.survey("take/a.####.png", "card.toml", encoding="display"))
    >>> row, = hw.export_config({"noon": correction}, "ocio", cameras={"noon": "camera A"}, size=17).corrections
    >>> row.view, row.look, row.shown.mean < 0.01
    ('noon corrected', 'noon', True)
    """
    from huewright.steps.export_config import export_config as made

    return made({name: correction_from(one) for name, one in corrections.items()}, folder, cameras=cameras, size=size,
                error=error, over=over, overwrite=overwrite, progress=progress)


def scene(path: Path | str, *, dry_run: bool = False, only_export: bool = False, device: str = "cpu",
          on: str | None = None, overwrite: bool = False, progress: Progress = silent) -> SceneResult:
    """The scene in the file at ``path`` brought up to date, doing only what has changed since last time: what
    `huewright scene` does (``on`` as in :func:`render`). A take or a shot that can't be done is no error: it is among
    ``failed``, and the others are done.

    >>> import huewright as hw
    >>> from pathlib import Path
    >>> written = Path("scene.toml").write_text('''
    ... format = "huewright-scene-1"
    ... card = "card.toml"
    ... [[camera]]
    ... name = "A"
    ... encoding = "display"
    ... [[take]]
    ... camera = "A"
    ... path = "take/a.####.png"
    ... ''')
    >>> result = hw.scene("scene.toml", dry_run=True)
    >>> [(step.kind, step.name, step.done) for step in result.steps]
    [('survey', 'a', True), ('solve', 'a', True)]
    """
    from huewright.steps.scene.job import run_scene

    return run_scene(path, dry_run=dry_run, only_export=only_export, device=device, on=on,
                     overwrite=overwrite, progress=progress)


def scopes(frame: Take | Path | str, out: Path | str, *, correction: Correction | Path | str | None = None,
           strength: Strength | float | None = None, code_range: str | None = None, bits: int | None = None,
           display: str = "bt709", overwrite: bool = False, progress: Progress = silent) -> ScopesSummary:
    """Waveform, parade and vectorscope of any frame as PNG in the folder ``out``, before and after ``correction`` where
    there is one: what `huewright scopes` does. To count without drawing: :mod:`huewright_kernels.scopes`.

    >>> import huewright as hw
    >>> hw.scopes("take/a.0001.png", "scopes").files
    ('a.0001-waveform.png', 'a.0001-parade.png', 'a.0001-vectorscope.png')
    """
    from huewright.steps.scopes import draw_scopes

    model = None if correction is None else correction_from(correction)
    if model is not None and strength is not None:
        model = at_strength(model, strength)
    return draw_scopes(take_from(frame), out, correction=model, range_=code_range, bits=bits, display=display,
                       overwrite=overwrite, progress=progress)


__all__ = ["at_strength", "export", "export_config", "operations_at", "prove", "render", "save", "scene", "scopes",
           "solve", "survey"]
