"""The path-traced takes' own light, against what physics says of it. Needs Mitsuba (the extra ``traced``)."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from traced.scene import BANDS, EYE, Lamp, room

mitsuba = pytest.importorskip("mitsuba", reason="the extra 'traced' (Mitsuba) is not installed")


def test_light_on_the_card_falls_as_the_inverse_square() -> None:
    """A small lamp in a black room, square on before the card: radiance times its solid angle over pi, for a white.

    Source: radiometry's definition of irradiance; Lambert's cosine law.
    """
    from traced import trace

    mitsuba.set_variant("scalar_spectral")
    black = (1e-4,) * len(BANDS)
    scene = room(0)
    pose = scene.pose(0)
    seen = []
    for away in (0.6, 1.2):
        at = pose.middle + away * pose.out
        lamp = Lamp(tuple(map(float, at)), tuple(map(float, pose.middle)), 0.06, 1.0)
        dark = replace(scene, lamps=(lamp,), boxes=(), walls=(black,) * 6)
        light = trace._falling(mitsuba, trace._room(mitsuba, dark, 0), pose, 1)
        middle = light[4:6, 6:8].mean()
        assert middle == pytest.approx(0.06**2 / away**2 / np.pi, rel=0.03)
        seen.append(light)
    corner = seen[0][0, 0].mean() / seen[0][4:6, 6:8].mean()
    offset = np.hypot(0.13, 0.09)
    assert corner == pytest.approx((0.6**2 / (0.6**2 + offset**2)) ** 2, rel=0.05)


def test_poses_face_the_camera() -> None:
    pose = room(3).pose(5)
    assert pose.out @ (EYE - pose.middle) > 0.7 * np.linalg.norm(EYE - pose.middle)
