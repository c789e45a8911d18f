"""What coloured paint does in a light of another colour, against published spectra.

Sources: ISO 17321-1's reflectances and two cameras' measured sensitivities (known here by their index only) and the
Academy's reference device (P-2013-001), CIE 15:2018's illuminants A and D65, all as colour-science carries them.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
from huewright.finding.answers import answers, in_usual_light, sent_back
from huewright.finding.choose import frames_in_usual_light
from huewright.finding.expect import reflected
from huewright.models.card import Card, Patch

SHAPE = colour.SpectralShape(400, 700, 5)
OUTSIDE = {"extrapolator_kwargs": {"method": "Constant", "left": 0, "right": 0}}


@pytest.fixture(scope="module")
def card() -> Card:
    patches = []
    for index, (name, spectrum) in enumerate(colour.SDS_COLOURCHECKERS["ISO 17321-1"].items()):
        x, y = 40.0 * (index % 6), 40.0 * (index // 6)
        values = spectrum.copy().align(SHAPE)
        patches.append(Patch(name, "bar" if index >= 18 else "check",
                             ((x + 5, y + 5), (x + 35, y + 5), (x + 35, y + 35), (x + 5, y + 35)),
                             wavelengths_nm=tuple(values.wavelengths.tolist()),
                             reflectance=tuple(values.values.tolist())))
    return Card("six by four", (240.0, 160.0), tuple(patches))


def light_of(name: str) -> np.ndarray:
    values = colour.SDS_ILLUMINANTS[name].copy().align(SHAPE).values
    return np.asarray(values / values.mean())


def response_of(camera: int) -> np.ndarray:
    sets = [*colour.MSDS_CAMERA_SENSITIVITIES.values(), colour.characterisation.MSDS_ACES_RICD]
    return np.asarray(np.nan_to_num(sets[camera].copy().align(SHAPE, **OUTSIDE).values))


@pytest.mark.parametrize("camera", range(3))
@pytest.mark.parametrize("mixing", (np.eye(3), np.array([[1.7, -0.5, -0.2], [-0.3, 1.6, -0.3], [0.0, -0.6, 1.6]])),
                         ids=("its own light", "a matrix"))
def test_a_patch_between_two_lamps_is_told_as_it_is_in_the_usual_light(card: Card, camera: int,
                                                                       mixing: np.ndarray) -> None:
    """Half and half of both lamps is usual; the left side of the card has more of one, the right of the other."""
    reflectance = np.array([patch.reflectance for patch in card.patches])
    lamps = np.array([light_of("A"), light_of("D65")])
    usual = response_of(camera) * lamps.mean(axis=0)[:, None]
    share = np.linspace(0.3, 0.7, len(card.patches))
    here = np.array([(w * lamps[0] + (1 - w) * lamps[1])[:, None] * response_of(camera) for w in share])
    white = usual.sum(axis=0) @ mixing.T
    level = (reflectance @ usual) @ mixing.T / white
    seen = np.einsum("pw,pwc->pc", reflectance, here) @ mixing.T / white
    factor = here.sum(axis=1) @ mixing.T / white
    answer = answers(card, seen, factor, np.ones(len(level), bool))
    before = np.sqrt(np.mean((seen / factor - level) ** 2))
    after = np.sqrt(np.mean((in_usual_light(seen, factor, answer) - level) ** 2))
    assert before > 0.002
    assert after < 0.1 * before


def test_frames_of_unlike_light_show_the_same_levels_in_the_usual_one(card: Card) -> None:
    """A card that turns from a lamp to another one of a fifth of its light: each frame's answer is of its own light."""
    reflectance = np.array([patch.reflectance for patch in card.patches])
    grey = np.array([patch.role == "bar" for patch in card.patches])
    lamps = [share * light_of("A") + (1 - share) * light_of("D65") for share in (0.2, 0.3, 0.8)]
    whole = np.array([light[:, None] * response_of(0) for light in lamps]) * np.array([1.7, 1.2, 0.3])[:, None, None]
    level = np.einsum("pw,fwc->fpc", reflectance, whole) / whole[0].sum(axis=0)
    even = np.ones_like(level[0])
    answer = np.array([answers(card, seen / seen[18], even, np.ones(24, bool)) * seen[18][:, None] for seen in level])
    gain = level[:, grey].mean(axis=1)
    gain /= np.exp(np.log(gain).mean(axis=0))
    before, after = (np.sqrt(np.mean((levels - levels.mean(axis=0)) ** 2))
                     for levels in (level / gain[:, None], frames_in_usual_light(level, gain, answer)))
    assert before > 0.002
    assert after < 0.1 * before


@pytest.mark.parametrize("camera", range(3))
@pytest.mark.parametrize("lamp", ("A", "D65"))
def test_coloured_patches_tell_how_a_camera_sees_greys_that_fall_at_the_spectrums_ends(card: Card, camera: int,
                                                                                       lamp: str) -> None:
    reflectance = np.array([patch.reflectance for patch in card.patches])
    usual = response_of(camera) * light_of(lamp)[:, None]
    level = reflectance @ usual / usual.sum(axis=0)
    told = sent_back(card, level * [1.01, 0.99, 1.0], np.ones(24, bool))
    assert told is not None
    bars = slice(18, 24)

    def off(share: np.ndarray) -> np.ndarray:
        ratio = np.log(share[bars] / level[bars])
        return np.abs(ratio - ratio.mean(axis=0))

    general = np.array([reflected(patch)[0] for patch in card.patches])
    assert off(told).max() < 0.012 and off(told).max() < 0.6 * off(general).max()


def test_greys_follow_their_channels_and_an_even_light_changes_nothing(card: Card) -> None:
    reflectance = np.array([patch.reflectance for patch in card.patches])
    usual = response_of(0) * light_of("D65")[:, None]
    level = reflectance @ usual / usual.sum(axis=0)
    answer = answers(card, level, np.ones_like(level), np.ones(len(level), bool))
    even = np.full_like(level, 0.8)
    assert np.allclose(in_usual_light(level * 0.8, even, answer), level, atol=1e-9)
    redder = np.tile([1.2, 1.0, 0.8], (len(level), 1))
    greys = slice(18, 24)
    assert np.abs(in_usual_light(level * redder, redder, answer) - level)[greys].max() < 0.004


def test_too_few_reflectances_change_nothing(card: Card) -> None:
    level = np.full((24, 3), 0.3)
    usable = np.arange(24) < 7
    factor = np.full((24, 3), 1.1)
    answer = answers(card, level, factor, usable)
    assert np.isnan(answer).all() and sent_back(card, level, usable) is None
    assert np.array_equal(in_usual_light(level, factor, answer), level / factor)


@pytest.mark.parametrize("saturation", (0.0, 1e-9, 1e-3, 0.02))
def test_channels_that_see_alike_tell_nothing(card: Card, saturation: float) -> None:
    """A grey picture of the card: no change of the light's colour shows in it, so none is answered."""
    reflectance = np.array([patch.reflectance for patch in card.patches])
    usual = response_of(0) * light_of("D65")[:, None]
    level = reflectance @ usual / usual.sum(axis=0)
    grey = level.mean(axis=1, keepdims=True)
    level = grey + saturation * (level - grey)
    answer = answers(card, level, np.ones_like(level), np.ones(len(level), bool))
    assert np.isnan(answer).all()
