"""Files of every model: damage is refused with one sentence that names the file and the key; schemas hold the files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from huewright.errors import InputError
from huewright.files import json_text
from huewright.models.card import load_card
from huewright.models.cautions import Caution
from huewright.models.coded import Coded
from huewright.models.correction import correction_to_dict
from huewright.models.reasons import FrameReason, NoCard, PatchReason, Usable
from huewright.models.schema import schemas
from huewright.models.survey import FrameGrade, Survey, load_survey, save_survey, survey_to_dict
from huewright.solver.simulate import FOOTAGE, simulated_take
from huewright.steps.solve import solve_survey
from huewright.words import sentence

ROOT = Path(__file__).parents[2]
CARD = ROOT / "demo" / "huewright_demo" / "card.toml"
READ = simulated_take(load_card(CARD), np.random.default_rng(3)).reading
SURVEY = Survey("take.####.exr", str(CARD), "0" * 64, FOOTAGE, 64, 48,
                (FrameGrade(1001, "chosen"), FrameGrade(1002, "no card", (NoCard(),))), READ, True,
                Usable((1001,), 1.0))


def damaged(tmp_path: Path, place: str, value: Any) -> Path:
    record = json.loads(json_text(survey_to_dict(SURVEY)))
    *path, last = [int(step) if step.isdigit() else step for step in place.split(".")]
    inner = record
    for step in path:
        inner = inner[step]
    inner[last] = value
    (tmp_path / "s.json").write_text(json.dumps(record))
    return tmp_path / "s.json"


def test_a_survey_comes_back_as_it_was(tmp_path: Path) -> None:
    save_survey(SURVEY, tmp_path / "s.json")
    assert load_survey(tmp_path / "s.json") == SURVEY


NOT_A_VARIANCE = [[1e-4, 5e-4, 0], [5e-4, 1e-4, 0], [0, 0, 1e-4]]       # correlation 5 between R and G


@pytest.mark.parametrize(("place", "value", "words"), [
    ("reading.patches.0.standard_error.1", float("nan"), "none that JSON has: NaN"),
    ("reading.patches.0.standard_error.1", float("inf"), "none that JSON has: NaN"),
    ("reading.patches.0.standard_error.1", -1e-3, r"reading\.patches\[0\] \(\w+\): standard_error\[1\] is 0 or more"),
    ("reading.patches.0.count", -1, r"count is 0 or more, not -1"),
    ("reading.patches.0.mean.0", 1e30, r"mean\[0\] is 1e\+06 at most, not 1e\+30"),
    ("reading.patches.0.mean", [0.1, 0.2], "mean takes 3 values, not 2"),
    ("reading.patches.0.covariance", NOT_A_VARIANCE, "not positive semi-definite"),
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


def kinds(base: type[Coded]) -> list[type[Coded]]:
    return [kind for child in base.__subclasses__() for kind in (child, *kinds(child))]


def test_every_code_has_words() -> None:
    plain = sentence.dispatch(object)
    silent = [kind.__name__ for kind in kinds(Coded) if kind not in (Caution, PatchReason, FrameReason)
              and sentence.dispatch(kind) is plain]
    assert silent == []
    codes = [kind.__struct_config__.tag for kind in kinds(Coded)]
    assert len(set(codes)) == len(codes)


@pytest.mark.parametrize("name", ["card", "survey", "correction"])
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
