"""Where patches shall land: modes, displays, what the card must say; and the ways back through a chain."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from huewright.colorimetry.display import DISPLAYS, from_ycbcr, hue_difference_deg, primaries_matrix, to_ycbcr
from huewright.colorimetry.inverse import SHAPER, SHAPER_INVERSE, inverse_operations
from huewright.colorimetry.targets import bar_vectors, delta_e, reference_rgb, targets_for
from huewright.errors import InputError
from huewright.models.card import HUES, Card, Patch
from huewright.reference import apply_chain
from huewright_kernels.ops import Lut1D, Lut3D, Matrix, ToneCurve
from hypothesis import given
from hypothesis import strategies as st

SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def invented_card(**changes: object) -> Card:
    patches = (Patch("white", "bar", SQUARE, level_ire=90.0), Patch("mid", "bar", SQUARE, level_ire=41.0),
               Patch("black", "bar", SQUARE, xyz=(0.0190, 0.02, 0.0218)),
               *(Patch(hue, "chip", SQUARE, hue=hue) for hue in HUES),
               Patch("plain", "check", SQUARE), Patch("leaf", "check", SQUARE, xyz=(0.1, 0.13, 0.06)))
    return dataclasses.replace(Card("invented", (4.0, 4.0), patches), **changes)  # type: ignore[arg-type]


def test_bars_at_their_levels_without_colour_and_chips_half_way() -> None:
    targets = targets_for(invented_card())
    assert (targets["white"].luma, targets["white"].cb, targets["white"].cr) == (0.9, 0.0, 0.0)
    # The black bar has no level: its own 2 % reflectance through the encoding.
    assert targets["black"].luma == pytest.approx(1.099 * 0.02**0.45 - 0.099, abs=1e-6)
    for hue, (cb, cr) in bar_vectors().items():
        assert targets[hue].luma is None
        assert (targets[hue].cb, targets[hue].cr) == pytest.approx((cb / 2, cr / 2))
    assert targets["plain"].cb is None
    assert targets["leaf"].luma is not None


def test_fraction_moves_chips_along_their_own_direction() -> None:
    half, third = targets_for(invented_card()), targets_for(invented_card(), fraction=1 / 3)
    for hue in HUES:
        assert third[hue].radius == pytest.approx(half[hue].radius * 2 / 3)
        assert third[hue].hue_deg == pytest.approx(half[hue].hue_deg)


@pytest.mark.parametrize(("arguments", "words"), [
    ({"mode": "guess"}, "vectorscope, colorimetric"), ({"display": "paper"}, "bt709"), ({"fraction": 0.0}, "above 0"),
    ({"mode": "colorimetric"}, "reference value"), ({"adaptation": "none of them"}, "CAT16"),
])
def test_what_cannot_be_asked_is_said(arguments: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        targets_for(invented_card(), **arguments)


@pytest.mark.parametrize(("patch", "words"), [
    (Patch("odd", "chip", SQUARE), "names no hue"), (Patch("odd", "bar", SQUARE), "neither level_ire nor"),
])
def test_what_the_card_lacks_is_said(patch: Patch, words: str) -> None:
    with pytest.raises(InputError, match=words):
        targets_for(invented_card(patches=(patch,)))


@pytest.mark.parametrize(("change", "words"), [({"illuminant": "moonlight"}, "moonlight"), ({"observer": "me"}, "me")])
def test_unknown_illuminant_or_observer(change: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        targets_for(invented_card(**change, patches=(
            Patch("leaf", "check", SQUARE, wavelengths_nm=tuple(range(400, 701, 20)), reflectance=(0.1,) * 16),)))


def test_levels_declared_for_a_bt709_picture_are_the_same_light_in_hdr() -> None:
    for name in ("pq", "hlg"):
        display = DISPLAYS[name]
        light = apply_chain(display.decode, [[targets_for(invented_card(), display=name)["mid"].luma] * 3])[0, 0]
        assert light == pytest.approx(((0.41 + 0.099) / 1.099) ** (1 / 0.45), rel=1e-6)


@pytest.mark.parametrize("name", ["bt2020", "hlg", "pq"])
def test_chips_are_the_same_light_on_every_display(name: str) -> None:
    """A chip's vectorscope target for a wider display is that of a BT.709 picture, carried over as light: from its
    place and level there, back through this display's coding, the BT.709 target comes out."""
    display = DISPLAYS[name]
    card = invented_card(patches=(Patch("a", "chip", SQUARE, hue="red", xyz=(0.21, 0.16, 0.12)),
                                  Patch("b", "chip", SQUARE, hue="cyan")))
    here, there = targets_for(card, display=name), targets_for(card)
    levels = {"a": to_ycbcr(reference_rgb(card)["a"], (0.2126, 0.0722))[0], "b": 0.75 * (1 - 0.2126)}
    to_709 = np.array(primaries_matrix("ITU-R BT.2020", "ITU-R BT.709"))
    for patch in ("a", "b"):
        # The level at which this display's colour shows the BT.709 picture's level, by bisection.
        low, high = 0.0, 1.0
        for _ in range(60):
            level = (low + high) / 2
            signal = from_ycbcr([level, here[patch].cb, here[patch].cr], (display.kr, display.kb))
            back = to_ycbcr(apply_chain(DISPLAYS["bt709"].encode, apply_chain(display.decode, signal) @ to_709.T),
                            (0.2126, 0.0722))
            low, high = (low, level) if back[0] > levels[patch] else (level, high)
        assert back[1:] == pytest.approx((there[patch].cb, there[patch].cr), abs=1e-3)


