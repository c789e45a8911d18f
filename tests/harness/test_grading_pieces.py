"""Pieces of the finder's grading by themselves: clipping, light and veil, and frames read together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import huewright_demo
import numpy as np
import pytest
from huewright.colorimetry.declare import THROUGH_LOOK
from huewright.finding.clip import INNER, LEAST_SHARE, _expected_noise, _missing, _places, _plateau
from huewright.finding.grade import (
    GLARE_SHIFT,
    TAKE_VEIL,
    _frame_reasons,
    _patch_reason,
    blur_px,
    score_of,
    tilt_deg,
    veil_share,
)
from huewright.finding.joint import FREEDOM, SCALES, shared_scales
from huewright.finding.light import LinearLight
from huewright.finding.smear import Smear
from huewright.finding.veil import Observed, _Fit, _scale, fit_light
from huewright.models import reasons
from huewright.models.card import Card, load_card
from huewright.models.footage import Footage
from huewright.reference import apply_chain
from huewright.solver.simulate import FOOTAGE
from huewright_kernels.ops import Matrix
from scipy.special import ndtri
from scipy.stats import multivariate_t


@pytest.fixture(scope="module")
def card() -> Card:
    return load_card(Path(huewright_demo.__file__).parent / "card.toml")


def test_what_clipping_took_is_told_from_what_is_left() -> None:
    rng = np.random.default_rng(44)
    step, n = 1 / 1023, 20000
    for share in (0.1, 0.4):
        values = np.sort(np.round(rng.normal(0.5, 0.004, n) / step) * step)
        top = values[int((1 - share) * n)]
        told = _missing(np.minimum(values, top), top - step / 2, top + step / 2)
        assert told == pytest.approx(np.count_nonzero(values > top + step / 2), rel=0.06)


def test_a_tail_that_chance_cut_short_is_no_plateau() -> None:
    """Coarse codes: the last one holds 6 % of a normal spread, and the next one's 1 % happens to be missing."""
    step, normal = 1 / 1023, ndtri((np.arange(480) + 0.5) / 480)
    white = np.round(1.2 * normal - 2.3)
    white[white > 0] = -2
    assert np.mean(white == 0) > 0.05
    rng = np.random.default_rng(51)
    others = [level + step * np.round(1.2 * rng.permutation(normal)) for level in (0.6, 0.65, 0.7, 0.75)]
    values = [*others, 0.8 + step * rng.permutation(white)]
    assert _plateau(values, 1.0, 0, LinearLight(Footage(encoding="linear")), LEAST_SHARE) is None


def test_glare_is_one_half_where_a_reflection_shifts_a_patch_as_much_as_is_said() -> None:
    shifts = GLARE_SHIFT * np.array([0.0, 0.5, 1.0, 2.0])
    assert score_of(shifts) == pytest.approx([0.0, 1 - 0.5**0.25, 0.5, 1 - 0.5**4])


@pytest.mark.parametrize(("change", "fault"), [
    ({}, None), ({"hidden": True}, reasons.Covered()),
    ({"hidden": True, "mirrors": True}, reasons.CoveredOrMirroring()),
    ({"glare": 0.6, "darker": True}, reasons.CoveredOrMirroring()), ({"darker": True}, None),
    ({"seen": 0.8}, reasons.OutsidePicture()), ({"weight": 3.0}, reasons.TooSmallToRead()),
    ({"spill": 1.2}, reasons.BlurredIntoNeighbours()), ({"glare": 0.6}, reasons.Reflection(0.6)),
    ({"clipped": 0.5}, reasons.Clipped("B", 0.5, 0.9, 1023))])
def test_a_patch_is_left_out_for_what_is_there(change: dict, fault: object) -> None:
    given = {"hidden": False, "mirrors": False, "darker": False, "seen": 1.0, "weight": 400.0, "spill": 0.2,
             "glare": 0.1, "clipped": 0.0, **change}
    clipped = np.array([0.0, 0.0, given["clipped"]])
    told = {name: [given[name]] for name in ("hidden", "mirrors", "darker")}
    raw: Any = SimpleNamespace(**told, observed=SimpleNamespace(
        seen=[given["seen"]], weight=[given["weight"]], spill=[given["spill"]], clip_shift=np.array([[0.1] * 3]),
        clipped_at=np.array([[0.7, 0.8, 0.9]]), highest_code=1023))
    assert _patch_reason(raw, "bar", 0, given["glare"], clipped) == fault


