"""The demo's movies: what they say of themselves, and what one scene file makes of two cameras."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames import open_take
from huewright.models.scene_file import load_scene
from huewright.steps.demo_movies import run_movies_demo
from huewright_demo.cameras import acescct
from huewright_demo.movies import make_movies

pytestmark = pytest.mark.slow


@pytest.mark.long
def test_what_the_movies_hold_and_say(tmp_path: Path) -> None:
    made = make_movies(tmp_path / "movies", frames=12, size=(480, 270))
    for name, (kind, range_, code) in {"A": ("10-bit 4:2:2", "legal", "10:04:00:00"),
                                       "B": ("8-bit 4:2:0", "full", "10:04:30:00")}.items():
        take, shot = open_take(made.takes[name]), open_take(made.shots[name])
        assert len(take) == 12 and len(shot) == 3 and take.rate == 25 and take.timecode(0) == code
        assert take.kind == f"{kind} H264 MOV of {range_} range" and take.who == {
            "Make": "Invented", "Model": f"Camera {name}"}
        assert take.tags is not None and take.tags.transfer == "bt709"
    scene = load_scene(made.scene)
    assert [row.encoding for row in scene.scene.cameras] == ["ACEScct"] * 2
    assert json.loads(made.shoot.truth_path.read_text())["cameras"]["A"]["files"]["take"] == "card.mov"
    # What is in full range lies where the same frames' log codes lie, of both cameras: black is ACEScct's, not 16.
    darkest = [np.percentile(open_take(made.takes[name]).frame(0).rgb_float(), 1) for name in "AB"]
    assert darkest[1] > 0.9 * acescct(np.zeros(3))[0] and darkest[0] > 64 / 1023
    with pytest.raises(InputError, match="not empty"):
        make_movies(tmp_path / "movies", frames=12, size=(480, 270))


@pytest.mark.long
def test_two_cameras_come_together(tmp_path: Path) -> None:
    """Nearer by a factor of four; how near is the demo's own report at its full size."""
    result = run_movies_demo(tmp_path, frames=12, size=(640, 360))
    summary = result.summary
    assert not result.scene.failed and len(result.scene.served) == 2
    for apart in (summary.between, summary.between_known, *summary.truth.values()):
        assert apart.mean_after <= apart.worst_after and apart.mean_after < apart.mean_before / 3
    assert abs(summary.between.mean_after - summary.between_known.mean_after) < 1.0
    assert json.loads((tmp_path / "movies/summary.json").read_text())["between"]["mean_after"] == pytest.approx(
        summary.between.mean_after, rel=1e-4)
    assert summary.movies["A"].came_mbit_s == pytest.approx(summary.movies["A"].asked_mbit_s, rel=0.5)
