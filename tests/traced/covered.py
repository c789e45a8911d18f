"""Traced takes with something opaque painted over the card, and what is said of it:

    python tests/traced/covered.py [--rooms FIRST COUNT] [--judging]

Two frames of every third take. Covers are fingers, an arm, a cable or tape in colours of skin, cloth and paper
(reflectances invented), lit as the card's middle is, darker towards their rims; no shadow falls beside them.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from huewright.finding.find import find_card
from huewright.finding.grade import judge
from huewright.finding.light import LinearLight
from huewright.finding.observe import observe
from huewright.finding.read import settle

from traced.reads import clip_levels
from traced.scene import FRAMES, JUDGING, room
from traced.take import HEIGHT, WIDTH, Take, Truth

COLOURS = {"skin": (0.45, 0.24, 0.16), "dark skin": (0.14, 0.075, 0.05), "pale skin": (0.62, 0.42, 0.33),
           "blue cloth": (0.03, 0.05, 0.16), "green cloth": (0.05, 0.16, 0.06), "red cloth": (0.35, 0.04, 0.03),
           "grey cloth": (0.2, 0.2, 0.21), "black rubber": (0.02, 0.02, 0.02), "paper": (0.8, 0.8, 0.78),
           "yellow tape": (0.55, 0.42, 0.04)}
OVER = 4
Line = tuple[tuple[float, float], tuple[float, float], float]      # from, to, radius, in card units


def _lines(take: Take, rng: np.random.Generator) -> list[Line]:
    w, h = take.card.size
    unit = w / 280
    kind = str(rng.choice(["patch", "rim", "arm", "cable"]))
    if kind == "patch":
        outline = np.array(take.card.patches[int(rng.integers(len(take.card.patches)))].polygon)
        x, y = (float(value) for value in outline.mean(axis=0))
        starts = ((x, -60 * unit), (x, h + 60 * unit), (-60 * unit, y), (w + 60 * unit, y))
        start = min(starts, key=lambda at: abs(at[0] - x) + abs(at[1] - y))
        end = (x + float(rng.normal(0, 4 * unit)), y + float(rng.normal(0, 4 * unit)))
        return [(start, end, float(np.ptp(outline, axis=0).min() / 2 * rng.uniform(0.5, 1.1)))]
    if kind == "rim":
        side, first = int(rng.integers(4)), float(rng.uniform(0.2, 0.6))
        lines: list[Line] = []
        for k in range(int(rng.integers(1, 4))):
            along, reach = first + 0.085 * k, float(rng.uniform(8, 45)) * unit
            x, y = along * w, along * h
            start, end = (((x, -70 * unit), (x, reach)), ((x, h + 70 * unit), (x, h - reach)),
                          ((-70 * unit, y), (reach, y)), ((w + 70 * unit, y), (w - reach, y)))[side]
            lines.append((start, end, 9 * unit))
        return lines
    if kind == "arm":
        y = float(rng.uniform(0.1, 0.9)) * h
        return [((-0.3 * w, y), (float(rng.uniform(0.2, 1.2)) * w, y + float(rng.normal(0, 0.15 * h))),
                 float(rng.uniform(0.12, 0.25)) * h)]
    return [((-0.2 * w, float(rng.uniform(0, h))), (1.2 * w, float(rng.uniform(0, h))),
             float(rng.uniform(1.5, 5)) * unit)]


def covered(take: Take, codes: np.ndarray, truth: Truth, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """The frame with something over the card, and (p,) which share of each patch's inner part it covers."""
    light = LinearLight(take.footage)
    to_picture = cv2.getPerspectiveTransform(np.array(take.card.corners, np.float32),
                                             truth.corners.astype(np.float32))

    def pixels(points: object) -> np.ndarray:
        return np.asarray(cv2.perspectiveTransform(np.array(points, np.float32)[None], to_picture)[0])

    colour = np.array(COLOURS["skin" if rng.random() < 0.35 else str(rng.choice(list(COLOURS)))])
    mask, thickness = np.zeros((HEIGHT * OVER, WIDTH * OVER), np.uint8), 1
    for start, end, radius in _lines(take, rng):
        a, b, side = pixels([start, end, (start[0] + radius, start[1])]) * OVER
        thickness = max(3, round(2 * float(np.linalg.norm(side - a))))
        cv2.line(mask, tuple(map(int, a)), tuple(map(int, b)), 255, thickness)
    soft = cv2.GaussianBlur(mask / np.float32(255), (0, 0), max(OVER, 0.1 * thickness))
    size = (WIDTH, HEIGHT)
    shade = cv2.resize(0.35 + 0.65 * np.clip(2 * soft - 0.9, 0, 1), size, interpolation=cv2.INTER_AREA)[..., None]
    share = cv2.GaussianBlur(cv2.resize(mask / np.float32(255), size, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    over = share[..., None]
    bare = light.to_linear(codes.astype(np.float64))
    linear = bare * (1 - over) + truth.white * colour * float(rng.uniform(0.5, 1.3)) * shade * over
    noise = np.sqrt(take.shot.noise[0] * np.maximum(linear, 0) + take.shot.noise[1] ** 2)
    painted = light.to_code(linear + noise * over * rng.standard_normal(linear.shape))
    if take.footage.encoding == "display":
        painted = np.round(np.clip(painted, 0, 1) * 255) / 255
    hidden = []
    for patch in take.card.patches:
        outline = np.array(patch.polygon)
        middle = outline.mean(axis=0)
        inner = np.zeros((HEIGHT, WIDTH), np.uint8)
        cv2.fillConvexPoly(inner, np.round(pixels(middle + 0.8 * (outline - middle)) * 16).astype(np.int32), 1,
                           cv2.LINE_8, 4)
        hidden.append(float(share[inner > 0].mean()) if inner.any() else 0.0)
    return np.where(over > 0.002, painted, codes).astype(np.float32), np.array(hidden)


def main() -> None:
    parser = argparse.ArgumentParser(description="What is said of things over the card, on traced takes.")
    parser.add_argument("--judging", action="store_true")
    parser.add_argument("--rooms", type=int, nargs=2, metavar=("FIRST", "COUNT"), default=(0, 30))
    given = parser.parse_args()
    first = given.rooms[0] + (JUDGING if given.judging else 0)
    said: Counter[tuple[str, str]] = Counter()
    for number in range(2 * first, 2 * (first + given.rooms[1])):
        if number % 3 or room(number // 2).walled_off:
            continue
        take, rng = Take(number), np.random.default_rng([83, number])
        low, high = clip_levels(take)
        light = LinearLight(take.footage)
        chosen = sorted(int(k) for k in rng.choice(FRAMES, 2, replace=False))
        for codes, truth in take.frames(chosen):
            picture, share = covered(take, codes, truth, rng)
            found = find_card(picture, take.card)
            if found is None:
                said["the frame", "no card found"] += 1
                continue
            seen = observe(picture, take.card, found, light, clip_low=low, clip_high=high)
            judged = judge(settle(seen, take.card, light), take.card, found, 0)
            for patch, hidden in zip(judged.reading.patches, share, strict=True):
                of = ("over half" if hidden > 0.5 else "less" if hidden > 0.05 else
                      "not at all" if hidden < 0.003 else None)
                if of is not None:
                    said[of, type(patch.reasons[0]).__name__ if patch.reasons else "kept"] += 1
    for (of, what), count in sorted(said.items()):
        print(f"covered {of:12s} {what:24s} {count}" if of != "the frame" else f"{what}: {count}")


if __name__ == "__main__":
    main()
