"""Finding, reading and grading held against the generated test set: a small part of what testset/measure.py measures.

The limits are the test set's own stated ones; the figures of the whole set are in DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from huewright.cards.own import own_card
from huewright.errors import InputError
from huewright.finding.blobs import edge_strength, find_blobs
from huewright.finding.confirm import hue_agreement
from huewright.finding.expect import expected_colour, expected_rgb
from huewright.finding.find import find_card
from huewright.finding.grade import judge, tilt_deg
from huewright.finding.light import LinearLight
from huewright.finding.match import constellation, polygon_moments
from huewright.finding.pose import Pose, plain_pose
from huewright.finding.read import read_patches
from huewright.finding.spots import ground_spots
from huewright.finding.veil import Observed, fit_light
from huewright.models.card import Card, Patch
from testset.backgrounds import background
from testset.decoys import EMPTY_KINDS
from testset.draw import KINDS, conditions
from testset.measure import one_empty, one_with_card
from testset.scene import FOOTAGE, Conditions, Plane, compose, paint
from testset.takes import take

pytestmark = pytest.mark.slow

CARD = own_card()
PLAIN = Conditions(width=1280, height=720, size=0.45, roll_deg=8, tilt_deg=12, tilt_towards_deg=40, gloss=0.0)


def grid_card() -> Card:
    """Another card: 6 x 4 equal squares, no marks; colours invented."""
    rng = np.random.default_rng(7)
    patches = []
    for k in range(24):
        x, y = 12.0 * (k % 6) + 2, 12.0 * (k // 6) + 2
        rgb = np.full(3, 0.9 * 0.5 ** (k - 18)) if k >= 18 else rng.uniform(0.03, 0.7, 3)
        xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ rgb
        patches.append(Patch(f"p{k}", "check", ((x, y), (x + 10, y), (x + 10, y + 10), (x, y + 10)),
                             xyz=(float(xyz[0]), float(xyz[1]), float(xyz[2]))))
    return Card("grid", (74.0, 50.0), tuple(patches))


def scene(c: Conditions = PLAIN, card: Card = CARD, seed: int = 3):
    rng = np.random.default_rng(seed)
    behind, _ = background(rng, c.width, c.height)
    return compose(card, behind, c, rng)


# What is stated of each kind's corners (px at 1920): smear hides the edges themselves.
WORST_CORNER = {"motion": 4.0, "everything": 4.0}
# The frames are fixed, and so is what lies in them: where a gloss shifts a patch by over 0.25 % of the code range, the
# means are not held to the card's own; patches that are cut off, hidden or clipped are not read. Of two cards the one
# that is found here is not the one whose patches are known.
GLOSSY = {"rolled", "large", "hidden patch", "log", "over", "reflection"}
PATCHES_READ = {"cut": 15, "hidden patch": 15, "reflection": 1, "two cards": 0}


@pytest.mark.parametrize("kind", KINDS)
def test_each_difficulty_is_found_where_it_lies(kind):
    row = one_with_card(KINDS.index(kind) + 3 * len(KINDS))
    assert row["kind"] == kind
    assert row["visible"] >= 0.8 and row["found"] and row["right"]
    assert row["corner_errors"].max() < WORST_CORNER.get(kind, 1.5)
    assert not row["let_through"]
    assert row["refused"] is (kind == "reflection") and row["clean"] is (kind not in GLOSSY)
    assert len(row["patch_errors"]) >= PATCHES_READ.get(kind, len(CARD.patches))
    assert kind in GLOSSY or row["patch_errors"].max(initial=0.0) < 0.005


# The odd ones from 17 on are other cards, among them our layout mirrored, in other colours and in grey; 21 and 29
# were once taken for the card.
@pytest.mark.parametrize("index", [0, 13, 17, 21, 25, 29, *(
    pytest.param(index, marks=pytest.mark.long) for index in (2, 4, 19, 23, 27))])
def test_nothing_is_found_where_no_card_is(index):
    row = one_empty(index)
    assert row["kind"] == EMPTY_KINDS[index] and not row["found"]


@pytest.mark.parametrize("decoy", ["mirrored", "colours moved", "another card"])
def test_a_card_that_is_not_ours_is_not_found(decoy):
    card = {"mirrored": replace(CARD, patches=tuple(
                replace(patch, polygon=tuple((CARD.size[0] - x, y) for x, y in reversed(patch.polygon)))
                for patch in CARD.patches)),
            "colours moved": replace(CARD, patches=tuple(
                replace(patch, xyz=CARD.patches[(k + 7) % len(CARD.patches)].xyz)
                for k, patch in enumerate(CARD.patches))),
            "another card": grid_card()}[decoy]
    frame, _ = scene(card=card)
    assert find_card(frame, card) is not None      # what is there can be found by its own file
    assert find_card(frame, CARD) is None


@pytest.mark.parametrize("roll", [0, 90, 180, 250])
def test_a_plain_grid_without_marks_is_found_any_way_up(roll):
    card = grid_card()
    frame, truth = scene(replace(PLAIN, roll_deg=roll, size=0.3), card)
    found = find_card(frame, card)
    assert found is not None
    assert np.abs(found.corners - truth.corners).max() < 1.5


def test_of_two_cards_one_is_found_right():
    rng = np.random.default_rng(5)
    first = replace(PLAIN, size=0.3, centre=(0.25, 0.5))
    behind, _ = background(rng, 1280, 720)
    one, truth = compose(CARD, behind, first, rng)
    two, other = compose(CARD, behind, replace(first, centre=(0.75, 0.5)), rng)
    frame = np.where(np.arange(1280)[None, :, None] < 640, one, two)
    found = find_card(frame, CARD)
    assert found is not None
    assert min(np.abs(found.corners - t.corners).max() for t in (truth, other)) < 1.0


def test_a_hint_is_followed_over_a_move_and_given_up_when_the_card_is_gone():
    frame, _ = scene()
    first = find_card(frame, CARD)
    moved, truth = scene(replace(PLAIN, centre=(0.515, 0.49), roll_deg=9.5))
    tracked = find_card(moved, CARD, hint=first)
    assert tracked is not None and np.abs(tracked.corners - truth.corners).max() < 1.0
    empty = np.full_like(frame, 0.3) + np.random.default_rng(0).normal(0, 0.01, frame.shape).astype(np.float32)
    assert find_card(empty, CARD, hint=first) is None


def test_a_take_is_followed_lost_under_a_hand_found_again_and_lost_when_it_leaves():
    shown = [*range(20, 34), *range(35, 39), *range(51, 54), *range(66, 70)]
    before = None
    seen, gone, partly = [], [], []
    for frame, truth in take(1, CARD, 960, 540, shown):
        hinted = before is not None
        before = find_card(frame, CARD, hint=before)
        if truth.visible_card > 0.8:
            assert before is not None
            assert np.abs(before.corners - truth.corners).max() < 1.5
            seen.append(hinted)
        elif truth.visible_card < 0.05:
            assert before is None
            gone.append(hinted)
        else:       # under the hand: it may be lost, but not be taken for another place
            partly.append(0.0 if before is None else np.abs(before.corners - truth.corners).max())
    assert partly and max(partly) < 10
    # Followed, found again from nothing, and looked for in vain, each at least twice.
    assert seen.count(True) >= 10 and seen.count(False) >= 2 and len(gone) >= 2


def test_uniform_areas_are_those_that_opencv_labels():
    rng = np.random.default_rng(4)
    strength = cv2.GaussianBlur(rng.random((240, 320)).astype(np.float32), (0, 0), 3)
    picture = rng.random((240, 320, 3)).astype(np.float32)
    threshold = float(np.median(strength))
    blobs = find_blobs(picture, strength, threshold, least=30, largest=0.2)
    count, labels, stats, centroids = cv2.connectedComponentsWithStats((strength < threshold).astype(np.uint8),
                                                                       connectivity=4)
    assert len(blobs.area) >= 5
    for k in range(len(blobs.area)):
        inside = blobs.where == k
        label = int(labels[inside][0])
        np.testing.assert_array_equal(inside, labels == label)
        assert blobs.area[k] == stats[label, cv2.CC_STAT_AREA]
        np.testing.assert_allclose(blobs.centre[k], centroids[label] + 0.5, atol=1e-9)
        np.testing.assert_allclose(blobs.colour[k], picture[inside].mean(axis=0), rtol=1e-5)
        y, x = np.nonzero(inside)
        np.testing.assert_allclose(blobs.shape[k], np.cov(x, y, bias=True) + np.eye(2) / 12, atol=1e-6)


def test_edge_strength_is_the_gradient_that_opencv_measures():
    picture = np.random.default_rng(2).random((60, 90, 3)).astype(np.float32)
    smooth = cv2.GaussianBlur(picture, (0, 0), 0.8)
    gx, gy = (cv2.Scharr(smooth, cv2.CV_32F, *order, scale=1 / 32) for order in ((1, 0), (0, 1)))
    expected = np.sqrt(gx**2 + gy**2).max(axis=2)
    np.testing.assert_allclose(edge_strength(picture)[4:-4, 4:-4], expected[4:-4, 4:-4], atol=1e-5)


def test_hues_agree_through_any_coding_and_cast_but_not_when_moved_mirrored_or_faded():
    expected = expected_rgb(CARD)
    rng = np.random.default_rng(9)
    for cast in ([1, 1, 1], [2.0, 1, 0.6], [0.6, 1, 2.0]):
        linear = expected**2 * np.array(cast) * 0.6
        for coded in (linear, np.clip(linear, 0, 1) ** 0.45, 0.07 * np.log2(linear + 0.003) + 0.6):
            assert hue_agreement(coded, expected) > 0.85
            noisy = coded + rng.normal(0, 0.01, coded.shape)
            assert hue_agreement(noisy, expected) > 0.8
    seen = np.sqrt(expected**2 * 0.6)
    assert hue_agreement(np.repeat(seen.mean(axis=1, keepdims=True), 3, axis=1)
                         + rng.normal(0, 0.003, seen.shape), expected) == 0
    for _ in range(20):
        assert hue_agreement(rng.permutation(seen), expected) < 0.6
    assert hue_agreement(seen[:, [2, 1, 0]], expected) < 0.6


def test_corners_by_hand_are_taken_as_they_are():
    corners = np.array([[100, 80], [500, 90], [490, 380], [95, 370.0]])
    found = find_card(np.zeros((720, 1280, 3), np.float32), CARD, corners=corners)
    assert found is not None and found.by_hand
    np.testing.assert_allclose(found.corners, corners)
    np.testing.assert_allclose(found.pose.corners(CARD), corners, atol=1e-3)


@pytest.mark.parametrize("corners", [[[0, 0], [0, 9], [9, 9], [9, 0]], [[0, 0], [9, 0], [9, 9]],
                                     [[0, 0], [9, 9], [9, 0], [0, 9]]])
def test_impossible_corners_are_refused(corners):
    with pytest.raises(InputError, match="corners"):
        find_card(np.zeros((72, 128, 3), np.float32), CARD, corners=np.array(corners, float))


def test_a_reflection_is_seen_on_its_patch_and_not_without_the_gloss():
    c = replace(PLAIN, gloss=1.0, roughness=0.03)
    lamp = Plane(CARD, c).mirror_lamp((156.0, 48.0), 2500.0)      # on the blue chip
    frame, truth = scene(replace(c, lamp=tuple(float(v) for v in lamp)))
    found = find_card(frame, CARD)
    judged = judge(read_patches(frame, CARD, found, LinearLight(FOOTAGE["display"])), CARD, found, 1)
    names = [patch.name for patch in CARD.patches]
    assert truth.glare[names.index("blue")] > 0.01
    assert judged.reading.patch("blue").excluded
    matt, _ = scene(PLAIN)
    found = find_card(matt, CARD)
    judged = judge(read_patches(matt, CARD, found, LinearLight(FOOTAGE["display"])), CARD, found, 1)
    assert not judged.excluded and not judged.reasons


def test_uneven_light_is_measured_and_taken_off():
    c = replace(PLAIN, lamp=(-700.0, -200.0, -500.0), ambient=0.1, vignette_stops=0.4, coding="acescct")
    frame, truth = scene(c)
    assert truth.light_stops > 0.5
    found = find_card(frame, CARD)
    raw = read_patches(frame, CARD, found, LinearLight(FOOTAGE["acescct"]))
    assert raw.light_stops == pytest.approx(truth.light_stops, abs=0.08)
    assert np.abs(raw.code - truth.patches).max() < 0.005
    assert np.abs(raw.measured - truth.patches).max() > 0.01      # it was there to take off


def test_tilt_is_the_angle_it_was_held_at():
    for tilt in (0, 15, 35):
        pose = plain_pose(Plane(CARD, replace(PLAIN, tilt_deg=tilt, focal=20.0)).homography, 1280, 720)
        assert tilt_deg(pose, CARD) == pytest.approx(tilt, abs=1.5)


def test_uneven_light_and_a_veil_come_back_apart():
    true = np.array([0.2, -0.1, 0.03, 0.02, -0.03])
    bars = [k for k, patch in enumerate(CARD.patches) if patch.role == "bar"]
    white = np.array([1.2, 1.0, 0.8])
    reflectance = np.array([expected_colour(patch) ** 2 for patch in CARD.patches])
    centres = np.array([np.mean(patch.polygon, axis=0) for patch in CARD.patches])
    spots, _ = ground_spots(CARD)

    def light(at):
        u, v = (at[:, 0] - 140) / 140, (at[:, 1] - 100) / 100
        return np.exp(np.column_stack([u, v, u * u, u * v, v * v]) @ true)[:, None]

    def veil(at):
        u, v = (at[:, 0] - 140) / 140, (at[:, 1] - 100) / 100
        return (0.02 + 0.01 * u - 0.004 * v)[:, None] * white * [1.1, 1.0, 0.7]

    def level(at, colour):
        return colour * white * light(at) + veil(at)

    step = 1e-3
    slopes = np.stack([(level(centres + d, reflectance) - level(centres - d, reflectance)) / (2 * step)
                       for d in step * np.eye(2)], axis=2)
    ground = level(spots, expected_colour(CARD.marks[0]) ** 2)
    count = len(centres)
    seen = Observed(centres, level(centres, reflectance), np.full((count, 3), 1e-5), slopes,
                    np.full((count, 3, 2), 1e-6), np.ones(count, bool), spots, ground, np.full(ground.shape, 1e-5),
                    np.ones(len(spots), bool))
    field, lifted, channels = fit_light(CARD, seen, white)
    assert lifted.told and lifted.misfit < 0.01
    np.testing.assert_allclose(field.weights, np.append(true, np.zeros(4)), atol=5e-3)
    np.testing.assert_allclose(lifted.at(centres), veil(centres), atol=3e-4)
    assert (np.abs(lifted.at(centres) - veil(centres)) < 3 * lifted.error(centres)).all()
    even = (seen.level - lifted.at(centres)) / np.exp(channels)
    gain = (even / reflectance)[bars].mean(axis=0)
    np.testing.assert_allclose(even / gain, reflectance, rtol=0.01, atol=3e-4)
    # Without the bars' references nothing tells a veil from a brighter ground: it says so, and takes off no constant.
    unknown = replace(CARD, patches=tuple(replace(patch, wavelengths_nm=(), reflectance=(), xyz=None)
                                          for patch in CARD.patches))
    assert not fit_light(unknown, seen, white)[1].told


def test_moments_of_a_square_and_a_hexagon_are_the_known_ones():
    # Second moment of a square of side a: a^2 / 12; of a regular hexagon of side s: 5 s^2 / 24 (any table of areas).
    area, centre, shape = polygon_moments(np.array([[1, 1], [4, 1], [4, 4], [1, 4.0]]))
    assert area == pytest.approx(9) and centre == pytest.approx([2.5, 2.5])
    np.testing.assert_allclose(shape, np.eye(2) * 9 / 12, atol=1e-12)
    angles = np.arange(6) * np.pi / 3
    _, _, shape = polygon_moments(np.column_stack([np.cos(angles), np.sin(angles)]) * 2)
    np.testing.assert_allclose(shape, np.eye(2) * 5 * 4 / 24, atol=1e-12)


def test_ground_spots_keep_clear_of_everything_printed():
    spots, half = ground_spots(CARD)
    assert len(spots) >= 12 and half > 1
    for patch in CARD.patches:
        polygon = np.array(patch.polygon, np.float32)
        for spot in spots:
            assert cv2.pointPolygonTest(polygon, (float(spot[0]), float(spot[1])), True) < -half


def test_constellation_refuses_nothing_and_knows_every_patch():
    stars = constellation(CARD)
    assert len(stars.area) == len(CARD.patches) and np.isfinite(stars.colour).all()


def test_a_pose_with_distortion_scales_with_its_picture():
    pose = Pose(np.array([[2.0, 0.1, 100], [0, 2, 50], [1e-4, 0, 1]]), -0.03, (480, 270), 550.0)
    points = np.array([[0, 0], [280, 200], [140, 30.0]])
    np.testing.assert_allclose(pose.scaled(2.0).to_pixels(points), 2 * pose.to_pixels(points), rtol=1e-12)


def test_drawn_cards_lie_in_their_frames():
    """By OpenCV's own intersection of the card's outline with the frame's; 80 % is what the test set states."""
    rng = np.random.default_rng(11)
    shares = {}
    for kind in KINDS:
        c = conditions(rng, CARD, kind)
        outline = Plane(CARD, c).to_pixels(np.array(CARD.corners)).astype(np.float32)
        frame = np.array([[0, 0], [c.width, 0], [c.width, c.height], [0, c.height]], np.float32)
        shared, _ = cv2.intersectConvexConvex(outline, frame)
        shares[kind] = shared / cv2.contourArea(outline)
    assert min(shares.values()) >= 0.8
    assert shares["cut"] < 0.98 and shares["plain"] > 0.998


