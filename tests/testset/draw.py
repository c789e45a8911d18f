"""Draws conditions at random, by name of the difficulty, within the limits that the test set states."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from huewright.models.card import Card

from testset.scene import Conditions, Plane

KINDS = ("plain", "rolled", "tilted", "small", "large", "cut", "fingers", "hidden patch", "log", "under", "over",
         "cast", "motion", "noise", "anamorphic", "reflection", "everything", "two cards", "other card", "clutter")
# What a hand-held card is smeared by in one frame, up to a tenth of its width: at 25 frames a second and half the
# frame's time exposed, a card that crosses five times its own width in a second. The finder's own limit is less.
MOST_MOTION = 0.10


def conditions(rng: np.random.Generator, card: Card, kind: str, *, width: int = 1920, height: int = 1080) -> Conditions:
    """Random conditions of ``kind`` (one of :data:`KINDS`) with at least 80 % of the card in the frame."""
    every = kind == "everything"
    for _ in range(400):
        c = Conditions(
            width=width, height=height, focal=float(rng.uniform(0.9, 2.5)),
            size=float(np.exp(rng.uniform(np.log(0.2), np.log(0.6)))),
            centre=(float(rng.uniform(0.25, 0.75)), float(rng.uniform(0.3, 0.7))),
            tilt_deg=float(rng.uniform(0, 20)), tilt_towards_deg=float(rng.uniform(0, 360)),
            roll_deg=float(rng.normal(0, 10)), distortion=float(rng.uniform(-0.03, 0.03)),
            vignette_stops=float(rng.uniform(0, 0.5)), blur_px=float(rng.uniform(0.5, 1.0)) * width / 1920,
            ambient=float(rng.uniform(0.1, 0.5)), roughness=float(rng.uniform(0.5, 0.9)),
            gloss=float(rng.uniform(0, 0.1)),
            exposure_stops=float(rng.uniform(-0.7, 0.3)), gains=_gains(rng, 0.1),
            shot_noise=float(10 ** rng.uniform(-5, -4)), read_noise=float(10 ** rng.uniform(-4, -3.3)),
            coding=str(rng.choice(["display", "acescct", "linear"])), bits=int(rng.choice([8, 10])))
        if c.coding == "acescct":
            c = replace(c, bits=10)
        if kind == "rolled" or every:
            c = replace(c, roll_deg=float(rng.uniform(-180, 180)))
        if kind == "tilted" or (every and rng.random() < 0.7):
            c = replace(c, tilt_deg=float(rng.uniform(25, 45)))
        if kind == "small":
            c = replace(c, size=float(rng.uniform(0.08, 0.13)))
        if kind == "large":
            c = replace(c, size=float(rng.uniform(0.6, 0.9)), centre=(0.5, 0.5))
        if every:
            c = replace(c, size=float(np.exp(rng.uniform(np.log(0.08), np.log(0.7)))))
        if kind in ("two cards", "other card"):
            c = replace(c, size=float(rng.uniform(0.15, 0.42)), centre=(float(rng.uniform(0.22, 0.3)),
                                                                        float(rng.uniform(0.4, 0.6))))
            if rng.random() < 0.5:
                c = replace(c, centre=(1 - c.centre[0], c.centre[1]))
        if kind == "cut":
            c = replace(c, centre=(float(rng.choice([0.08, 0.92])) + float(rng.uniform(-0.08, 0.08)),
                                   float(rng.uniform(0.2, 0.8))))
        if kind == "log":
            c = replace(c, coding="acescct", bits=10)
        if kind == "under" or (every and rng.random() < 0.3):
            c = replace(c, exposure_stops=float(rng.uniform(-3, -1.5)))
        elif kind == "over" or (every and rng.random() < 0.3):
            c = replace(c, exposure_stops=float(rng.uniform(1.5, 3)))
        if kind == "cast" or (every and rng.random() < 0.5):
            c = replace(c, gains=_gains(rng, 0.8))
        if kind == "noise" or (every and rng.random() < 0.3):
            c = replace(c, shot_noise=float(10 ** rng.uniform(-3.5, -2.7)),
                        read_noise=float(10 ** rng.uniform(-2.7, -2.2)))
        if kind == "anamorphic":
            c = replace(c, pixel_aspect=float(rng.choice([1.3333, 2.0])))
        if kind == "motion" or (every and rng.random() < 0.3):
            length = rng.uniform(0.005, MOST_MOTION) * c.size * c.width
            angle = rng.uniform(0, 2 * np.pi)
            c = replace(c, motion_px=(float(length * np.cos(angle)), float(length * np.sin(angle))))
        c = replace(c, lamp=_lamp(rng, Plane(card, c).rotation))
        if kind == "reflection" or (every and rng.random() < 0.2):
            c = _reflecting(rng, card, c)
        if kind == "fingers" or (every and rng.random() < 0.5):
            c = replace(c, fingers=_rim_fingers(rng, card))
        if kind == "hidden patch":
            c = replace(c, fingers=_over_patch(rng, card))
        inside = _inside(card, c)
        if kind == "cut" and not 0.82 <= inside <= 0.97:
            continue
        if kind != "cut" and inside < 0.999 and not (kind == "large" and inside > 0.82):
            continue
        return c
    raise RuntimeError(f"no conditions of kind {kind!r} keep the card in the frame")


def beside(rng: np.random.Generator, c: Conditions) -> Conditions:
    """Where a second card is held in the frame of ``c``: in the other half."""
    return replace(c, size=float(rng.uniform(0.15, 0.42)), centre=(1 - c.centre[0], float(rng.uniform(0.4, 0.6))),
                   tilt_deg=float(rng.uniform(0, 20)), roll_deg=float(rng.normal(0, 10)), fingers=())


def _inside(card: Card, c: Conditions) -> float:
    u, v = np.meshgrid(np.linspace(0, card.size[0], 25), np.linspace(0, card.size[1], 25))
    p = Plane(card, c).to_pixels(np.column_stack([u.ravel(), v.ravel()]))
    return float(((p[:, 0] > 0) & (p[:, 0] < c.width) & (p[:, 1] > 0) & (p[:, 1] < c.height)).mean())


def _gains(rng: np.random.Generator, stops: float) -> tuple[float, float, float]:
    r, b = 2.0 ** rng.uniform(-stops, stops, 2)
    return (float(r), 1.0, float(b))


def _lamp(rng: np.random.Generator, rotation: np.ndarray) -> tuple[float, float, float]:
    """Before the card, 30 to 60 degrees off its normal, 2 to 5 m away."""
    azimuth = rng.uniform(0, 2 * np.pi)
    off = np.radians(rng.uniform(30, 60))
    d = rng.uniform(2000, 5000)
    lamp = rotation @ np.array([np.sin(off) * np.cos(azimuth), np.sin(off) * np.sin(azimuth), -np.cos(off)]) * d
    return (float(lamp[0]), float(lamp[1]), float(lamp[2]))


def _reflecting(rng: np.random.Generator, card: Card, c: Conditions) -> Conditions:
    c = replace(c, roughness=float(rng.uniform(0.06, 0.22)), gloss=1.0)
    point = (float(rng.uniform(0.1, 0.9) * card.size[0]), float(rng.uniform(0.1, 0.9) * card.size[1]))
    lamp = Plane(card, c).mirror_lamp(point, float(rng.uniform(1500, 4000)))
    return replace(c, lamp=tuple(float(v) for v in lamp))


def _rim_fingers(rng: np.random.Generator, card: Card) -> tuple[tuple[float, float, float, float, float], ...]:
    """Two to four fingers over one side's rim, or a thumb over each of two sides."""
    w, h = card.size
    unit = w / 280
    out = []
    if rng.random() < 0.5:
        side = int(rng.integers(4))
        start = rng.uniform(0.25, 0.6)
        for k in range(int(rng.integers(2, 5))):
            out.append(_finger(side, start + 0.085 * k, w, h, unit))
    else:
        for side in rng.choice(4, 2, replace=False):
            out.append(_finger(int(side), float(rng.uniform(0.3, 0.7)), w, h, unit))
    return tuple(out)


def _finger(side: int, along: float, w: float, h: float, unit: float) -> tuple[float, float, float, float, float]:
    reach, radius = 10 * unit, 9 * unit
    ends = {0: (along * w, -70 * unit, along * w, reach), 1: (along * w, h + 70 * unit, along * w, h - reach),
            2: (-70 * unit, along * h, reach, along * h), 3: (w + 70 * unit, along * h, w - reach, along * h)}[side]
    return (*ends, radius)


def _over_patch(rng: np.random.Generator, card: Card) -> tuple[tuple[float, float, float, float, float], ...]:
    patch = card.patches[int(rng.integers(len(card.patches)))]
    points = np.array(patch.polygon)
    x, y = points.mean(0)
    radius = float(np.ptp(points, axis=0).min() / 2 * 1.05)
    w, h = card.size
    outside = min(((x, -60.0), (x, h + 60.0), (-60.0, y), (w + 60.0, y)), key=lambda p: abs(p[0] - x) + abs(p[1] - y))
    return ((float(outside[0]), float(outside[1]), float(x), float(y), radius),)
