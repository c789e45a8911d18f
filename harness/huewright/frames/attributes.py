"""Rate, time code and what names the camera in a file's attributes, by OpenImageIO's names."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

_RATES = ("FramesPerSecond", "dpx:FrameRate", "dpx:TemporalFrameRate")


WHO = {"Make": ("Make", "cameraMake"), "Model": ("Model", "cameraModel", "dpx:InputDevice"),
       "cameraSerialNumber": ("cameraSerialNumber", "Exif:BodySerialNumber", "dpx:InputDeviceSerialNumber"),
       "cameraLabel": ("cameraLabel",), "reelName": ("reelName", "openexr:reelName")}
"""Attributes that name a camera, by the first of each row: Exif's, OpenEXR's standard ones, SMPTE ST 268 DPX's."""
_IN_MOVIES = {"make": "Make", "model": "Model", "serialnumber": "cameraSerialNumber",
              "cameraserialnumber": "cameraSerialNumber", "cameralabel": "cameraLabel", "cameraid": "cameraLabel",
              "cameraidentifier": "cameraLabel", "reel": "reelName", "reelname": "reelName"}


def who_said(attributes: Mapping[str, Any]) -> dict[str, str]:
    """What names the camera in a picture file's attributes, by the names of :data:`WHO`."""
    found = {}
    for name, others in WHO.items():
        value = next((text for other in others if (text := str(attributes.get(other, "")).strip("\x00 "))), "")
        if value:
            found[name] = value
    return found


def who_in_movie(metadata: Mapping[str, str]) -> dict[str, str]:
    """The same of a movie's metadata, whose keys are told by their last word, or two (makers put words before)."""
    found: dict[str, str] = {}
    for key, value in metadata.items():
        words = [re.sub(r"[\s_-]", "", word) for word in key.casefold().split(".")]
        name = _IN_MOVIES.get(words[-1]) or _IN_MOVIES.get("".join(words[-2:]))
        if name and value.strip():
            found.setdefault(name, value.strip())
    return found


def rate_said(attributes: Mapping[str, Any]) -> Fraction | None:
    """Frames a second, from 1 to 1000, or None."""
    for name in _RATES:
        value = attributes.get(name)
        if isinstance(value, Sequence) and not isinstance(value, str) and len(value) == 2 and value[1]:
            rate = Fraction(int(value[0]), int(value[1]))
        elif isinstance(value, int | float) and 1 <= value <= 1000:
            rate = as_rate(float(value))
        else:
            continue
        if 1 <= rate <= 1000:
            return rate
    return None


def as_rate(value: float) -> Fraction:
    """23.976 and its like as 24000/1001, as television has them; others as near as a denominator of 1001 comes."""
    whole = round(value)
    slow = Fraction(whole * 1000, 1001)
    if abs(value - float(slow)) < 0.003 < abs(value - whole):
        return slow
    return Fraction(value).limit_denominator(1001)


def code_said(attributes: Mapping[str, Any]) -> tuple[str, bool]:
    """(time code or "", whether numbers are dropped): OpenEXR's timeCode and DPX's, which OpenImageIO gives as packed
    decimal digits (SMPTE ST 12-1)."""
    value = attributes.get("smpte:TimeCode")
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
        return "", False
    word = int(value[0]) & 0xFFFFFFFF
    drop = bool(word & 0x40)
    digits = [(word >> shift & mask) for shift, mask in ((24, 0x3F), (16, 0x7F), (8, 0x7F), (0, 0x3F))]
    hours, minutes, seconds, frames = (10 * (value >> 4) + (value & 15) for value in digits)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}{';' if drop else ':'}{frames:02d}", drop


__all__ = ["WHO", "as_rate", "code_said", "rate_said", "who_in_movie", "who_said"]
