"""The proof on small painted frames: it measures what is in the files, and says what a person must hear."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import huewright_demo
import jsonschema
import numpy as np
import pytest
from huewright.colorimetry.display import to_ycbcr
from huewright.errors import InputError
from huewright.files import sha256
from huewright.frames import Frame, parse_sequence, read_frame, write_frame
from huewright.frames.opening import open_take
from huewright.frames.sequence import FrameSequence
from huewright.models.card import Card, load_card
from huewright.models.cautions import (
    AtEndStops,
    ChipUnused,
    FilesUnlike,
    Limits,
    NotFinite,
    NotScreened,
    PatchApart,
    RenderedNear,
    SameLight,
    Screened,
    SignalBeyond,
)
from huewright.models.coded import has
from huewright.models.correction import Correction
from huewright.models.proof import FramePassedOver, Proof, load_proof
from huewright.models.reasons import Covered, NoCard, PatchesLost, Usable
from huewright.models.record import to_record
from huewright.models.schema import schemas
from huewright.models.settings import METHODS
from huewright.models.survey import FrameGrade, Survey
from huewright.provenance.digests import operations_digest
from huewright.reference import apply_chain
from huewright.solver.simulate import FOOTAGE, Spread, simulated_take
from huewright.steps import prove as prove_step
from huewright.steps.export import export_correction
from huewright.steps.prove import prove
from huewright.steps.render import render_take
from huewright.steps.solve import solve_survey
from huewright.words import verdict_heading, verdict_words
from huewright_kernels.ops import HueSectors

pytestmark = pytest.mark.slow

CARD = Path(huewright_demo.__file__).parent / "card.toml"
WIDTH, HEIGHT = 420, 300
CORNERS = ((40.0, 30.0), (380.0, 44.0), (372.0, 270.0), (34.0, 262.0))
NUMBERS = (7, 8, 9)


@dataclass(frozen=True)
class Job:
    folder: Path
    card: Card
    survey: Survey
    correction: Correction
    take: FrameSequence
    rendered: FrameSequence
    codes: dict[str, np.ndarray]


def painted(card: Card, codes: dict[str, np.ndarray], noise: float, seed: int) -> np.ndarray:
    """A frame of code values: the card's marks in grey, its patches in ``codes``, at CORNERS; its ground repeats."""
    to_px = cv2.getPerspectiveTransform(np.array(card.corners, np.float32), np.array(CORNERS, np.float32))
    picture = np.full((HEIGHT, WIDTH, 3), 0.35)
    areas = [(mark.polygon, np.full(3, 0.2)) for mark in card.marks]
    areas += [(patch.polygon, codes[patch.name]) for patch in card.patches]
    for polygon, colour in areas:
        at = cv2.perspectiveTransform(np.array([polygon], np.float64), to_px.astype(np.float64))[0]
        mask = np.zeros((HEIGHT, WIDTH), np.uint8)
        cv2.fillConvexPoly(mask, np.round(at - 0.5).astype(np.int32), 1)
        picture[mask > 0] = colour
    return (picture + np.random.default_rng(seed).normal(0, noise, picture.shape)).astype(np.float32)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Job]:
    folder = tmp_path_factory.mktemp("prove")
    card = load_card(CARD)
    take = simulated_take(card, np.random.default_rng(4), Spread(noise_db=60, exposure_stops=1), noisy=False)
    codes = dict(zip(take.names, take.codes, strict=True))
    for number in NUMBERS:
        write_frame(folder / "take" / f"card.{number:04d}.exr", Frame(painted(card, codes, 0.0005, number)))
    grades = (FrameGrade(6, "no card", (NoCard(),)), *(FrameGrade(n, "chosen", corners=CORNERS) for n in (7, 8)),
              FrameGrade(9, "refused", (PatchesLost("glare", ("white",)),), corners=CORNERS))
    survey = Survey(str(folder / "take"), str(CARD), sha256(CARD), FOOTAGE, WIDTH, HEIGHT, grades, take.reading, True,
                    Usable((7, 8), 1.4))
    correction = solve_survey(survey, card)
    sequence = parse_sequence(str(folder / "take" / "card.####.exr"))
    render_take(correction, sequence, str(folder / "out" / "card.####.exr"))
    yield Job(folder, card, survey, correction, sequence, parse_sequence(str(folder / "out" / "card.####.exr")), codes)


