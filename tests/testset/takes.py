"""A take: the card comes in, is turned about, is covered by a hand, goes out and comes back elsewhere.

Motion smears each frame by what the card travels in half a frame's time.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from huewright.models.card import Card

from testset.backgrounds import background
from testset.draw import conditions
from testset.scene import Conditions, Plane, Truth, compose, paint

FRAMES = 72
# Frame, and the card's middle over the frame's width and height: in from the left, a sway, out at the right; gone;
# in from below.
PATH = np.array([[0, -0.45, 0.55], [4, -0.40, 0.55], [16, 0.42, 0.50], [24, 0.50, 0.46], [34, 0.55, 0.52],
                 [42, 0.50, 0.50], [52, 1.50, 0.55], [58, 0.40, 1.90], [66, 0.45, 0.52], [71, 0.47, 0.50]])
COVERED = range(28, 33)


def take(index: int, card: Card, width: int = 1920, height: int = 1080,
         frames: Sequence[int] = range(FRAMES)) -> Iterator[tuple[np.ndarray, Truth]]:
    """Frames (height, width, 3) of take ``index`` with their truth; ``truth.visible_card`` is 0 where there is none."""
    rng = np.random.default_rng([2024, 3_000_000, index])
    base = replace(conditions(rng, card, "plain", width=width, height=height), size=float(rng.uniform(0.25, 0.45)),
                   tilt_deg=0.0, distortion=float(rng.uniform(-0.02, 0.02)))
    scene, _ = background(rng, width, height, "mixed")
    texture = (paint(card, 4.0), 4.0)
    phase = rng.uniform(0, 2 * np.pi, 3)
    flip = bool(rng.random() < 0.5)
    for frame in frames:
        c = _moment(base, frame, phase, flip)
        before = Plane(card, _moment(base, frame - 0.25, phase, flip)).to_pixels(_middle(card))
        after = Plane(card, _moment(base, frame + 0.25, phase, flip)).to_pixels(_middle(card))
        dx, dy = (after - before)[0]
        c = replace(c, motion_px=(float(dx), float(dy)))
        if frame in COVERED:
            w, h = card.size
            c = replace(c, fingers=((-0.3 * w, 0.5 * h, 0.9 * w, 0.5 * h, 0.36 * h),))
        yield compose(card, scene, c, rng, texture)


def _middle(card: Card) -> np.ndarray:
    return np.array([[card.size[0] / 2, card.size[1] / 2]])


def _moment(base: Conditions, frame: float, phase: np.ndarray, flip: bool) -> Conditions:
    x, y = (float(np.interp(frame, PATH[:, 0], PATH[:, k])) for k in (1, 2))
    t = 2 * np.pi * frame / 24
    return replace(base, centre=(1 - x if flip else x, y), roll_deg=base.roll_deg + 12 * float(np.sin(t + phase[0])),
                   tilt_deg=15 + 12 * float(np.sin(0.7 * t + phase[1])),
                   tilt_towards_deg=float(np.degrees(0.4 * t + phase[2])),
                   size=base.size * (1 + 0.15 * float(np.sin(0.5 * t + phase[1]))))
