"""The public functions: their examples run, they do what the command line does, and they say the same sentences."""

from __future__ import annotations

import doctest
import inspect
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import huewright
import huewright as hw
import numpy as np
import pytest
from huewright import api
from huewright.cli import main
from huewright.frames import Frame, parse_sequence, read_frame, write_frame
from huewright.reference import apply_chain
from huewright_kernels.ops import LogEncode, Transfer

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import CARD, paint

TAKE = "take/a.####.png"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as the examples find it: a card file, and a take of three frames."""
    folder = tmp_path_factory.mktemp("api")
    (folder / "take").mkdir()
    for number, turn in enumerate((12.0, 12.1, 12.2), 1):
        paint(folder / "take" / f"a.{number:04d}.png", turn=turn)
    (folder / "card.toml").write_bytes(CARD.read_bytes())
    return folder


@pytest.fixture
def here(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture(scope="module")
def correction(folder: Path) -> hw.Correction:
    survey = hw.survey(parse_sequence(folder / TAKE), folder / "card.toml", encoding="display")
    return hw.solve(survey)


def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: object) -> str:
    """What the command line says on stderr."""
    monkeypatch.setattr(sys, "argv", ["huewright", *map(str, words)])
    capsys.readouterr()
    with pytest.raises(SystemExit):
        main()
    return capsys.readouterr().err


EXAMPLES = [test for test in doctest.DocTestFinder().find(api) if test.examples]


@pytest.mark.slow
@pytest.mark.parametrize("example", [
    pytest.param(test, id=test.name, marks=[pytest.mark.slow] if "hw.prove(" in test.docstring else [])
    for test in EXAMPLES])
def test_examples_run(example: doctest.DocTest, here: Path) -> None:
    report: list[str] = []
    doctest.DocTestRunner().run(example, out=report.append)
    assert not report, "".join(report)


SCENE = """format = "huewright-scene-1"
card = "card.toml"
[out]
lut_points = 9
[[camera]]
name = "A"
encoding = "ACEScct"
[[take]]
camera = "A"
path = "take/a.####.exr"
name = "card"
[[shot]]
camera = "A"
path = "scene/a.####.exr"
make = "export"
"""


@pytest.mark.slow
def test_the_readme_s_example_runs(tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On the same pictures as log EXR: BT.709 undone, ACEScct (Academy S-2016-001) put on."""
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    block, = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    acescct = LogEncode(2.0, 1 / 17.52, 9.72 / 17.52, lin_side_break=2.0**-7)
    sequence = parse_sequence(folder / TAKE)
    for number in sequence.numbers:
        light = apply_chain((Transfer("bt709", "decode"), acescct), read_frame(sequence.path(number)).rgb_float())
        for place in ("take", "scene"):
            write_frame(tmp_path / place / f"a.{number:04d}.exr", Frame(light.astype(np.float16)))
    (tmp_path / "card.toml").write_bytes(CARD.read_bytes())
    (tmp_path / "scene.toml").write_text(SCENE)
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {"picture": read_frame("scene/a.0001.exr").pixels}
    exec(block, names)
    made = read_frame("true/a.0001.exr").pixels
    np.testing.assert_array_equal(names["signal"].astype(np.float16), made)
    assert names["correction"].footage.encoding == "ACEScct"


def test_every_function_has_an_example_and_types() -> None:
    assert {test.name.rpartition(".")[2] for test in EXAMPLES} >= {"survey", "solve", "render", "prove", "export"}
    for name in huewright.__all__:
        thing = getattr(huewright, name)
        if not inspect.isfunction(thing):
            continue
        assert thing.__doc__, f"{name} has no docstring"
        signature = inspect.signature(thing)
        untyped = [p.name for p in signature.parameters.values() if p.annotation is inspect.Parameter.empty]
        assert not untyped and signature.return_annotation is not inspect.Signature.empty, (name, untyped)


def test_files_are_those_of_the_command_line(here: Path, monkeypatch: pytest.MonkeyPatch,
                                             capsys: pytest.CaptureFixture[str]) -> None:
    """Survey and correction, byte for byte."""
    command(monkeypatch, capsys, "survey", TAKE, "--card", "card.toml", "--encoding", "display", "--out", "by-cli.json")
    command(monkeypatch, capsys, "solve", "by-cli.json", "--card", "card.toml", "--out", "solved-by-cli.json")
    survey = hw.survey(TAKE, "card.toml", encoding="display")
    hw.save(survey, "by-api.json")
    hw.save(hw.solve(survey), "solved-by-api.json")
    assert (here / "by-api.json").read_bytes() == (here / "by-cli.json").read_bytes()
    assert (here / "solved-by-api.json").read_bytes() == (here / "solved-by-cli.json").read_bytes()
    hw.save(hw.solve("by-cli.json", "card.toml"), "solved-from-file.json")
    assert (here / "solved-from-file.json").read_bytes() == (here / "solved-by-cli.json").read_bytes()


