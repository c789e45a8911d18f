"""The documentation: complete, as the program is, buildable, and the same in the terminal."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from docs_runs import FOLDER, transcripts
from huewright.cli.pages import NOT_SHOWN, pages
from huewright.models.cautions import Caution
from huewright.steps.help import folder, topics
from huewright.words.cautions import GROUPS
from test_command_line import say

ROOT = Path(__file__).parents[2]


def test_every_caution_is_explained() -> None:
    declared = [kind for group in GROUPS for kind in group.explained]
    without = sorted(kind.__name__ for kind in set(Caution.__subclasses__()) - set(declared))
    assert without == [], "declare their words in a module of huewright/words/cautions"
    assert len(declared) == len(set(declared))
    text = (folder() / "cautions.md").read_text(encoding="utf-8")
    for kind in declared:
        assert f"(`{kind.__struct_config__.tag}`)" in text


def test_generated_pages_are_as_the_program_is() -> None:
    """``python -m huewright.cli.pages`` writes them anew."""
    for name, text in pages().items():
        assert (folder() / name).read_text(encoding="utf-8") == text, name


def test_every_verb_has_a_page_with_a_run_or_says_why_not() -> None:
    for path in (folder() / "verbs").glob("*.md"):
        assert ("## A run" in path.read_text(encoding="utf-8")) != (path.stem in NOT_SHOWN), path.stem


@pytest.mark.long
@pytest.mark.slow
def test_the_runs_shown_are_what_the_program_prints(tmp_path: Path) -> None:
    """``python tests/harness/docs_runs.py`` writes them anew. Figures may differ in their last digit from one
    processor's libraries to another's, so words and their places are compared, and figures within 2 %."""
    for verb, text in transcripts(tmp_path).items():
        shown = (FOLDER / f"{verb}.txt").read_text(encoding="utf-8")
        number = re.compile(r"-?\d+\.\d+(?:e-?\d+)?|\b\d{4,}(?= bytes)")
        blank = [" ".join(re.sub(r"[─ ]+", " ", number.sub("#", each)).split()) for each in (text, shown)]
        assert blank[0] == blank[1], verb
        for now, then in zip(number.findall(text), number.findall(shown), strict=True):
            assert float(now) == pytest.approx(float(then), rel=0.02, abs=0.011), (verb, now, then)


def test_the_site_builds_without_a_warning(tmp_path: Path) -> None:
    built = subprocess.run([sys.executable, "-W", "ignore", "-m", "mkdocs", "build", "--strict", "--quiet",
                            "--config-file", str(ROOT / "harness" / "mkdocs.yml"),
                            "--site-dir", str(tmp_path / "site")], capture_output=True, text=True, check=False)
    assert built.returncode == 0 and not built.stderr.strip(), built.stderr
    for name in ("index", "card-lies/index", "verbs/run/index", "card-file/index", "operations/index"):
        assert (tmp_path / "site" / f"{name}.html").exists(), name


def test_the_same_texts_in_the_terminal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    code, listed, _ = say(capsys, monkeypatch, "help")
    assert code == 0 and [line.split()[0] for line in listed.splitlines()] == list(topics())
    for name in ("card-lies", "solve", "solve-works", "cautions", "card-file"):
        code, text, _ = say(capsys, monkeypatch, "help", name)
        assert code == 0 and text == topics()[name].read_text(encoding="utf-8")
    code, _, said = say(capsys, monkeypatch, "help", "card-lie")
    assert code == 2 and "do you mean card-lies" in said
