"""Frames between two that show the card: washed out by a lamp, or without a card that could be: what is said of each.

    python tests/testset/washed.py [--seeds 60]

Frames that a reflection spoils count only where the finder misses the card in them.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from huewright.cards.own import own_card
from huewright.finding.find import Found, find_card
from huewright.finding.pose import plain_pose
from huewright.finding.washed import Washed

from testset.backgrounds import background
from testset.decoys import CARDS, misleading_card
from testset.draw import conditions
from testset.scene import Conditions, Plane, Truth, compose, empty, insert

CARD = own_card()
WIDTH, HEIGHT = 960, 540
LENSES = ("plain", "rolled", "tilted", "log", "cast", "under", "over", "noise", "large")


def frames(seed: int) -> tuple[dict[str, np.ndarray], list[tuple[np.ndarray, Found]]]:
    """Frames by what they are, and the two that show the card before and after them."""
    rng = np.random.default_rng([78, seed])
    c = replace(conditions(rng, CARD, str(rng.choice(LENSES)), width=WIDTH, height=HEIGHT), distortion=0.0)
    scene, _ = background(rng, WIDTH, HEIGHT)
    drift = rng.normal(0, 0.01, 2)
    beside = [shown(*compose(CARD, scene, moved(c, share * drift), rng)) for share in (0, 1)]
    return dict(between(moved(c, drift / 2), scene, rng, beside[0][1])), beside


def between(c: Conditions, scene: np.ndarray, rng: np.random.Generator,
            before: Found) -> Iterator[tuple[str, np.ndarray]]:
    width, height = CARD.size
    lit = replace(c, roughness=float(rng.uniform(0.1, 0.5)), gloss=float(np.exp(rng.uniform(0, np.log(30)))))
    spot = (float(rng.uniform(0.2, 0.8) * width), float(rng.uniform(0.2, 0.8) * height))
    lamp = Plane(CARD, lit).mirror_lamp(spot, float(rng.uniform(1500, 4000)))
    spoiled, _ = compose(CARD, scene, replace(lit, lamp=tuple(float(v) for v in lamp)), rng)
    if find_card(spoiled, CARD, hint=before) is None:
        yield "a lamp mirrored", spoiled
    yield "no card", empty(scene, c, rng)
    for what, card in (("another card", misleading_card(rng, CARD, str(rng.choice(CARDS)))), ("a sheet", sheet(rng))):
        other = scene.copy()
        insert(other, card, c)
        yield what, empty(other, c, rng)
    arm = (-0.3 * width, 0.5 * height, 1.1 * width, 0.5 * height, float(rng.uniform(0.3, 0.6)) * height)
    yield "a hand", compose(CARD, scene, replace(c, fingers=(arm,)), rng)[0]
    elsewhere, _ = background(rng, WIDTH, HEIGHT)
    yield "a cut", empty(elsewhere, replace(c, exposure_stops=c.exposure_stops + float(rng.uniform(0, 2))), rng)
    yield "blurred", compose(CARD, scene, replace(c, blur_px=float(rng.uniform(10, 40)) * c.size), rng)[0]
    away = np.array([rng.choice([-1, 1]) * rng.uniform(0.3, 1) * c.size, rng.normal(0, 0.2)])
    yield "moved away", compose(CARD, scene, moved(c, away), rng)[0]


def sheet(rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Paper of the card's size, without a pattern."""
    bright = float(rng.uniform(0.3, 1.2))
    whole = replace(CARD.patches[0], polygon=CARD.corners, xyz=(0.95 * bright, bright, 1.09 * bright))
    return replace(CARD, patches=(whole,), marks=())


def moved(c: Conditions, by: np.ndarray) -> Conditions:
    return replace(c, centre=(c.centre[0] + float(by[0]), c.centre[1] + float(by[1])))


def shown(frame: np.ndarray, truth: Truth) -> tuple[np.ndarray, Found]:
    return frame, Found(truth.corners, truth.homography, 3.0, plain_pose(truth.homography, WIDTH, HEIGHT))


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--seeds", type=int, default=60)
    said: Counter[tuple[str, str]] = Counter()
    for seed in range(options.parse_args().seeds):
        made, ((first, before), (last, after)) = frames(seed)
        for what, frame in made.items():
            washed = Washed(CARD)
            for number, (rgb, found) in enumerate(((first, before), (frame, None), (last, after))):
                washed.see(number, rgb, found)
            washed.finish()
            said[what, type(washed.reasons.get(1)).__name__] += 1
    for (what, reason), count in sorted(said.items()):
        print(f"{what:16s} {'nothing' if reason == 'NoneType' else reason:10s} {count}")


if __name__ == "__main__":
    main()
