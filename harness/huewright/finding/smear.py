"""How far blur carries the colours around a patch into it: focus alike all round, movement along one line.

Every side of every patch is followed inwards from its drawn edge until it is level. Blur that reaches ``g`` pixels all
round and a movement by the vector m reach g + |m.n| / 2 pixels across a side of unit normal n (the support function of
the two together), so three figures are fitted to all sides at once and patches too small to show a level part are
judged by what the others show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from huewright.finding.edges import sample
from huewright.finding.pose import Pose
from huewright.models.card import Card

ALONG, DEPTHS = 6, 24
# Level means within this share of the step at the edge, or within the noise of the averaged line.
LEVEL = 0.025
NOISE_SIGMAS = 4.0
# A Gaussian blur's reach to LEVEL is 1.96 sigma, to half a per cent 2.58 sigma.
TO_HALF_PERCENT = 2.58 / 1.96
ANGLES = np.radians(np.arange(0, 180, 15))
# What the level's threshold cuts off a movement's ends, and the grid's steps.
WHOLE = 1.25
# Sides that are level within so few pixels show a still, focused picture: nothing to fit.
SHARP_PX = 3.5


@dataclass(frozen=True)
class Smear:
    """``focus_px`` how far blur reaches alike in all directions; ``moved_px`` (2,) the smear's vector, end to end."""

    focus_px: float
    moved_px: np.ndarray

    def reach(self, normals: np.ndarray) -> np.ndarray:
        """(n,) how far across sides of unit ``normals`` (n, 2), in pixels, to half a per cent of the step."""
        result: np.ndarray = TO_HALF_PERCENT * self.focus_px + 0.5 * WHOLE * np.abs(normals @ self.moved_px)
        return result

    @property
    def furthest_px(self) -> float:
        return TO_HALF_PERCENT * self.focus_px + 0.5 * WHOLE * self.length_px

    @property
    def length_px(self) -> float:
        return float(np.linalg.norm(self.moved_px))


def measure_smear(rgb: np.ndarray, card: Card, pose: Pose) -> Smear | None:
    """The smear of ``rgb`` (h, w, 3) from the card's patches; None if too few sides tell."""
    starts, inwards, depths, patch = [], [], [], []
    h, w = rgb.shape[:2]
    for index, polygon in enumerate(pose.polygons(card)):
        middle = polygon.mean(axis=0)
        for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
            side = b - a
            length = float(np.linalg.norm(side))
            normal = np.array([-side[1], side[0]]) / max(length, 1e-9)
            depth = float(normal @ (middle - a))
            if depth < 0:
                normal, depth = -normal, -depth
            if length < 4 or depth < 3:
                continue
            starts.append(a + np.linspace(0.3, 0.7, ALONG)[:, None] * side)
            inwards.append(normal)
            depths.append(depth)
            patch.append(index)
    if len(starts) < 8:
        return None
    at, inward, depth_px, owner = np.array(starts), np.array(inwards), np.array(depths), np.array(patch)
    # From a little outside, where the step is taken, to the patch's middle.
    share = np.concatenate([[-0.25], np.linspace(0.0, 1.0, DEPTHS)])
    lines = at[:, :, None] + (share[None, None, :, None] * depth_px[:, None, None, None]) * inward[:, None, None, :]
    seen = ((lines > 1) & (lines < (w - 1, h - 1))).all(axis=(1, 2, 3))
    if seen.sum() < 8:
        return None
    inward, depth_px, owner, lines = inward[seen], depth_px[seen], owner[seen], lines[seen]
    n = len(inward)
    values = sample(rgb, lines.reshape(n * ALONG, len(share), 2)).reshape(n, ALONG, len(share), 3)
    profile = np.median(values, axis=1).astype(np.float64)
    middle = profile[:, -3:].mean(axis=1)
    step = middle - profile[:, 0]
    channel = np.abs(step).argmax(axis=1)
    rows = np.arange(n)
    contrast = np.abs(step[rows, channel])
    # Blur leaves the patch nearer to what is outside; a reflection may lift it as well.
    off = (middle[rows, channel][:, None] - profile[rows, 1:, channel]) * np.sign(step[rows, channel])[:, None]
    within = values[:, :, -3:] - profile[:, None, -3:]
    sigma = 1.4826 * np.median(np.abs(within), axis=(1, 2))[rows, channel]
    # A median of n values is 1.25 times as uncertain as their mean.
    limit = np.maximum(LEVEL * contrast, NOISE_SIGMAS * 1.25 * sigma / np.sqrt(ALONG))
    tells = contrast > 6 * limit
    uneven = off > limit[:, None]
    # The first place from which on all is level.
    last = np.where(uneven.any(axis=1), DEPTHS - uneven[:, ::-1].argmax(axis=1), 0)
    # What slopes a patch from one side to the other shows at one of the two sides only; blur is at both.
    opposite = (owner[:, None] == owner[None]) & (inward @ inward.T < -0.9)
    other = np.where(opposite, last[None], DEPTHS).min(axis=1)
    last = np.where(other < 0.5 * last, other, last)
    reach = last / (DEPTHS - 1) * depth_px
    bounded = last < 0.8 * DEPTHS
    if (tells & bounded).sum() < 6:
        return None
    return _fitted(reach[tells], bounded[tells], inward[tells], depth_px[tells])


def _fitted(reach: np.ndarray, bounded: np.ndarray, normal: np.ndarray, depth: np.ndarray) -> Smear:
    """The least sum of absolute departures over a grid; a side without a level part tells only a lower bound."""
    if bounded.mean() > 0.9 and np.quantile(reach[bounded], 0.9) < SHARP_PX:
        return Smear(float(np.median(reach[bounded])), np.zeros(2))
    low = float(np.quantile(reach[bounded], 0.2))
    focus = np.linspace(0.3 * low, 1.6 * low + 1.0, 6)
    length = np.concatenate([[0.0], np.geomspace(1.5, 4.0 * float(depth.max()), 14)])
    angle = ANGLES
    limit = 0.8 * depth
    for fine in (False, True):
        direction = np.column_stack([np.cos(angle), np.sin(angle)])
        expected = (focus[:, None, None, None]
                    + 0.5 * length[None, :, None, None] * np.abs(direction @ normal.T)[None, None])
        lost = np.where(bounded, np.abs(reach - expected), np.maximum(limit - expected, 0.0))
        # A side that a reflection or a finger disturbs doesn't pull without end.
        total = np.minimum(lost, 0.5 * depth).mean(axis=3)
        f, m, a = np.unravel_index(int(total.argmin()), total.shape)
        if not fine:
            between = 0.5 * (focus[1] - focus[0])
            focus = np.maximum(focus[f] + between * np.linspace(-1, 1, 5), 0.0)
            length = length[m] * np.geomspace(0.75, 1.35, 9) + (0.7 if m == 0 else 0.0) * np.arange(9)
            angle = angle[a] + np.radians(np.linspace(-10, 10, 9))
    return Smear(float(focus[f]), length[m] * direction[a])
