"""Correction files read back: damaged ones are refused by key, ones edited by hand are used with a caution."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from huewright.errors import InputError
from huewright.files import json_text
from huewright.models.cautions import Edited, NoiseMeasured
from huewright.models.correction import (
    Correction,
    Parameter,
    PatchResult,
    correction_to_dict,
    edited_by_hand,
    load_correction,
    save_correction,
)
from huewright.models.diagnostics import Diagnostics
from huewright.models.footage import Footage
from huewright.models.provenance import Provenance
from huewright_kernels.ops import HueSectors, LogDecode, Matrix, ToneCurve, Transfer

LOG = LogDecode(2.0, 1 / 17.52, 9.72 / 17.52, 1.0, 0.0, 0.0078125)      # ACEScct, Academy S-2016-001
GAINS = Matrix(((1.2, 0, 0), (0, 1.5, 0), (0, 0, 1.7)))
CORRECTION = Correction(
    "sectors", Footage(encoding="ACEScct", decode=(LOG,)), "bt709",
    (LOG, GAINS, Transfer("bt709"), ToneCurve((0.0, 0.4, 1.0), (0.0, 0.41, 1.0)), HueSectors()),
    (LOG, Transfer("bt709")),
    (PatchResult("white", "bar", True, (0.949, 0.0, 0.0), (0.79, -0.03, 0.04), (0.949, 0.0, 0.0), level_error_ire=0.1),
     PatchResult("red", "chip", True, (None, -0.043, 0.1875), (0.3, -0.06, 0.16), (0.39, -0.043, 0.1875), 0.1, 1.0)),
    {"exposure_stops": Parameter(0.57, 0.0002), "gain_at_0_deg": Parameter(1.0, None)},
    Diagnostics(condition=26.2), (NoiseMeasured(7.0),), Provenance(take="a.####.exr"))


def written(tmp_path: Path, places: dict[str, Any] | None = None, without: Sequence[str] = ()) -> Path:
    """A file of CORRECTION with values set at dotted places, such as ``operations.4.gains.0``."""
    record = json.loads(json_text(correction_to_dict(CORRECTION)))
    for place, value in (places or {}).items():
        *path, last = [int(step) if step.isdigit() else step for step in place.split(".")]
        inner = record
        for step in path:
            inner = inner[step]
        inner[last] = value
    for key in without:
        del record[key]
    path = tmp_path / "c.json"
    path.write_text(json.dumps(record))
    return path


def test_what_is_saved_comes_back_without_a_caution(tmp_path) -> None:
    save_correction(CORRECTION, tmp_path / "c.json")
    again = load_correction(tmp_path / "c.json")
    assert again.operations == CORRECTION.operations and again.patches == CORRECTION.patches
    assert again.cautions == (NoiseMeasured(7.0),) and not edited_by_hand(again)
    save_correction(again, tmp_path / "d.json")
    assert (tmp_path / "c.json").read_bytes() == (tmp_path / "d.json").read_bytes()


@pytest.mark.parametrize(("place", "value", "words"), [
    ("operations.4.rotations_deg.2", float("nan"), r"none that JSON has: NaN"),
    ("patches.1.target.1", float("inf"), r"none that JSON has: NaN"),
    ("parameters.exposure_stops.value", float("nan"), r"none that JSON has: NaN"),
    ("operations", [], "operations is empty"),
    ("operations.4.gains.0", -1.0, r"operations\[4\]: operation 'hue-sectors': hue gains must be positive"),
    ("operations.4.gains.0", "1", r"operations\[4\]: operation 'hue-sectors': gains takes 3 to 24 numbers from -1e"),
    ("operations.1.matrix.0.0", True, r"operations\[1\]: operation 'matrix': matrix takes 3 rows of 3 numbers from "),
    ("operations.3", 7, r"operations\[3\]"),
    ("neutral_operations.1.curve", "no", r"neutral_operations\[1\]: operation 'transfer': curve takes one of"),
    ("patches.1.target", [None, 0, 0], r"patches\[1\] \(red\): target has no colour"),
    ("patches.0.target", [94.9, 0, 0], r"patches\[0\] \(white\): target .* is no colour of a display signal"),
    ("patches.0.target", [0.9, 0], r"patches\[0\] \(white\): target takes 3 values, not 2"),
    ("patches.0.before", [None, 0, 0], r"patches\[0\] \(white\): before\[0\] takes a number, not null"),
    ("patches.0.role", "beam", r"patches\[0\] \(white\): role is one of"),
    ("patches.1.radius_ratio", -1, r"patches\[1\] \(red\): radius_ratio is 0 or more"),
    ("patches.1.hue_error_deg", "small", r"patches\[1\] \(red\): hue_error_deg takes a number"),
    ("parameters.exposure_stops.standard_error", -0.1,
     r"parameters\.exposure_stops\.standard_error is 0 or more, not -0\.1"),
    ("footage.range", "video", r"footage\.range is one of"),
    ("footage.bits", "ten", r"footage\.bits takes a whole number, not 'ten'"),
])
def test_damage_is_refused_by_file_and_key(tmp_path, place: str, value: Any, words: str) -> None:
    path = written(tmp_path, places={place: value})
    with pytest.raises(InputError, match=words) as caught:
        load_correction(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)


def test_a_missing_key_is_named(tmp_path) -> None:
    with pytest.raises(InputError, match="footage is missing"):
        load_correction(written(tmp_path, without=["footage"]))


@pytest.mark.parametrize(("place", "value"), [
    ("operations.1.matrix.0.0", 1.21), ("footage.bits", 12), ("parameters.exposure_stops.value", 0.6),
    ("patches.1.target.1", -0.05), ("neutral_operations", []), ("cautions", []), ("display", "hlg"),
    ("diagnostics.condition", 2.0), ("digest", "0"),
])
def test_an_edit_by_hand_is_said(tmp_path, place: str, value: Any) -> None:
    edited = load_correction(written(tmp_path, places={place: value}))
    assert edited.cautions[0] == Edited() and edited_by_hand(edited)


def test_layout_order_and_provenance_are_no_edit_and_a_digest_taken_out_is(tmp_path) -> None:
    path = written(tmp_path, places={"provenance.take": "another.####.exr"})
    record = json.loads(path.read_text())
    path.write_text(json.dumps(dict(reversed(record.items())), indent=7))
    assert not edited_by_hand(load_correction(path))
    assert edited_by_hand(load_correction(written(tmp_path, without=["digest"])))


def test_nothing_to_correct_on_a_display_picture_is_no_damage(tmp_path) -> None:
    """A solve that finds the take right already has no operations and no parameters."""
    identity = replace(CORRECTION, operations=(), neutral_operations=(), parameters={})
    save_correction(identity, tmp_path / "c.json")
    assert load_correction(tmp_path / "c.json").operations == ()


def test_none_is_written_that_is_too_large_to_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit is brought down to the file: one that really has 256 MB takes minutes."""
    size = len(json_text(correction_to_dict(CORRECTION)))
    monkeypatch.setattr("huewright.models.correction.MOST_BYTES", size - 1)
    with pytest.raises(InputError, match="with the tables of its look this correction has"):
        save_correction(CORRECTION, tmp_path / "c.json")
    assert not list(tmp_path.iterdir())
    monkeypatch.setattr("huewright.models.correction.MOST_BYTES", size)
    save_correction(CORRECTION, tmp_path / "c.json")
    assert (tmp_path / "c.json").stat().st_size == size