def proven(job: Job, out: Path, **changes: object) -> Proof:
    given = {"correction": job.correction, "survey": job.survey, "card": job.card, "before": job.take,
             "after": job.rendered, "out_dir": out, **changes}
    return prove(given.pop("correction"), given.pop("survey"), given.pop("card"), **given)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def comparisons() -> list[tuple[tuple[object, ...], object]]:
    """What was compared in this file, and what came of it."""
    return []


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch, comparisons: list[tuple[tuple[object, ...], object]]) -> None:
    """Pictures and page have their own tests: leave the drawing out where figures are meant. Nor are the methods
    compared anew for each proof of one reading with the same settings: that takes most of a proof's time."""
    real = prove_step.compare

    def compare(*given: object) -> object:
        for before, answer in comparisons:
            if len(before) == len(given) and all(a is b or a == b for a, b in zip(before, given, strict=True)):
                return answer
        answer = real(*given)  # type: ignore[arg-type]
        comparisons.append((given, answer))
        return answer

    monkeypatch.setattr(prove_step, "compare", compare)
    monkeypatch.setattr("huewright.report.scopes.scope_pictures", lambda *a, **k: {})
    monkeypatch.setattr("huewright.report.page.write_page", lambda *a, **k: 0)


def test_the_whole_proof_is_written(job: Job, tmp_path: Path) -> None:
    proof = proven(job, tmp_path / "proof")
    assert proof.passed
    assert proof.verdict == "within-limits"
    record = json.loads((tmp_path / "proof" / "proof.json").read_text())
    assert record["verdict"] == "within-limits" and record["passed"]
    assert load_proof(tmp_path / "proof" / "proof.json") == proof
    jsonschema.validate(record, schemas()["proof"])
    page = (tmp_path / "proof" / "proof.html").read_text()
    assert verdict_heading(proof) in page and verdict_words(proof) in page.replace("\u00a0", " ")
    assert all((tmp_path / "proof" / name).is_file() for name in proof.pictures.values())
    assert proof.frames.chosen == (7, 8)
    assert proof.frames.refused == (FramePassedOver(6, "no card", (NoCard(),)),
                                    FramePassedOver(9, "refused", (PatchesLost("glare", ("white",)),)))
    assert record["frames"]["refused"][0]["reasons"] == [{"code": "no-card"}]
    assert record["cautions"] == to_record(proof.cautions) and {"code": "not-screened"} in record["cautions"]
    assert [row.method for row in proof.methods] == list(METHODS)
    assert "inputs" not in record["provenance"]
    hashes = next(row for row in proof.provenance.frames_sha256 if row.frame == 7)
    assert (hashes.before, hashes.after) == (sha256(job.take.path(7)), sha256(job.rendered.path(7)))
    with pytest.raises(InputError, match="exists already"):
        proven(job, tmp_path / "proof")


@pytest.mark.usefixtures("undrawn")
def test_figures_are_those_of_the_files(job: Job, tmp_path: Path) -> None:
    """Against the painted colours through the chain in float64."""
    proof = proven(job, tmp_path)
    for row in proof.patches:
        for side, operations in (("before", job.correction.neutral_operations), ("after", job.correction.operations)):
            expected = to_ycbcr(apply_chain(operations, job.codes[row.name]), (0.2126, 0.0722))
            # Noise of 0.0005 over a patch, and the light on the card, which a frame tells to a thousandth.
            assert np.abs(np.array(getattr(row, side)) - expected).max() < 6e-4 + 1e-3 * expected[..., 0].max()
    assert proof.summary.worst_hue_error_after_deg < 0.2
    assert proof.summary.worst_level_error_after_ire < 0.1
    assert proof.summary.mean_check_delta_e_after < proof.summary.mean_check_delta_e_before / 3
    assert proof.summary.frames_measured == 2
    # The frames' noise through the chain in float64, on many more pixels than the patches have: those are good for 1 %.
    noise = np.random.default_rng(3).normal(0, 0.0005, (20000, 3))
    power = [sum(apply_chain(operations, job.codes[row.name] + noise).var(axis=0).sum() for row in proof.patches)
             for operations in (job.correction.neutral_operations, job.correction.operations)]
    assert proof.summary.noise_lifted_db == pytest.approx(10 * np.log10(power[1] / power[0]), abs=0.06)
    assert proof.cautions[-1] == NotScreened()


