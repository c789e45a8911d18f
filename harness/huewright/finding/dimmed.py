"""Patches that get darker towards where the ground around them is off its colour: no light that is added does that.

A mirrored lamp makes ground and patch lighter on the same side. A finger over part of a light patch makes the ground
beside it lighter, which is darker than skin, and the patch darker. It is no proof: a reflection with a hard edge
slopes a patch either way. So both causes are said where this is seen.

Set on path-traced takes that mirror and on frames of them with fingers, sleeves, cables and tape painted over the card:
of patches whose fault would be called a reflection 56 of 155 that are touched by a cover and 20 of 1606 that only
mirror get darker so; by half of the rooms 28 of 75 and 28 of 80, 15 of 569 and 5 of 1037. Covers drawn anew over the
same takes (tests/traced/covered.py): 43 of 109.
"""

from __future__ import annotations

import numpy as np

from huewright.finding.cover import rings
from huewright.finding.light import Field
from huewright.finding.veil import Veil
from huewright.models.card import Card

# What the ground differs by below this share of a perfect white counts for nothing; so many of its places must differ
# by more; and so much of its level is what a patch loses from its middle to as far out as they lie. Choices of ours,
# see above; levels count as at least this share of white.
LEAST_OFF, TOUCHED, LOST, LEAST_LEVEL = 0.015, 0.03, 0.2, 0.03


def dimmed(ring: np.ndarray, told: np.ndarray, card: Card, field: Field, veil: Veil, usual: np.ndarray,
           white: np.ndarray, level: np.ndarray, left: np.ndarray) -> np.ndarray:
    """(p,) whether the patch loses light towards where the ground right around it is off.

    ``ring``, ``told``, ``usual`` and ``white`` as :func:`huewright.finding.cover.ring_covered` takes them; ``level``
    (p, 3) linear light, ``left`` (p, 3, 2) what it slopes beyond light and veil, per card unit.
    """
    p = len(card.patches)
    if not told.size or not (white > 0).all():
        return np.zeros(p, bool)
    places, _ = rings(card)
    flat = places.reshape(-1, 2)
    bare = usual * np.exp(field.log_light(flat))[:, None] + veil.at(flat)
    off = np.abs((ring.reshape(-1, 3) - bare) / white).max(axis=1).reshape(told.shape)
    weight = np.where(told, np.maximum(off - LEAST_OFF, 0.0), 0.0)
    centres = np.array([np.mean(patch.polygon, axis=0) for patch in card.patches])
    share = weight / np.maximum(weight.sum(axis=1, keepdims=True), 1e-12)
    there = np.einsum("pn,pnx->px", share, places - centres[:, None])
    gained = np.einsum("pcx,px->pc", left, there) / np.maximum(level, LEAST_LEVEL * white)
    touched = (weight > 0).sum(axis=1) > TOUCHED * np.maximum(told.sum(axis=1), 1)
    return np.asarray(touched & (gained.min(axis=1) < -LOST))
