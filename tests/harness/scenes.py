"""A small invented scene of two cameras for tests: display pictures of our card, and shots of painted blocks."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import huewright as hw
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from test_command_line import CARD, paint

OTHER_CAMERA = np.array([[0.90, 0.08, 0.02], [0.03, 0.95, 0.02], [0.00, 0.05, 0.95]])
TEXT = '''format = "huewright-scene-1"
title = "A kitchen, invented"
card = "card.toml"

[settings]
trust_encoding = true

[out]
folder = "made"
lut_points = 9

[[camera]]
name = "A"
encoding = "display"

[[camera]]
name = "B"
encoding = "display"

[[take]]
camera = "A"
path = "takes/a.####.png"
moment = "9:00"

[[take]]
camera = "B"
path = "takes/b.####.png"

[[shot]]
camera = "A"
path = "shots/one.####.png"
moment = "9:12"

[[shot]]
camera = "A"
path = "shots/two.####.png"
make = "export"

[[shot]]
camera = "B"
path = "shots/three.####.png"
'''


def blocks(path: Path, seed: int, light: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> None:
    """A small picture of blocks of many colours in ``light`` (factors of linear light, red first): 16-bit PNG."""
    rng = np.random.default_rng(seed)
    colours = np.clip(0.3 * np.exp(rng.normal(0, 0.5, (6, 8, 1))) * np.exp(rng.normal(0, 0.15, (6, 8, 3))), 0, 1)
    linear = np.repeat(np.repeat(colours, 12, axis=0), 12, axis=1) * light
    signal = np.where(linear < 0.018, 4.5 * linear, 1.099 * linear**0.45 - 0.099)     # ITU-R BT.709-6
    path.parent.mkdir(parents=True, exist_ok=True)
    assert cv2.imwrite(str(path), np.clip(signal * 65535, 0, 65535).astype(np.uint16)[..., ::-1])


def make_scene(folder: Path) -> Path:
    """The scene file in ``folder``, with everything that it names."""
    (folder / "takes").mkdir(parents=True, exist_ok=True)
    (folder / "card.toml").write_bytes(CARD.read_bytes())
    paint(folder / "takes/a.0001.png")
    paint(folder / "takes/b.0001.png", gain=0.7, turn=10.0)
    codes = cv2.imread(str(folder / "takes/b.0001.png"), cv2.IMREAD_UNCHANGED)[..., ::-1] @ OTHER_CAMERA.T
    assert cv2.imwrite(str(folder / "takes/b.0001.png"), np.clip(codes, 0, 65535).astype(np.uint16)[..., ::-1])
    for seed, name in enumerate(("one", "two", "three")):
        for number in (1, 2):
            blocks(folder / f"shots/{name}.{number:04d}.png", 10 * seed + number)
    (folder / "scene.toml").write_text(TEXT)
    return folder / "scene.toml"


def made_scene(folder: Path) -> None:
    """The same with everything that it makes, for ``made_once``."""
    assert not hw.scene(make_scene(folder)).failed
