"""Sentences of a scene name the keys of its file, not options of the command line."""

from __future__ import annotations

import tomllib

import pytest
from huewright.models.cautions import PrimariesAssumed
from huewright.models.scene import SceneCamera
from huewright.words import sentence
from huewright.words.keys import as_keys, scene_sentence


@pytest.mark.parametrize(("said", "wanted"), [
    ("declare --encoding 'PQ' --primaries 'ITU-R BT.2020'", 'declare encoding = "PQ" primaries = "ITU-R BT.2020"'),
    ("If they do, `--range full`.", 'If they do, `range = "full"`.'),
    ("range: check --range", "range: check range"),
    ("`--trust-encoding` goes on at your word", "`trust_encoding = true` goes on at your word"),
    ("with more points (--size, up to 129)", "with more points (lut_points, up to 129)"),
    ("a matrix go first (`--method matrix-sectors`)", 'a matrix go first (`method = "matrix-sectors"`)'),
    # A word that follows is no value, and neither is a longer word that begins like one.
    ("--range fully", "range fully"),
    ("the declared --encoding and --range put them", "the declared encoding and range put them"),
    # No key says these; a command is to be run as it stands.
    ("`--every-frame` looks at each", "`--every-frame` looks at each"),
    ("(`huewright run --encoding list` prints the names)", "(`huewright run --encoding list` prints the names)"),
])
def test_options_are_keys(said: str, wanted: str) -> None:
    assert as_keys(said) == wanted


def test_what_is_said_can_be_written_into_the_file() -> None:
    assumed = PrimariesAssumed("a log curve", "ITU-R BT.709", ("ACES2065-1",))
    assert "--primaries 'ACES2065-1'" in sentence(assumed)
    said = scene_sentence(assumed)
    assert "--primaries" not in said
    line = said.partition("say it with ")[2].partition(", or ")[0]
    assert tomllib.loads(line) == {"primaries": "ACES2065-1"}
    assert "primaries" in SceneCamera.__dataclass_fields__
