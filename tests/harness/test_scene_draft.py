"""A scene file drafted from a folder of clips: whose they are, what serves what, and what only a person can say."""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from clips import HD_TAGS, write_clip
from huewright.errors import InputError, NoAnswerError
from huewright.models import drafted
from huewright.models.drafted import Drafted
from huewright.models.scene_file import load_scene
from huewright.steps.scene.draft import draft_scene
from huewright.steps.scene.job import run_scene
from huewright_kernels.ycbcr import Coding, from_rgb

sys.path.insert(0, str(Path(__file__).parent))

from scenes import blocks
from test_command_line import CARD, paint, refused, say

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> tuple[np.ndarray, np.ndarray]:
    """Our card, and a wall without it: R'G'B', 480 x 270."""
    folder = tmp_path_factory.mktemp("pictures")
    found = []
    for card in (True, False):
        paint(folder / "a.png", card=card)
        codes = cv2.imread(str(folder / "a.png"), cv2.IMREAD_UNCHANGED)[..., ::-1].astype(np.float32) / 65535
        found.append(cv2.resize(codes, (480, 270), interpolation=cv2.INTER_AREA))
    return found[0], found[1]


@pytest.fixture
def movie(pictures: tuple[np.ndarray, np.ndarray], tmp_path: Path) -> Callable[..., Path]:
    def write(name: str, *, card: bool | tuple[bool, ...], code: str = "", tagged: bool = True, **said: str) -> Path:
        shows = (card,) * 3 if isinstance(card, bool) else card
        frames = [from_rgb(pictures[0 if each else 1], Coding(0.2126, 0.0722, 8, True, 2, 2, 0.0, 0.5))
                  for each in shows]
        return write_clip(tmp_path / "footage" / name, frames, timecode=code, metadata=said, tags=HD_TAGS if tagged
                          else {}, options={"qp": "4", "preset": "ultrafast"},
                          container_options={"movflags": "use_metadata_tags"})

    return write


def draft(tmp_path: Path, encoding: str | None = "display") -> Drafted:
    (tmp_path / "card.toml").write_bytes(CARD.read_bytes())
    return draft_scene(tmp_path / "scene.toml", tmp_path / "footage", tmp_path / "card.toml", encoding=encoding)


def cameras_of(made: Drafted) -> dict[str, tuple[set[str], set[str]]]:
    return {camera.row.name: ({row.row.name for row in made.takes if row.row.camera == camera.row.name},
                              {row.row.name for row in made.shots if row.row.camera == camera.row.name})
            for camera in made.cameras}


def kinds(made: Drafted) -> list[type]:
    return [type(one) for one in made.questions]


def test_cameras_by_what_their_files_say_and_takes_by_time_code(movie: Callable[..., Path], tmp_path: Path) -> None:
    for serial, first in (("11", 9), ("22", 10)):
        said = {"com.example.make": "Nobody", "com.example.model": "None 1", "com.example.serial_number": serial}
        movie(f"c{serial}_1.mov", card=True, code=f"{first:02d}:00:00:00", **said)
        movie(f"c{serial}_2.mov", card=False, code=f"{first:02d}:10:00:00", **said)
        movie(f"c{serial}_3.mov", card=True, code=f"{first:02d}:20:00:00", **said)
        movie(f"c{serial}_4.mov", card=False, code=f"{first:02d}:30:00:00", **said)
    made = draft(tmp_path)
    assert cameras_of(made) == {"A": ({"c11_1", "c11_3"}, {"c11_2", "c11_4"}),
                                "B": ({"c22_1", "c22_3"}, {"c22_2", "c22_4"})}
    assert [row.served for row in made.shots] == ["c11_1", "c11_3", "c22_1", "c22_3"] and not made.questions
    text = (tmp_path / "scene.toml").read_text()
    assert text.count('# follows = "A"') == 1 and text.index('name = "B"') < text.index("# follows")
    assert "make and model Nobody None 1, serial number 11" in text and "take c11_1, 10 min before the shot" in text
    # The file runs as it is, and serves what it says.
    result = run_scene(tmp_path / "scene.toml", dry_run=True)
    assert {name: served.takes for name, served in result.served.items()} == {
        row.row.name: (row.served,) for row in made.shots} and not result.failed
    with pytest.raises(InputError, match="a draft replaces no scene file"):
        draft(tmp_path)
    assert (tmp_path / "scene.toml").read_text() == text


