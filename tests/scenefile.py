"""A scene file with most of what one can say: read by tests, and damaged by :mod:`badfiles`."""

from __future__ import annotations

SCENE = '''format = "huewright-scene-1"
title = "Kitchen"
card = "card.toml"

[settings]
levels = { middle = 45 }
strength = { hues = 0.8 }

[[camera]]
name = "A"
encoding = "ACEScct"

[[camera]]
name = "B"
encoding = "display"
range = "legal"

[[take]]
camera = "A"
path = "takes/a_morning.####.exr"

[[take]]
camera = "A"
path = "takes/a_noon.mov:100-240"
moment = 12:04:30

[[take]]
camera = "B"
path = "takes/b"

[[shot]]
camera = "A"
path = "shots/kitchen_1.mov"
served_by = ["a_morning", "a_noon"]

[[shot]]
camera = "B"
path = "shots/kitchen_2.####.png"
served_by = "b"
make = "export"
'''