@pytest.mark.usefixtures("undrawn")
def test_integer_files_in_legal_range_are_read_as_declared(job: Job, tmp_path: Path) -> None:
    out = str(tmp_path / "legal" / "card.####.dpx")
    render_take(job.correction, job.take, out, range_="legal", bits=10)
    proof = proven(job, tmp_path / "proof", after=parse_sequence(out), after_range="legal", after_bits=10)
    assert proof.passed
    # Taken for full range, the same files are not what the correction makes.
    with pytest.raises(InputError, match="were not rendered with this correction"):
        proven(job, tmp_path / "wrong", after=parse_sequence(out))


@pytest.mark.usefixtures("undrawn")
def test_a_movie_made_of_frames_that_begin_later_is_held_against_those(job: Job, tmp_path: Path) -> None:
    """The movie counts from 0, the frames do not."""
    movie = tmp_path / "card.mkv"
    render_take(job.correction, job.take, movie, codec="ffv1", bits=12, rate="25")
    assert open_take(movie).numbers == tuple(range(len(job.take)))
    proof = proven(job, tmp_path / "proof", after=open_take(movie), shots=[(job.take, open_take(movie))])
    assert proof.passed and proof.frames.measured == (7, 8)
    part = job.take.only((7, 8))       # of which the movie is no render, nor said to be a part
    with pytest.raises(InputError, match="none of the frames that the survey chose"):
        proven(job, tmp_path / "no", before=part, after=open_take(movie))


@pytest.mark.usefixtures("undrawn")
def test_misses_are_not_glossed_over(job: Job, tmp_path: Path) -> None:
    """The same frames against targets that lie elsewhere."""
    moved = dataclasses.replace(job.correction, patches=tuple(
        dataclasses.replace(row, target=(row.target[0], row.target[1] * 1.05, row.target[2])) if row.role == "chip"
        else row for row in job.correction.patches))
    proof = proven(job, tmp_path, correction=moved)
    assert not proof.passed
    assert proof.verdict == "outside-limits"


