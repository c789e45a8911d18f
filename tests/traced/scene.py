"""Rooms, lamps and a held card, invented from a seed. Lengths in metres, x and y as seen by the tracer, z away from the
camera, which stands at (0, 1.4, 0) and looks along z.

Seeds below ``JUDGING`` are for tuning; those from there on are for judging and are run once per change of the rules.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FRAMES = 24
JUDGING = 1000
EYE = np.array([0.0, 1.4, 0.0])
CARD_SIZE = (0.28, 0.20)
# Transport is traced in bands this wide; spectra within a band are weighted finely afterwards (see spectra.py).
BANDS = tuple((400.0 + 37.5 * k, 437.5 + 37.5 * k) for k in range(8))
KINDS = ("plain", "window", "spill", "mixed", "near", "dim room", "bright room", "glossy", "matt", "far")


@dataclass(frozen=True)
class Lamp:
    """A flat square light: ``size`` m across, at ``at``, facing ``towards``; ``share`` of the card's light."""

    at: tuple[float, float, float]
    towards: tuple[float, float, float]
    size: float
    share: float


@dataclass(frozen=True)
class Box:
    """A block of the room's clutter."""

    at: tuple[float, float, float]
    size: tuple[float, float, float]
    turn_deg: float
    reflectance: tuple[float, ...]


@dataclass(frozen=True)
class Pose:
    """Where the card is: its middle, and the unit vectors along its width, its height (downwards) and out of it."""

    middle: np.ndarray
    right: np.ndarray
    down: np.ndarray

    @property
    def out(self) -> np.ndarray:
        return np.cross(self.down, self.right)

    def points(self, uv: np.ndarray) -> np.ndarray:
        """Room points (n, 3) of ``uv`` (n, 2), metres from the card's top left corner."""
        offset = np.asarray(uv) - np.array(CARD_SIZE) / 2
        return self.middle + offset[:, :1] * self.right + offset[:, 1:] * self.down


@dataclass(frozen=True)
class Room:
    """One scene. ``walls`` holds reflectances per band of left, right, back, front (behind the camera), floor, ceiling;
    ``distances`` their distances; ``roughness`` the card's GGX alpha."""

    seed: int
    kind: str
    lamps: tuple[Lamp, ...]
    boxes: tuple[Box, ...]
    walls: tuple[tuple[float, ...], ...]
    distances: tuple[float, ...]
    roughness: float
    focal: float
    motion: np.ndarray

    @property
    def walled_off(self) -> bool:
        """Whether a lamp stands behind a coloured wall with all but a twentieth of its square.

        No room is lit so: the tracer finds the little that is left of it, or leaks at edges, once in thousands of
        paths, and brought to the lamp's share that is blotches where light would be even (neighbouring places over the
        card differ by up to 40 %; in all other rooms by under 1.1)."""
        left, right = self.distances[:2]
        for lamp in self.lamps:
            to = np.subtract(lamp.towards, lamp.at)
            # As the tracer turns it: across, and up with a hint of x.
            across = np.cross([0.02, 1.0, 0.0], to)
            up = np.cross(to, across)
            steps = (np.arange(21) - 10) / 20 * lamp.size
            x = (lamp.at[0] + steps[:, None] * across[0] / np.linalg.norm(across)
                 + steps[None, :] * up[0] / np.linalg.norm(up))
            if ((x > left) | (x < -right)).mean() > 0.95:
                return True
        return False

    def pose(self, time: float) -> Pose:
        """The card at ``time`` in frames."""
        m, t = self.motion, 2 * np.pi * time / FRAMES
        x, y, z, yaw, pitch, roll = (row[0] + row[1] * np.sin(row[3] * t + row[2]) for row in m)
        turn = _turn(yaw, pitch, roll)
        # In the camera's picture right is -x and down is -y (looking along z with y up).
        return Pose(EYE + [x, y, z], turn @ [-1.0, 0, 0], turn @ [0, -1.0, 0])


def room(seed: int) -> Room:
    """The scene of ``seed``; its kind goes through :data:`KINDS` in turn."""
    rng = np.random.default_rng([77, seed])
    kind = KINDS[seed % len(KINDS)]
    distance = float(rng.uniform(0.55, 1.0) if kind != "far" else rng.uniform(1.4, 2.2))
    # The card fills a third to two thirds of the picture's width.
    focal = float(rng.uniform(0.36, 0.62)) * distance / CARD_SIZE[0]
    alpha = {"glossy": (0.04, 0.10), "matt": (0.35, 0.6)}.get(kind, (0.10, 0.35))
    roughness = float(np.exp(rng.uniform(*np.log(alpha))))
    tilt = rng.uniform(0.06, 0.42)
    motion = np.array([[0.0, 0.04 * distance, rng.uniform(0, 6.3), 1],
                       [0.0, 0.03 * distance, rng.uniform(0, 6.3), 1],
                       [distance, 0.03 * distance, rng.uniform(0, 6.3), 1],
                       [rng.normal(0, 0.12), tilt, rng.uniform(0, 6.3), rng.choice([1, 1, 2])],
                       [rng.normal(0, 0.08), 0.6 * tilt, rng.uniform(0, 6.3), rng.choice([1, 2])],
                       [rng.normal(0, 0.06), 0.05, rng.uniform(0, 6.3), 1]])
    walls = [_paint(rng, rng.uniform(0.1, 0.45), 0.3) for _ in range(6)]
    distances = [float(rng.uniform(1.4, 3.0)), float(rng.uniform(1.4, 3.0)), distance + float(rng.uniform(0.8, 2.5)),
                 float(rng.uniform(1.0, 3.5)), 1.4, float(rng.uniform(1.2, 1.8))]
    if kind == "spill":
        side = int(rng.integers(2))
        walls[side], distances[side] = _paint(rng, 0.55, 1.0), float(rng.uniform(0.5, 0.9))
    if kind == "dim room":
        walls = [_paint(rng, 0.06, 0.3) for _ in range(6)]
    if kind == "bright room":
        walls = [_paint(rng, rng.uniform(0.6, 0.85), 0.1) for _ in range(6)]
    return Room(seed, kind, _lamps(rng, kind, distance), _boxes(rng, distance), tuple(walls), tuple(distances),
                roughness, focal, motion)