@pytest.mark.parametrize(("why", "blur"), [(reasons.BlurredIntoNeighbours(), 5.0), (reasons.Reflection(0.9), None),
                                           (reasons.Covered(), None), (reasons.CoveredOrMirroring(), None)])
def test_a_frame_without_most_chips_says_by_what(card: Card, why: reasons.PatchReason, blur: float | None) -> None:
    chips = [patch.name for patch in card.of_role("chip")]
    patches: list[Any] = [SimpleNamespace(name=patch.name, reasons=(why,) if patch.name in chips[:4] else ())
                          for patch in card.patches]
    raw: Any = SimpleNamespace(lifted=SimpleNamespace(told=False), observed=SimpleNamespace(smear=None),
                               light_stops=0.0, tail_error=np.zeros(len(patches)))
    found: Any = SimpleNamespace(edge_width_px=5.0)
    assert _frame_reasons(card, patches, raw, found, 40.0, 0.0) == (
        reasons.PatchesLost(why.kind, count=4, of=6, chips=True, blur_px=blur,
                            or_mirroring=isinstance(why, reasons.CoveredOrMirroring)),)
    nothing: Any = SimpleNamespace(patches=[patch for patch in card.patches if patch.role != "bar"])
    whole = [SimpleNamespace(name=patch.name, reasons=()) for patch in nothing.patches]
    assert _frame_reasons(nothing, whole, raw, found, 40.0, 0.0) == ()      # type: ignore[arg-type]


def test_blur_is_the_wider_of_focus_and_movement() -> None:
    found: Any = SimpleNamespace(edge_width_px=5.0)
    for moved, blur in ((None, 5.0), (6.0, 5.0), (10.0, 8.0)):
        smear = None if moved is None else Smear(1.0, np.array([moved, 0.0]))
        raw: Any = SimpleNamespace(observed=SimpleNamespace(smear=smear))
        assert blur_px(raw, found) == pytest.approx(blur)


def test_tilt_is_told_from_how_much_the_card_is_foreshortened(card: Card) -> None:
    """By the cosine, whichever way it is turned in the picture; anamorphic pixels are as wide as they are shown."""
    for tilt in (0.0, 30.0, 60.0):
        turn = np.radians(25.0)
        shown = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) @ np.diag(
            [1.0, np.cos(np.radians(tilt))])
        for stretch in (1.0, 2.0):
            seen = np.diag([1 / stretch, 1.0]) @ shown
            pose: Any = SimpleNamespace(to_pixels=lambda points, seen=seen: points @ seen.T, stretch=stretch)
            assert tilt_deg(pose, card) == pytest.approx(tilt, abs=1e-4)


def test_a_veil_is_said_in_shares_of_white() -> None:
    """Of the patches that are in the picture; its error is the fit's, and what is not known of gloss."""
    white = np.array([2.0, 1.0, 0.5])
    shares, errors = np.array([[0.02], [0.04], [9.0]]), np.array([[0.003], [0.005], [9.0]])
    raw: Any = SimpleNamespace(
        lifted=SimpleNamespace(told=True, white=white), observed=SimpleNamespace(seen=np.array([1.0, 0.95, 0.5])),
        added=shares * white, added_error=errors * white)
    share, error = veil_share(raw)
    assert share == pytest.approx(0.03) and error == pytest.approx(np.hypot(0.004, TAKE_VEIL * 0.03))
    raw.lifted.told = False
    assert veil_share(raw) == (0.0, np.inf)


def test_noise_is_expected_to_grow_with_the_root_of_light_at_most() -> None:
    """Photons arrive with a spread of their number's root (Poisson); where patches are darker, their own is enough."""
    rng = np.random.default_rng(45)
    others = [rng.normal(0.2, 0.002, 20000) for _ in range(3)]
    light = LinearLight(Footage(encoding="linear"))
    assert _expected_noise(others, 0.05, 0, light) == pytest.approx(0.001, rel=0.03)
    assert _expected_noise(others, 0.8, 0, light) == pytest.approx(0.002, rel=0.03)


