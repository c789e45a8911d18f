"""A shot of another camera is told by its files: metadata, kind, what lies below black, cast, what leaves the range."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from huewright.colorimetry.declare import declare_footage
from huewright.frames import Frame, parse_sequence, write_frame
from huewright.frames.sequence import FrameSequence
from huewright.models.cautions import FramesByHand, Limits
from huewright.models.proof import Summary
from huewright.models.shots import DrivenOut, NamedOtherwise, ShotProof
from huewright.proof.likeness import CONTRADICTED, Traits, judged, traits_of, unlike
from huewright.proof.verdict import verdict_of

LOG = declare_footage(encoding="ACEScct")
PLAIN = Traits("half float EXR", {"make": "Invented One", "white balance": "5600"}, 0.0, (0.1, -0.2))


def exr(path: Path, picture: np.ndarray, **named: object) -> FrameSequence:
    """Written by OpenImageIO itself, with the attributes ``named``."""
    path.parent.mkdir(parents=True, exist_ok=True)
    spec = oiio.ImageSpec(picture.shape[1], picture.shape[0], 3, "half")
    for name, value in named.items():
        spec.attribute(name, value)
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), spec) and out.write_image(picture.astype(np.float32)) and out.close()
    return parse_sequence(str(path))


def test_traits_are_what_the_files_hold(tmp_path: Path) -> None:
    codes = np.full((36, 64, 3), 0.4135, np.float32)              # ACEScct of 0.18, Academy S-2016-001
    codes[..., 0] += 1 / 17.52                                    # a stop more red
    codes[:9] = 0.05                                              # below the code of no light, 0.0729
    traits = traits_of(exr(tmp_path / "a.0001.exr", codes, cameraMake="Invented One", isoSpeed=800.0), LOG)
    assert traits.kind == "half float EXR"
    assert traits.named["make"] == "Invented One" and traits.named["sensitivity"].startswith("800")
    assert traits.dark_percent == pytest.approx(25, abs=0.1)
    assert traits.lean_stops == pytest.approx((1, 0), abs=0.01)


def test_the_same_camera_is_not_doubted() -> None:
    shot = replace(PLAIN, lean_stops=(0.6, 0.2), dark_percent=1.0)      # another scene
    assert unlike(PLAIN, shot, 0.2, 4.0) == (0, ())
    assert unlike(replace(PLAIN, named={}), PLAIN, 0, 0) == (0, ())     # one of them doesn't say


@pytest.mark.parametrize("change", [
    {"named": {"make": "Invented Two", "white balance": "5600"}}, {"named": {"white balance": "3200"}},
    {"kind": "10-bit DPX", "lean_stops": (1.0, 0.0)}, {"kind": "10-bit DPX", "dark_percent": 20.0}])
def test_another_camera_or_setting_contradicts(change: dict) -> None:
    points, signs = unlike(PLAIN, replace(PLAIN, **change), 0, 0)
    assert points >= CONTRADICTED and signs


@pytest.mark.parametrize(("change", "beyond"), [
    ({"kind": "10-bit DPX"}, 0), ({"lean_stops": (1.0, 0.0)}, 0), ({}, 11.0), ({"dark_percent": 20.0}, 0)])
def test_a_sign_alone_is_said_but_does_not_contradict(change: dict, beyond: float) -> None:
    points, signs = unlike(PLAIN, replace(PLAIN, **change), 0.1, beyond)
    assert points == 1 and len(signs) == 1


def test_nothing_is_said_of_a_frame_without_light(tmp_path: Path) -> None:
    write_frame(tmp_path / "b.0001.exr", Frame(np.zeros((8, 8, 3), np.float32)))
    dark = traits_of(parse_sequence(str(tmp_path / "b.0001.exr")), LOG)
    assert unlike(replace(PLAIN, kind=dark.kind, dark_percent=100.0), dark, 0, 0)[0] == 0


def test_a_shot_of_another_camera_is_strange_and_the_proof_does_not_pass(tmp_path: Path) -> None:
    grey = np.full((36, 64, 3), 0.4, np.float32)
    take = exr(tmp_path / "a" / "a.0001.exr", grey, cameraMake="Invented One")
    other = exr(tmp_path / "b" / "b.0001.exr", grey, cameraMake="Invented Two")
    shot = ShotProof("b", 1, 1, 25.0, False, False, 0, 0.0, 0.0, 0.0, 0.0)
    (same,) = judged([shot], [take], take, LOG, 0.0)
    assert not same.strange and same.signs == ()
    (unlike_one,) = judged([shot], [other], take, LOG, 0.0)
    assert unlike_one.strange and unlike_one.signs == (NamedOtherwise("make", "Invented Two", "Invented One"),)
    (mixed,) = judged([replace(shot, pixels_at_end_stops_percent=11.0)], [take], take, LOG, 0.0)
    assert not mixed.strange and mixed.signs == (DrivenOut(11.0, 0.0),)
    limits = Limits(0.5, 0.01, 0.5)
    assert [verdict_of(Summary(), limits, "fits", (), [one]) for one in (same, unlike_one, mixed)] == [
        "within-limits", "shot-of-another-camera", "within-limits"]


def test_frames_that_were_refused_and_taken_in_by_hand_are_in_the_verdict() -> None:
    limits = Limits(0.5, 0.01, 0.5)
    insisted, chosen = FramesByHand((3, 4), (3,)), FramesByHand((4,), left_out=(9,))
    assert verdict_of(Summary(), limits, "fits", [insisted], ()) == "refused-frames-taken-in"
    assert verdict_of(Summary(), limits, "fits", [chosen], ()) == "within-limits"
