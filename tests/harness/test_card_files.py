"""Card files: format and schema, checking and drawing, printing, making one from measurements."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from huewright.errors import InputError
from huewright.finding.layout import own_card
from huewright.models.card import card_to_dict, load_card, save_card
from huewright.steps.card import (
    CAUTION,
    card_from_measurements,
    card_schema,
    check_card,
    make_printable,
)

DEMO = Path(__file__).parents[2] / "demo" / "huewright_demo" / "card.toml"
LAB = """CGATS.17
ORIGINATOR "invented"
MEASUREMENT_SOURCE "Illumination=D50 ObserverAngle=2 degree"
NUMBER_OF_FIELDS 5
BEGIN_DATA_FORMAT
SAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 8
BEGIN_DATA
1 "white" 95.0 0.1 -0.2
2 "middle" 49.6 0 0
3 "black" 15.0 0 0
4 "red" 42 55 35
5 "yellow" 80 2 78
6 "green" 53 -48 38
7 "blue" 30 18 -52
8 "beige" 65 18 17
END_DATA
"""


def test_our_card_comes_back_from_its_file(tmp_path):
    save_card(own_card(), tmp_path / "c.toml")
    assert load_card(tmp_path / "c.toml") == own_card()


def test_schema_is_valid_and_takes_the_cards_we_have(tmp_path):
    schema = card_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(tomllib.loads(DEMO.read_text()), schema)
    jsonschema.validate(card_to_dict(own_card()), schema)


@pytest.mark.parametrize("damage", [{"format": "other"}, {"size": [1]}, {"patch": []}, {"colour": 1}])
def test_schema_refuses_what_the_loader_refuses(damage):
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**card_to_dict(own_card()), **damage}, card_schema())


@pytest.mark.parametrize(("old", "new", "words"), [
    ("huewright-card-1", "card-9", "first key"),
    ('role = "bar"', 'role = "beam"', "role is one of"),
    ('hue = "red"', 'hue = "pink"', "hue is one of"),
    ("size = [280.0, 200.0]", "size = [28.0, 20.0]", "outside the card's size"),
    ('name = "middle"', 'name = "white"', "same name"),
    ("[[17, 17], [52, 17], [52, 93], [17, 93]]", "[[17, 17], [52, 93], [52, 17], [17, 93]]", "convex"),
    ("[[patch]]", "[[patch", "not a card file"),
])
def test_a_wrong_card_file_is_one_clear_sentence(tmp_path, old, new, words):
    path = tmp_path / "c.toml"
    save_card(own_card(), path)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError, match=words) as caught:
        load_card(path)
    assert str(path) in str(caught.value)


def test_check_draws_and_finds_nothing_amiss_with_ours(tmp_path):
    result = check_card(DEMO, picture=tmp_path / "c.png")
    assert result.notes == () and (tmp_path / "c.png").stat().st_size > 10_000
    with pytest.raises(InputError, match="exists"):
        check_card(DEMO, picture=tmp_path / "c.png")


def test_check_says_what_a_card_lacks(tmp_path):
    card = own_card()
    few = replace(card, patches=card.of_role("bar")[:2] + tuple(replace(p, xyz=None) for p in card.of_role("chip")[:4]),
                  marks=())
    save_card(few, tmp_path / "few.toml")
    notes = " ".join(check_card(tmp_path / "few.toml").notes)
    for words in ("2 bars", "No chip for", "No check patches", "No reference colour", "No marks"):
        assert words in notes


@pytest.mark.parametrize("suffix", [".pdf", ".png"])
def test_a_printed_card_has_its_file_and_its_caution(tmp_path, suffix):
    out = tmp_path / f"page{suffix}"
    make_printable(out)
    card = load_card(out.with_suffix(".toml"))
    assert CAUTION in card.description and card.size == (280.0, 200.0)
    assert out.read_bytes()[:4] in (b"%PDF", b"\x89PNG")
    with pytest.raises(InputError, match="exists"):
        make_printable(out)


def test_a_card_from_lab_data_tells_roles_from_colours(tmp_path):
    (tmp_path / "m.txt").write_text(LAB)
    card = card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml", columns=4)
    assert {p.name for p in card.of_role("bar")} == {"white", "middle", "black"}
    assert {p.name: p.hue for p in card.of_role("chip")} == {n: n for n in ("red", "yellow", "green", "blue")}
    # L* 49.6 is Y = ((49.6 + 16) / 116)^3 = 0.1808 (CIE 15, definition of L*).
    assert card.patch("middle").xyz[1] == pytest.approx(0.1808, abs=2e-4)
    assert card.illuminant == "D50" and load_card(tmp_path / "c.toml") == card


def test_a_card_from_data_and_a_layout_keeps_the_geometry(tmp_path):
    layout = load_card(DEMO)
    rows = "\n".join(f'"{p.name}" {10 + k} 0 0' for k, p in enumerate(layout.patches))
    (tmp_path / "m.txt").write_text("CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_NAME LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"
                                    f"BEGIN_DATA\n{rows}\nEND_DATA\n")
    card = card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml", layout=DEMO)
    assert [p.polygon for p in card.patches] == [p.polygon for p in layout.patches]
    assert card.patches[5].xyz != layout.patches[5].xyz


@pytest.mark.parametrize(("text", "words"), [
    ("hello", "not a CGATS.17"),
    (LAB.replace("49.6 0 0", "49.6 0"), "4 values for 5 fields"),
    (LAB.replace("49.6", "grey"), "'grey' for LAB_L isn't a number"),
    (LAB.replace("LAB_", "HSV_"), "neither spectral"),
    (LAB.replace('"beige"', '"beige'), "quotation mark"),
])
def test_bad_measurements_are_one_clear_sentence(tmp_path, text, words):
    (tmp_path / "m.txt").write_text(text)
    with pytest.raises(InputError, match=words):
        card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml", columns=4)
    assert not (tmp_path / "c.toml").exists()


def test_measurements_need_to_know_where_patches_lie(tmp_path):
    (tmp_path / "m.txt").write_text(LAB)
    with pytest.raises(InputError, match="where the patches lie"):
        card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml")
    with pytest.raises(InputError, match="don't fill rows of 3"):
        card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml", columns=3)
    with pytest.raises(InputError, match="no sample named"):
        card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml", layout=DEMO)
