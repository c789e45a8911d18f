"""Whether a shot comes from the card take's camera and settings, by all that its files say.

The files' metadata names a camera or its settings where it does at all; their kind and depth, what is dark beyond the
declared curve's black, the colour that the picture leans to, and how much of it the correction drives out of range
are weaker signs, each of which an honest shot can show alone. Two of them together are taken for a contradiction; that
weighing and the limits are choices of ours, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from huewright_kernels.executor import compile_chain, run

from huewright.frames import attributes
from huewright.frames.take import Take
from huewright.models.footage import Footage
from huewright.models.proof import Summary
from huewright.models.shots import (
    BelowBlack,
    DrivenOut,
    LeansElsewhere,
    NamedOtherwise,
    OtherKind,
    ShotProof,
    Sign,
    What,
)

# Attributes by OpenImageIO's names (Exif, OpenEXR's standard ones, SMPTE ST 268 DPX), compared and never printed beyond
# what the two files hold.
WHO = {"make": attributes.WHO["Make"], "model": attributes.WHO["Model"],
       "serial number": attributes.WHO["cameraSerialNumber"]}
HOW = {"white balance": ("Exif:WhiteBalance", "cameraCCTSetting", "cameraTintSetting", "cameraColorBalance"),
       "sensitivity": ("isoSpeed", "Exif:ISOSpeedRatings", "Exif:PhotographicSensitivity"),
       "encoding": ("oiio:ColorSpace", "colorInteropID", "dpx:Transfer", "dpx:Colorimetric")}
STRENGTH: dict[What, int] = {"make": 2, "model": 2, "serial number": 2, "white balance": 2, "sensitivity": 1,
                             "encoding": 2}
FRAMES_READ = 3
SAMPLES_ACROSS = 240
DARK_PERCENT = 2.0            # of pixels with less light than none, where the take has under a tenth of that
LEAN_STOPS = 0.75             # apart in red or blue against green
BEYOND_PERCENT = 5.0          # of rendered pixels outside -5 to 105 % or cut off, and under a fifth of that in the take
CONTRADICTED = 2              # points


@dataclass(frozen=True)
class Traits:
    """Of a take's files: their kind in words, ``named`` attributes in text, the share of pixels without light, and the
    median of log2 R/G and B/G of linear light where there is some."""

    kind: str
    named: dict[str, str]
    dark_percent: float
    lean_stops: tuple[float, float]


def traits_of(take: Take, footage: Footage) -> Traits:
    """Read from a few frames spread over ``take``."""
    numbers = sorted(take.numbers)
    picked = sorted({numbers[round(k * (len(numbers) - 1) / max(FRAMES_READ - 1, 1))] for k in range(FRAMES_READ)})
    to_light = compile_chain(footage.to_linear())
    named: dict[str, str] = {}
    lights = []
    for number in picked:
        frame = take.frame(number)
        named = named or _named(frame.metadata.attributes())
        step = max(1, frame.width // SAMPLES_ACROSS)
        codes = np.ascontiguousarray(frame.rgb_float()[::step, ::step])
        lights.append(np.asarray(run(to_light, codes), np.float64).reshape(-1, 3))
    light = np.concatenate(lights)
    light = light[np.isfinite(light).all(axis=1)]
    bright = light[(light > 0.02).all(axis=1)]
    lean = np.median(np.log2(bright[:, [0, 2]] / bright[:, [1]]), axis=0) if len(bright) else np.full(2, np.nan)
    dark = 100 * float(np.mean((light < 0).any(axis=1))) if len(light) else 0.0
    return Traits(take.kind, named, dark, (float(lean[0]), float(lean[1])))


def _named(said: dict[str, Any]) -> dict[str, str]:
    found = {}
    for what, names in (WHO | HOW).items():
        value = next((said[name] for name in names if str(said.get(name, "")).strip("\x00 ")), None)
        if value is not None:
            found[what] = str(value).strip("\x00 ")
    return found


def unlike(take: Traits, shot: Traits, take_beyond: float, shot_beyond: float) -> tuple[int, tuple[Sign, ...]]:
    """Points against the shot's being of the take's camera and settings, and each sign. ``*_beyond`` are percent of
    rendered pixels outside -5 to 105 % or cut off."""
    points = 0
    signs: list[Sign] = []
    for what, strength in STRENGTH.items():
        here, there = take.named.get(what), shot.named.get(what)
        if here is not None and there is not None and here != there:
            points += strength
            signs.append(NamedOtherwise(what, there, here))
    if shot.kind != take.kind:
        points += 1
        signs.append(OtherKind(shot.kind, take.kind))
    if shot.dark_percent > DARK_PERCENT > 10 * take.dark_percent:
        points += 1
        signs.append(BelowBlack(shot.dark_percent))
    apart = float(np.nanmax(np.abs(np.subtract(shot.lean_stops, take.lean_stops)), initial=0.0))
    if apart > LEAN_STOPS:
        points += 1
        signs.append(LeansElsewhere(apart))
    if shot_beyond > BEYOND_PERCENT > 5 * take_beyond:
        points += 1
        signs.append(DrivenOut(shot_beyond, take_beyond))
    return points, tuple(signs)


def judged(shots: Sequence[ShotProof], frames: Sequence[Take], take: Take, footage: Footage,
           take_beyond: float) -> tuple[ShotProof, ...]:
    """``shots``, whose camera files are ``frames``, with what those say against their being of the card ``take``'s
    camera and settings; strange where that is contradicted. ``take_beyond`` as for :func:`unlike`."""
    if not shots:
        return ()
    own = traits_of(take, footage)
    found = []
    for shot, source in zip(shots, frames, strict=True):
        points, signs = unlike(own, traits_of(source, footage), take_beyond, lost_percent(shot))
        found.append(replace(shot, signs=signs, strange=points >= CONTRADICTED))
    return tuple(found)


def contradicting(take: Traits, shot: Traits) -> tuple[Sign, ...]:
    """The signs that contradict that a shot is of the take's camera and settings, by the camera's files alone; none
    where they don't add up to that."""
    points, signs = unlike(take, shot, 0.0, 0.0)
    return signs if points >= CONTRADICTED else ()


def lost_percent(record: ShotProof | Summary) -> float:
    """Of the rendered pixels, what floating numbers hold outside -5 to 105 % or whole numbers cut off."""
    return record.pixels_beyond_preferred_percent + record.pixels_at_end_stops_percent


__all__ = ["CONTRADICTED", "Traits", "contradicting", "judged", "lost_percent", "traits_of", "unlike"]
