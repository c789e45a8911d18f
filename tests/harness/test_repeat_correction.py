"""A correction file is enough to solve again, byte for byte; and it tells where it was touched."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import huewright_demo
import numpy as np
import pytest
from huewright.errors import InputError
from huewright.files import sha256, write_json
from huewright.models.card import load_card, save_card
from huewright.models.cautions import OtherCardFile
from huewright.models.coded import has
from huewright.models.correction import load_correction, save_correction
from huewright.models.provenance import CardFileChanged, InputChanged, VersionChanged
from huewright.models.reasons import Usable
from huewright.models.settings import SolveSettings
from huewright.models.survey import FrameGrade, Survey
from huewright.provenance.digests import card_layout_sha256
from huewright.solver.simulate import FOOTAGE, simulated_take
from huewright.steps.repeat import repeat
from huewright.steps.solve import compare_survey, solve_survey

pytestmark = pytest.mark.slow

CARD = Path(huewright_demo.__file__).parent / "card.toml"


def survey_with_card_at(path: Path, seed: int = 3) -> Survey:
    reading = simulated_take(load_card(path), np.random.default_rng(seed)).reading
    return Survey("take.####.exr", str(path), sha256(path), FOOTAGE, 64, 48, (FrameGrade(1001, "chosen"),), reading,
                  True, Usable((1001,), 1.0))


@pytest.mark.parametrize("method", [*(pytest.param(method, marks=pytest.mark.long) for method in ("sectors", "matrix")),
                                    "matrix-sectors", "spectral-sectors"])
def test_repeated_byte_for_byte(tmp_path: Path, method: str) -> None:
    card_file = tmp_path / "card.toml"
    card_file.write_bytes(CARD.read_bytes())
    path = tmp_path / "correction.json"
    settings = SolveSettings(fraction=0.45, method=method)
    save_correction(solve_survey(survey_with_card_at(card_file), load_card(card_file), settings), path)
    result = repeat(path)
    assert result.same
    recorded = load_correction(path).provenance
    assert recorded.settings.fraction == 0.45
    assert recorded.frames == (1001,)
    assert recorded.versions["huewright"]
    # The file carries its inputs: it repeats where the card is gone, and tells where the card has changed.
    card_file.write_text(card_file.read_text().replace("honeycomb", "comb"))
    result = repeat(path)
    assert result.same
    assert result.changed == (CardFileChanged(str(card_file)),)
    card_file.unlink()
    assert repeat(path).changed == ()


def test_a_touched_file_does_not_pass(tmp_path: Path) -> None:
    path = tmp_path / "correction.json"
    save_correction(solve_survey(survey_with_card_at(CARD), load_card(CARD)), path)
    record = json.loads(path.read_text())

    def touched(change) -> Path:  # type: ignore[no-untyped-def]
        again = json.loads(json.dumps(record))
        change(again)
        write_json(tmp_path / "touched.json", again, overwrite=True)
        return tmp_path / "touched.json"

    def gain(again: dict) -> None:
        again["parameters"]["exposure_stops"]["value"] += 1e-6

    result = repeat(touched(gain))
    assert not result.same
    assert any("exposure_stops" in line or "value" in line for line in result.differences)

    def input_value(again: dict) -> None:
        again["provenance"]["inputs"]["reading"]["patches"][0]["mean"][0] += 1e-4

    result = repeat(touched(input_value))
    assert not result.same
    assert InputChanged("reading") in result.changed

    def version(again: dict) -> None:
        again["provenance"]["versions"]["numpy"] = "0.0"

    result = repeat(touched(version))
    assert VersionChanged("numpy", "0.0", np.__version__) in result.changed

    with pytest.raises(InputError, match="cannot be repeated"):
        repeat(touched(lambda again: again["provenance"].pop("inputs")))


def test_files_that_are_no_corrections(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such correction file"):
        repeat(tmp_path / "missing.json")
    (tmp_path / "other.json").write_text("{}")
    with pytest.raises(InputError, match="not a correction file"):
        repeat(tmp_path / "other.json")


def test_methods_are_compared_on_the_surveys_reading() -> None:
    rows = compare_survey(survey_with_card_at(CARD), load_card(CARD))
    assert [row.method for row in rows][:2] == ["sectors", "matrix-sectors"]
    assert rows[0].worst_hue_error_deg < 0.01


def test_solved_with_another_card_file(tmp_path: Path) -> None:
    """Other values: warned of, recorded as they were, and repeated. Other patches: refused."""
    surveyed = survey_with_card_at(CARD)
    card = load_card(CARD)
    surveyed = dataclasses.replace(surveyed, card_layout_sha256=card_layout_sha256(card))
    other = dataclasses.replace(card, name="values of another day")
    save_card(other, tmp_path / "other.toml")
    correction = solve_survey(surveyed, load_card(tmp_path / "other.toml"), card_path=tmp_path / "other.toml")
    assert correction.cautions[0] == OtherCardFile(str(tmp_path / "other.toml"), str(CARD))
    recorded = correction.provenance
    assert recorded.card_file == str(tmp_path / "other.toml")
    assert recorded.card_file_sha256 == sha256(tmp_path / "other.toml")
    assert recorded.surveyed_card_file_sha256 == surveyed.card_sha256
    save_correction(correction, tmp_path / "correction.json")
    assert repeat(tmp_path / "correction.json").same

    same = solve_survey(surveyed, card, card_path=CARD)
    assert not has(same.cautions, OtherCardFile)

    first, second, *others = card.patches
    swapped = (dataclasses.replace(first, polygon=second.polygon), dataclasses.replace(second, polygon=first.polygon))
    save_card(dataclasses.replace(card, patches=(*swapped, *others)), tmp_path / "swapped.toml")
    with pytest.raises(InputError, match="its patches have other names, roles or places"):
        solve_survey(surveyed, load_card(tmp_path / "swapped.toml"), card_path=tmp_path / "swapped.toml")
