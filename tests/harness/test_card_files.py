"""Card files: format and schema, checking and drawing, printing, making one from measurements."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from huewright.cards.own import own_card
from huewright.errors import InputError
from huewright.models import card_notes as notes
from huewright.models.card import card_from_dict, card_to_dict, load_card, save_card
from huewright.models.coded import has
from huewright.steps.card import (
    CAUTION,
    card_from_measurements,
    card_schema,
    check_card,
    make_printable,
    write_schema,
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
    ("level_ire = 94.9", "level = 94.9", "'white': there is no key 'level'; do you mean level_ire"),
    ("level_ire = 94.9", 'level_ire = "high"', "'white': level_ire takes a number or null, not 'high'"),
    ("level_ire = 94.9", "level_ire = nan", "level_ire must be a finite number, not nan"),
    ('role = "bar"\n', "", "'white': role is missing"),
    ("size = [280.0, 200.0]\n", "", "size is missing"),
    ("size = [280.0, 200.0]", "size = [0, 200.0]", "both above 0"),
    ("size = [280.0, 200.0]", 'size = "A4"', "size takes a list, not 'A4'"),
    ("[[17, 17], [52, 17], [52, 93], [17, 93]]", "[17, 17, 52, 93]", r"'white': polygon\[0\] takes a list, not 17"),
    ("[[17, 17], [52, 17], [52, 93], [17, 93]]", "[[17, 17], [52, 93]]", "'white': polygon takes 3 values or more"),
    ("xyz = [0.85545, 0.9, 0.9801]", "xyz = [85.5, 90, 98]", "'white': xyz is relative"),
    ("xyz = [0.85545, 0.9, 0.9801]", "xyz = [0.85545, 0.9]", "'white': xyz takes 3 values"),
    ("xyz = [0.85545, 0.9, 0.9801]", "wavelengths_nm = [400, 700]\nreflectance = [90, 90]", "reflectance is a factor"),
    ("xyz = [0.85545, 0.9, 0.9801]", "wavelengths_nm = [700, 400]\nreflectance = [0.9, 0.9]", "must rise"),
    ('name = "honeycomb"', 'nom = "honeycomb"', "no key 'nom'"),
    ("xyz = [0.85545, 0.9, 0.9801]", "wavelengths_nm = [400, 410]\nreflectance = [0.9]", "'white': .*differ in length"),
    ("xyz = [0.85545, 0.9, 0.9801]", "wavelengths_nm = [400, 410, 430]\nreflectance = [1, 1, 1]", "1, 5, 10 or 20"),
    ("[[patch]]", "[[patches]]", r"no key 'patches'; begin each table with \[\[patch\]\]"),
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


@pytest.mark.parametrize(("changed", "words"), [
    ({"mark": 3}, r"mark must be tables, each begun with \[\[mark\]\]"), ({"patch": []}, "the card has no patch"),
    ({"patch": [1]}, r"patch must be tables, each begun with \[\[patch\]\]")])
def test_a_card_without_tables_of_patches_is_told_how_they_begin(changed, words):
    with pytest.raises(InputError, match=words):
        card_from_dict({**card_to_dict(own_card()), **changed})


@pytest.mark.parametrize("content", [b"", b"%PDF-1.4 \xac\xff", b"name = 1", b'format = "huewright-card-1"\n'])
def test_what_is_no_card_file_at_all_is_said_so(tmp_path, content):
    (tmp_path / "c.toml").write_bytes(content)
    with pytest.raises(InputError, match=r"not a card file|name is missing"):
        load_card(tmp_path / "c.toml")


def test_the_schema_can_be_had_as_a_file(tmp_path):
    write_schema(tmp_path / "s.json")
    assert json.loads((tmp_path / "s.json").read_text()) == card_schema()
    with pytest.raises(InputError, match="exists"):
        write_schema(tmp_path / "s.json")


@pytest.mark.parametrize(("old", "new", "note"), [
    ('hue = "blue"', 'hue = "red"', notes.HueTwice("red", ("red", "blue"))),
    ("level_ire = 94.9", 'hue = "red"', notes.HueWithoutEffect(("white",))),
    ("CIE 1931 2 Degree Standard Observer", "2 degree", notes.UnknownObserver("2 degree")),
    ("[[17, 17], [52, 17], [52, 93], [17, 93]]", "[[17, 17], [18, 17], [18, 19], [17, 19]]", notes.SmallPatch("white")),
])
def test_check_says_what_is_odd_in_a_card_that_can_be_read(tmp_path, old, new, note):
    save_card(own_card(), tmp_path / "c.toml")
    text = (tmp_path / "c.toml").read_text()
    assert old in text
    (tmp_path / "c.toml").write_text(text.replace(old, new, 1))
    assert note in check_card(tmp_path / "c.toml").notes


def test_check_names_the_illuminants_near_an_unknown_one(tmp_path):
    save_card(replace(own_card(), illuminant="D66"), tmp_path / "c.toml")
    (note,) = check_card(tmp_path / "c.toml").notes
    assert isinstance(note, notes.UnknownIlluminant) and note.illuminant == "D66" and "D65" in note.near


@pytest.mark.parametrize(("swap", "found"), [
    # (chip, its hue, the hue that its colour is nearest to)
    ({"red": {"hue": "yellow"}, "yellow": {"hue": "red"}}, [("red", "yellow", "red"), ("yellow", "red", "yellow")]),
    ({"red": {"hue": "magenta", "name": "magenta"}, "magenta": {"hue": "red", "name": "red"}},
     [("magenta", "magenta", "red"), ("red", "red", "magenta")]),
    ({"red": {"name": "magenta"}, "magenta": {"name": "red"}},
     [notes.HueNotOfName("magenta", "red"), notes.HueNotOfName("red", "magenta")]),
    ({"green": {"reflectance": (), "wavelengths_nm": (), "xyz": (0.4, 0.3, 0.1)}}, [("green", "green", "red")]),
    ({"middle": {"level_ire": 50.9}}, [("middle", 50.9, 40.9)]),
])
def test_check_says_where_a_card_contradicts_itself(tmp_path, swap, found):
    card = load_card(DEMO)
    save_card(replace(card, patches=tuple(replace(p, **swap.get(p.name, {})) for p in card.patches)),
              tmp_path / "c.toml")
    said = [(note.chip, note.hue, note.nearest) if isinstance(note, notes.HueNotOfColour) else
            (note.bar, note.declared_ire, round(note.colour_ire, 1)) if isinstance(note, notes.LevelNotOfColour) else
            note for note in check_card(tmp_path / "c.toml").notes]
    assert sorted(said, key=str) == sorted(found, key=str)


def test_check_says_of_a_light_without_a_spectrum_that_no_colour_can_be_had(tmp_path):
    """colour-science knows this light's chromaticity only; the check must not stop there."""
    save_card(replace(own_card(), illuminant="DCI-P3"), tmp_path / "c.toml")
    assert has(check_card(tmp_path / "c.toml").notes, notes.ColoursUnusable)


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
    said = check_card(tmp_path / "few.toml").notes
    assert notes.FewBars(2) in said and notes.NoChecks() in said and notes.NoMarks() in said
    assert has(said, notes.HuesWithoutChip) and has(said, notes.ColoursMissing)


