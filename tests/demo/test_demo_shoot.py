"""The shoot as files: what is written, that it is the same for the same seed, and that the truth fits the pictures."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import colour
import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.errors import InputError
from huewright.finding.find import find_card
from huewright.frames import parse_sequence, read_frame
from huewright.models.card import load_card
from huewright_demo import spectra
from huewright_demo.shoot import make_shoot

pytestmark = pytest.mark.slow

SIZE, FRAMES = (640, 360), 24


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    seen: list[tuple[int, int, str]] = []
    made = make_shoot(tmp_path_factory.mktemp("demo") / "shoot", size=SIZE, frames=FRAMES,
                      progress=lambda *state: seen.append(state))
    assert seen[-1][0] == seen[-1][1] == 2 * (FRAMES + FRAMES // 4)
    return made


def known(shoot, camera: str) -> list[dict]:
    return shoot.truth["cameras"][camera]["frames"]


def test_files_are_half_exr_and_10_bit_dpx(shoot):
    for name, kind in (("A", "half"), ("B", "uint10")):
        for pattern, count in ((shoot.cameras[name].take, FRAMES), (shoot.cameras[name].shot, FRAMES // 4)):
            sequence = parse_sequence(pattern)
            assert len(sequence.numbers) == count
            # What OpenImageIO makes of the file, whoever wrote it.
            spec = oiio.ImageInput.open(str(sequence.path(sequence.numbers[0]))).spec()
            assert (spec.width, spec.height) == SIZE
            bits = spec.get_int_attribute("oiio:BitsPerSample", 16)
            assert ("half" if str(spec.format) == "half" else f"uint{bits}") == kind


def test_truth_on_disk_is_the_truth_returned(shoot):
    assert json.loads(shoot.truth_path.read_text()) == json.loads(json.dumps(shoot.truth))
    assert "invented" in shoot.truth["note"]
    assert load_card(shoot.card).name == "honeycomb"


def test_the_takes_give_the_survey_something_to_do(shoot):
    for name in ("A", "B"):
        rows = known(shoot, name)
        assert sum(row["card"] == "none" for row in rows) >= 2
        assert sum(len(row["reflections"]) >= 6 for row in rows) >= 4
        assert max(row["blur_px"] for row in rows if row["card"] != "none") > 20
        clean = [row for row in rows if row["card"] == "whole" and not row["reflections"] and row["blur_px"] < 1.5]
        assert len(clean) >= 4


@pytest.mark.long
def test_the_finder_sees_the_card_where_the_truth_has_it(shoot):
    card = load_card(shoot.card)
    for name in ("A", "B"):
        row = next(r for r in known(shoot, name) if r["card"] == "whole" and not r["reflections"] and r["blur_px"] < 1)
        frame = read_frame(parse_sequence(shoot.cameras[name].take).path(row["frame"]))
        found = find_card(frame.rgb_float(), card)
        assert found is not None
        assert np.linalg.norm(found.corners - np.array(row["corners"]), axis=1).max() < 0.5


def patch_codes(shoot, camera: str, row: dict, margin: float = 0.5) -> dict[str, np.ndarray]:
    """Mean code of each patch's middle, through the truth's corners."""
    import cv2

    card = load_card(shoot.card)
    rgb = read_frame(parse_sequence(shoot.cameras[camera].take).path(row["frame"])).rgb_float()
    to_px = cv2.getPerspectiveTransform(np.array(card.corners, np.float32), np.array(row["corners"], np.float32))
    means = {}
    for patch in card.patches:
        middle = np.array(patch.polygon).mean(0)
        x, y = cv2.perspectiveTransform(middle[None, None], to_px)[0, 0]
        means[patch.name] = rgb[int(y) - 3:int(y) + 4, int(x) - 3:int(x) + 4].reshape(-1, 3).mean(0)
    return means


def test_clean_frames_hold_the_stated_codes(shoot):
    """ACEScct decoded by colour-science: each patch is the truth's linear value times the frame's light."""
    for name in ("A", "B"):
        row = next(r for r in known(shoot, name) if r["card"] == "whole" and not r["reflections"] and r["blur_px"] < 1)
        codes = patch_codes(shoot, name, row)
        for patch in shoot.truth["cameras"][name]["patches"]:
            got = colour.models.log_decoding_ACEScct(codes[patch["name"]].astype(float))
            want = np.array(patch["linear"]) * row["light"]
            # 49 pixels of noise of a few percent; the light varies by under 0.03 stops over the card.
            assert np.abs(got - want).max() < 0.035 * want.max() + 0.001, (name, patch["name"])


def test_reflections_are_in_the_pictures_where_the_truth_says(shoot):
    for name in ("A", "B"):
        rows = known(shoot, name)
        clean = next(r for r in rows if r["card"] == "whole" and not r["reflections"] and r["blur_px"] < 1)
        strong = max(rows, key=lambda r: r["reflections"].get("black", 0) * (r["card"] == "whole"))
        assert strong["reflections"]["black"] > 5
        before, after = (patch_codes(shoot, name, row)["black"].mean() for row in (clean, strong))
        assert after - before > 0.03


def test_true_pictures_are_the_reflectances_under_d65(shoot):
    card = load_card(shoot.card)
    for row in shoot.truth["patches"]:
        signal = spectra.oetf(spectra.xyz_to_rgb(np.array(card.patch(row["name"]).xyz)))
        assert np.allclose(signal, row["rgb"], atol=2e-5)


def digest(folder: Path) -> str:
    total = hashlib.sha256()
    for path in sorted(folder.rglob("*.*")):
        total.update(path.name.encode() + path.read_bytes())
    return total.hexdigest()


def test_same_seed_same_bytes_whatever_the_threads_and_what_lay_there(tmp_path):
    small = {"size": (320, 180), "frames": 12, "cameras": ("B",)}
    first = make_shoot(tmp_path / "a", seed=3, threads=1, **small)
    other = make_shoot(tmp_path / "b", seed=4, threads=2, **small)
    assert digest(first.folder) != digest(other.folder)
    for pattern in (other.cameras["B"].take, other.cameras["B"].shot):
        sequence = parse_sequence(pattern)
        for number in range(1, 5):      # as a longer shoot would have left there
            shutil.copy(sequence.path(sequence.numbers[-1]), sequence.path(sequence.numbers[-1] + number))
    again = make_shoot(tmp_path / "b", seed=3, threads=2, overwrite=True, **small)
    assert len(parse_sequence(again.cameras["B"].take).numbers) == 12
    assert digest(first.folder) == digest(again.folder)
    assert len(parse_sequence(again.cameras["B"].shot).numbers) == 3


def test_what_cannot_be_made_is_refused_in_a_sentence(tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "something").touch()
    for arguments, words in (({"out_dir": tmp_path / "full"}, "not empty"),
                             ({"out_dir": tmp_path / "x", "frames": 3}, "12 frames"),
                             ({"out_dir": tmp_path / "x", "size": (100, 50)}, "320 x 180"),
                             ({"out_dir": tmp_path / "x", "cameras": ("Z",)}, "cameras are A, B")):
        with pytest.raises(InputError, match=words):
            make_shoot(**arguments)
    assert not (tmp_path / "x").exists()
