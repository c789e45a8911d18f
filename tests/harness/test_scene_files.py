"""Scene files: read strictly, with one sentence that says what is wrong and on which line; written and read back."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from huewright.errors import InputError
from huewright.models.scene import Scene, SceneCamera, SceneOut, SceneSettings, SceneShot, SceneTake, called
from huewright.models.scene_file import load_scene, save_scene, scene_text
from huewright.models.schema import schemas
from huewright.models.settings import SolveSettings, Strength
from scenefile import SCENE as TEXT


def write(folder: Path, text: str) -> Path:
    (folder / "scene.toml").write_text(text)
    return folder / "scene.toml"


def test_a_scene_is_read_and_named(tmp_path: Path) -> None:
    read = load_scene(write(tmp_path, TEXT))
    assert [take.name for take in read.scene.takes] == ["a_morning", "a_noon", "b"]
    assert [shot.name for shot in read.scene.shots] == ["kitchen_1", "kitchen_2"]
    assert read.scene.takes[1].moment == "12:04:30"
    assert read.scene.shots[1].named_takes == ("b",)
    assert read.scene.settings.solve_settings() == SolveSettings(levels_ire={"middle": 45},
                                                                 strength=Strength(hues=0.8))
    assert read.resolved("shots/x.mov") == str(tmp_path / "shots/x.mov")
    assert read.at("shot", 1).endswith("scene.toml, line 36, shot 'kitchen_2'")
    jsonschema.validate({**tomllib.loads(TEXT.replace("12:04:30", '"12:04:30"'))}, schemas()["scene"])


def test_a_scene_is_written_and_read_back(tmp_path: Path) -> None:
    scene = Scene("card.toml", (SceneCamera("A", "display"),),
                  (SceneTake("A", "a.mov", "first", "9:30", ((1, 2), (3, 2), (3, 4), (1, 4.5))),),
                  (SceneShot("A", "b.mov", "b", served_by="first"), SceneShot("A", "c.mov", "c", make="export")),
                  'A "title"', SceneSettings(fraction=0.6, chip_fractions={"red": 0.4}, strength=0.5),
                  SceneOut(format="mov", codec="ffv1"))
    save_scene(scene, tmp_path / "s.toml")
    assert load_scene(tmp_path / "s.toml").scene == scene
    assert "\n\n[[shot]]\ncamera = \"A\"\npath = \"c.mov\"\nname = \"c\"\nmake = \"export\"\n" in scene_text(scene)
    with pytest.raises(ValueError, match="there is no take 'x'"):
        save_scene(replace(scene, shots=(SceneShot("A", "b.mov", "b", served_by="x"),)), tmp_path / "t.toml")


@pytest.mark.parametrize(("there", "instead", "said"), [
    ('format = "huewright-scene-1"\n', "", "not a scene file: its first key must be format"),
    ('title = "Kitchen"', "title = ", "not a scene file (Invalid value (at line 2, column 9))"),
    ("[settings]", "[setings]", "there is no key 'setings'; do you mean settings?"),
    ("served_by = \"b\"", "servd_by = \"b\"", "line 36, shot 'shots/kitchen_2.####.png': there is no key 'servd_by'; "
                                              "do you mean served_by?"),
    ("range = \"legal\"", "range = \"leagl\"", "line 13, camera 'B': range is one of full, legal, not 'leagl'"),
    ("encoding = \"display\"", "encodng = \"display\"", "line 13, camera 'B': there is no key 'encodng'; do you mean"),
    ("encoding = \"display\"\n", "", "line 13, camera 'B': encoding is missing"),
    ("camera = \"B\"\npath = \"shots", "camera = \"b\"\npath = \"shots",
     "line 36, shot 'kitchen_2': there is no camera 'b'; there are 'A', 'B'"),
    ("served_by = \"b\"", "served_by = \"a_moon\"", "line 36, shot 'kitchen_2': there is no take 'a_moon'; do you mean "
                                                   "'a_noon'?"),
    ("served_by = \"b\"", "served_by = \"a_noon\"", "take 'a_noon' is of camera 'A', the shot of 'B'"),
    ('served_by = ["a_morning", "a_noon"]', 'served_by = ["a_noon", "a_noon"]', "one take, or two different ones"),
    ("kitchen_2.####.png", "kitchen_1.####.png", "shot 1 of the file is called 'kitchen_1' as well; give each a name"),
    ("12:04:30", '"noonish"', "line 22, take 'a_noon': 'noonish' is no moment; write a time of day as 10:04"),
    ("hues = 0.8", "hues = 80", "strength.hues is 1 at most, not 80"),
    ("levels = { middle = 45 }", 'method = "magic"', "settings: unknown method 'magic'"),
    ("[[take]]\ncamera = \"B\"\npath = \"takes/b\"\n", "", "there is no take 'b'"),
    ('name = "B"', 'name = "B"\nfollows = "C"', "line 13, camera 'B': there is no camera 'C' to follow; there are"),
    ('name = "B"', 'name = "B"\nfollows = "B"', "line 13, camera 'B': it follows itself"),
    ('name = "A"\nencoding = "ACEScct"\n\n[[camera]]\nname = "B"',
     'name = "A"\nfollows = "B"\nencoding = "ACEScct"\n\n[[camera]]\nname = "B"\nfollows = "A"',
     "camera 'A': camera 'B' follows another itself; let both follow 'A'"),
    ('path = "takes/b"', 'path = "takes/b"\nfollows = "a_noon"', "take 'b': its camera 'B' follows none"),
    ('name = "B"', 'name = "B/2"', "line 13, camera 'B/2': its name 'B/2' can't be a file's"),
    ('make = "export"', "make = true", "make takes text, not true"),
    ("a_noon.mov:100", f"a_noon.mov:{'9' * 5000}", "line 22, take 'takes/a_noon.mov:9999"),
    ("12:04:30", f'"{"9" * 5000}"', "99... is no moment; write a time of day"),
    ('path = "takes/b"', 'path = "takes/b"\n[[take]]\ncamera = "A"\npath = "takes/a_2"\n'
     '[[shot]]\ncamera = "A"\npath = "s.mov"\nserved_by = ["a_morning", "a_noon", "a_2"]',
     "shot 's': served_by is one take, or two different ones"),
    ("[[take]]", "[[takes]]", "there is no key 'takes'; begin each table with [[take]]"),
    ("[[camera]]\nname = \"A\"", "[camera]\nname = \"A\"", "not a scene file (Cannot overwrite a value"),
    ("[settings]", "[out]\nconfig = \"luts\"\n[settings]", "out: 'luts' is a folder of the scene's own"),
    ("[settings]", "[out]\nconfig = \"../ocio\"\n[settings]", "out: the folder of config '../ocio' can't be a file's"),
    ("[settings]", "[out]\nedit = \"cut.edl\"\n[settings]", "out: edit 'cut.edl' is none in OpenTimelineIO's own"),
    ("[settings]", "[out]\nedit = \".otio\"\n[settings]", "out: edit '.otio': its name has no letters"),
    ("[settings]", "[out]\nedit = [\"cut.otio\", \"old/Cut.OTIO\"]\n[settings]", "are called alike"),
    ('name = "A"\nencoding = "ACEScct"', 'name = "A"\nencoding = "?"', "line 9, camera 'A': its encoding is still '?'"),
    ('path = "takes/b"', f'path = "takes/b"\nname = "{"b" * 101}"', "is longer than 100 letters"),
])
def test_what_is_wrong_is_said_with_its_place(tmp_path: Path, there: str, instead: str, said: str) -> None:
    assert there in TEXT
    path = write(tmp_path, TEXT.replace(there, instead, 1))
    with pytest.raises(InputError) as refused:
        load_scene(path)
    assert str(refused.value).startswith(str(path)) and "\n" not in str(refused.value)
    assert said in str(refused.value) and len(str(refused.value)) < 1000


HEAD = 'format = "huewright-scene-1"\ncard = "card.toml"\n'
CAMERA, TAKE = '[[camera]]\nname = "A"\nencoding = "display"\n', '[[take]]\ncamera = "A"\npath = "a.mov"\n'


def test_a_scene_of_the_least_asks_for_the_whole_correction_as_it_is_usual(tmp_path: Path) -> None:
    scene = load_scene(write(tmp_path, HEAD + CAMERA + TAKE)).scene
    assert scene.settings.solve_settings() == SolveSettings() and scene.shots == ()
    for rows in ("take = 3\n", "take = [1]\n"):
        with pytest.raises(InputError, match=r"take must be tables, each begun with \[\[take\]\] in double brackets"):
            load_scene(write(tmp_path, HEAD + rows + CAMERA))
    with pytest.raises(InputError, match=r"toml: a whole number of thousands of digits; mend that line"):
        load_scene(write(tmp_path, HEAD + f"title = {'9' * 5000}\n" + CAMERA + TAKE))
    with pytest.raises(InputError, match="exists"):
        save_scene(scene, tmp_path / "scene.toml")
    with pytest.raises(InputError, match=r"there is no camera; give each a \[\[camera\]\] table"):
        load_scene(write(tmp_path, HEAD + TAKE))
    with pytest.raises(InputError, match=r"there is no take of the card; give each a \[\[take\]\] table"):
        load_scene(write(tmp_path, HEAD + CAMERA))
    other = CAMERA.replace('"A"', '"B"')
    with pytest.raises(InputError, match="shot 's': camera 'B' has no take of the card; give it a"):
        load_scene(write(tmp_path, HEAD + CAMERA + other + TAKE + '[[shot]]\ncamera = "B"\npath = "s.mov"\n'))
    follows = other.replace("encoding", 'follows = "A"\nencoding')
    with pytest.raises(InputError, match="camera 'A' has no take of the card to follow"):
        load_scene(write(tmp_path, HEAD + CAMERA + follows + TAKE.replace('"A"', '"B"')))


@pytest.mark.parametrize(("path", "name"), [
    ("takes/a.####.exr", "a"), ("a_%04d.dpx", "a"), ("day 2/clip.mov:range=full:100-240", "clip"), ("b/####.exr", "b"),
    ("stills/*.png", "stills"), ("takes/a_1", "a_1"), ("x.0001.tif", "x.0001"), ("c:\\d\\e.mov", "e")])
def test_what_clips_are_called(path: str, name: str) -> None:
    assert called(path) == name


def test_a_take_follows_a_take_of_the_leading_camera(tmp_path: Path) -> None:
    text = TEXT.replace('name = "B"', 'name = "B"\nfollows = "A"').replace(
        'path = "takes/b"', 'path = "takes/b"\nfollows = "a_noon"')
    scene = load_scene(write(tmp_path, text)).scene
    assert scene.camera("B").follows == "A" and scene.takes[2].follows == "a_noon"
    with pytest.raises(InputError, match="camera 'A', which its camera follows, has no take 'b'"):
        load_scene(write(tmp_path, text.replace('follows = "a_noon"', 'follows = "b"')))
    with pytest.raises(InputError, match="a matrix and hues, which method balance leaves as they are"):
        load_scene(write(tmp_path, text.replace("[settings]", '[settings]\nmethod = "balance"')))


@pytest.mark.parametrize(("name", "words"), [("x" * 100, ""), ("x" * 101, "its name is longer than 100 letters")])
def test_how_long_a_name_may_be(tmp_path: Path, name: str, words: str) -> None:
    path = write(tmp_path, TEXT.replace('name = "B"', f'name = "{name}"').replace('camera = "B"', f'camera = "{name}"'))
    if words:
        with pytest.raises(InputError, match=words):
            load_scene(path)
    else:
        assert load_scene(path).scene.camera(name).name == name