@pytest.mark.parametrize("name", DISPLAYS)
def test_a_display_decodes_what_it_encodes(name: str) -> None:
    light = np.random.default_rng(1).uniform(0.001, 1.0, (200, 3))
    display = DISPLAYS[name]
    back = apply_chain(display.decode, apply_chain(display.encode, light))
    assert np.abs(back - light).max() < 2e-4      # the printed BT.709 constants overlap by 2e-4 at their break
    white = display.light_from_signal(apply_chain(display.encode, [[1.0] * 3]))
    # 1e-3: BT.2408 rounds HLG's 75 % to 203 cd/m2.
    assert white == pytest.approx(np.ones((1, 3)), abs=1e-3)


def test_colorimetric_targets_are_the_reference_colours() -> None:
    card = invented_card(patches=(Patch("a", "chip", SQUARE, xyz=(0.3, 0.2, 0.1)),
                                  Patch("b", "bar", SQUARE, level_ire=50.0, xyz=(0.19, 0.2, 0.217))))
    targets, reference = targets_for(card, mode="colorimetric"), reference_rgb(card)
    place = to_ycbcr(reference["a"], (0.2126, 0.0722))
    assert (targets["a"].cb, targets["a"].cr) == pytest.approx(tuple(place[1:]))
    assert targets["a"].luma is None
    assert targets["b"].luma == pytest.approx(to_ycbcr(reference["b"], (0.2126, 0.0722))[0])
    assert delta_e(reference["a"], reference["a"]) == pytest.approx(0.0)
    assert delta_e(reference["a"], reference["b"]) > 10


@given(st.tuples(*[st.floats(-2, 3)] * 3), st.sampled_from([(0.2126, 0.0722), (0.2627, 0.0593)]))
def test_ycbcr_goes_there_and_back(rgb: tuple, luma: tuple) -> None:
    assert from_ycbcr(to_ycbcr(rgb, luma), luma) == pytest.approx(np.array(rgb), abs=1e-12)


@given(st.floats(-720, 720), st.floats(-720, 720))
def test_hue_difference_is_the_short_way_round(a: float, b: float) -> None:
    difference = float(hue_difference_deg(a, b))
    assert -180 <= difference <= 180
    assert np.cos(np.radians(difference)) == pytest.approx(np.cos(np.radians(a - b)), abs=1e-9)


def test_primaries_keep_white_and_refuse_what_is_unknown() -> None:
    matrix = np.array(primaries_matrix("ACEScg", "ITU-R BT.709"))
    assert matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-12)
    with pytest.raises(InputError, match="unknown primaries"):
        primaries_matrix("somewhere", "ITU-R BT.709")


def test_operations_are_undone() -> None:
    chain = (Matrix(((0.8, 0.1, 0.1), (0.0, 0.9, 0.1), (0.2, 0.0, 0.8)), (0.01, 0.02, 0.0)), SHAPER)
    light = np.random.default_rng(2).uniform(0, 4, (100, 3))
    assert apply_chain(inverse_operations(chain), apply_chain(chain, light)) == pytest.approx(light, abs=1e-9)


def test_a_table_is_undone_to_within_its_stated_error() -> None:
    table = Lut1D(apply_chain((SHAPER_INVERSE,), np.linspace([0.0] * 3, [1.0] * 3, 4096)))
    codes = np.random.default_rng(3).uniform(0.02, 0.98, (500, 3))
    back = apply_chain(inverse_operations((table,)), apply_chain((table,), codes))
    assert np.abs(back - codes).max() < 1e-5


@pytest.mark.parametrize(("operation", "words"), [
    (ToneCurve(), "'tone-curve' cannot be undone"), (Lut3D(), "cannot be undone"),
    (Lut1D(np.array([[0.0] * 3, [0.6] * 3, [0.5] * 3, [1.0] * 3])), "does not rise"),
])
def test_what_cannot_be_undone_is_said(operation: object, words: str) -> None:
    with pytest.raises(InputError, match=words):
        inverse_operations((operation,))  # type: ignore[arg-type]
