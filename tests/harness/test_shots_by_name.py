"""Several shots by one name, and what their folders are called."""

from __future__ import annotations

from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.steps.shots import places_for, shot_folders, shots_from


@pytest.fixture
def scenes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("scenes/kitchen/b.0001.exr", "scenes/kitchen/b.0002.exr", "scenes/garden/b.0007.exr",
                 "scenes/garden/c_9.exr", "scenes/garden/c_10.exr", "scenes/garden/notes.txt", "scenes/garden/.d.1.exr",
                 "stills/wall.png", "stills/door.png", "pair/a.001.dpx", "pair/a.002.dpx", "pair/z.001.dpx"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    monkeypatch.chdir(tmp_path)
    return tmp_path


GARDEN = [("scenes/garden/b.0007.exr", (7,)), ("scenes/garden/c_9.exr", (9, 10))]
KITCHEN = [("scenes/kitchen/b.0001.exr", (1, 2))]


@pytest.mark.parametrize(("named", "wanted"), [
    ("scenes", GARDEN + KITCHEN),
    ("scenes/garden", GARDEN),
    ("scenes/*", GARDEN + KITCHEN),
    ("scenes/*/", GARDEN + KITCHEN),
    ("sc*/k*", KITCHEN),
    ("scenes/*/b.####.exr", [GARDEN[0], *KITCHEN]),
    ("scenes/garden/*.exr", GARDEN),
    ("scenes/kitchen/b.####.exr", KITCHEN),
    ("scenes/kitchen/b.####.exr:2", [("scenes/kitchen/b.0002.exr", (2,))]),
    ("stills/*.png", [("stills/door.png", (1, 2))]),          # picked by hand: one shot
    ("pair", [("pair/a.001.dpx", (1, 2)), ("pair/z.001.dpx", (1,))]),
])
def test_what_a_name_stands_for(scenes: Path, named: str, wanted: list[tuple[str, tuple[int, ...]]]) -> None:
    shots = shots_from(named)
    assert [(str(shot.path(shot.numbers[0])), shot.numbers) for shot in shots] == wanted


@pytest.mark.parametrize("named", ["nowhere", "nowhere/*", "scenes/*/q.####.exr", "scenes/kitchen/*.dpx"])
def test_nothing_there(scenes: Path, named: str) -> None:
    with pytest.raises(InputError, match=r"check the path"):
        shots_from(named)


def test_folders_are_named_after_the_shots(scenes: Path) -> None:
    shots = shots_from("scenes")
    assert shot_folders(shots) == ("garden-b", "c", "kitchen-b")
    assert shot_folders(shots + shots[1:2]) == ("garden-b", "garden-c", "kitchen-b", "garden-c-2")
    assert shot_folders(shots_from("stills/*.png")) == ("picked",)
    assert places_for("true/a.####.exr", shots[:1]) == ("true/a.####.exr",)
    assert places_for("true", shots) == ("true/garden-b/b.####.exr", "true/c/c_#.exr", "true/kitchen-b/b.####.exr")
    with pytest.raises(InputError, match="3 shots go into a folder each"):
        places_for("true/a.####.exr", shots)