@pytest.mark.parametrize("suffix", [".pdf", ".png"])
def test_a_printed_card_has_its_file_and_its_caution(tmp_path, suffix):
    out = tmp_path / f"page{suffix}"
    make_printable(out)
    card = load_card(out.with_suffix(".toml"))
    assert CAUTION in card.description and card.size == (280.0, 200.0)
    assert out.read_bytes()[:4] in (b"%PDF", b"\x89PNG")
    with pytest.raises(InputError, match="exists"):
        make_printable(out)


def test_a_page_and_a_picture_share_one_card_file_but_never_replace_another(tmp_path):
    make_printable(tmp_path / "page.pdf")
    make_printable(tmp_path / "page.png")
    (tmp_path / "other.toml").write_text("mine")
    with pytest.raises(InputError, match="exists"):
        make_printable(tmp_path / "other.png")
    assert not (tmp_path / "other.png").exists() and (tmp_path / "other.toml").read_text() == "mine"
    with pytest.raises(InputError, match=r"\.pdf or \.png"):
        make_printable(tmp_path / "page.jpg")


def test_a_card_from_lab_data_tells_roles_from_colours(tmp_path):
    (tmp_path / "m.txt").write_text(LAB)
    card = card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml", columns=4)
    assert {p.name for p in card.of_role("bar")} == {"white", "middle", "black"}
    assert {p.name: p.hue for p in card.of_role("chip")} == {n: n for n in ("red", "yellow", "green", "blue")}
    # L* 49.6 is Y = ((49.6 + 16) / 116)^3 = 0.1808 (CIE 15, definition of L*).
    assert card.patch("middle").xyz[1] == pytest.approx(0.1808, abs=2e-4)
    assert card.illuminant == "D50" and load_card(tmp_path / "c.toml") == card


@pytest.mark.parametrize("scale", [1, 100])
def test_a_card_from_spectra_has_their_colours(tmp_path, scale):
    # An even reflectance R has Y = R in any light, and the light's own chromaticity: D65 is 0.9505, 1, 1.0891 of it
    # (CIE 15, table of D65 for the 2 degree observer). Factors and percentages are both met in files.
    fields = [f"SPECTRAL_NM{nm}" for nm in range(380, 740, 10)]
    greys = {"white": 0.9, "middle": 0.18, "black": 0.03, "red": 0.3}
    step = [0.04 if nm < 600 else 0.6 for nm in range(380, 740, 10)]
    rows = [[name, *(f"{scale * (step[k] if name == 'red' else value):.4f}" for k in range(len(fields)))]
            for name, value in greys.items()]
    lines = ["CGATS.17", "BEGIN_DATA_FORMAT", "\t".join(["SAMPLE_NAME", *fields]), "END_DATA_FORMAT", "BEGIN_DATA",
             *("\t".join(row) for row in rows), "END_DATA"]
    (tmp_path / "m.txt").write_text("\n".join(lines) + "\n")
    card = card_from_measurements(tmp_path / "m.txt", tmp_path / "c.toml", columns=2)
    assert card.illuminant == "D65" and card.patch("red").hue == "red"
    for name in ("white", "middle", "black"):
        assert card.patch(name).xyz == pytest.approx([greys[name] * v for v in (0.9505, 1.0, 1.0891)], rel=1e-3)
    assert card.patch("red").reflectance == pytest.approx(step)
    jsonschema.validate(tomllib.loads((tmp_path / "c.toml").read_text()), card_schema())


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
    (LAB.replace("LAB_B\n", "LAB_C\n"), "lack LAB_B"),
    (LAB.replace("49.6 0 0", "nan 0 0"), "'nan' for LAB_L isn't a number"),
    (LAB.replace("NUMBER_OF_SETS 8", "NUMBER_OF_SETS 9"), "NUMBER_OF_SETS 9 but holds 8"),
    (LAB.replace('"beige"', '"white"'), "two samples are named 'white'"),
    (LAB.replace("END_DATA_FORMAT\n", ""), "BEGIN_DATA before END_DATA_FORMAT"),
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
