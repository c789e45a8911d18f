"""The command line as a person meets it: verbs, exit codes, one sentence for each mistake, nothing half-written."""

from __future__ import annotations

import json
import logging
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from huewright.cli import main
from huewright.cli.prove import conclude
from huewright.cli.signals import asked_again
from huewright.errors import NoAnswerError
from huewright.frames import Frame, read_frame, write_frame
from huewright.models.card import load_card
from huewright.models.cautions import Limits
from huewright.models.correction import load_correction
from huewright.models.proof import Proof, Summary
from huewright.models.settings import SolveSettings
from huewright.steps import desk

CARD = Path(__file__).parents[2] / "demo" / "huewright_demo" / "card.toml"


def paint(path: Path, *, gain: float = 1.0, turn: float = 12.0, card: bool = True) -> None:
    """A display picture (16-bit PNG, 960 x 540) of our card, turned a little, a grey wall behind; ``gain`` in light."""
    # XYZ to linear BT.709: IEC 61966-2-1 annex, four digits as printed.
    to_rgb = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    light = np.full((540, 960, 3), 0.12)
    light += 0.05 * np.linspace(0, 1, 960)[None, :, None]
    if card:
        model = load_card(CARD)
        matrix = cv2.getRotationMatrix2D((140.0, 100.0), turn, 2.2)
        matrix[:, 2] += (340.0, 170.0)
        for part in [*model.marks, *model.patches]:
            points = np.array(part.polygon) @ matrix[:, :2].T + matrix[:, 2]
            value = to_rgb @ np.array(part.xyz)
            cv2.fillPoly(light, [np.round(points * 16).astype(np.int32)], value.tolist(), cv2.LINE_AA, 4)
    light = light * gain * (1.08, 1.0, 0.9)
    light = np.clip(light, 0, None)
    signal = np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)     # ITU-R BT.709-6
    noise = np.random.default_rng(1).normal(0, 0.004, signal.shape)
    codes = np.clip((signal + noise) * 65535, 0, 65535).astype(np.uint16)
    assert cv2.imwrite(str(path), codes[..., ::-1])