def test_errors_are_exceptions_with_the_same_sentences(here: Path, monkeypatch: pytest.MonkeyPatch,
                                                       capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(hw.InputError) as unknown:
        hw.survey(TAKE, "card.toml", encoding="no such curve")
    said = command(monkeypatch, capsys, "survey", TAKE, "--card", "card.toml", "--encoding", "no such curve",
                   "--out", "none.json")
    assert said.splitlines()[-1] == f"huewright: {unknown.value}"
    with pytest.raises(hw.InputError) as missing:
        hw.solve("nowhere.json")
    said = command(monkeypatch, capsys, "solve", "nowhere.json", "--card", "card.toml", "--out", "none.json")
    assert said.splitlines()[-1] == f"huewright: {missing.value}"


def test_a_take_without_a_card_is_told_and_cannot_be_solved(here: Path) -> None:
    survey = hw.survey([np.full((270, 480, 3), 0.3, np.float32)] * 2, "card.toml", encoding="display")
    assert not survey.usable and survey.advice
    with pytest.raises(hw.NoAnswerError, match="no frame of this take"):
        hw.solve(survey)


def test_arrays_are_surveyed_as_files_are(here: Path, correction: hw.Correction) -> None:
    sequence = parse_sequence(TAKE)
    pictures = [read_frame(sequence.path(number)).pixels for number in sequence.numbers]
    told: list[tuple[int, int, str]] = []
    from_files = hw.survey(TAKE, "card.toml", encoding="display", progress=lambda *step: told.append(step))
    survey = hw.survey(pictures, "card.toml", encoding="display")
    assert told[-1] == (3, 3, "looking for the card")
    assert survey.chosen == (0, 1, 2) and from_files.chosen == (1, 2, 3)
    assert hw.solve(survey).operations == correction.operations


def test_a_card_in_memory_is_the_card_of_its_file(here: Path, correction: hw.Correction) -> None:
    from huewright.models.card import load_card

    card = load_card("card.toml")
    survey = hw.survey(TAKE, card, encoding="display")
    assert survey.card == card.name
    in_memory, from_file = hw.solve(survey, card), hw.solve(survey, "card.toml")
    assert in_memory.operations == from_file.operations == correction.operations
    assert in_memory.cautions == from_file.cautions == correction.cautions


def test_apply_gives_what_render_writes(here: Path, correction: hw.Correction) -> None:
    source = read_frame(parse_sequence(TAKE).path(1)).pixels
    hw.render(correction, "take/a.0001.png", "applied.exr", out_bits=32)
    np.testing.assert_array_equal(correction.apply(source), read_frame("applied.exr").pixels)


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64, np.uint8, np.uint16])
@pytest.mark.parametrize("shape", [(5, 3), (4, 6, 3), (4, 6, 4), (4, 6, 5)])
def test_apply_takes_what_pictures_are_made_of(correction: hw.Correction, dtype: type, shape: tuple[int, ...]) -> None:
    """Against the float64 reference; alpha and further channels come through."""
    values = np.random.default_rng(3).random(shape)
    full = np.iinfo(dtype).max if np.dtype(dtype).kind == "u" else 1
    picture = (values * full).astype(dtype)
    result = correction.apply(picture)
    assert result.shape == shape and result.dtype == np.float32
    signal = picture.astype(np.float64) / full
    wanted = apply_chain(correction.operations, signal[..., :3].astype(np.float32))
    np.testing.assert_allclose(result[..., :3], wanted, atol=4e-5)     # hue sectors: bounded by their table
    np.testing.assert_allclose(result[..., 3:], signal[..., 3:], atol=1e-7)


@pytest.mark.parametrize("picture", [np.zeros(3), np.zeros((4, 4)), np.zeros((4, 4, 2)), np.zeros((4, 3), np.int32)])
def test_apply_refuses_what_is_no_picture(correction: hw.Correction, picture: np.ndarray) -> None:
    with pytest.raises(ValueError, match="not"):
        correction.apply(picture)


def test_importing_it_loads_none_of_the_heavy_libraries() -> None:
    code = ("import sys, huewright\n"
            "heavy = {'numpy', 'numba', 'scipy', 'cv2', 'matplotlib', 'colour', 'OpenImageIO', 'PyOpenColorIO'}\n"
            "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
            "assert callable(huewright.survey)")
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'grade'"):
        _ = huewright.grade
