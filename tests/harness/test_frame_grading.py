"""Single frames graded: plateaus below full scale, noise at the code range's end, smear, covered patches, reflections.

Every frame is generated with known truth (tests/testset); the card, the lamp and the hand are invented.
"""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from huewright.cards.own import own_card
from huewright.finding.clip import find_plateaus
from huewright.finding.cover import AROUND, ring_covered, rings, shows_itself
from huewright.finding.dimmed import dimmed
from huewright.finding.find import Found, find_card
from huewright.finding.grade import Judged, judge
from huewright.finding.light import TERMS, Field, LinearLight
from huewright.finding.read import RawReading, read_patches
from huewright.finding.smear import measure_smear
from huewright.finding.veil import Veil
from huewright.models.reasons import Clipped, PatchesLost, PatchReason
from testset.scene import FOOTAGE, Conditions, Plane, Truth, compose, paint

pytestmark = pytest.mark.slow

CARD = own_card()
NAMES = [patch.name for patch in CARD.patches]
TEXTURE = (paint(CARD, 4.0), 4.0)
BASE = Conditions(width=960, height=540, size=0.55, roll_deg=5, gloss=0.0, exposure_stops=-0.3, shot_noise=2e-4,
                  coding="acescct")


def drawn(c: Conditions, seed: int = 3) -> tuple[np.ndarray, Truth]:
    return compose(CARD, None, c, np.random.default_rng([11, seed]), TEXTURE)


def graded(rgb: np.ndarray, coding: str = "acescct") -> Judged:
    found = find_card(rgb, CARD)
    assert found is not None
    raw = read_patches(rgb, CARD, found, LinearLight(FOOTAGE[coding]))
    return judge(raw, CARD, found, 1)


def excluded_reasons(judged: Judged) -> dict[str, tuple[PatchReason, ...]]:
    return {patch.name: patch.reasons for patch in judged.reading.patches if patch.excluded}


@pytest.fixture(scope="module")
def clean() -> tuple[Found, RawReading, Truth]:
    rgb, truth = drawn(BASE)
    found = find_card(rgb, CARD)
    assert found is not None
    return found, read_patches(rgb, CARD, found, LinearLight(FOOTAGE["acescct"])), truth


def test_a_clean_frame_has_no_reason_against_it_and_means_within_half_a_per_cent(clean):
    found, raw, truth = clean
    rgb, of_display = drawn(replace(BASE, coding="display"))
    for judged, true in ((judge(raw, CARD, found, 1), truth.patches), (graded(rgb, "display"), of_display.patches)):
        assert judged.reasons == () and judged.excluded == ()
        assert np.abs(judged.raw.code - true).max() < 0.005


def test_a_frame_is_kept_small_and_says_the_same(clean) -> None:
    """A take may have thousands of them: levels as they were, errors to float32's precision, half a kilobyte a patch
    and two of all else, as they are pickled."""
    found, whole, _ = clean
    kept = judge(whole, CARD, found, 1)
    for name in ("code", "measured", "linear", "tint"):
        assert np.array_equal(getattr(kept.raw, name), getattr(whole, name))
    for name in ("error", "alone", "shared", "always", "tinted", "alike", "grainy", "answer", "added", "slope"):
        assert np.allclose(getattr(kept.raw, name), getattr(whole, name), rtol=1e-7, atol=0, equal_nan=True), name
    assert np.array_equal(kept.raw.observed.clipped, whole.observed.clipped)
    assert np.array_equal(kept.raw.hidden, whole.hidden) and kept.light_stops == whole.light_stops
    again = judge(kept.raw, CARD, found, 1)
    assert (again.reasons, again.excluded, again.clipped, again.patch_px) == (
        kept.reasons, kept.excluded, kept.clipped, pytest.approx(kept.patch_px))
    assert len(pickle.dumps(kept)) - len(pickle.dumps(CARD)) < 500 * len(NAMES) + 2000


