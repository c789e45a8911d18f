"""Mistakes at the command line that a person can make: one sentence each that names what is wrong, exit code 2, and
nothing that was not there before."""

from __future__ import annotations

import json
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames import Frame, write_frame
from huewright.models.correction import save_correction
from huewright.steps import desk
from huewright_kernels.ops import HueSectors, ToneCurve
from lutfiles import correction

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import CARD, refused, say

PICTURE = correction((ToneCurve((0.0, 0.4, 1.0), (0.0, 0.41, 1.0)), HueSectors()))
Command = Callable[..., tuple[int, str, str]]
EMPTY_EDIT = {"OTIO_SCHEMA": "Timeline.1", "name": "empty", "tracks": {"OTIO_SCHEMA": "Stack.1", "children": []}}


@pytest.fixture(scope="module")
def desk_of_work(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("work")
    save_correction(PICTURE, folder / "c.json")
    write_frame(folder / "a.0001.png", Frame(np.full((9, 12, 3), 20000, np.uint16)))
    write_frame(folder / "b.0001.png", Frame(np.full((9, 12, 3), 20000, np.uint16)))
    (folder / "e.otio").write_text(json.dumps(EMPTY_EDIT))
    (folder / "m.csv").write_text("name,L,a,b\nx,50,0,0\n")
    (folder / "kept.txt").write_text("mine")
    return folder


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, desk_of_work: Path) -> Command:
    monkeypatch.chdir(desk_of_work)
    return lambda *words: say(capsys, monkeypatch, *words)


GRID, SHAPES = ["card", "new", "--out", "new.toml", "--columns", "2"], ["card", "new", "--out", "new.toml", "--shape",
                                                                        "p: rect 1 1 2 2"]
SURVEY = ["survey", "a.####.png", "--card", CARD, "--encoding", "display", "--out", "new.json"]
PROVE = ["prove", "c.json", "none.json", "--card", CARD, "--before", "a.####.png", "--after", "b.####.png"]
MISTAKES: list[tuple[list[object], str]] = [
    (["edit", "e.otio", "new.otio", "--for", "c.json"], "--for takes a clip and its correction, such as --for"),
    (["edit", "e.otio", "new.otio", "--for", "=c.json"], "not '=c.json'"),
    (["edit", "e.otio", "new.otio", "--for", "a=c.json", "--for", "a=d.json"], "--for names a twice"),
    (["edit", "e.otio", "new.otio", "--for", "a=c.json", "--lut", "spi3d"], "one of cube, clf, not 'spi3d'"),
    (["edit", "e.otio", "new.xml", "--for", "a=c.json"], "end its name in .otio"),
    (["edit", "e.otio", "new.otio"], "give --for CLIP=CORRECTION, or --correction for all clips"),
    (["export", "c.json"], "no file was named to write"),
    (["export", "c.json", "new.cube", "--json", "new.cube"], "new.cube: named twice; give the figures a file"),
    (["export", "c.json", "--config", "new", "--for", "a.mov"], "give one of them"),
    (["export", "c.json", "--config", "kept.txt"], "kept.txt is no folder; with --config name the folder"),
    (["export", "c.json", "kept.txt", "--for", "a.mov"], "kept.txt is no folder; with --for name the folder"),
    ([*GRID, "--bar", "1"], "--bar takes a patch and its level, as 19=95, not '1'"),
    ([*GRID, "--chip", "red="], "--chip takes a hue and its patch, as red=15, not 'red='"),
    ([*GRID, "--bar", "1=95", "--bar", "1=41"], "1 is given twice"),
    ([*GRID, "--bar", "1=bright"], "bar '1': its level is a number in IRE, such as 41, not 'bright'"),
    ([*GRID, "--gap", "11"], "the gap lies between 0 and 10 patch widths"),
    ([*GRID, "--aspect", "0.01"], "a patch's width over its height between 0.05 and 20"),
    (SHAPES, "--shape needs --size"),
    ([*SHAPES, "--size", "280"], "--size takes a width and a height, as 280x200, not 280"),
    ([*SHAPES, "--size", "0x200"], "not 0x200"),
    (["card", "trace", "a.0001.png", "--out", "new.toml", "--cropped", "--corners", "1,1", "9,1", "9,8", "1,8"],
     "--corners and --cropped contradict each other"),
    (["card", "trace", "a.0001.png", "--out", "new.toml", "--cropped"], "too small to tell its patches"),
    (["card", "import", "m.csv", "--out", "new.toml", "--layout", CARD, "--by", "colour"], "by name or by position"),
    (["scopes", "a.0001.png", "--out", "new", "--strength", "0.5"], "--strength is of a correction; name it with"),
    (["scopes", "a.0001.png", "--out", "new", "--correction", "c.json", "--strength", "tint=1"],
     "one number for both, not of 'tint'"),
    (["scopes", "a.0001.png", "--out", "new", "--correction", "c.json", "--strength", "hues=1", "--strength",
      "hues=0.5"], "--strength names hues twice"),
    (["scopes", "a.0001.png", "--out", "new", "--correction", "c.json", "--strength", "hues:1"],
     "--strength takes a name and a number, such as --strength hues=0.8, not 'hues:1'"),
    (["verify", "a.####.png", "--device", "cuda"], "needs no frames; leave the frames or --device out"),
    ([*PROVE, "--shot", "a.####.png"], "each --shot needs its --rendered"),
    (["scene", "s.toml", "--card", CARD], "--card and --encoding are for --draft"),
    (["scene", "s.toml", "--draft", ".", "--card", CARD, "--encoding", "through-look"],
     "needs a LUT file, which a draft doesn't name"),
    (["ofx", "probe", "none.ofx"], "none.ofx: there is no such plug-in"),
    (["ofx", "patches", CARD, "new.json", "--roles", "chip,king"], "king"),
    (["survey", "*.png:1-2", *SURVEY[2:]], "a range needs a name with a place for the frame number"),
    ([*SURVEY, "--take-in", "1-20000000"], "more frames than a take has"),
    (["survey", "a.####.png:1-20000000", *SURVEY[2:]], "more frames than a take has"),
    ([*SURVEY, "--take-in", "one"], "'one' are no frame numbers; write them as 3,7-9"),
]


@pytest.mark.parametrize(("words", "said"), MISTAKES, ids=[f"{k}-{words[0]}" for k, (words, _) in enumerate(MISTAKES)])
def test_one_sentence_and_exit_code_2(command: Command, desk_of_work: Path, words: list[object], said: str) -> None:
    before = {path: path.read_bytes() for path in desk_of_work.iterdir()}
    refused(command(*words), 2, said)
    assert {path: path.read_bytes() for path in desk_of_work.iterdir()} == before


def test_a_patience_of_nothing(command: Command) -> None:
    Path("some.ofx").write_bytes(b"")
    refused(command("ofx", "probe", "some.ofx", "--patience", "0"), 2, "the patience is a time in seconds above 0")
    Path("some.ofx").unlink()


def test_a_port_that_another_has() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(InputError, match=f"port {port} of this machine can't be had"):
            desk.serve(SimpleNamespace(), port=port, ready=lambda address: None)     # type: ignore[arg-type]
