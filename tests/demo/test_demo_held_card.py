"""The hand-held card's picture: exact colours inside patches, geometry against OpenCV, the lamp at the mirror angle."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from huewright.models.card import load_card
from huewright_demo import held, scene
from huewright_demo.cameras import CAMERAS
from huewright_demo.design_card import CARD
from huewright_demo.shoot import LIGHT

W, H, FRAMES = 960, 540, 48
CARD_MODEL = load_card(CARD)


@pytest.fixture(scope="module")
def studio():
    camera = CAMERAS["A"]
    raw = {area.name: camera.raw_of_reflectance(np.array(area.reflectance), LIGHT)
           for area in (*CARD_MODEL.marks, *CARD_MODEL.patches)}
    texture = held.card_texture(CARD_MODEL, raw, scene.palette(camera, LIGHT), 1)
    return raw, texture, held.Motion(FRAMES, 1)


def still_frame(motion) -> int:
    blur = [held.motion_blur_px(motion, CARD_MODEL, n, W, H) for n in range(FRAMES)]
    held_still = range(int(0.5 * FRAMES), int(0.68 * FRAMES))
    return min(held_still, key=lambda n: blur[n])


def test_patch_interiors_are_the_patch_times_the_light(studio):
    raw, texture, motion = studio
    number = still_frame(motion)
    picture = held.composite(np.zeros((H, W, 3), np.float32), texture, CARD_MODEL, motion, number, np.ones(3))
    pose = motion.at(number)
    for patch in CARD_MODEL.patches:
        middle = np.array(patch.polygon).mean(0)
        x, y = pose.project(CARD_MODEL, middle, W, H)
        column, row = int(x), int(y)
        point = pose.points(CARD_MODEL, middle)
        want = raw[patch.name] * held.irradiance(point[None], pose.normal)[0]
        assert np.abs(picture[row, column] / want - 1).max() < 2e-3, patch.name


def test_corners_are_where_opencv_projects_them(studio):
    _, _, motion = studio
    pose = motion.at(20)
    matrix = np.array([[held.FOCAL_WIDTHS * W, 0, W / 2], [0, held.FOCAL_WIDTHS * W, H / 2], [0, 0, 1]])
    corners = np.array([[x - 140, y - 100, 0] for x, y in CARD_MODEL.corners], float)
    want, _ = cv2.projectPoints(corners, cv2.Rodrigues(pose.rotation)[0], pose.centre, matrix, None)
    assert np.allclose(pose.project(CARD_MODEL, np.array(CARD_MODEL.corners), W, H), want[:, 0], atol=1e-6)


def test_the_lamp_mirrors_where_the_normal_halves_lamp_and_eye():
    point = np.array([0.0, 75.0, 900.0])
    lamp, eye = held.LAMP_MM - point, -point
    half = lamp / np.linalg.norm(lamp) + eye / np.linalg.norm(eye)
    half /= np.linalg.norm(half)
    full = sum(strength for strength, _ in held.LOBES)
    assert held.reflection(point[None], half)[0] == pytest.approx(full)
    assert held.reflection(point[None], np.array([0.0, 0.0, -1.0]))[0] < 1e-3 * full


def test_motion_enters_is_held_and_leaves(studio):
    _, _, motion = studio
    outline = np.array(CARD_MODEL.corners)

    def inside(number: int) -> bool:
        corners = motion.at(number).project(CARD_MODEL, outline, W, H)
        return bool(((corners > 0) & (corners < (W, H))).all())

    assert not inside(0) and not inside(FRAMES - 1)
    assert all(inside(n) for n in range(int(0.3 * FRAMES), int(0.8 * FRAMES)))
    blur = np.array([held.motion_blur_px(motion, CARD_MODEL, n, W, H) for n in range(FRAMES)])
    assert blur.max() > 40 and blur[int(0.5 * FRAMES):int(0.68 * FRAMES)].max() < 1.5


def test_a_moving_card_smears_and_covers_less_fully(studio):
    _, texture, motion = studio
    blur = [held.motion_blur_px(motion, CARD_MODEL, n, W, H) for n in range(FRAMES)]
    number = max((n for n in range(FRAMES) if 10 < blur[n] < 60), key=lambda n: blur[n])
    white = np.ones((H, W, 3), np.float32)
    moving = held.composite(white, texture, CARD_MODEL, motion, number, np.ones(3))
    still = held.composite(white, texture, CARD_MODEL, motion, still_frame(motion), np.ones(3))

    def steepest(picture: np.ndarray) -> float:
        return float(np.abs(np.diff(picture[..., 1], axis=1)).max())

    assert steepest(moving) < 0.6 * steepest(still)