@pytest.mark.parametrize("channels", [(0, 1, 2), (0,)])
def test_a_plateau_below_full_scale_is_clipping_and_is_said_in_code_values(channels):
    """As a log curve whose sensor ends at code 0.5, or one channel that clips before a gain."""
    rgb, _ = drawn(BASE)
    top = 512 / 1023
    for channel in channels:
        rgb[..., channel] = np.minimum(rgb[..., channel], np.float32(top))
    judged = graded(rgb)
    (clipped,) = excluded_reasons(judged)["white"]
    assert isinstance(clipped, Clipped) and clipped.channels == "".join("RGB"[c] for c in channels)
    assert round(clipped.at * clipped.of_codes) == 512 and clipped.of_codes == 1023
    assert PatchesLost("clipped", ("white",), clipped=clipped) in judged.reasons
    assert "middle" not in excluded_reasons(judged)


def in_eight_bits(rgb: np.ndarray) -> np.ndarray:
    """Through full-range 8-bit Y'CbCr 4:2:0 and back, chroma a mean of four pixels (BT.709-6, tables 3 and 4)."""
    to_luma = np.array([0.2126, 0.7152, 0.0722])
    luma = rgb @ to_luma
    chroma = np.stack([(rgb[..., 2] - luma) / 1.8556, (rgb[..., 0] - luma) / 1.5748])
    chroma = chroma.reshape(2, rgb.shape[0] // 2, 2, rgb.shape[1] // 2, 2).mean(axis=(2, 4))
    luma, chroma = (np.round(plane * 255) / 255 for plane in (luma, chroma))
    cb, cr = chroma.repeat(2, axis=1).repeat(2, axis=2)
    red, blue = luma + 1.5748 * cr, luma + 1.8556 * cb
    return np.stack([red, (luma - to_luma[0] * red - to_luma[2] * blue) / to_luma[1], blue], axis=-1).astype(np.float32)


def plain(rgb: np.ndarray) -> np.ndarray:
    """8 bits of R'G'B'."""
    return np.round(rgb * 255).astype(np.float32) / 255


def clipped_names(rgb: np.ndarray) -> set[str]:
    return {name for name, reasons in excluded_reasons(graded(rgb)).items()
            if any(isinstance(one, Clipped) for one in reasons)}


@pytest.fixture(scope="module")
def quiet() -> list[np.ndarray]:
    """Frames in a log curve whose noise is under a code of 8 bits."""
    return [drawn(replace(BASE, shot_noise=noise, read_noise=2e-5, vignette_stops=0.0, size=0.5 + 0.02 * n), n)[0]
            for n, noise in ((2, 1e-5), (3, 3e-5))]


def test_even_patches_of_coarse_codes_are_not_clipped(quiet: list[np.ndarray]) -> None:
    """8-bit log without loss: white lies on one code because every even patch does."""
    for rgb, shift in zip(quiet, (0.3, 0.0), strict=True):     # where between two codes white happens to lie
        moved = rgb + np.float32(shift / 255)
        assert clipped_names(in_eight_bits(moved)) == set()
        assert clipped_names(plain(moved)) == set()


def test_coarse_codes_that_really_clip_are_said(quiet: list[np.ndarray]) -> None:
    """A camera's own clip point inside the range of codes: two bars end on it, or a lamp beside the card does.
    Without noise, too."""
    rgb = quiet[1].copy()
    levels = read_patches(rgb, CARD, find_card(rgb, CARD), LinearLight(FOOTAGE["acescct"])).code[:, 1]
    white, middle = levels[NAMES.index("white")], levels[NAMES.index("middle")]
    assert {"white", "middle"} <= clipped_names(plain(np.minimum(rgb, np.float32(middle - 0.01))))
    rgb[8:48, 8:88] = 0.9
    for code in (in_eight_bits, plain):
        assert clipped_names(code(np.minimum(rgb, np.float32(white - 0.01)))) == {"white"}


def test_crushed_blacks_above_code_zero_are_clipping():
    rgb, truth = drawn(BASE)
    black = truth.patches[NAMES.index("black")].min()
    judged = graded(np.maximum(rgb, np.float32(np.round((black + 0.03) * 1023) / 1023)))
    (clipped,) = excluded_reasons(judged)["black"]
    assert isinstance(clipped, Clipped) and clipped.channels == "RGB"


def test_a_drawn_picture_without_noise_is_never_called_clipped():
    rgb, _ = drawn(replace(BASE, shot_noise=0.0, read_noise=0.0))
    judged = graded(rgb)
    assert not any(isinstance(one, Clipped) for found in excluded_reasons(judged).values() for one in found)


def test_a_brighter_thing_in_the_picture_shows_that_white_is_no_plateau():
    rgb, _ = drawn(BASE)
    rgb = np.minimum(rgb, np.float32(512 / 1023))
    found = find_card(rgb, CARD)
    whole = np.ones(len(NAMES))
    light = LinearLight(FOOTAGE["acescct"])
    assert find_plateaus(rgb, CARD, found.pose, light, whole).top[0].max() > 0.9
    rgb[:40, :200] = 0.7
    assert find_plateaus(rgb, CARD, found.pose, light, whole).top.max() == 0.0


def test_noise_over_the_end_of_the_code_range_alone_is_no_reason():
    """A few per cent of a noisy white's pixels clip; its mean is right all the same."""
    c = replace(BASE, coding="display", exposure_stops=0.04, shot_noise=4e-4, read_noise=2e-3, vignette_stops=0.0)
    rgb, truth = drawn(c)
    judged = graded(rgb, "display")
    white = judged.reading.patch("white")
    assert 0.01 < max(white.clipped) < 0.25
    assert not white.excluded
    # A clipped white doesn't help to tell the light, so its reading is as uncertain as it says for that.
    off = np.abs(np.array(white.mean) - truth.patches[0])
    assert off.max() < 0.003 and (off < np.maximum(0.002, 2 * np.array(white.standard_error))).all()


def test_strong_noise_in_a_log_curves_darks_does_not_shift_them():
    rgb, truth = drawn(replace(BASE, shot_noise=1e-3, read_noise=4e-3))
    judged = graded(rgb)
    k = NAMES.index("black")
    assert np.sqrt(np.diag(judged.raw.observed.noise[k])).min() > 0.02
    assert np.abs(judged.raw.code[k] - truth.patches[k]).max() < 0.005


@pytest.mark.parametrize(("moved", "blur"), [((0.0, 0.0), 0.6), ((14.0, 6.0), 0.6), ((-9.0, 16.0), 0.6)])
def test_smear_is_measured_as_it_was_made(moved, blur):
    rgb, _ = drawn(replace(BASE, motion_px=moved, blur_px=blur))
    found = find_card(rgb, CARD)
    smear = measure_smear(rgb, CARD, found.pose)
    seen = smear.moved_px * (1 if smear.moved_px @ np.array(moved) >= 0 else -1)
    assert np.abs(seen - moved).max() < 0.3 * max(np.hypot(*moved), 5.0)


def test_out_of_focus_is_no_movement():
    rgb, _ = drawn(replace(BASE, blur_px=3.5))
    smear = measure_smear(rgb, CARD, find_card(rgb, CARD).pose)
    assert smear.length_px < 2.0 * smear.focus_px
    assert smear.focus_px == pytest.approx(1.96 * 3.5, rel=0.3)


@pytest.mark.parametrize("length", [6, 10, 16, 22])
def test_no_smeared_patch_that_is_kept_has_its_neighbours_in_it(length):
    rgb, truth = drawn(replace(BASE, motion_px=(0.9 * length, 0.44 * length)))
    judged = graded(rgb)
    kept = [k for k, patch in enumerate(judged.reading.patches) if not patch.excluded]
    assert np.abs(judged.raw.code - truth.patches)[kept].max() < 0.005


@pytest.mark.parametrize("name", ["sage", "oat", "magenta", "denim"])
def test_a_finger_over_a_patch_excludes_it_and_nothing_else(name):
    points = np.array(CARD.patches[NAMES.index(name)].polygon)
    x, y = points.mean(axis=0)
    radius = float(np.ptp(points, axis=0).min() / 2 * 1.05)
    end = {"sage": (x, 270.0), "oat": (-70.0, y), "magenta": (x + 5, -70.0), "denim": (350.0, y)}[name]
    rgb, truth = drawn(replace(BASE, fingers=((*end, x, y, radius),)))
    judged = graded(rgb)
    excluded = excluded_reasons(judged)
    assert excluded[name][0].kind == "covered"
    open_patches = [k for k in range(len(NAMES)) if truth.visible[k] > 0.999]
    assert not set(excluded) & {NAMES[k] for k in open_patches}
    assert np.abs(judged.raw.code - truth.patches)[open_patches].max() < 0.005


@pytest.mark.parametrize(("colour", "lamp"), [((0.04, 0.10, 0.2), True), ((0.2, 0.1, 0.05), True),
                                              ((0.02, 0.15, 0.03), False), ((-0.03, -0.03, -0.03), False)])
def test_a_lamp_of_another_colour_is_not_called_a_cover_for_sure(colour, lamp):
    field = Field(np.zeros(TERMS), np.array(CARD.size) / 2, np.array(CARD.size) / 2, np.zeros((TERMS, TERMS)))
    none = Veil(np.zeros((3, TERMS + 1)), np.zeros((3, TERMS + 1, TERMS + 1)), field.middle, field.half, np.ones(3),
                True, 0.0, np.zeros((len(NAMES), 3)))
    ground = np.full(3, 0.06)
    ring = np.broadcast_to(ground + np.array(colour), (len(NAMES), AROUND, 3))
    seen = ring_covered(ring, np.ones(ring.shape[:2], bool), CARD, field, none, ground, np.ones(3), 1e-4)
    assert (seen.share == 1).all() and (seen.lamp == lamp).all()


@pytest.mark.parametrize(("towards", "darker"), [(-0.3, True), (-0.1, False), (0.3, False)])
def test_what_takes_light_away_may_be_a_cover(towards, darker):
    """Ground to the right of each patch is lighter by a tenth of white; the patch changes by ``towards`` of its level
    on the way there."""
    field = Field(np.zeros(TERMS), np.array(CARD.size) / 2, np.array(CARD.size) / 2, np.zeros((TERMS, TERMS)))
    none = Veil(np.zeros((3, TERMS + 1)), np.zeros((3, TERMS + 1, TERMS + 1)), field.middle, field.half, np.ones(3),
                True, 0.0, np.zeros((len(NAMES), 3)))
    centres = np.array([np.mean(patch.polygon, axis=0) for patch in CARD.patches])
    far = (rings(CARD)[0] - centres[:, None])[..., 0]
    right = far > 0.8 * far.max(axis=1, keepdims=True)
    out = (far * right).sum(axis=1) / right.sum(axis=1)
    ground, level = np.full(3, 0.06), np.full((len(NAMES), 3), 0.5)
    ring = ground + 0.1 * right[..., None]
    left = np.zeros((len(NAMES), 3, 2))
    left[:, 0, 0] = towards * level[:, 0] / out
    seen = dimmed(ring, np.ones(ring.shape[:2], bool), CARD, field, none, ground, np.ones(3), level, left)
    assert (seen == darker).all()
    even = np.broadcast_to(ground, ring.shape)
    assert not dimmed(even, np.ones(ring.shape[:2], bool), CARD, field, none, ground, np.ones(3), level, left).any()


def test_a_patch_that_shows_its_own_colour_is_not_covered():
    around, contrast = np.full((3, 3), 0.2), np.array([[0.3, 0.2, 0.1]] * 2 + [[0.01, 0.02, 0.01]])
    shows = shows_itself(around + np.array([[0.9], [0.1], [1.0]]) * contrast, around, contrast)
    assert shows[:2].tolist() == [1.0, 0.0] and np.isnan(shows[2])


@pytest.mark.parametrize("roughness", [0.08, 0.14, 0.2])
@pytest.mark.parametrize("at", [(60.0, 60.0), (150.0, 110.0), (230.0, 160.0)])
def test_no_patch_with_a_reflection_is_kept(roughness, at):
    c = replace(BASE, gloss=1.0, roughness=roughness)
    lamp = Plane(CARD, c).mirror_lamp(at, 2200.0)
    rgb, truth = drawn(replace(c, lamp=tuple(float(v) for v in lamp)))
    found = find_card(rgb, CARD)
    if found is None:
        return   # washed out: nothing is read, so nothing wrong is kept
    judged = judge(read_patches(rgb, CARD, found, LinearLight(FOOTAGE["acescct"])), CARD, found, 1)
    struck = {NAMES[k] for k in np.flatnonzero(truth.glare > 0.01)}
    assert struck
    assert judged.reasons or struck <= set(judged.excluded)
