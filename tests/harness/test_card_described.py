"""A card described by a person: a grid or shapes, roles and levels, by options or asked for; how it is drawn."""

from __future__ import annotations

import numpy as np
import pytest
from huewright.cards.drawing import shown_colour
from huewright.cards.making import card_of, grid_places, shape_places
from huewright.cli import app
from huewright.errors import InputError
from huewright.models.card import Card, Patch, load_card
from typer.testing import CliRunner

SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def told(tmp_path, *words: str, answers: str | None = None) -> Card:
    result = CliRunner().invoke(app, ["card", "new", "--out", str(tmp_path / "c.toml"), *words], input=answers)
    assert result.exit_code == 0, result.exception
    assert (tmp_path / "c.png").is_file()
    return load_card(tmp_path / "c.toml")


def test_a_grid_by_options_and_by_answers_is_the_same_card(tmp_path):
    words = ["--columns", "6", "--rows", "4", "--bar", "19=95", "--bar", "22=41", "--bar", "24=9", "--chip", "red=15"]
    card = told(tmp_path, *words)
    (tmp_path / "asked").mkdir()
    assert told(tmp_path / "asked", answers="6\n4\n19=95 22=41 24=9\nred=15\n") == card
    assert len(card.patches) == 24
    assert {patch.name: patch.level_ire for patch in card.of_role("bar")} == {"white": 95, "middle": 41, "black": 9}
    assert card.patch("red").hue == "red" and card.patches[14].name == "red"
    corners = np.array([patch.polygon for patch in card.patches])
    assert corners.min() == pytest.approx(0.2) and corners.max(axis=(0, 1)) == pytest.approx(np.array(card.size) - 0.2)


def test_shapes_have_the_names_and_areas_that_were_given(tmp_path):
    card = told(tmp_path, "--size", "100x60", "--shape", "paper: rect 5 5 20 20", "--shape", "dot: circle 50 20 10",
                "--shape", "shard: polygon 70,5 90,5 80,25", "--bar", "paper=95", "--bar", "dot=41", "--chip",
                "red=shard")
    assert [(patch.name, patch.role) for patch in card.patches] == [("paper", "bar"), ("dot", "bar"), ("shard", "chip")]
    assert card.patch("paper").polygon == ((5, 5), (25, 5), (25, 25), (5, 25))
    assert np.hypot(*(np.array(card.patch("dot").polygon) - (50, 20)).T) == pytest.approx(10, abs=1e-3)


@pytest.mark.parametrize(("bars", "chips", "words"), [
    ({"25": 41.0}, {}, "no patch '25'; there are 1 to 24"),
    ({"19": 41.0}, {"red": "19"}, "'19' is given two roles"),
    ({}, {"teal": "3"}, "'teal' is no chip's hue"),
    ({"19": 940.0}, {}, "a level is in IRE"),
])
def test_roles_that_cannot_be_are_refused(bars, chips, words):
    places, size = grid_places(6, 4)
    with pytest.raises(InputError, match=words):
        card_of(places, size, bars=bars, chips=chips)


@pytest.mark.parametrize("text", ["a: rect 1 2 3", "a: blob 1 2", ": rect 1 2 3 4", "a: polygon 1,2 3,4",
                                  "a: circle x 2 3"])
def test_what_is_no_shape_is_refused(text):
    with pytest.raises(InputError, match="is no shape; write"):
        shape_places([text])


def test_nobody_answering_is_one_sentence_and_no_file(tmp_path):
    result = CliRunner().invoke(app, ["card", "new", "--out", str(tmp_path / "c.toml")], input="")
    assert isinstance(result.exception, InputError) and "--columns" in str(result.exception)
    assert not list(tmp_path.iterdir())


def test_neutrals_measured_under_any_light_are_drawn_grey():
    """XYZ of the perfect diffuser by CIE 15:2018, table of D50 and A for the 2 degree observer."""
    for illuminant, white in (("D50", (0.9642, 1.0, 0.8251)), ("A", (1.0985, 1.0, 0.3558)),
                              ("D65", (0.9505, 1.0, 1.0890))):
        x, y, z = (0.2 * value for value in white)
        patch = Patch("grey", "bar", SQUARE, xyz=(x, y, z))
        assert np.ptp(shown_colour(Card("one", (1.0, 1.0), (patch,), illuminant=illuminant), patch)) < 0.004