def test_cameras_by_folders_and_names_only_where_each_has_a_card(tmp_path: Path) -> None:
    for folder in ("cards", "shots"):      # folders that tell takes from shots are no cameras; names are
        for camera in ("left", "right"):
            path = tmp_path / "footage" / folder / f"{camera}_x.0001.png"
            path.parent.mkdir(parents=True, exist_ok=True)
            if folder == "cards":
                paint(path)
            else:
                paint(path, card=False)
    made = draft(tmp_path)
    assert {name: tuple(map(len, both)) for name, both in cameras_of(made).items()} == {"left": (1, 1), "right": (1, 1)}
    assert {row.row.path for row in made.shots} == {"footage/shots/left_x.####.png", "footage/shots/right_x.####.png"}
    assert kinds(made) == [drafted.NothingNamesCamera] * 2 and made.cameras[0].questions[0].apart == ("cards", "shots")
    names = [row.row.name for row in (*made.takes, *made.shots)]
    assert len(set(names)) == 4 and "shots-left_x" in names
    assert not run_scene(tmp_path / "scene.toml", dry_run=True).failed


def test_what_it_cannot_tell_is_asked_and_left_out(movie: Callable[..., Path], tmp_path: Path) -> None:
    for number, card in ((1, True), (2, False), (3, True), (4, False)):      # a counter that begins anew in every clip
        movie(f"c_{number}.mov", card=card, code="00:00:00:00")
    movie("c_late.mov", card=False, code="00:00:00:00")
    (tmp_path / "footage/broken.mov").write_bytes(b"no movie")
    for number in (1, 2, 4):
        blocks(tmp_path / f"footage/grey.{number:04d}.png", number)
    made = draft(tmp_path, encoding=None)
    served = {row.row.name: (row.served, row.order, row.used) for row in made.shots}
    assert served == {"c_2": ("c_1", "names", True), "c_4": ("c_3", "names", True), "c_late": ("", "nothing", False),
                      "grey": ("", "nothing", False)}
    assert [path for path, _ in made.unread] == ["footage/broken.mov"]
    asked = kinds(made)
    assert asked.count(drafted.OrderNotTold) == 3 and drafted.NoCardOfCamera in asked
    assert drafted.EncodingByTags in asked and drafted.FramesMissing in asked and drafted.EncodingNotGiven not in asked
    text = (tmp_path / "scene.toml").read_text()
    assert text.count("# ? ") == len(asked) and "which came first?" in text and '# path = "footage/c_late.mov"' in text
    result = run_scene(tmp_path / "scene.toml", dry_run=True)
    assert set(result.served) == {"c_2", "c_4"} and not result.failed
    # What was left out can be taken in: the comments are tables.
    taken_in = text.replace("# [[shot]]", "[[shot]]").replace('# camera = "A"', 'camera = "A"')
    assert len(tomllib.loads(taken_in)["shot"]) == 4


def test_an_encoding_that_nobody_gave_is_asked_for(movie: Callable[..., Path], tmp_path: Path,
                                                   capsys: pytest.CaptureFixture[str],
                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    movie("c_1.mov", card=(True, *(False,) * 5), tagged=False)
    (tmp_path / "card.toml").write_bytes(CARD.read_bytes())
    monkeypatch.chdir(tmp_path)
    code, out, said = say(capsys, monkeypatch, "scene", "scene.toml", "--draft", "footage", "--card", "card.toml")
    assert code == 0 and "2 questions to answer in scene.toml" in out and max(map(len, out.splitlines())) <= 80, said
    assert out.endswith("then: huewright scene scene.toml --dry-run\n")
    text = Path("scene.toml").read_text()
    assert "Is the rest of c_1 a shot as well?" in text and '# served_by = "c_1"' in text
    refused(say(capsys, monkeypatch, "scene", "scene.toml"), 2, "camera 'A': its encoding is still '?'", "display")
    Path("scene.toml").write_text(text.replace('"?"\n', '"display"\n'))
    assert load_scene("scene.toml").scene.takes[0].path == "footage/c_1.mov"
    refused(say(capsys, monkeypatch, "scene", "scene.toml", "--card", "card.toml"), 2, "are for --draft")
    refused(say(capsys, monkeypatch, "scene", "new.toml", "--draft", "footage"), 2, "--card card.toml")
    refused(say(capsys, monkeypatch, "scene", "new.toml", "--draft", "gone", "--card", "card.toml"), 2,
            "no such folder")


def test_no_card_anywhere_writes_nothing(tmp_path: Path) -> None:
    blocks(tmp_path / "footage/a.0001.png", 1)
    with pytest.raises(NoAnswerError, match="in 1 clip; check --card"):
        draft(tmp_path)
    assert not (tmp_path / "scene.toml").exists()
