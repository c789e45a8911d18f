"""A movie's own description, in a line."""

from __future__ import annotations

from fractions import Fraction

from huewright.models.clip import Clip
from huewright.words.sentence import counted


def clip_words(clip: Clip) -> str:
    """Such as "a.mov: 1920 x 1080, 25 frames a second, 250 frames, 01:00:00:00 to 01:00:09:24; ..."."""
    pixels = "" if clip.pixel_aspect == 1 else f" of {clip.pixel_aspect:.4g} : 1"
    rate = f"{float(Fraction(clip.rate)):.6g} frames a second{'' if clip.even else ' in the mean'}"
    codes = f", {clip.first} to {clip.last}" if clip.first else ", no time code"
    matrix = {"rgb": "R'G'B'", "none": "grey"}.get(clip.matrix, f"matrix {clip.matrix}")
    chroma = f", chroma {clip.chroma}" if clip.chroma else ""
    unsaid = [what for what, said in (("primaries", clip.primaries), ("transfer", clip.transfer)) if not said]
    told = [f"{what} {said}" for what, said in (("primaries", clip.primaries), ("transfer", clip.transfer)) if said]
    rest = [*told, *([f"{' and '.join(unsaid)} not said"] if unsaid else [])]
    by = f"; {', '.join(clip.overridden)} at your word" if clip.overridden else ""
    frames = counted(clip.frames, "frame")
    return (f"{clip.name}: {clip.width} x {clip.height} pixels{pixels}, {rate}, {frames}{codes}; "
            f"{clip.kind}, {matrix}{chroma}, {', '.join(rest)}{by}")


__all__ = ["clip_words"]