def test_light_through_a_look_is_there_and_back_again() -> None:
    """A look mixes channels, so it is taken along its greys; a curve alone is taken as it is."""
    codes = np.random.default_rng(50).uniform(0.1, 0.9, (200, 3))
    mixing = Matrix(((0.8, 0.1, 0.1), (0.1, 0.8, 0.1), (0.1, 0.1, 0.8)))
    for encoding, decode in ((THROUGH_LOOK, (mixing,)), ("ACEScct", FOOTAGE.decode)):
        light = LinearLight(Footage(encoding=encoding, decode=decode))
        assert light.to_code(light.to_linear(codes)) == pytest.approx(codes, abs=1e-4)
    assert light.to_linear(codes) == pytest.approx(apply_chain(FOOTAGE.decode, codes), rel=1e-12)


def test_places_in_a_patch_reach_as_far_towards_its_edges_as_is_said(card: Card) -> None:
    for patch, places in zip(card.patches, _places(card), strict=True):
        polygon = np.array(patch.polygon)
        assert np.ptp(places, axis=0) == pytest.approx(INNER * np.ptp(polygon, axis=0), rel=0.02), patch.name
        assert places.mean(axis=0) == pytest.approx(polygon.mean(axis=0), abs=0.02 * np.ptp(polygon))


def test_residuals_of_a_normal_spread_are_once_their_sigmas() -> None:
    off = np.abs(np.random.default_rng(46).normal(size=40001))
    assert _scale(off, 0.0) == pytest.approx(1.0, abs=0.02)
    assert _scale(3 * off, 0.0) == pytest.approx(3.0, abs=0.06)
    assert _scale(off / 10, 0.3) == 0.3


