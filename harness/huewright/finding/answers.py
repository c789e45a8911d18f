"""How coloured paint answers to a light of another colour than the rest of the card has.

Where two lights meet, or a coloured wall sends light back, greys show by how much red, green and blue differ from
place to place. A coloured patch doesn't follow them channel by channel: its reflectance falls within a channel's
band, and a camera's matrix mixes the channels. Its published reflectance tells what it does, given about how the
camera responds to the spectrum (which the patches' own levels tell) and about what spectrum the light's change has
(smooth: one level for short, middle and long waves each, as many as greys tell).

On path-traced takes with published sensitivities (tests/traced) the worst hue of a take in mixed light was 0.90 degree
off in the mean without this, and 0.40 with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from huewright.models.card import Card

WAVELENGTHS_NM = np.arange(400.0, 701.0, 10.0)
# The light's change steps at these wavelengths, this softly (nm). A choice of ours.
STEPS_NM, SOFT_NM = (490.0, 587.0), 25.0
# So many patches of known reflectance tell a response, if so many of them are coloured (largest over least reflectance
# in the bands of light, at least so far apart).
FEWEST, FEWEST_COLOURED, COLOURED = 8, 4, 1.5
# By how many times errors may grow where channels see nearly the same. With 0.5 % of noise on levels and 0.2 % on greys
# the answer helps at 52 and at 97 (a layered sensor), hardly at 154, and does harm at 309.
MOST_ALIKE = 150.0
ROUNDS = 2             # the response is told from levels in the usual light, and these by it


@dataclass(frozen=True)
class _Bells:
    """A response as a sum of bells: where they stand and how wide they are (nm), how much of each is usual, and how
    well levels are taken to be known (share of the level, share of white). Choices of ours, checked on traced takes."""

    at: np.ndarray
    width: float
    usual: float
    level_share: float
    level_floor: float

    @property
    def shapes(self) -> np.ndarray:
        """(wavelengths, bells), each adding to 1."""
        bells = np.exp(-0.5 * ((WAVELENGTHS_NM[:, None] - self.at) / self.width) ** 2)
        return np.asarray(bells / bells.sum(axis=0))


# What paint does in another light is told by a coarse response; how a grey's spectrum falls where the eye hardly sees
# is told better by a fine one (on traced takes dark bars against bright ones within 0.2 to 0.6 %, by the coarse one 0.2
# to 1.1), by which paint's answer was a little worse.
_COARSE = _Bells(np.arange(420.0, 661.0, 40.0), 22.0, 1.0, 0.02, 0.01)
_FINE = _Bells(np.arange(400.0, 701.0, 25.0), 18.0, 0.5, 0.01, 0.003)
_CHANGES = np.column_stack([np.ones_like(WAVELENGTHS_NM), *(1 / (1 + np.exp((at - WAVELENGTHS_NM) / SOFT_NM))
                                                           for at in STEPS_NM)])


@lru_cache(maxsize=16)
def reflectances(card: Card) -> np.ndarray:
    """(p, wavelengths) of the card's patches; not-a-number where it doesn't say."""
    nothing = np.full(len(WAVELENGTHS_NM), np.nan)
    return np.array([np.interp(WAVELENGTHS_NM, patch.wavelengths_nm, patch.reflectance) if patch.reflectance else
                     nothing for patch in card.patches]).reshape(len(card.patches), -1)


def answers(card: Card, level: np.ndarray, factor: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """(p, 3, 3): what a patch's channels have over what a grey's factors say, by as much as these are above 1.

    level   (p, 3) as seen, in shares of white, of which ``usable`` (p,) counts
    factor  (p, 3) what a grey's channels have there over what they have in the usual light

    Light that a grey sees ``factor`` times shows a patch as usual * factor + answer @ (factor - 1). Not-a-number where
    the card's reflectances don't tell.
    """
    known = reflectances(card)
    told = usable & np.isfinite(known).all(axis=1) & np.isfinite(level / factor).all(axis=1)
    answer = np.full((len(known), 3, 3), np.nan)
    if not _enough(known, told):
        return answer
    for _ in range(ROUNDS):
        response = _response(known[told], in_usual_light(level, factor, answer)[told], _COARSE)
        # What greys show of each change of the light. Channels that all see the same, as a grey picture's do, tell no
        # change from another.
        shown = (response.T @ _CHANGES) / response.sum(axis=0)[:, None]
        if not np.linalg.cond(shown) < MOST_ALIKE:
            return np.full_like(answer, np.nan)
        change = np.linalg.inv(shown)      # that gives a grey's channels each a unit more
        seen = np.einsum("pw,wc,wj->pcj", known, response, _CHANGES) @ change
        answer = seen - (known @ response)[:, :, None] * np.eye(3)
    return answer


def sent_back(card: Card, level: np.ndarray, usable: np.ndarray) -> np.ndarray | None:
    """(p, 3) share of the light that each patch sends back in the channels of the camera that saw them as ``level``
    (p, 3; shares of white, in even light) says, of which ``usable`` (p,) counts. A grey's spectrum falls at its ends,
    and how much of that a camera sees its coloured patches tell. None where the card's reflectances don't."""
    known = reflectances(card)
    told = usable & np.isfinite(known).all(axis=1) & np.isfinite(level).all(axis=1)
    if not _enough(known, told):
        return None
    response = _response(known[told], level[told], _FINE)
    return np.asarray(known @ response / response.sum(axis=0))


def _enough(known: np.ndarray, told: np.ndarray) -> bool:
    with np.errstate(invalid="ignore"):
        bands = np.log(np.maximum(known @ _COARSE.shapes, 1e-3))
        coloured = np.ptp(bands, axis=1) > np.log(COLOURED)
    return bool(told.sum() >= FEWEST and (told & coloured).sum() >= FEWEST_COLOURED)


def _response(reflectance: np.ndarray, level: np.ndarray, bells: _Bells) -> np.ndarray:
    """(wavelengths, 3) such that reflectance @ response is about ``level``: least squares with a mild prior."""
    shapes, count = bells.shapes, len(bells.at)
    seen = reflectance @ shapes
    parts = []
    for y in level.T:
        sigma = bells.level_share * np.maximum(y, 0.0) + bells.level_floor
        rows = np.vstack([seen / sigma[:, None], np.eye(count) / bells.usual])
        parts.append(np.linalg.lstsq(rows, np.append(y / sigma, np.zeros(count)), rcond=None)[0])
    return np.asarray(shapes @ np.array(parts).T)


def in_usual_light(level: np.ndarray, factor: np.ndarray, answer: np.ndarray) -> np.ndarray:
    """``level`` (..., p, 3) as it would be where greys' ``factor`` (..., p, 3) is 1; ``answer`` (p, 3, 3) in the units
    of level, as :func:`answers` says."""
    extra = np.einsum("...cj,...j->...c", np.nan_to_num(answer), factor - 1)
    return np.asarray((level - extra) / factor)


def in_another_light(level: np.ndarray, factor: np.ndarray, answer: np.ndarray) -> np.ndarray:
    """``level`` (..., p, 3), seen in the light that ``answer`` (p, 3, 3) is of, as it would be in a light of which
    greys show ``factor`` (..., p, 3) times as much."""
    extra = np.einsum("...cj,...j->...c", np.nan_to_num(answer), factor - 1)
    return np.asarray(level * factor + extra)