def _lamps(rng: np.random.Generator, kind: str, distance: float) -> tuple[Lamp, ...]:
    target = EYE + [0, 0, distance]
    flip = rng.choice([-1, 1])

    def lamp(angle_deg: float, up_deg: float, away: float, size: float, share: float) -> Lamp:
        a, b = np.radians(angle_deg) * flip, np.radians(up_deg)
        at = target + away * np.array([np.sin(a) * np.cos(b), np.sin(b), -np.cos(a) * np.cos(b)])
        at = np.clip(at, [-1.35, 0.1, -0.95], [1.35, 2.55, 9])
        return Lamp(tuple(map(float, at)), tuple(map(float, target)), size, share)

    key = lamp(rng.uniform(25, 65), rng.uniform(5, 45), rng.uniform(1.0, 1.8), float(rng.uniform(0.2, 0.8)), 1.0)
    fill = lamp(-rng.uniform(30, 75), rng.uniform(-5, 30), rng.uniform(1.0, 1.8), float(rng.uniform(0.3, 0.9)),
                float(rng.uniform(0.1, 0.5)))
    if kind == "near":
        key = lamp(rng.uniform(35, 60), rng.uniform(10, 35), rng.uniform(0.35, 0.6), 0.12, 1.0)
    if kind == "mixed":
        fill = lamp(-rng.uniform(40, 75), rng.uniform(0, 25), rng.uniform(0.8, 1.4), 0.6, float(rng.uniform(0.5, 1.0)))
    lamps = [key, fill]
    if kind in ("window", "bright room"):
        # A window behind the camera: what a card held upright mirrors.
        at = (float(rng.uniform(-0.7, 0.7)), float(rng.uniform(1.2, 2.0)), -0.95)
        lamps.append(Lamp(at, tuple(map(float, target)), float(rng.uniform(0.5, 1.0)), float(rng.uniform(0.1, 0.4))))
    return tuple(lamps)


def _boxes(rng: np.random.Generator, distance: float) -> tuple[Box, ...]:
    boxes = [Box((float(rng.normal(0, 0.05)), 0.8, distance + 0.3), (0.22, 0.75, 0.12), 0.0, _paint(rng, 0.2, 0.5))]
    for _ in range(9):
        size = rng.uniform(0.08, 0.35, 3)
        boxes.append(Box((float(rng.uniform(-1.3, 1.3)), float(rng.uniform(0.1, 2.2)),
                          distance + float(rng.uniform(0.45, 0.75))), tuple(map(float, size)),
                         float(rng.uniform(0, 90)), _paint(rng, rng.uniform(0.05, 0.7), 0.8)))
    for _ in range(4):
        boxes.append(Box((float(rng.uniform(-1.2, 1.2)), float(rng.uniform(0.3, 1.8)), float(rng.uniform(-0.8, -0.3))),
                         (0.15, 0.4, 0.1), float(rng.uniform(0, 90)), _paint(rng, rng.uniform(0.05, 0.8), 0.8)))
    return tuple(boxes)


def _paint(rng: np.random.Generator, level: float, strength: float) -> tuple[float, ...]:
    """A smooth reflectance per band: ``level`` with a hump or a step of ``strength``."""
    at = np.array([(a + b) / 2 for a, b in BANDS])
    middle, width = rng.uniform(430, 670), rng.uniform(35, 90)
    shape = (np.exp(-0.5 * ((at - middle) / width) ** 2) if rng.random() < 0.5
             else 1 / (1 + np.exp(-rng.choice([-1, 1]) * (at - middle) / (width / 2))))
    values = level * (1 - strength + strength * shape / max(shape.mean(), 0.3))
    return tuple(np.clip(values, 0.02, 0.9).tolist())


def _turn(yaw: float, pitch: float, roll: float) -> np.ndarray:
    cy, sy, cp, sp, cr, sr = (f(a) for a in (yaw, pitch, roll) for f in (np.cos, np.sin))
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_x = np.array([[1, 0, 0], [0, cp, -sp], [0, sp, cp]])
    about_z = np.array([[cr, -sr, 0], [sr, cr, 0], [0, 0, 1]])
    return about_y @ about_x @ about_z


def project(points: np.ndarray, focal: float, width: int, height: int,
            eye: np.ndarray = EYE) -> np.ndarray:
    """Pixels (n, 2) of room points (n, 3); ``focal`` over the picture's width."""
    offset = points - eye
    return np.column_stack([width / 2 - focal * width * offset[:, 0] / offset[:, 2],
                            height / 2 - focal * width * offset[:, 1] / offset[:, 2]])