def say(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: object) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of the command line ``huewright WORDS``."""
    monkeypatch.setattr(sys, "argv", ["huewright", *map(str, words)])
    capsys.readouterr()
    try:
        main()
        code = 0
    except SystemExit as stop:
        code = int(stop.code or 0)
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("take")
    for number, turn in enumerate((12.0, 12.1, 12.2), 1):
        paint(folder / f"a.{number:04d}.png", turn=turn)
    return folder


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.chdir(tmp_path)
    return lambda *words: say(capsys, monkeypatch, *words)


def refused(result: tuple[int, str, str], code: int, *words: str) -> None:
    """One sentence on stderr that holds ``words``; no traceback."""
    assert result[0] == code, result
    lines = [line for line in result[2].splitlines() if line.startswith("huewright: ")]
    assert len(lines) == 1, result[2]
    assert "Traceback" not in result[2]
    for word in words:
        assert word in lines[0]


def test_every_verb_has_help_with_an_example(command) -> None:
    code, out, _ = command("--help")
    assert code == 0
    verbs = [line.split()[1] for line in out.splitlines() if line.startswith("│ ") and line[2].isalpha()]
    assert {"run", "survey", "solve", "render", "prove", "export", "repeat", "card", "demo", "verify", "bench",
            "ofx"} <= set(verbs)
    for verb in verbs:
        code, out, _ = command(verb, "--help")
        assert code == 0
        if verb not in ("card", "ofx"):     # groups of verbs, each with its own
            assert "Example: huewright " + verb in out
            has = [name for name in ("--json", "--json-lines") if re.search(rf"{name}\b(?!-)", out)]
            assert has == {"help": [], "desk": ["--json-lines"],   # texts only, and a page, which has no figures
                           "render": ["--json", "--json-lines"]}.get(verb, ["--json"])


@pytest.mark.parametrize("lines", [False, True])
def test_desk_says_its_address_for_people_or_for_a_script(
        command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, lines: bool) -> None:
    class Opened:
        choices = None

        def survey(self, choices: None) -> SimpleNamespace:
            return SimpleNamespace(cautions=())

    write_frame(tmp_path / "a.0001.png", Frame(np.zeros((8, 8, 3), np.uint8)))
    monkeypatch.setattr(desk, "open_session", lambda *words, **more: Opened())
    monkeypatch.setattr(desk, "serve", lambda session, *, port, ready: ready("http://127.0.0.1:1/x/"))
    code, out, err = command("desk", f"{tmp_path}/a.####.png", "--card", CARD, "--encoding", "display", "--out",
                             "c.json", *(["--json-lines"] if lines else []))
    assert code == 0, err
    if lines:
        assert json.loads(out) == {"address": "http://127.0.0.1:1/x/", "survey": "survey.json", "correction": "c.json"}
    else:
        assert out.startswith("the page is at http://127.0.0.1:1/x/\nCtrl-C ends it")


@pytest.mark.long
@pytest.mark.slow
def test_at_once_is_step_by_step(command, take: Path, tmp_path: Path) -> None:
    pattern = f"{take}/a.####.png"
    for words in (("survey", pattern, "--card", CARD, "--encoding", "display"),
                  ("solve", "survey.json", "--card", CARD),
                  ("render", "correction.json", pattern, "true/a.####.png"),
                  ("run", pattern, "--card", CARD, "--encoding", "display", "--out", "all")):
        code, _, err = command(*words)
        assert code == 0, err
    assert (tmp_path / "all" / "proof" / "proof.html").exists()
    assert load_correction("all/correction.json").operations == load_correction("correction.json").operations
    assert np.array_equal(read_frame("all/take/a.0002.png").pixels, read_frame("true/a.0002.png").pixels)


@pytest.mark.slow
def test_the_whole_job_step_by_step(command, take: Path) -> None:
    pattern = f"{take}/a.####.png"
    code, out, err = command("survey", pattern, "--card", CARD, "--encoding", "display", "--sheet", "frames.png",
                             "--json", "survey-again.json")
    assert code == 0, err
    assert json.loads(Path("survey.json").read_text()) == json.loads(Path("survey-again.json").read_text())
    assert cv2.imread("frames.png") is not None
    code, out, err = command("solve", "survey.json", "--card", CARD, "--compare")
    assert code == 0, err
    code, out, err = command("render", "correction.json", pattern, "true/a.####.png")
    assert code == 0, err
    assert [p.name for p in sorted(Path("true").iterdir())] == ["a.0001.png", "a.0002.png", "a.0003.png"]
    code, out, err = command("prove", "correction.json", "survey.json", "--card", CARD, "--before", pattern,
                             "--after", "true/a.####.png", "--json", "proof-again.json")
    assert code == 0, err
    proof = json.loads(Path("proof-again.json").read_text())
    assert proof["passed"], proof["verdict"]
    code, out, err = command("export", "correction.json", "a.cube", "a.clf")
    assert code == 0, err
    code, out, err = command("repeat", "correction.json")
    assert code == 0, err



@pytest.mark.long
@pytest.mark.slow
def test_one_frame_is_one_frame_and_an_edited_correction_is_said_to_be_one(command, take: Path) -> None:
    code, out, err = command("survey", take / "a.0001.png", "--card", CARD, "--encoding", "display")
    assert code == 0, err
    assert out.splitlines()[0].strip() == "1 frame"
    code, out, err = command("solve", "survey.json", "--card", CARD)
    assert code == 0, err
    code, out, err = command("render", "correction.json", take / "a.0001.png", "true/a.####.png")
    assert code == 0, err
    assert "rendered 1 frame in" in out and "edited by hand" not in err
    code, out, err = command("render", "correction.json", take / "a.0001.png", "true/a.####.png", "--resume")
    assert code == 0, err
    assert "1 frames" not in out + err and "1 frame was there already and kept" in err

    record = json.loads(Path("correction.json").read_text())
    record["parameters"]["exposure_stops"]["value"] += 0.1
    Path("edited.json").write_text(json.dumps(record))
    for words in (["render", "edited.json", take / "a.0001.png", "again/a.####.png"],
                  ["export", "edited.json", "a.cube", "a.ccc", "--size", "9"],
                  ["prove", "edited.json", "survey.json", "--card", CARD, "--before", take / "a.0001.png", "--after",
                   "again/a.0001.png"]):
        code, out, err = command(*words)
        assert code == 0, err
        assert "caution" in err and "was edited by hand since it was solved" in err
    operation = next(row for row in record["operations"] if row["operation"] == "hue-sectors")
    operation["gains"][0] = -1.0
    Path("edited.json").write_text(json.dumps(record))
    refused(command("render", "edited.json", take / "a.0001.png", "wrong/a.####.png"), 2, "edited.json",
            "hue gains must be positive")
    assert not Path("wrong").exists()


@pytest.mark.slow
def test_several_exports_are_all_written_or_none(command, take: Path) -> None:
    code, _, err = command("survey", take / "a.0001.png", "--card", CARD, "--encoding", "display")
    assert code == 0, err
    assert command("solve", "survey.json", "--card", CARD)[0] == 0
    refused(command("export", "correction.json", "a.cube", "a.xyz"), 2, "a.xyz")
    refused(command("export", "correction.json", "a.cube", "a.cube"), 2, "named twice")
    assert not list(Path().glob("a.*"))
    code, out, err = command("export", "correction.json", "a.cube", "a.cdl", "a.cc", "--size", "9")
    assert code == 0, err
    assert "over picture-like and random colours together" in out and "inside the display's gamut" in out
    assert "a.cdl, a.cc: a CDL carries the primaries only" in err


def test_missing_take(command) -> None:
    refused(command("survey", "nowhere/a.####.exr", "--card", CARD, "--encoding", "display"), 2, "nowhere")


def test_unreadable_frame(command, take: Path, tmp_path: Path) -> None:
    for path in take.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "a.0002.png").write_bytes(b"not a picture")
    refused(command("survey", tmp_path / "a.####.png", "--card", CARD, "--encoding", "display"), 2, "a.0002.png")
    assert not Path("survey.json").exists()


def test_a_hole_in_the_take(command, take: Path, tmp_path: Path) -> None:
    for name in ("a.0001.png", "a.0003.png"):
        (tmp_path / name).write_bytes((take / name).read_bytes())
    refused(command("run", tmp_path / "a.####.png", "--card", CARD, "--encoding", "display", "--out", "all"), 2,
            "frame 2")
    assert not Path("all/survey.json").exists()


def test_frames_of_different_sizes(command, take: Path, tmp_path: Path) -> None:
    (tmp_path / "a.0001.png").write_bytes((take / "a.0001.png").read_bytes())
    cv2.imwrite(str(tmp_path / "a.0002.png"), np.zeros((270, 480, 3), np.uint16))
    refused(command("survey", tmp_path / "a.####.png", "--card", CARD, "--encoding", "display"), 2, "a.0002.png")


def test_no_card_in_any_frame(command, tmp_path: Path) -> None:
    paint(tmp_path / "a.0001.png", card=False)
    refused(command("survey", tmp_path / "a.####.png", "--card", CARD, "--encoding", "display"), 1, "card")
    refused(command("run", tmp_path / "a.####.png", "--card", CARD, "--encoding", "display", "--out", "all"), 1, "card")


def test_a_card_with_clipped_bars(command, tmp_path: Path) -> None:
    paint(tmp_path / "a.0001.png", gain=3.0)
    refused(command("run", tmp_path / "a.####.png", "--card", CARD, "--encoding", "display", "--out", "all"), 1)
    assert not Path("all/correction.json").exists()


@pytest.mark.parametrize("text", ["", "not = [toml", 'format = "huewright-card-1"\nname = "x"',
                                  'format = "huewright-card-1"\nname = "x"\nsize = [1, 1]\n[[patch]]\nname = "p"\n'
                                  'role = "king"\npolygon = [[0, 0], [1, 0], [1, 1]]'])
def test_a_wrong_card_file(command, take: Path, tmp_path: Path, text: str) -> None:
    (tmp_path / "wrong.toml").write_text(text)
    refused(command("survey", f"{take}/a.####.png", "--card", "wrong.toml", "--encoding", "display"), 2, "wrong.toml")
    refused(command("survey", f"{take}/a.####.png", "--card", "none.toml", "--encoding", "display"), 2, "none.toml")


def test_an_unknown_curve(command, take: Path) -> None:
    refused(command("survey", f"{take}/a.####.png", "--card", CARD, "--encoding", "ACEScctt"), 2, "ACEScctt", "ACEScct")


def test_a_lut_that_is_none(command, take: Path, tmp_path: Path) -> None:
    (tmp_path / "look.cube").write_text("this is a letter, not a LUT\n")
    refused(command("survey", f"{take}/a.####.png", "--card", CARD, "--encoding", "ACEScct", "--look", "look.cube"), 2,
            "look.cube")


def test_an_output_that_exists(command, take: Path) -> None:
    Path("survey.json").write_text("mine")
    refused(command("survey", f"{take}/a.####.png", "--card", CARD, "--encoding", "display"), 2, "survey.json",
            "--overwrite")
    assert Path("survey.json").read_text() == "mine"


@pytest.mark.parametrize("verb", ["solve", "render", "export", "repeat"])
def test_a_file_of_the_wrong_kind(command, take: Path, verb: str) -> None:
    Path("odd.json").write_text('{"format": "something else"}')
    words: dict[str, list[object]] = {"solve": ["--card", CARD], "render": [f"{take}/a.####.png", "out.####.png"],
                                      "export": ["a.cube"], "repeat": []}
    refused(command(verb, "odd.json", *words[verb]), 2, "odd.json")
    assert not Path("a.cube").exists() and not Path("correction.json").exists()


@pytest.mark.parametrize("corners", [["1,1", "2", "3,3", "4,4"], ["1,1", "2,b", "3,3", "4,4"],
                                     ["1,1", "1,4", "4,4", "4,1"]])
def test_corners_that_are_none(command, take: Path, corners: list[str]) -> None:
    refused(command("survey", f"{take}/a.####.png", "--card", CARD, "--encoding", "display", "--corners", *corners), 2,
            "corners")


@pytest.fixture
def quiet_again() -> Iterator[None]:
    """Leaves the log as it is without --verbose."""
    yield
    logger = logging.getLogger("huewright")
    logger.handlers.clear()
    logger.setLevel(logging.NOTSET)


@pytest.mark.usefixtures("quiet_again")
def test_verbose_says_what_was_decided_and_only_if_asked(command, take: Path) -> None:
    words = ["survey", f"{take}/a.####.png", "--card", CARD, "--encoding", "display", "--overwrite"]
    code, out, err = command(*words)
    assert code == 0 and "huewright.finding" not in err
    code, said, err = command("--verbose", *words)
    assert code == 0 and "huewright.finding.choose: chose frames" in err and "score" not in err
    assert said == out, "the result itself is the same"
    assert "frame 2: card found, score" in command("-vv", *words)[2]


def test_usage_errors_exit_with_2(command) -> None:
    code, _, err = command("survey")
    assert code == 2 and "Traceback" not in err


def test_help_needs_none_of_the_heavy_libraries() -> None:
    """Start-up stays short because nothing heavy is imported before a verb runs."""
    code = ("import sys; sys.argv = ['huewright', '--help']\nfrom huewright.cli import main\n"
            "try: main()\nexcept SystemExit: pass\n"
            "heavy = {'numpy', 'numba', 'scipy', 'cv2', 'matplotlib', 'colour', 'OpenImageIO', 'PyOpenColorIO'}\n"
            "assert not heavy & set(sys.modules), heavy & set(sys.modules)")
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


@pytest.mark.long
@pytest.mark.slow
def test_a_legal_range_render_is_proved_as_such(command, take: Path) -> None:
    pattern = f"{take}/a.####.png"
    assert command("survey", pattern, "--card", CARD, "--encoding", "display")[0] == 0
    assert command("solve", "survey.json", "--card", CARD)[0] == 0
    code, _, err = command("render", "correction.json", pattern, "legal/a.####.png", "--out-range", "legal")
    assert code == 0, err
    words = ["prove", "correction.json", "survey.json", "--card", CARD, "--before", pattern, "--after",
             "legal/a.####.png"]
    code, _, err = command(*words, "--after-range", "legal", "--after-bits", "16", "--out", "legal-proof",
                           "--json", "p.json")
    assert code == 0, err
    assert json.loads(Path("p.json").read_text())["passed"]
    refused(command(*words, "--out", "full-proof"), 2, "legal/a.####.png")
    assert not Path("full-proof/proof.json").exists()


@dataclass(frozen=True)
class Strict(SolveSettings):
    hue_limit_deg: float = 1e-7
    radius_limit: float = 1e-9


@pytest.mark.long
@pytest.mark.slow
def test_a_proof_that_is_not_within_its_limits_exits_with_1_and_writes_all(command, take: Path, tmp_path: Path,
                                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    """Limits that no real frame keeps, through the real job."""
    monkeypatch.setattr("huewright.models.settings.SolveSettings", Strict)
    pattern = f"{take}/a.####.png"
    missed = command("run", pattern, "--card", CARD, "--encoding", "display", "--out", "all", "--json", "all.json")
    refused(missed, 1, "NOT within the limits", "proof.html", "--compare")
    assert "NOT within" not in missed[1]      # the verdict once
    for name in ("correction.json", "correction.cube", "correction.clf", "take/a.0002.png", "proof/proof.json",
                 "proof/proof.html", "job.json"):
        assert (tmp_path / "all" / name).exists(), name
    there = {path.relative_to("all").as_posix() for path in Path("all").rglob("*") if path.is_file()}
    assert set(json.loads(Path("all/job.json").read_text())["files"]) == there - {"job.json"}
    assert not json.loads(Path("all.json").read_text())["proof"]["passed"]
    refused(command("prove", "all/correction.json", "all/survey.json", "--card", CARD, "--before", pattern, "--after",
                    "all/take/a.####.png", "--out", "again"), 1, "NOT within the limits")
    assert Path("again/proof.html").exists()


def test_a_missed_proof_of_a_contradicted_declaration_names_that_first() -> None:
    limits = Limits(0.5, 0.01, 0.5)
    missed = Proof("outside-limits", False, (), Summary(worst_hue_error_after_deg=1.0), limits,
                   declaration="contradicted")
    with pytest.raises(NoAnswerError, match="check --encoding and --range first"):
        conclude(missed, Path("proof.html"))


def test_a_signal_that_python_would_forget_comes_again() -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)    # also where the tests were started not to heed it

    class Ending:
        def __del__(self) -> None:
            raise KeyboardInterrupt     # as Ctrl-C does just then: nothing gets out of here

    with pytest.raises(KeyboardInterrupt), asked_again():
        Ending()
        for _ in range(1000):
            time.sleep(0.01)
