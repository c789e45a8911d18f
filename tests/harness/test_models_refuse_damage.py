"""Files of every model: damage is refused with one sentence that names the file and the key; schemas hold the files."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from huewright.errors import InputError
from huewright.files import json_text
from huewright.models.card import load_card
from huewright.models.cautions import Limits, NoiseMeasured
from huewright.models.correction import Parameter, correction_to_dict
from huewright.models.diagnostics import Diagnostics
from huewright.models.job import Job, job_to_dict, load_job, save_job
from huewright.models.methods import MethodResult, NothingJudged
from huewright.models.proof import (
    FramePassedOver,
    FramesRead,
    LeftOut,
    PatchProof,
    Proof,
    Summary,
    Work,
    load_proof,
    proof_to_dict,
    save_proof,
)
from huewright.models.provenance import FrameHashes, ProofProvenance
from huewright.models.reasons import NoCard, Usable
from huewright.models.refusals import NoChips
from huewright.models.schema import schemas
from huewright.models.settings import SolveSettings
from huewright.models.shots import BelowBlack, ShotProof
from huewright.models.survey import FrameGrade, Survey, load_survey, save_survey, survey_to_dict
from huewright.solver.simulate import FOOTAGE, simulated_take
from huewright.steps.solve import solve_survey

ROOT = Path(__file__).parents[2]
CARD = ROOT / "demo" / "huewright_demo" / "card.toml"
READ = simulated_take(load_card(CARD), np.random.default_rng(3)).reading
SURVEY = Survey("take.####.exr", str(CARD), "0" * 64, FOOTAGE, 64, 48,
                (FrameGrade(1001, "chosen"), FrameGrade(1002, "no card", (NoCard(),))), READ, True,
                Usable((1001,), 1.0))


def written(tmp_path: Path, record: dict[str, Any], place: str, value: Any) -> Path:
    """``record`` as a file with ``value`` at a dotted place."""
    *path, last = [int(step) if step.isdigit() else step for step in place.split(".")]
    inner: Any = record
    for step in path:
        inner = inner[step]
    inner[last] = value
    (tmp_path / "m.json").write_text(json.dumps(record))
    return tmp_path / "m.json"


def damaged(tmp_path: Path, place: str, value: Any) -> Path:
    return written(tmp_path, json.loads(json_text(survey_to_dict(SURVEY))), place, value)


def test_a_survey_comes_back_as_it_was(tmp_path: Path) -> None:
    save_survey(SURVEY, tmp_path / "s.json")
    assert load_survey(tmp_path / "s.json") == SURVEY


NOT_A_VARIANCE = [[1e-4, 5e-4, 0], [5e-4, 1e-4, 0], [0, 0, 1e-4]]       # correlation 5 between R and G


@pytest.mark.parametrize(("place", "value", "words"), [
    ("reading.patches.0.standard_error.1", float("nan"), "none that JSON has: NaN"),
    ("reading.patches.0.standard_error.1", float("inf"), "none that JSON has: NaN"),
    ("reading.patches.0.standard_error.1", -1e-3, r"reading\.patches\[0\] \(\w+\): standard_error\[1\] is 0 or more"),
    ("reading.patches.0.standard_error.1", 1e-300, r"reading\.patches \(\w+\): standard_error is 1e-12 or more"),
    ("reading.patches.0.count", -1, r"count is 0 or more, not -1"),
    ("reading.patches.0.mean.0", 1e30, r"mean\[0\] is 1e\+06 at most, not 1e\+30"),
    ("reading.patches.0.mean", [0.1, 0.2], "mean takes 3 values, not 2"),
    ("reading.patches.0.covariance", NOT_A_VARIANCE, "not positive semi-definite"),
    ("reading.patches.0.covariance", [[1e-4, 5e-5, 0], [0, 1e-4, 0], [0, 0, 1e-4]], "covariance is not symmetric"),
    ("reading.patches.1.name", READ.patches[0].name, "two patches are named"),
    ("reading.patches.0.correlation", [-1, -1, -1], "correlation is of no three channels"),
    ("reading.patches.0.clipped.2", "much", r"clipped\[2\] takes a number, not 'much'"),
    ("reading.patches.0.name", "red\u0007", "holds a control character"),
    ("reading.patches.0.naem", "red", "there is no key 'naem'; do you mean name"),
    ("grades.0.verdict", "good", r"grades\[0\] \(1001\): verdict is one of chosen, .*not 'good'"),
    ("grades.1.reasons.0.code", "no-cart", r"reasons\[0\]\.code can't be 'no-cart'"),
    ("reading", None, "usable is true where there is a reading"),
    ("footage.decode", 7, r"footage\.decode takes a list, not 7"),
])
def test_damage_is_refused_by_file_and_key(tmp_path: Path, place: str, value: Any, words: str) -> None:
    path = damaged(tmp_path, place, value)
    with pytest.raises(InputError, match=words) as caught:
        load_survey(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)


def test_keys_that_stand_twice_huge_numbers_and_deep_nesting_are_refused(tmp_path: Path) -> None:
    text = json_text(survey_to_dict(SURVEY))
    path = tmp_path / "s.json"
    path.write_text(text.replace('"width": 64,', '"width": 64, "width": 65,'))
    with pytest.raises(InputError, match="a key that stands twice"):
        load_survey(path)
    path.write_text(text.replace('"width": 64', f'"width": {"6" * 5000}'))
    with pytest.raises(InputError, match="a number of more than 400 characters"):
        load_survey(path)
    for depth in (100, 100_000):
        path.write_text(text.replace('"width": 64', f'"width": {"[" * depth}{"]" * depth}'))
        with pytest.raises(InputError, match="nested more than 24 deep"):
            load_survey(path)


PROOF = Proof("within-limits", True, (PatchProof("red", "chip", True, (None, 0.1, 0.2), (0, 0, 0), (0, 0, 0)),),
              Summary(frames_measured=1), Limits(0.5, 0.01, 0.5), cautions=(NoiseMeasured(7.0),),
              shots=(ShotProof("b", 1, 1, 25.0, False, False, 0, 0.0, 0.0, 0.0, 0.0, signs=(BelowBlack(3.0),)),),
              methods=(MethodResult("sectors", recommended=NothingJudged()), MethodResult("matrix", refused=NoChips())),
              frames=FramesRead((1,), (), (FramePassedOver(2, "no card", (NoCard(),)),), (1,), 1),
              work=Work("sectors", {"exposure_stops": Parameter(0.3, None)}, {"red": LeftOut(1.0, None)},
                        Diagnostics()),
              provenance=ProofProvenance(take="a", settings=SolveSettings(),
                                         frames_sha256=(FrameHashes(1, "0" * 64, "1" * 64),)))
JOB = Job("uncertain", True, (1, 2), ("survey.json",), {"solve": 0.1})


@pytest.mark.parametrize(("save", "load", "model"), [(save_proof, load_proof, PROOF), (save_job, load_job, JOB)])
def test_proofs_and_jobs_come_back_as_they_were(tmp_path: Path, save: Any, load: Any, model: Any) -> None:
    save(model, tmp_path / "m.json")
    assert load(tmp_path / "m.json") == model
    jsonschema.validate(json.loads((tmp_path / "m.json").read_text()),
                        schemas()["proof" if model is PROOF else "job"])


@pytest.mark.parametrize(("place", "value", "words"), [
    ("verdict", "good", "verdict is one of .*not 'good'"),
    ("passed", False, "passed is false, which the verdict 'within-limits' can't be"),
    ("summary.noise_lifted_db", "much", r"summary\.noise_lifted_db takes a number or null, not 'much'"),
    ("summary.worst_hue", 1.0, r"summary: there is no key 'worst_hue'"),
    ("limits.radius", -1, r"limits\.radius is 0 or more, not -1"),
    ("shots.0.signs.0.code", "blue", r"signs\[0\]\.code can't be 'blue'"),
    ("methods.1.refused.code", "no-chip", r"refused\.code can't be 'no-chip'"),
    ("work.diagnostics.conditon", 1.0, r"work\.diagnostics: there is no key 'conditon'"),
    ("work.parameters.exposure_stops", [1.0, 2.0], r"work\.parameters\.exposure_stops takes an object with keys"),
    ("frames.refused.0.verdict", "bad", r"refused\[0\] \(2\): verdict is one of"),
    ("provenance.settings.method", "magic", r"provenance\.settings\.method is one of"),
    ("provenance.frames_sha256.0.after", "x", r"frames_sha256\[0\] \(1\): after can't be 'x'")])
def test_damage_of_a_proof_is_refused_by_file_and_key(tmp_path: Path, place: str, value: Any, words: str) -> None:
    path = written(tmp_path, json.loads(json_text(proof_to_dict(PROOF))), place, value)
    with pytest.raises(InputError, match=words) as caught:
        load_proof(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(("place", "value", "words"), [
    ("chosen.0", "one", r"chosen\[0\] takes a whole number, not 'one'"), ("format", "other", "not a job file"),
    ("seconds.solve", -1, r"seconds\.solve is 0 or more, not -1")])
def test_damage_of_a_job_is_refused_by_file_and_key(tmp_path: Path, place: str, value: Any, words: str) -> None:
    with pytest.raises(InputError, match=words):
        load_job(written(tmp_path, json.loads(json_text(job_to_dict(JOB))), place, value))


@pytest.mark.parametrize("name", ["card", "scene", "survey", "correction", "proof", "job", "demo-summary"])
def test_the_published_schema_is_the_models(name: str) -> None:
    schema = schemas()[name]
    jsonschema.Draft202012Validator.check_schema(schema)
    assert (ROOT / "harness" / "docs" / f"{name}.schema.json").read_text() == json_text(schema)


def test_written_files_are_as_their_schemas_say() -> None:
    jsonschema.validate(json.loads(json_text(survey_to_dict(SURVEY))), schemas()["survey"])
    record = json.loads(json_text(correction_to_dict(solve_survey(SURVEY, load_card(CARD)))))
    jsonschema.validate(record, schemas()["correction"])
    record["patches"][0]["colour"] = 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(record, schemas()["correction"])


def test_what_models_are_read_with_is_not_taken_down_at_the_end() -> None:
    """msgspec frees parts of nested dataclasses twice in Python's last collection; one more reference holds them."""
    code = ("import atexit, sys, huewright.models.footage as f, huewright.models.record as r\n"
            "r.from_record({'said': {'by': 'tags'}}, f.Footage)\n"
            "kinds = (f.Footage, f.ColoursSaid)\n"
            "count = lambda: [sys.getrefcount(vars(kind)['__msgspec_cache__']) for kind in kinds]\n"
            "before = count(); atexit._run_exitfuncs(); print(*before, *count())")
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert [int(after) - int(before) for before, after in zip(told[:2], told[2:], strict=True)] == [1, 1]
