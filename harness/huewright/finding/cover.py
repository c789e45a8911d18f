"""What lies over the card: fingers, a sleeve, a cable. Told from the ground around the patches, which is one paint.

A reflection adds light of nearly the white bar's colour to the ground; skin and cloth replace the ground by another
colour or take light away. So ground that is off its own colour is covered, and so is a patch whose surroundings are
covered and which isn't even itself. A lamp of another colour than the card's light, mirrored, colours the ground as
skin or blue cloth would: what is added has a lamp's colour then, and the patch keeps its own over it. Where a patch is
as dark as the ground that can't be seen, and both are said.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from huewright.finding.edges import sample
from huewright.finding.light import Field, LinearLight
from huewright.finding.pose import Pose
from huewright.finding.spots import clear_ground
from huewright.finding.veil import Veil
from huewright.models.card import Card

AROUND = 32
# What differs from the ground by less than this share of a perfect white is left alone.
LEAST_OFF = 0.03
# Of what is added to the ground, the least channel against the greatest: a lamp's colour in usual mixed light stays
# above, skin lies far below (its reflectance in blue is about a third of that in red: rule of thumb, no source).
LAMP_COLOUR = 0.5
# Lamps' colours lie on one line, from red over green to blue: a green channel outside the others by more than this
# share of what they differ by is no lamp's (choice of ours).
OFF_LAMPS = 0.15
# A patch shows its own colour over the ground's where at least this share of the difference is left of it; one that
# differs from the ground by less than this share of a perfect white can't show it.
OWN_COLOUR, LEAST_CONTRAST = 0.5, 0.05
# Ground that lost this share of its light is covered or in a hard shadow.
DARKENED = 0.45
# More of the ground than this can't be covered by hands; then it is the light that is coloured.
MOST_COVERED = 0.4
RING_SURE, RING_DOUBT, RING_TOUCHED = 0.6, 0.12, 0.05


def off_ground(linear: np.ndarray, ground: np.ndarray, white: np.ndarray, sigma: np.ndarray | float) -> np.ndarray:
    """(n,) whether colours ``linear`` (n, 3) are something else than the ``ground`` (n, 3) with light added to it.

    ``white`` (3,) is linear light of a perfect white here, ``sigma`` the standard error of ``linear`` over it.
    """
    extra = (linear - ground) / white
    most, least = extra.max(axis=1), extra.min(axis=1)
    limit = np.maximum(LEAST_OFF, 5.0 * np.asarray(sigma))
    coloured = (most - least > limit) & (least < LAMP_COLOUR * most)
    darkened = (linear - ground < -DARKENED * ground).all(axis=1) & (-least * 3 > limit)
    return np.asarray(coloured | darkened)


def covered_spots(ground: np.ndarray, error: np.ndarray, inside: np.ndarray, white: np.ndarray) -> np.ndarray:
    """(s,) which ground spots are covered; none where so many look it that the light itself must be coloured."""
    none = np.zeros(len(ground), bool)
    if inside.sum() < 6 or not (white > 0).all():
        return none
    usual = np.quantile(ground[inside], 0.25, axis=0)
    off = off_ground(ground, np.broadcast_to(usual, ground.shape), white, (error / white).max(axis=1)) & inside
    return none if off.sum() > MOST_COVERED * inside.sum() else off


def ring_colours(rgb: np.ndarray, card: Card, pose: Pose, light: LinearLight,
                 blur_px: float) -> tuple[np.ndarray, np.ndarray]:
    """(p, n, 3) linear light of the ground right around each patch of ``rgb`` (h, w, 3), and (p, n) where it is clear
    of blur and of the picture's border."""
    points, room = rings(card)
    if not len(points):
        return np.empty((len(card.patches), 0, 3)), np.empty((len(card.patches), 0), bool)
    h, w = rgb.shape[:2]
    flat = points.reshape(-1, 2)
    pixels = pose.to_pixels(flat)
    scale = np.sqrt(np.maximum(pose.area_scale(flat), 0.0))
    told = room.ravel() * scale > 0.6 * blur_px + 1.0
    told &= (pixels > 2).all(axis=1) & (pixels < (w - 2, h - 2)).all(axis=1)
    cross = np.array([[0, 0], [0.7, 0], [-0.7, 0], [0, 0.7], [0, -0.7]])
    seen = light.to_linear(sample(rgb, pixels[:, None] + cross[None]).mean(axis=1).astype(np.float64))
    return seen.reshape(*room.shape, 3), told.reshape(room.shape)