@pytest.mark.usefixtures("undrawn")
def test_what_leaves_the_range_is_counted(job: Job, tmp_path: Path) -> None:
    """A frame with a strip far over white: 10 % of its pixels, plus what the card itself has."""
    plain = proven(job, tmp_path / "plain").summary.pixels_over_range_percent
    folder = tmp_path / "bright"
    for number in (7, 8):
        picture = painted(job.card, job.codes, 0.0005, number)
        picture[:HEIGHT // 10] = 0.85
        write_frame(folder / f"card.{number:04d}.exr", Frame(picture))
    take = parse_sequence(str(folder / "card.####.exr"))
    out = str(tmp_path / "out" / "card.####.dpx")
    render_take(job.correction, take, out, bits=10)
    proof = proven(job, tmp_path / "proof", before=take, after=parse_sequence(out))
    assert proof.summary.pixels_over_range_percent - plain == pytest.approx(10.0, abs=0.2)
    assert proof.summary.pixels_at_end_stops_percent >= 10.0
    summary = proof.summary
    assert SignalBeyond(summary.pixels_over_range_percent / 100,
                        summary.pixels_under_range_percent / 100) in proof.cautions
    assert AtEndStops(summary.pixels_at_end_stops_percent / 100) in proof.cautions


@pytest.mark.usefixtures("undrawn")
def test_a_patch_excluded_in_one_frame_is_measured_on_the_other(job: Job, tmp_path: Path) -> None:
    """Frame 8 carries a bright spot over the red chip and the survey excluded it there."""
    folder = tmp_path / "spot"
    for number in (7, 8):
        picture = painted(job.card, job.codes, 0.0005, number)
        if number == 8:
            to_px = cv2.getPerspectiveTransform(np.array(job.card.corners, np.float32), np.array(CORNERS, np.float32))
            middle = np.array(job.card.patch("red").polygon).mean(axis=0)[None, None]
            x, y = cv2.perspectiveTransform(middle, to_px.astype(np.float64))[0, 0]
            picture[int(y) - 6:int(y) + 6, int(x) - 6:int(x) + 6] += 0.15
        write_frame(folder / f"card.{number:04d}.exr", Frame(picture))
    take = parse_sequence(str(folder / "card.####.exr"))
    render_take(job.correction, take, str(tmp_path / "out" / "card.####.exr"))
    rendered = parse_sequence(str(tmp_path / "out" / "card.####.exr"))
    grades = tuple(dataclasses.replace(grade, excluded_patches=("red",)) if grade.frame == 8 else grade
                   for grade in job.survey.grades)
    red = [next(row for row in proven(job, tmp_path / name, before=take, after=rendered, survey=survey).patches
                if row.name == "red").radius_ratio_after
           for name, survey in (("with", dataclasses.replace(job.survey, grades=grades)), ("without", job.survey))]
    assert red[0] == pytest.approx(1.0, abs=0.005)
    assert abs((red[1] or 0) - 1) > 0.02


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("what", ["other correction", "no common frame", "other size"])
def test_frames_that_do_not_belong(job: Job, tmp_path: Path, what: str) -> None:
    if what == "other correction":
        with pytest.raises(InputError, match="were not rendered with this correction"):
            proven(job, tmp_path, after=job.take)
    elif what == "no common frame":
        with pytest.raises(InputError, match=r"none of the frames that the survey chose \(7, 8\)"):
            proven(job, tmp_path, after=job.rendered.only((9,)))
    else:
        for number in NUMBERS:
            write_frame(tmp_path / "small" / f"card.{number:04d}.exr", Frame(np.zeros((20, 30, 3), np.float32)))
        with pytest.raises(InputError, match="30 x 20 pixels, but the survey's frames have 420 x 300"):
            proven(job, tmp_path / "proof", before=parse_sequence(str(tmp_path / "small" / "card.####.exr")))
    assert not (tmp_path / "proof.json").exists()


@pytest.mark.usefixtures("undrawn")
def test_a_chip_that_was_not_used_is_in_the_verdict(job: Job, tmp_path: Path) -> None:
    reading = job.survey.reading
    assert reading is not None
    less = dataclasses.replace(reading, patches=tuple(
        dataclasses.replace(patch, excluded=patch.name == "cyan", reasons=(Covered(),)) for patch in reading.patches))
    survey = dataclasses.replace(job.survey, reading=less)
    correction = solve_survey(survey, job.card)
    render_take(correction, job.take, str(tmp_path / "out" / "card.####.exr"))
    proof = proven(job, tmp_path / "proof", survey=survey, correction=correction,
                   after=parse_sequence(str(tmp_path / "out" / "card.####.exr")))
    assert proof.summary.patches_not_used == 1
    (unused,) = (caution for caution in proof.cautions if isinstance(caution, ChipUnused))
    assert (unused.chip, unused.reasons) == ("cyan", (Covered(),))


@pytest.mark.usefixtures("undrawn")
def test_shots_are_looked_through_and_shown(job: Job, tmp_path: Path) -> None:
    """The card take as a shot: three frames in a row, the same light in each, so nothing flashes."""
    plain = proven(job, tmp_path / "plain")
    proof = proven(job, tmp_path / "proof", shots=((job.take, job.rendered),))
    (shot,) = proof.shots
    assert shot.frames == 3 and shot.shown == 8 and shot.flashes == 0
    assert {name for name in proof.pictures if name.startswith("shot")} == {"shot_1_before", "shot_1_after"}
    assert (tmp_path / "proof" / "shot_1_after.jpg").is_file()
    assert (proof.cautions[-1], plain.cautions[-1]) == (Screened(), NotScreened())


@pytest.mark.usefixtures("undrawn")
def test_the_proof_carries_names_limits_and_intervals(job: Job, tmp_path: Path) -> None:
    proof = proven(job, tmp_path / "proof")
    assert proof.title == "take/card.####.exr" and proof.subject is not None
    assert (proof.subject.first_frame, proof.subject.last_frame) == (7, 9)
    assert proof.limits == Limits(0.5, 0.01, 0.5)
    solved = {row.name: row for row in job.correction.patches}
    for row in proof.patches:
        if row.role == "chip":
            error = solved[row.name].hue_standard_error_deg
            assert error and row.hue_interval_deg == pytest.approx(1.96 * error, abs=1e-5)
    named = proven(job, tmp_path / "named", title="Scene 4, camera B")
    assert named.title == "Scene 4, camera B"


def nudged(correction: Correction, turn_deg: float = 0.0, gain: float = 1.0) -> Correction:
    """Every hue turned and scaled a little more."""
    *others, hues = correction.operations
    assert isinstance(hues, HueSectors)
    changed = dataclasses.replace(hues, rotations_deg=tuple(r + turn_deg for r in hues.rotations_deg),
                                  gains=tuple(g * gain for g in hues.gains))
    return dataclasses.replace(correction, operations=(*others, changed))


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize(("suffix", "bits", "turn_deg", "gain"), [
    ("exr", 16, 5.0, 1.05), ("exr", 16, 0.0, 1.02), ("dpx", 10, 5.0, 1.05),
    pytest.param("exr", 16, 1.0, 1.0, marks=pytest.mark.long),
    pytest.param("dpx", 10, 1.0, 1.0, marks=pytest.mark.long),
    pytest.param("dpx", 10, 0.0, 1.02, marks=pytest.mark.long),
    ("png", 8, 5.0, 1.05)])     # 8 bits show no smaller change surely
def test_frames_of_an_edited_correction_are_refused_or_told_apart(job: Job, tmp_path: Path, suffix: str, bits: int,
                                                                  turn_deg: float, gain: float) -> None:
    """The limit follows the files' depth: frames of the correction itself pass, also with dither."""
    out = str(tmp_path / "out" / f"card.####.{suffix}")
    render_take(job.correction, job.take, out, bits=bits)
    rendered = parse_sequence(out)
    if suffix == "exr":     # as another program writes them, without the note of their correction
        for number in NUMBERS:
            write_frame(rendered.path(number), Frame(read_frame(rendered.path(number)).pixels), overwrite=True)
    assert proven(job, tmp_path / "good", after=rendered).passed
    if turn_deg < 5:     # near enough to come from a LUT or another program: proved as what it is, and said
        proof = proven(job, tmp_path / "near", after=rendered, correction=nudged(job.correction, turn_deg, gain))
        (near,) = (caution for caution in proof.cautions if isinstance(caution, RenderedNear))
        assert isinstance(near.apart, PatchApart)
        return
    with pytest.raises(InputError, match="were not rendered with this correction .patch "):
        proven(job, tmp_path / "bad", after=rendered, correction=nudged(job.correction, turn_deg, gain))
    assert not (tmp_path / "bad").exists()


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("size", [33, pytest.param(65, marks=pytest.mark.long)])
def test_frames_through_an_exported_lut_are_proved_and_said_to_be(job: Job, tmp_path: Path, size: int) -> None:
    """As a finishing program renders them: OpenColorIO applies the .cube."""
    ocio = pytest.importorskip("PyOpenColorIO")
    export_correction(job.correction, tmp_path / "c.cube", size=size)
    lut = ocio.Config.CreateRaw().getProcessor(
        ocio.FileTransform(str(tmp_path / "c.cube"), interpolation=ocio.INTERP_TETRAHEDRAL)).getDefaultCPUProcessor()
    for number in NUMBERS:
        pixels = np.ascontiguousarray(read_frame(job.take.path(number)).pixels[..., :3], np.float32)
        lut.applyRGB(pixels)
        write_frame(tmp_path / "lut" / f"card.{number:04d}.exr", Frame(pixels.astype(np.float16)))
    proof = proven(job, tmp_path / "proof", after=parse_sequence(str(tmp_path / "lut" / "card.####.exr")))
    assert has(proof.cautions, RenderedNear)


@pytest.mark.usefixtures("undrawn")
def test_rendered_files_that_name_another_correction_are_refused(job: Job, tmp_path: Path) -> None:
    """A change too small to be seen in the pixels: the files say it themselves."""
    assert read_frame(job.rendered.path(7)).metadata.correction == operations_digest(job.correction.operations)
    with pytest.raises(InputError, match="the files say so themselves"):
        proven(job, tmp_path, correction=nudged(job.correction, 1e-4))


@pytest.mark.usefixtures("undrawn")
def test_a_picture_changed_beside_the_card_is_refused(job: Job, tmp_path: Path) -> None:
    """A burnt-in number passes (under 1 % of the pixels), a corner that was graded does not."""
    for rows, columns, name in ((3, 210, "number"), (15, 420, "graded")):     # 0.5 % and 5 % of the picture
        for number in NUMBERS:
            pixels = read_frame(job.rendered.path(number)).pixels.copy()
            pixels[:rows, :columns] *= 0.8
            write_frame(tmp_path / name / f"card.{number:04d}.exr", Frame(pixels))
    assert proven(job, tmp_path / "a", after=parse_sequence(str(tmp_path / "number" / "card.####.exr"))).passed
    with pytest.raises(InputError, match="5 % of the pixels are off"):
        proven(job, tmp_path / "b", after=parse_sequence(str(tmp_path / "graded" / "card.####.exr")))


@pytest.mark.usefixtures("undrawn")
def test_another_takes_survey_or_another_card_is_refused(job: Job, tmp_path: Path) -> None:
    reading = simulated_take(job.card, np.random.default_rng(5)).reading
    with pytest.raises(InputError, match="is not the one this correction was solved from"):
        proven(job, tmp_path, survey=dataclasses.replace(job.survey, reading=reading))
    first, *others = job.card.patches
    card = dataclasses.replace(job.card, patches=(dataclasses.replace(first, name="other"), *others))
    with pytest.raises(InputError, match="not as it was when this correction was solved"):
        proven(job, tmp_path, card=card)


@pytest.mark.usefixtures("undrawn")
def test_a_shot_of_other_files_and_pixels_without_a_number_are_named(job: Job, tmp_path: Path) -> None:
    codes = np.full((HEIGHT, WIDTH, 3), 110, np.uint8)
    write_frame(tmp_path / "shot" / "s.0001.png", Frame(codes))
    shot = parse_sequence(str(tmp_path / "shot" / "s.####.png"))
    broken = np.full((HEIGHT, WIDTH, 3), 0.4, np.float32)
    broken[5, 5:8, 1] = np.nan
    write_frame(tmp_path / "made" / "s.0001.exr", Frame(broken))
    proof = proven(job, tmp_path / "proof", shots=((shot, parse_sequence(str(tmp_path / "made" / "s.####.exr"))),))
    assert FilesUnlike("shot/s.####.png", "8-bit PNG", "float EXR") in proof.cautions
    assert NotFinite(3, "shot/s.####.png") in proof.cautions
    alike = proven(job, tmp_path / "alike", shots=((job.take, job.rendered),))
    assert not has(alike.cautions, FilesUnlike, NotFinite)
    assert has(alike.cautions, SameLight)
