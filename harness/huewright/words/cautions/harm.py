"""What may do harm, or is broken: flashing, and pixels without a value."""

from __future__ import annotations

from collections.abc import Sequence

from huewright.models import cautions as c
from huewright.words.cautions.group import Group
from huewright.words.reasons import number_words

HARM = Group("What may do harm, or is broken")


@HARM.says(
    c.Flashing, "The shot flashes more often or more strongly than ITU-R BT.1702 allows, by a screen that is no "
    "certified test. It may be harmful to photosensitive viewers: have it tested before anyone sees it.")
def _(item: c.Flashing) -> str:
    kind = "flashes to or from saturated red" if item.red else "flashes"
    rate = f"{item.frames_per_second:g} frames a second" + ("" if item.rate_declared else
                                                            ", taken because the files don't say")
    return (f"in {item.shot} there are {item.flashes} {kind} within a second over a quarter of the picture or more "
            f"(frames {item.first_frame} to {item.last_frame}, {rate}), which may be harmful to photosensitive "
            "viewers: ITU-R BT.1702 allows three; have the shot tested before it is shown")


@HARM.says(
    c.NotFinite, "Pixels without a finite number: no filter and no encoder treats them alike. Mend the source.")
def _(item: c.NotFinite) -> str:
    return (f"in {item.shot or 'the rendered card take'}, as rendered, {item.pixels} pixels hold no finite number (NaN "
            "or infinite), counted over its frames: mend them in the source before the shot goes on")


def _broken(frames: Sequence[int], how: str) -> str:
    runs = number_words(frames).split(", ")
    named = ", ".join(runs[:8]) + (f" and {len(runs) - 8} more" if len(runs) > 8 else "")
    return (f"frame{'' if len(frames) == 1 else 's'} {named} {how} pixels that are no numbers or "
            "infinite; in files of integers they are black or white: look at them")


@HARM.says(
    c.BecameBroken, "Results past what the file holds: usually codes far beyond the declared encoding. Check it, or "
    "write a deeper format.")
def _(item: c.BecameBroken) -> str:
    return _broken(item.frames, "got in rendering (codes far beyond the encoding, or results past what half floats "
                                "hold, 65504)")


@HARM.says(
    c.CameBroken, "They were in the camera's files already. Look at the frames; in integers they are black or white.")
def _(item: c.CameBroken) -> str:
    return _broken(item.frames, "came from the camera's files with")
