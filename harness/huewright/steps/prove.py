"""The proof: what the correction did, measured on the frames before and on the rendered, re-read frames after.

*Before* is the camera's take through the same chain with nothing corrected; *after* is read from the rendered files.
Both are measured at the corners and frames that the survey chose. Light that falls off over the card is allowed for as
the survey allowed for it, since the correction was asked for even light; the figures without it stand in the summary.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from huewright.colorimetry.declare import NOT_VERIFIED
from huewright.colorimetry.excursions import RangeTally
from huewright.errors import InputError
from huewright.files import refuse_existing
from huewright.frames.renumbered import numbered_as
from huewright.models.card import Card
from huewright.models.cautions import Caution
from huewright.models.correction import Correction
from huewright.models.footage import RANGES, Footage
from huewright.models.proof import Proof, save_proof
from huewright.models.settings import SolveSettings
from huewright.models.survey import FrameGrade, Survey
from huewright.progress import Progress, silent
from huewright.proof.likeness import judged, lost_percent
from huewright.proof.match import RenderMatch
from huewright.proof.measurement import INNER, EvenLight, Measuring, outlines
from huewright.proof.patches import patch_proofs
from huewright.proof.pictures import Pictures, measurable, smear
from huewright.proof.shots import ShotPictures, look_through
from huewright.proof.verdict import proof_provenance, summary_of, whole_proof
from huewright.provenance.belonging import check_proof_inputs
from huewright.provenance.takes import kind_cautions
from huewright.solver.compare import compare

if TYPE_CHECKING:
    from huewright.frames.take import Take

SHOTS_SHOWN = 3          # of which the page holds a picture before and after


def prove(correction: Correction, survey: Survey, card: Card, *, before: Take, after: Take,
          shots: Sequence[tuple[Take, Take]] = (), out_dir: Path | str, after_range: str | None = None,
          after_bits: int | None = None, title: str = "", more: Sequence[Caution] = (), overwrite: bool = False,
          progress: Progress = silent) -> Proof:
    """Measures, and writes ``proof.json``, ``proof.html`` and the pictures into ``out_dir``.

    ``shots`` are pairs of a shot and its render: looked through for range and flashing, and shown. ``after_range``
    and ``after_bits`` are what the rendered files were written with; None: what a movie says itself, full of pictures.
    ``title`` heads the page (scene, camera, client); without one the take's folder and files name it. ``more`` is what
    renders and exports found that the page shall say too. Movies that were rendered from a range are taken under the
    range's numbers (:func:`huewright.frames.renumbered.numbered_as`). Raises :class:`InputError` if an output exists,
    if none of the survey's chosen frames is in both takes, or if the survey, the card or a rendered frame does not
    belong to the correction.
    """
    out = Path(out_dir)
    for name in ("proof.json", "proof.html"):
        refuse_existing(out / name, overwrite=overwrite)
    if after_range not in (*RANGES, None):
        raise InputError(f"the rendered files' range is {' or '.join(RANGES)}, not {after_range!r}")
    after = numbered_as(after, before)
    shots = [(source, numbered_as(made, source)) for source, made in shots]
    check_proof_inputs(correction, survey, card)
    grades = measurable(survey, before, after)

    def written_in(made: Take) -> Footage:
        return Footage(range=after_range or made.code_range, bits=after_bits or made.code_bits)

    written = written_in(after)
    match = RenderMatch(correction, after.text, written.to_code_float())
    pictures = Pictures(correction, survey, before, after, written)
    tally = RangeTally()
    light = EvenLight(card, survey.footage)
    measuring = {"before": Measuring(card, correction.neutral_operations),
                 "after": Measuring(card, correction.operations)}
    steps = len(grades) + 2
    for done, grade in enumerate(grades):
        progress(done, steps, "measuring")
        camera = pictures.camera(grade.frame)
        even, lit = light.codes(camera, grade)
        measuring["before"].add(grade, pictures.before(camera), even, lit)
        patches = outlines(card, grade.corners, INNER)
        places = {row.name: patches[row.name] for row in correction.patches if row.used and row.name in patches}
        rendered = pictures.compared(grade.frame, camera, tally, match, places)
        measuring["after"].add(grade, rendered, even, lit)
    sides = {side: collected.result() for side, collected in measuring.items()}
    progress(steps - 2, steps, "comparing")
    settings = _settings(correction)
    rows = patch_proofs(correction, card, settings, sides)
    methods = compare(survey.reading, card, survey.footage, settings) if survey.reading is not None else ()
    summary = summary_of(correction, rows, sides, tally, match, len(grades))
    looked = [look_through(correction, source, made, written_in(made), source.name, progress) for source, made in shots]
    seen = judged([found for found, _ in looked], [source for source, _ in shots], before, survey.footage,
                  lost_percent(summary))
    card_kind = before.kind
    of_files = [*more, *(caution for source, _ in shots for caution in kind_cautions(source, card_kind))]
    proof = whole_proof(correction, survey, card, before, rows, methods, summary, match, grades, settings, seen,
                        of_files)
    proof = replace(proof, title=title.strip() or before.name,
                    provenance=proof_provenance(correction, before, after, grades))
    progress(steps - 1, steps, "drawing")
    proof = _drawn(proof, pictures, card, min(grades, key=smear), [seen for _, seen in looked], out, overwrite)
    save_proof(proof, out / "proof.json", overwrite=overwrite)
    progress(steps, steps, "drawing")
    return proof


def _settings(correction: Correction) -> SolveSettings:
    return correction.provenance.settings or SolveSettings(display=correction.display, method=correction.method)


def _drawn(proof: Proof, pictures: Pictures, card: Card, grade: FrameGrade, shots: Sequence[ShotPictures], out: Path,
           overwrite: bool) -> Proof:
    """The proof with its pictures and page made, from the frame that shows the card best."""
    from huewright.report.closeup import Tile
    from huewright.report.page import write_page
    from huewright.report.photo import save_photo
    from huewright.report.scopes import scope_pictures

    camera = pictures.camera(grade.frame)
    files = scope_pictures(pictures.before(camera), pictures.after(grade.frame), display=proof.display,
                           patches=proof.patches, polygons=outlines(card, grade.corners), out_dir=out,
                           tile=Tile(proof.limits.hue_deg, proof.limits.radius), overwrite=overwrite)
    for index, seen in enumerate(shots[:SHOTS_SHOWN], 1):
        for side, picture in (("before", seen.before), ("after", seen.after)):
            name = f"shot_{index}_{side}"
            save_photo(picture, out / f"{name}.jpg", display=proof.display, overwrite=overwrite)
            files[name] = f"{name}.jpg"
    proof = replace(proof, pictures=files, frames=replace(proof.frames, shown=grade.frame))
    write_page(proof, {name: out / file for name, file in files.items()}, out / "proof.html", overwrite=overwrite)
    return proof


__all__ = ["NOT_VERIFIED", "Proof", "prove"]
