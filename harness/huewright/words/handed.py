"""What was handed over to other programs, in words."""

from __future__ import annotations

from collections.abc import Sequence

from huewright.models.handed import ClipNoted, ConfigCorrection, ConfigOff, How

BY: dict[How, str] = {"path": "by its path", "file": "by its file's name, elsewhere", "name": "by its name only",
                      "reel": "by its reel and time code",
                      "time code": "by its time codes, from the first to the last", "others": "as all others"}


def config_lines(one: ConfigCorrection) -> list[str]:
    """What stands for a correction in a configuration, and how far each is from what it stands for."""
    lines = [f"{one.name}: colour space {one.camera!r}, view {one.view!r} of display {one.display!r}: off the render, "
             f"of full scale, {config_off_words(one.shown)}"]
    if one.looked is not None:
        lines.append(f"{one.name}: look {one.look!r} ahead of the view 'uncorrected': {config_off_words(one.looked)}")
    else:
        lines.append(f"{one.name}: what was declared of this camera's footage can't be had back from light, so there "
                     f"is no look, and the view {one.view!r} is right for this camera's own pictures only")
    return [*lines, f"{one.name}: view {one.uncorrected!r} is off the picture with nothing corrected by "
            f"{config_off_words(one.before)}"]


def config_off_words(one: ConfigOff) -> str:
    frames = ("" if one.frames_worst is None else
              f"; over every pixel of the frames mean {one.frames_mean:.2e}, worst {one.frames_worst:.2e}")
    return (f"mean {one.mean:.2e}, worst {one.in_gamut_worst:.2e} inside the display's gamut ({one.stepwise_worst:.2e} "
            f"where a program does every step by itself), {one.worst:.2e} anywhere in the cube{frames}")


def could_be_words(several: Sequence[str]) -> str:
    """Of a clip that its names don't tell."""
    return (f"no correction: by its names, or its reel and time code, it could be {' or '.join(several)}; name its "
            "folder")


def clip_words(clip: ClipNoted) -> str:
    """Which shot's files a clip of an edit has."""
    if clip.shot is not None:
        return f"corrected as shot {clip.shot}, {BY[clip.how or 'path']}"
    return could_be_words(clip.several) if clip.several else "no correction"


def clips_words(clips: Sequence[ClipNoted]) -> str:
    """Of an edit: how many of its clips have a correction, and which have none."""
    bare = [clip for clip in clips if clip.shot is None]
    with_one = len(clips) - len(bare)
    names = list(dict.fromkeys(clip.name or clip.media or "one without a name" for clip in bare))
    named = f" ({', '.join(names[:6])}{f' and {len(names) - 6} more' if len(names) > 6 else ''})" if names else ""
    return f"{with_one} clip{'s' * (with_one != 1)} with a correction, {len(bare)} without{named}"


__all__ = ["BY", "clip_words", "clips_words", "config_lines", "config_off_words", "could_be_words"]