def test_painted_card_has_the_colours_of_its_file():
    """Each patch's middle, brought back to XYZ by IEC 61966-2-1's matrix (four digits as printed)."""
    picture = paint(CARD, 2.0)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    for patch in CARD.patches:
        x, y = np.mean(patch.polygon, axis=0)
        assert to_xyz @ picture[int(2 * y), int(2 * x)] == pytest.approx(patch.xyz, abs=0.002), patch.name


def test_the_generators_truth_is_what_its_picture_shows():
    """Patch means in even light, by OpenCV's polygon filling at the corners that the generator names."""
    frame, truth = scene(replace(PLAIN, shot_noise=0.0, read_noise=0.0, ambient=1.0, vignette_stops=0.0))
    to_px = cv2.getPerspectiveTransform(np.array(CARD.corners, np.float32), truth.corners.astype(np.float32))
    for patch, expected in zip(CARD.patches, truth.patches, strict=True):
        polygon = np.array(patch.polygon)
        inner = polygon.mean(0) + 0.6 * (polygon - polygon.mean(0))
        mask = np.zeros(frame.shape[:2], np.uint8)
        cv2.fillConvexPoly(mask, np.rint(cv2.perspectiveTransform(inner[None], to_px)[0] - 0.5).astype(np.int32), 1)
        assert frame[mask > 0].mean(axis=0) == pytest.approx(expected, abs=0.004), patch.name
