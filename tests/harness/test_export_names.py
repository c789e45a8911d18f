"""Files under the names of clips."""

from __future__ import annotations

from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.models.correction import save_correction
from huewright.steps.export_clips import export_for_clips
from huewright_kernels.ops import HueSectors, ToneCurve
from lutfiles import correction

PICTURE = correction((ToneCurve((0.0, 0.4, 1.0), (0.0, 0.41, 1.0)), HueSectors()))


def test_every_clip_gets_files_of_its_name(tmp_path: Path) -> None:
    made = export_for_clips(PICTURE, tmp_path / "luts", ["scene/a.####.exr", "b.mov:100-240"], kinds=["cube", "clf"],
                            size=9)
    names = ["a.clf", "a.cube", "b.clf", "b.cube"]
    assert sorted(path.name for path in (tmp_path / "luts").iterdir()) == names
    assert sorted(Path(one.path).name for one in made) == names
    for kind in ("cube", "clf"):
        assert (tmp_path / "luts" / f"a.{kind}").read_bytes() == (tmp_path / "luts" / f"b.{kind}").read_bytes()


def test_nothing_is_written_over_or_half(tmp_path: Path) -> None:
    (tmp_path / "b.cube").write_text("mine")
    with pytest.raises(InputError, match="b.cube exists already"):
        export_for_clips(PICTURE, tmp_path, ["a.mov", "b.mov"], kinds=["cube"], size=9)
    assert (tmp_path / "b.cube").read_text() == "mine" and not (tmp_path / "a.cube").exists()
    export_for_clips(PICTURE, tmp_path, ["a.mov", "b.mov"], kinds=["cube"], size=9, overwrite=True)
    assert (tmp_path / "b.cube").read_text() != "mine"


@pytest.mark.parametrize(("clips", "kinds", "words"), [
    (["one/a.mov", "two/A.mov"], ["cube"], "are both called A"), (["a.mov"], ["png"], "of the kinds cube, clf, cdl"),
    (["a.mov"], [], "not 'none'")])
def test_what_can_t_be_named_is_refused(tmp_path: Path, clips: list[str], kinds: list[str], words: str) -> None:
    with pytest.raises(InputError, match=words):
        export_for_clips(PICTURE, tmp_path / "luts", clips, kinds=kinds, size=9)
    assert not (tmp_path / "luts").exists()


def test_on_the_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture) -> None:
    import sys

    from huewright.cli import main

    monkeypatch.chdir(tmp_path)
    save_correction(PICTURE, "c.json")
    for words, code, said in ((["luts", "--for", "a.mov", "--kinds", "cube", "--size", "9"], 0, "wrote luts/a.cube"),
                              (["luts", "more", "--for", "a.mov"], 2, "name one folder")):
        monkeypatch.setattr(sys, "argv", ["huewright", "export", "c.json", *words])
        try:
            assert (main() or 0) == code
        except SystemExit as stop:
            assert (stop.code or 0) == code
        both = capsys.readouterr()
        assert said in both.out + both.err