@dataclass(frozen=True)
class Ring:
    """The ground right around each patch: ``share`` (p,) of it that is covered, 0 where it can't be told; whether what
    is off there may as well be a lamp's mirror light (``lamp``, (p,)); ``middle`` (p, 3) its median linear light."""

    share: np.ndarray
    lamp: np.ndarray
    middle: np.ndarray


def ring_covered(ring: np.ndarray, told: np.ndarray, card: Card, field: Field, veil: Veil, usual: np.ndarray,
                 white: np.ndarray, noise: float) -> Ring:
    """What covers the ground right around each patch.

    ``ring``, ``told`` as :func:`ring_colours` gives them; ``usual`` (3,) the ground's linear light at the card's
    middle, ``noise`` of one pixel over white.
    """
    p = len(card.patches)
    share, lamp, middle = np.zeros(p), np.zeros(p, bool), np.full((p, 3), np.nan)
    if not told.size or not (white > 0).all():
        return Ring(share, lamp, middle)
    flat = rings(card)[0].reshape(-1, 2)
    bare, seen = usual * np.exp(field.log_light(flat))[:, None], ring.reshape(-1, 3)
    # The veil is smooth and what a glossy card mirrors isn't: there may be any less of it here, or none.
    off = (off_ground(seen, bare + veil.at(flat), white, noise / 2.0)
           & off_ground(seen, bare, white, noise / 2.0)).reshape(told.shape) & told
    extra = ((seen - bare) / white).reshape(*told.shape, 3)
    for k in np.flatnonzero(told.sum(axis=1) >= AROUND // 4):
        share[k] = off[k].sum() / told[k].sum()
        middle[k] = np.median(ring[k, told[k]], axis=0)
        if off[k].any():
            added = extra[k, off[k]].mean(axis=0)
            # What takes light away is no light.
            lamp[k] = added.max() > -added.min() and _lamps(added)
    return Ring(share, lamp, middle)


def _lamps(added: np.ndarray) -> bool:
    """Whether linear light (3,) over white may be a lamp's: green between red and blue, or nearly."""
    low, high = sorted((float(added[0]), float(added[2])))
    slack = OFF_LAMPS * (high - low)
    return low - slack <= float(added[1]) <= high + slack


def shows_itself(level: np.ndarray, around: np.ndarray, contrast: np.ndarray) -> np.ndarray:
    """(p,) 1 where a patch of linear light ``level`` (p, 3) over white keeps what it has over the ground ``around``
    it by its reflectance (``contrast``, (p, 3)), so that light is added to both; 0 where it is lost, as under a cover;
    not-a-number where its reflectance is the ground's, or unknown."""
    square = (contrast**2).sum(axis=1)
    with np.errstate(invalid="ignore"):
        left = ((level - around) * contrast).sum(axis=1) / np.maximum(square, 1e-12)
        return np.where(np.sqrt(square / 3) > LEAST_CONTRAST, (left > OWN_COLOUR).astype(float), np.nan)


def covered_patches(ring: np.ndarray, uneven: np.ndarray, torn: np.ndarray) -> np.ndarray:
    """(p,) which patches are covered, wholly or in part: all around them, partly so and ``uneven`` themselves, or only
    just so and ``torn`` into two colours, as no light does it."""
    result: np.ndarray = (ring > RING_SURE) | ((ring > RING_DOUBT) & uneven) | ((ring > RING_TOUCHED) & torn)
    return result


@lru_cache(maxsize=16)
def rings(card: Card) -> tuple[np.ndarray, np.ndarray]:
    """(p, n, 2) points on the clear ground around each patch and (p, n) how far each is from anything else."""
    room, scale = clear_ground(card)
    if room is None:
        return np.empty((0, 0, 2)), np.empty((0, 0))
    rows, columns = room.shape
    points, clearance = [], []
    for patch in card.patches:
        polygon = np.array(patch.polygon, dtype=np.float64)
        outline = np.concatenate([np.linspace(a, b, 16, endpoint=False)
                                  for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True)])
        outline = outline[np.linspace(0, len(outline) - 1, AROUND).astype(int)]
        outward = outline - polygon.mean(axis=0)
        outward /= np.linalg.norm(outward, axis=1, keepdims=True)
        # As far out as the ground is widest, a few per cent of the card away at most.
        steps = np.linspace(0.004, 0.03, 14) * card.size[0]
        tries = outline[:, None] + steps[None, :, None] * outward[:, None]
        y = np.clip((tries[..., 1] * scale).astype(int), 0, rows - 1)
        x = np.clip((tries[..., 0] * scale).astype(int), 0, columns - 1)
        wide = room[y, x]
        best = wide.argmax(axis=1)
        points.append(tries[np.arange(AROUND), best])
        clearance.append(wide[np.arange(AROUND), best])
    return np.array(points), np.array(clearance)