def seen_in(card: Card, *, weights: np.ndarray, veil: float, spoiled: float = 0.0) -> tuple[Observed, np.ndarray]:
    """The card in light of the log ``weights`` of u, v, u^2, uv, v^2 with ``veil`` of white on top, without noise;
    patches of unknown reflectance are 0.3, the ground what the card says. Three spots have
    ``spoiled`` of white more."""
    size, white = np.array(card.size), np.array([0.8, 0.7, 0.6])
    fit = _Fit(card, _nothing(len(card.patches)), white)

    def light(points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        u, v = ((points - size / 2) / (size / 2)).T
        field = np.exp(np.column_stack([u, v, u * u, u * v, v * v]) @ weights)
        return field, (weights[0] + 2 * weights[2] * u + weights[3] * v) / (size[0] / 2), (
            weights[1] + weights[3] * u + 2 * weights[4] * v) / (size[1] / 2)

    centres = np.array([np.mean(patch.polygon, axis=0) for patch in card.patches])
    across = [np.linspace(0.03, 0.97, 7) * extent for extent in size]
    spots = np.stack(np.meshgrid(*across), axis=-1).reshape(-1, 2)
    share = np.nan_to_num(fit.reference, nan=0.3)
    field, along_x, along_y = light(centres)
    body = share * field[:, None] * white
    slope = body[:, :, None] * np.stack([along_x, along_y], axis=1)[:, None]
    ground = fit.ground * light(spots)[0][:, None] * white + veil * white
    ground[10:13] += spoiled * white
    return Observed(centres, body + veil * white, np.full(body.shape, 1e-5), slope, np.full(slope.shape, 1e-7),
                    np.ones(len(centres), bool), spots, ground, np.full(ground.shape, 1e-5),
                    np.ones(len(spots), bool)), white


def _nothing(count: int) -> Observed:
    empty = np.zeros((0, 3))
    return Observed(np.zeros((count, 2)), np.zeros((count, 3)), np.zeros((count, 3)), np.zeros((count, 3, 2)),
                    np.zeros((count, 3, 2)), np.zeros(count, bool), np.zeros((0, 2)), empty, empty, np.zeros(0, bool))


def test_the_fits_slopes_are_those_of_its_residuals(card: Card) -> None:
    seen, white = seen_in(card, weights=np.array([0.2, -0.1, 0.05, 0.03, -0.04]), veil=0.02)
    fit = _Fit(card, seen, white)
    theta = np.random.default_rng(48).normal(scale=0.01, size=len(fit.prior))
    _, _, jacobian, _ = fit.rows(theta)
    for column, step in enumerate(1e-6 * np.eye(len(theta))):
        slope = (fit.rows(theta + step)[0] - fit.rows(theta - step)[0]) / 2e-6
        assert jacobian[:, column] == pytest.approx(slope, abs=1e-6), column


@pytest.mark.parametrize("spoiled", [0.0, 0.3])
def test_light_and_veil_are_told_apart(card: Card, spoiled: float) -> None:
    """Also where a reflection lies on some of the ground."""
    weights, veil = np.array([0.25, -0.15, 0.04, 0.02, -0.03]), 0.03
    seen, white = seen_in(card, weights=weights, veil=veil, spoiled=spoiled)
    field, added, colour = fit_light(card, seen, white)
    assert field.weights == pytest.approx(np.append(weights, np.zeros(4)), abs=0.004)
    assert added.told and added.misfit < 0.01
    assert added.at(seen.centres) / white == pytest.approx(veil, abs=0.001)
    assert np.ptp(colour - colour.mean(axis=1, keepdims=True)) < 0.01


def test_a_dark_bar_that_mirrors_more_tells_a_greater_veil_there(card: Card) -> None:
    seen, white = seen_in(card, weights=np.array([0.25, -0.15, 0.04, 0.02, -0.03]), veil=0.03)
    bars = [k for k, patch in enumerate(card.patches) if patch.role == "bar"]
    black, bright = (pick(bars, key=lambda k: seen.level[k].mean()) for pick in (min, max))
    _, added, _ = fit_light(card, seen, white)
    assert (added.own[black] > 0.6).all() and (added.own[bright] < 0.1).all() and not added.own[~np.isin(
        np.arange(len(card.patches)), bars)].any()
    more = 1e-4 * white
    level = seen.level.copy()
    level[black] += more
    _, greater, _ = fit_light(card, replace(seen, level=level), white)
    risen = (greater.at(seen.centres) - added.at(seen.centres))[black] / more
    assert risen == pytest.approx(added.own[black], abs=0.15)


def test_shared_errors_are_scaled_as_restricted_likelihood_has_it() -> None:
    """Against scipy's multivariate t of the frames' contrasts, which no level is in (Patterson and Thompson 1971)."""
    rng = np.random.default_rng(49)
    f, p = 9, 4
    for truth in (0.25, 1.0, 4.0):
        alone, shared = rng.uniform(0.01, 0.02, (f, p, 3)), rng.normal(scale=0.02, size=(f, p, 3, 1))
        level = rng.uniform(0.2, 0.8, (p, 3)) + alone * rng.normal(size=(f, p, 3)) + (
            truth * shared[..., 0] * rng.normal(size=(p, 3)))
        level[3, 1, 0] += 0.5                                   # heavy tails are there for this
        apart = np.linalg.svd(np.ones((1, f)))[2][1:]           # contrasts: the rows are at right angles to ones
        said = []
        for scale in SCALES:
            total = -0.5 * np.log2(scale / 0.5) ** 2
            for k in range(p):
                for c in range(3):
                    loads = scale * shared[:, k, c]
                    spread = apart @ (np.diag(alone[:, k, c] ** 2) + loads @ loads.T) @ apart.T
                    total += multivariate_t.logpdf(apart @ level[:, k, c], shape=spread, df=FREEDOM)
            said.append(total)
        assert shared_scales(level, alone, shared, np.ones((f, p), bool), (0.5,)) == [SCALES[int(np.argmax(said))]]


def test_what_a_long_take_shares_is_told_in_little_time_and_memory() -> None:
    """A matrix of all frames by all frames would take gigabytes here."""
    rng, f, p, shape = np.random.default_rng(5), 4000, 8, (4000, 8, 3, 2)
    shared, alone = rng.uniform(0.0, 0.02, shape), np.full((f, p, 3), 1e-3)
    patches = rng.choice((-1.0, 1.0), (1, p, 1, 2)) * (2.0, 0.25)      # of the usual share
    level = 0.3 + alone * rng.normal(size=alone.shape) + (shared * patches).sum(axis=-1)
    assert shared_scales(level, alone, shared, np.ones((f, p), bool), (0.5, 0.5)).tolist() == [2.0, 0.25]
