"""The whole job on log footage of which only the LUT that shows it is known: verdict, page and rendered frames."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from huewright.cards.own import own_card
from huewright.frames import Frame, read_frame, write_frame
from huewright.models.card import save_card
from testset.scene import Conditions, compose

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import say
from test_through_look import look as look

pytestmark = [pytest.mark.long, pytest.mark.slow]
CARD = own_card()
HELD = Conditions(width=640, height=360, size=0.55, roll_deg=3, gloss=0.0, ambient=1.0, coding="acescct", bits=10,
                  exposure_stops=-0.5, gains=(1.12, 1.0, 0.9))


def test_a_look_is_enough_from_frames_to_proof(look: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                               monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "take").mkdir()
    save_card(CARD, tmp_path / "card.toml")
    for number in (1, 2):
        codes, truth = compose(CARD, None, replace(HELD, centre=(0.48 + 0.01 * number, 0.5)),
                               np.random.default_rng(number))
        write_frame(tmp_path / "take" / f"a.{number:04d}.dpx", Frame(np.round(codes * 1023 * 64).astype(np.uint16),
                                                                      bits=10))
    out = tmp_path / "job"
    code, said, cautions = say(capsys, monkeypatch, "run", tmp_path / "take", "--card", tmp_path / "card.toml",
                               "--encoding", "through-look", "--look", look, "--out", out)
    assert code == 0, said + cautions
    assert "after the look LUT" in cautions and "do not verify" in said
    page = (out / "proof" / "proof.html").read_text(encoding="utf-8")
    assert "known only through its look LUT" in page
    # Bars in the rendered picture, read where they were drawn: luma of ITU-R BT.709-6.
    picture = read_frame(out / "take" / "a.0002.dpx").rgb_float()
    for patch in CARD.of_role("bar"):
        middle = np.array([*np.mean(patch.polygon, axis=0), 1.0]) @ truth.homography.T
        x, y = (middle[:2] / middle[2]).astype(int)
        luma = 100 * picture[y - 3:y + 4, x - 3:x + 4].mean(axis=(0, 1)) @ (0.2126, 0.7152, 0.0722)
        assert luma == pytest.approx(patch.level_ire, abs=1.0), patch.name
